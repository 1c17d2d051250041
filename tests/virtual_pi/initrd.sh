#!/usr/bin/env bash
# First steps of the virtual Pi: load what the disk needs, mount it, hand over to systemd.   initrd.sh KERNEL
set -euo pipefail
version=$1
rm -rf first && mkdir -p first/{bin,dev,proc,sys,new,mod}
cp busybox/bin/busybox first/bin/
tree="kernel/lib/modules/$version-arm64/kernel"
order="crc16 mbcache jbd2 crc32c_generic ext4 virtio virtio_ring virtio_mmio virtio_blk"
for name in $order; do
  find "$tree" -name "$name.ko" -exec cp {} first/mod/ \;
done
cat > first/init <<T
#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc; mount -t sysfs sys /sys; mount -t devtmpfs dev /dev
for name in $order; do [ -f /mod/\$name.ko ] && insmod /mod/\$name.ko; done
tries=0
until findfs LABEL=pi >/dev/null 2>&1 || [ \$tries = 100 ]; do tries=\$((tries + 1)); sleep 0.1; done
mount -t ext4 \$(grep -q rootro /proc/cmdline && echo -o ro) \$(findfs LABEL=pi) /new || { echo "NO DISK"; reboot -f; }
mount --move /dev /new/dev; umount /proc; umount /sys
exec switch_root /new \${realinit:-/lib/systemd/systemd}
T
chmod +x first/init
(cd first && find . | cpio -o -H newc --quiet | gzip -n) > initrd.gz
rm -rf first
