#!/bin/sh
# Installs Goodwater as a service on a gateway (Debian or its kin, systemd), or upgrades it. As root:
#
#   sh deploy/install.sh              what it does is listed in docs/how-to/install.md
#   sh deploy/install.sh --root DIR   only copies the files, into DIR instead of /, and says what else it would do
#
# What the shop has written itself (/etc/goodwater, the broker's file once it is there) is never overwritten.
set -eu
cd "$(dirname "$0")/.."

root=
case "${1:-}" in
  '') ;;
  --root)
    root=${2:-}
    test -n "$root" || { echo "goodwater: --root needs a folder" >&2; exit 2; }
    ;;
  *) echo "usage: sh deploy/install.sh [--root DIR]" >&2; exit 2 ;;
esac

die() { echo "goodwater: $*" >&2; exit 1; }

if test -z "$root"; then
  test "$(id -u)" = 0 || die "installing needs root: sudo sh deploy/install.sh"
  command -v systemctl >/dev/null || die "this machine has no systemd; run 'goodwater run SITE' under what supervises services here"
fi

# as_root COMMAND... : does it, or says it when only files are wanted.
as_root() {
  if test -n "$root"; then echo "would run: $*"; else "$@"; fi
}

# put FILE TARGET : always the version of this release.   keep FILE TARGET : only where there is none yet.
put() { install -D -m 0644 "$1" "$root$2"; }
keep() { test -e "$root$2" || put "$1" "$2"; }

id goodwater >/dev/null 2>&1 ||
  as_root useradd --system --user-group --home-dir /var/lib/goodwater --no-create-home --shell /usr/sbin/nologin goodwater

# The program: owned by root, so that the service cannot change what it runs. Old files of a former version go.
program=$root/opt/goodwater
mkdir -p "$program"
for part in monitor deploy config docs; do
  rm -rf "${program:?}/$part"
  cp -R "$part" "$program/"
done
cp pyproject.toml README.md "$program/"
find "$program" -name __pycache__ -type d -prune -exec rm -rf {} +
as_root sh /opt/goodwater/deploy/env.sh runtime
as_root ln -sfn /opt/goodwater/.venv/bin/goodwater /usr/local/bin/goodwater

# The shop's own description: readable by the service, written by root.
install -d -m 0750 "$root/etc/goodwater"
first=yes
test ! -e "$root/etc/goodwater/site.toml" || first=no
if test $first = yes; then
  put config/one-meter.toml /etc/goodwater/site.toml
  # The example keeps its data beside itself; a service keeps it where it may write.
  sed -i 's|^data = .*|data = "/var/lib/goodwater"         # folder for all that Goodwater remembers|' "$root/etc/goodwater/site.toml"
fi
as_root chown -R root:goodwater /etc/goodwater
as_root chmod -R o= /etc/goodwater

put deploy/systemd/goodwater.service /etc/systemd/system/goodwater.service
put deploy/systemd/goodwater-page.service /etc/systemd/system/goodwater-page.service
put deploy/udev/99-goodwater-serial.rules /etc/udev/rules.d/99-goodwater-serial.rules
keep deploy/mosquitto/goodwater.conf /etc/mosquitto/conf.d/goodwater.conf

as_root udevadm control --reload
as_root udevadm trigger --subsystem-match=tty
as_root systemctl daemon-reload
as_root systemctl enable goodwater.service
if test $first = no; then
  as_root goodwater check /etc/goodwater/site.toml
  as_root systemctl restart goodwater.service
else
  echo "Installed. Next:"
  echo "  1. describe your shop: goodwater init --replace /etc/goodwater/site.toml (the example there is one meter)"
  echo "  2. goodwater check /etc/goodwater/site.toml"
  echo "  3. systemctl restart mosquitto && systemctl start goodwater"
fi
