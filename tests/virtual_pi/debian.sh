#!/usr/bin/env bash
# Unpack Debian's packages into ROOT as if they were installed, and add what Raspberry Pi OS has and Debian has not.
#     debian.sh ROOT KERNEL GUEST WHEELS KERNEL_FILES MODULE
# No package's script is run: that would take an emulated processor ten minutes. What they would have made and is
# needed is written here.
set -euo pipefail
root=$1 version=$2 guest=$3 wheels=$4 kernel=$5 module=$6
rm -rf "$root/proc" "$root/dev" "$root/sys" "$root/run"
mkdir -p "$root"/{proc,dev,sys,run,tmp,boot/firmware}
chmod 1777 "$root/tmp"
: > "$root/var/lib/dpkg/status"
for deb in "$root"/var/cache/apt/archives/*.deb; do
  dpkg-deb --fsys-tarfile "$deb" | tar -x -C "$root" --keep-directory-symlink
  name="$(dpkg-deb -f "$deb" Package)"
  { dpkg-deb -f "$deb" | sed "1a Status: install ok installed"; echo; } >> "$root/var/lib/dpkg/status"
  dpkg-deb --fsys-tarfile "$deb" | tar -t | sed 's#^\.##; s#/$##; s#^$#/.#' > "$root/var/lib/dpkg/info/$name.list"
done
rm -rf "$root"/var/cache/apt/archives/*.deb "$root/debootstrap" "$root"/usr/share/{doc,man,locale,info}

# accounts
cp "$root/usr/share/base-passwd/passwd.master" "$root/etc/passwd"
cp "$root/usr/share/base-passwd/group.master" "$root/etc/group"
cat >> "$root/etc/passwd" <<'T'
messagebus:x:100:106::/nonexistent:/usr/sbin/nologin
pi:x:1000:1000:,,,:/home/pi:/bin/bash
T
cat >> "$root/etc/group" <<'T'
messagebus:x:106:
gpio:x:986:pi
i2c:x:985:pi
pi:x:1000:
T
sed -i 's#^\([^:]*\):\*:#\1:x:#; s#^root:[^:]*:#root:x:#' "$root/etc/passwd"
cut -d: -f1 "$root/etc/passwd" | sed 's#$#:*:19000:0:99999:7:::#' > "$root/etc/shadow"
cut -d: -f1 "$root/etc/group" | sed 's#$#:*::#' > "$root/etc/gshadow"
chmod 640 "$root/etc/shadow" "$root/etc/gshadow"
echo 'pi ALL=(ALL) NOPASSWD: ALL' > "$root/etc/sudoers.d/pi"
chmod 440 "$root/etc/sudoers.d/pi"
for what in auth account password session; do
  printf '%s required pam_permit.so\n' $what > "$root/etc/pam.d/common-$what"
done
cp "$root/etc/pam.d/common-session" "$root/etc/pam.d/common-session-noninteractive"
ln -sf mawk "$root/usr/bin/awk"
ln -sf /usr/share/zoneinfo/Etc/UTC "$root/etc/localtime"
cp "$root/usr/share/sudo/"* "$root/etc/" 2>/dev/null || true

# as Raspberry Pi OS
cat > "$root/etc/udev/rules.d/99-com.rules" <<'T'
SUBSYSTEM=="i2c-dev", GROUP="i2c", MODE="0660"
SUBSYSTEM=="gpio", GROUP="gpio", MODE="0660"
T
printf 'dtparam=audio=on\n\n[all]\n' > "$root/boot/firmware/config.txt"
echo raspberrypi > "$root/etc/hostname"
printf '127.0.0.1 localhost raspberrypi\n' > "$root/etc/hosts"
echo 'LABEL=pi / ext4 defaults,noatime,errors=remount-ro 0 1' > "$root/etc/fstab"
: > "$root/etc/machine-id"
: > "$root/etc/apt/sources.list" # no network inside
printf '[global]\nno-index = true\nfind-links = /srv/wheels\n' > "$root/etc/pip.conf"
mkdir -p "$root/srv/wheels" "$root/home/pi"
cp "$wheels"/*.whl "$root/srv/wheels/"
chown 1000:1000 "$root/home/pi"

# kernel and the emulated parts
cp -r "$kernel/lib/modules" "$root/usr/lib/"
(cd "$root/usr/lib/modules/$version-arm64/kernel" && rm -rf drivers/{gpu,net,media,infiniband,scsi,iio,staging,md} sound net/{bluetooth,wireless} fs/{btrfs,xfs,ocfs2,ceph})
mkdir -p "$root/usr/lib/modules/$version-arm64/extra" "$root/usr/lib/virtual"
cp "$module" "$root/usr/lib/modules/$version-arm64/extra/"
printf 'virtual_receiver\nvirtio_console\nftdi_sio\nxhci_pci\n' > "$root/etc/modules-load.d/virtual.conf"
depmod -b "$root/usr" "$version-arm64" 2>/dev/null || depmod -b "$root" "$version-arm64"
cp "$guest"/*.py "$root/usr/lib/virtual/"
cp "$guest"/*.service "$root/etc/systemd/system/"
mkdir -p "$root/etc/systemd/system/multi-user.target.wants"
for unit in "$guest"/*.service; do
  ln -s "/etc/systemd/system/$(basename "$unit")" "$root/etc/systemd/system/multi-user.target.wants/"
done
ln -sf /usr/lib/systemd/system/multi-user.target "$root/etc/systemd/system/default.target"
for unit in systemd-networkd-wait-online.service e2scrub_reap.service apt-daily.timer apt-daily-upgrade.timer \
  dpkg-db-backup.timer fstrim.timer e2scrub_all.timer systemd-firstboot.service systemd-pcrphase.service \
  sys-kernel-debug.mount sys-kernel-tracing.mount dev-hugepages.mount dev-mqueue.mount systemd-timesyncd.service \
  systemd-networkd.service systemd-networkd.socket systemd-resolved.service systemd-logind.service getty@tty1.service \
  serial-getty@ttyAMA0.service systemd-pstore.service systemd-update-utmp.service systemd-hwdb-update.service \
  modprobe@dm_mod.service modprobe@loop.service modprobe@efi_pstore.service systemd-binfmt.service modprobe@drm.service modprobe@fuse.service modprobe@configfs.service; do
  ln -sf /dev/null "$root/etc/systemd/system/$unit"
done
