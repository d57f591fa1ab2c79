#!/bin/sh
# Remakes the pinned lists that deploy/env.sh installs from, out of pyproject.toml:
#   deploy/runtime.lock  what the daemon needs
#   deploy/demo.lock     the same, a mailbox, and the embedded broker for where mosquitto cannot be had
#   deploy/test.lock     the same and everything that the tests and measurements need
#
#   sh deploy/lock.sh             keeps the versions that are pinned and adds what is new
#   sh deploy/lock.sh --upgrade   takes the newest version of everything
#
# Needs uv, or a pip that can fetch it. The lists hold hashes and no address: where packages come from
# is a setting of the machine, and what comes is checked here whatever its source.
set -eu
cd "$(dirname "$0")/.."

upgrade=
case "${1:-}" in
  '') ;;
  --upgrade) upgrade=--upgrade ;;
  *) echo "deploy/lock.sh: '$1' is not an option; there is only --upgrade" >&2; exit 2 ;;
esac

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

if command -v uv >/dev/null 2>&1; then
  uv=uv
else
  sh deploy/env.sh runtime
  .venv/bin/python -m venv "$work/uv"
  "$work/uv/bin/python" -m pip install --quiet --disable-pip-version-check uv
  uv=$work/uv/bin/uv
fi

# The project itself is built without fetching anything (see env.sh), so its build tools are pinned too.
sed -n 's/^requires = \["\(.*\)"\]$/\1/p' pyproject.toml >"$work/build.in"
test -s "$work/build.in" || { echo "deploy/lock.sh: pyproject.toml has no one-line [build-system] requires" >&2; exit 1; }

# compile NAME EXTRA... : a longer list is held to the versions of the shorter one, so that what is tested is what runs.
compile() {
  name=$1
  shift
  extras=
  for extra; do extras="$extras --extra $extra"; done
  test -f "deploy/$name.lock" && cp "deploy/$name.lock" "$work/$name.lock"
  # Wheels only, so that nothing is compiled on a gateway; psychrolib (tests only) is published as source alone.
  # shellcheck disable=SC2086  # lists of options, meant to be split
  "$uv" pip compile pyproject.toml "$work/build.in" $extras $held $upgrade \
    --universal --python-version 3.11 --generate-hashes --only-binary :all: --no-binary psychrolib \
    --no-emit-index-url --no-emit-find-links --no-header --no-annotate --quiet --output-file "$work/$name.lock" >/dev/null
  { echo "# Made by deploy/lock.sh from pyproject.toml; not edited by hand."; grep -v '^#' "$work/$name.lock"; } >"deploy/$name.lock"
  held="--constraint deploy/runtime.lock"
}

held=
compile runtime
compile demo demo embedded-broker
compile test demo embedded-broker parquet test reference
grep -c '^[a-z]' deploy/*.lock
