#!/bin/sh
# Unpacks Debian packages, with whatever they need that this machine lacks, into a folder, without being root:
#
#   sh deploy/unpack.sh FOLDER PACKAGE...
#
# apt keeps its lists and downloads in FOLDER and checks the distribution's signatures as always.
set -eu

folder=$1
shift
if ! command -v apt-get >/dev/null || ! command -v dpkg >/dev/null; then
  echo "this machine has no apt-get and dpkg to unpack a Debian package with" >&2
  exit 1
fi
mkdir -p "$folder/apt/lists/partial" "$folder/apt/cache/archives/partial"
folder=$(cd "$folder" && pwd)

apt() {
  apt-get -q -o Dir::State="$folder/apt" -o Dir::State::status=/var/lib/dpkg/status -o Dir::Cache="$folder/apt/cache" \
    -o APT::Get::List-Cleanup=false -o APT::Install-Recommends=false -o Debug::NoLocking=1 "$@"
}

apt update
# A dry run of the installation names every package that is missing: "Inst libcjson1 (1.7.15-1 ...)".
missing=$(apt --simulate install "$@" | sed -n 's/^Inst \([^ ]*\) .*/\1/p')
cd "$folder/apt/cache/archives"
# shellcheck disable=SC2086  # package names, meant to be split
test -z "$missing" || apt download $missing
for package in ./*.deb; do
  test -f "$package" && dpkg -x "$package" "$folder"
done
rm -rf "$folder/apt" # lists and downloads, some 160 MB
