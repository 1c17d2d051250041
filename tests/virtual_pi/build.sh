#!/usr/bin/env bash
# The disk of a virtual Raspberry Pi: Debian's own arm64 packages, a module that plays converter and pins, and what
# Raspberry Pi OS adds (a user, two groups, names of devices). Everything is kept in a build folder and made once.
#     build.sh FOLDER
# Needs, on Debian: qemu-system-arm debootstrap cpio gcc-aarch64-linux-gnu device-tree-compiler kmod e2fsprogs; and root,
# because the files of the disk belong to several users.
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
project="$(cd "$here/../.." && pwd)"
mkdir -p "$1"
cd "$1"
release=bookworm
packages=systemd,systemd-sysv,udev,kmod,dbus,procps,iproute2,python3,python3-venv,python3-pip,sudo,passwd,e2fsprogs,libgomp1,i2c-tools

for tool in qemu-system-aarch64 debootstrap cpio aarch64-linux-gnu-gcc dtc depmod mkfs.ext4 fdtput; do
  command -v "$tool" >/dev/null || { echo "$tool is missing: see the head of $0 for the packages"; exit 2; }
done
[ "$(id -u)" = 0 ] || { echo "making the disk needs root"; exit 2; }

# ---- kernel: Debian's, and our module against its headers ---------------------------------------------------------------
if [ ! -e kernel.done ]; then
  mkdir -p apt/lists/partial apt/cache/archives/partial debs
  : > apt/status
  apt="-o APT::Architecture=arm64 -o APT::Architectures=arm64 -o Dir::State::lists=$PWD/apt/lists
       -o Dir::State::status=$PWD/apt/status -o Dir::Cache=$PWD/apt/cache"
  apt-get $apt update -qq || true # a repository without arm64 is no loss; what is missing shows at the download
  version="$(apt-cache $apt depends linux-image-arm64 | sed -n 's/.*Depends: linux-image-\(.*\)-arm64$/\1/p' | head -n 1)"
  kbuild="linux-kbuild-$(echo "$version" | cut -d. -f1,2)"
  (cd debs && apt-get $apt download -qq "linux-image-$version-arm64" "linux-headers-$version-arm64" \
    "linux-headers-$version-common" busybox-static && apt-get download -qq "$kbuild")
  rm -rf headers kernel busybox
  mkdir headers kernel busybox
  for deb in debs/linux-headers* debs/linux-kbuild*; do dpkg-deb -x "$deb" headers; done
  dpkg-deb -x debs/linux-image*.deb kernel
  dpkg-deb -x debs/busybox-static*.deb busybox
  sed -i "s#^include /usr/src#include $PWD/headers/usr/src#" "headers/usr/src/linux-headers-$version-arm64/Makefile"
  cp kernel/boot/vmlinuz-* vmlinuz
  echo "$version" > kernel.done
fi
version="$(cat kernel.done)"
if [ ! -e virtual_receiver.ko ] || [ "$here/modules/virtual_receiver.c" -nt virtual_receiver.ko ]; then
  rm -rf module && cp -r "$here/modules" module
  make -s -C "headers/usr/src/linux-headers-$version-arm64" M="$PWD/module" ARCH=arm64 CC=aarch64-linux-gnu-gcc \
    CROSS_COMPILE=aarch64-linux-gnu- modules > module.log 2>&1 || { cat module.log; exit 1; }
  aarch64-linux-gnu-strip -g module/virtual_receiver.ko -o virtual_receiver.ko
  rm -f disk.img
fi

# ---- device tree: qemu's board with the name of a Pi 4, and without pins of its own ----------------------------------------
if [ ! -e pi.dtb ]; then
  qemu-system-aarch64 -M virt,dumpdtb=raw.dtb -cpu cortex-a72 -smp 1 -m 2048 -nic none -display none 2> /dev/null
  dtc -q -I dtb -O dts raw.dtb -o raw.dts
  python3 "$here/as_a_pi.py" raw.dts pi.dts
  dtc -q -I dts -O dtb pi.dts -o pi.dtb
fi

# ---- wheels: what the installer would fetch ------------------------------------------------------------------------------
# Fetched again when pyproject.toml asks for other packages: an installation with last month's wheels would stop half way.
"${PYTHON:-python3}" "$here/requirements.py" "$project/pyproject.toml" > requirements.new
if [ ! -e wheels.done ] || ! cmp -s requirements.new wheels.done; then
  rm -rf wheels wheels.done && mkdir wheels
  python="${PYTHON:-python3}"
  exec 3>&2 2> >(grep -v "is ignored: it is neither" >&3) # extra places of the build machine's pip are no matter
  "$python" -m pip wheel -q --no-deps -w wheels psychrolib adafruit-extended-bus
  "$python" -m pip download -q -d wheels --only-binary=:all: --platform manylinux2014_aarch64 \
    --platform manylinux_2_17_aarch64 --platform manylinux_2_28_aarch64 --platform manylinux_2_34_aarch64 \
    --python-version 3.11 --implementation cp --find-links wheels -r requirements.new
  exec 2>&3
  cp requirements.new wheels.done
  rm -f disk.img
fi

# ---- userland ----------------------------------------------------------------------------------------------------------
if [ ! -e debian.done ]; then
  rm -rf debian
  debootstrap --foreign --arch=arm64 --variant=minbase --include=$packages $release debian > debootstrap.log 2>&1
  touch debian.done
fi
if [ ! -e disk.img ] || [ "$(find "$here/guest" "$here/debian.sh" "$here/initrd.sh" -newer disk.img | head -n 1)" ]; then
  rm -rf root && cp -a debian root
  bash "$here/debian.sh" root "$version" "$here/guest" "$PWD/wheels" "$PWD/kernel" "$PWD/virtual_receiver.ko"
  bash "$here/initrd.sh" "$version"
  rm -f disk.new
  mkfs.ext4 -q -L pi -d root disk.new 3G
  rm -rf root
  mv disk.new disk.img
fi
echo "virtual Pi: $(du -h disk.img | cut -f1) disk, kernel $version"
