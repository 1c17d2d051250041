#!/usr/bin/env bash
# Put Earthward on a Raspberry Pi (Raspberry Pi OS on Debian 12 or 13), from a checkout of it:
#     sudo ./install.sh [--dry-run] [--screen] [--adapter NAME] ...      options: earthward install --help
# Each version gets a folder with an environment of its own; the link `current` names the one in use. Running it again
# with a later checkout upgrades; `sudo earthward install --rollback` goes back.
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
prefix="${EARTHWARD_PREFIX:-/opt/earthward}"
version="$(sed -n 's/^version = "\(.*\)"$/\1/p' "$here/pyproject.toml" | head -n 1)"
dry=no
for word in "$@"; do [ "$word" = --dry-run ] && dry=yes; done

say() { printf '%s\n' "$*"; }

missing=""
for package in python3-venv python3-lgpio; do
  dpkg -s "$package" >/dev/null 2>&1 || missing="$missing $package"
done

if [ "$dry" = yes ]; then
  [ -z "$missing" ] || say "would install Debian packages:$missing"
  say "would install version $version below $prefix/versions and point $prefix/current at it"
  say "would then run: earthward install $*"
  exit 0
fi

if [ -n "$missing" ]; then
  [ "$(id -u)" = 0 ] || { say "this installs Debian packages: run it with sudo"; exit 2; }
  say "installing Debian packages:$missing"
  apt-get update -qq
  # Without the pins' library from Debian the converter's ready line and the switches are not read; `doctor` says so.
  DEBIAN_FRONTEND=noninteractive apt-get install -y -qq $missing || say "not all of$missing could be installed"
fi

mkdir -p "$prefix/versions"
target="$prefix/versions/$version"
number=1
while [ -e "$target" ]; do
  number=$((number + 1))
  target="$prefix/versions/$version-$number"
done
say "installing Earthward $version into $target"
trap 'rm -rf "$target"; say "nothing was changed: the version in use stays"' ERR
# Debian's own packages (python3-lgpio) are seen from inside; nothing of the system's Python is changed.
python3 -m venv --system-site-packages "$target"
"$target/bin/python" -m pip install --quiet --disable-pip-version-check "$here[report]" "adafruit-extended-bus>=1.0"
# Debian 12 itself has no python3-lgpio (Raspberry Pi OS and Debian 13 have): there the wheel does.
"$target/bin/python" -c "import lgpio" 2>/dev/null ||
  "$target/bin/python" -m pip install --quiet --disable-pip-version-check "lgpio>=0.2" ||
  say "the pins' library lgpio could not be installed: contacts and ready line are not read until it is"
"$target/bin/earthward" --version >/dev/null
# pip leaves its files to the system's leisure: on the card before the link names them, or a cut leaves empty programs.
sync
trap - ERR

if [ -L "$prefix/current" ]; then
  ln -sfn "$(readlink "$prefix/current")" "$prefix/.previous.new"
  mv -T "$prefix/.previous.new" "$prefix/previous"
fi
ln -sfn "$target" "$prefix/.current.new"
mv -T "$prefix/.current.new" "$prefix/current"
if [ "$prefix" = /opt/earthward ]; then mkdir -p /usr/local/bin; ln -sfn "$prefix/current/bin/earthward" /usr/local/bin/earthward; fi
exec "$prefix/current/bin/earthward" install --prefix "$prefix" "$@"
