#!/bin/sh
# Makes Goodwater's Python environment, or brings it up to date; quick when nothing changed.
#
#   sh deploy/env.sh runtime   what the daemon needs
#   sh deploy/env.sh demo      the same, a mailbox, and the embedded broker (see mosquitto.sh)
#   sh deploy/env.sh test      the same and everything that tests, checks and measurements need
#
# PYTHON          the Python to use (3.11 or newer); else python3.13, 3.12, 3.11, python3, the first that fits
# GOODWATER_VENV  where the environment is made; else .venv in this folder's parent
#
# Exactly what deploy/*.lock pin is installed, each file checked against its hash.
set -eu
cd "$(dirname "$0")/.."

mode=${1:-runtime}
venv=${GOODWATER_VENV:-.venv}
lock=deploy/$mode.lock
latch=$venv.lock
log=$venv/goodwater-setup.log
stamp=$venv/.goodwater

say() { echo "goodwater: $*" >&2; }
die() { say "$*"; exit 1; }

case $mode in
  runtime | demo | test) ;;
  *) say "'$mode' is not a kind of environment; there are: runtime, demo, test"; exit 2 ;;
esac

# The state of everything that decides what is installed, and where: a moved folder is made anew.
fingerprint() { { pwd -P; cat "deploy/$1.lock" pyproject.toml deploy/env.sh; } | cksum; }

is_ready() {
  "$venv/bin/python" -c '' 2>/dev/null || return 1
  case $mode in
    runtime) enough='runtime demo test' ;;
    demo) enough='demo test' ;;
    *) enough='test' ;;
  esac
  for made in $enough; do
    test -f "$stamp-$made" && test "$(cat "$stamp-$made")" = "$(fingerprint "$made")" && return 0
  done
  return 1
}

fits() { "$1" -c 'import sys, ssl, sqlite3, venv; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; }

find_python() {
  if test -n "${PYTHON:-}"; then
    fits "$PYTHON" || die "PYTHON is '$PYTHON', which is not a Python 3.11 or newer with ssl, sqlite3 and venv"
    python=$PYTHON
    return
  fi
  for python in python3.13 python3.12 python3.11 python3; do
    fits "$python" && return
  done
  die "no Python 3.11 or newer (with ssl, sqlite3 and venv) is on this machine; install the package python3-venv, or name one: PYTHON=/path/to/python3 sh deploy/env.sh"
}

is_root() { test "$(id -u)" = 0; }

# Prints the path of the pip wheel that Debian ships for its own venv module: already there, installed, or unpacked.
distribution_pip_wheel() {
  if ! ls /usr/share/python-wheels/pip-*.whl >/dev/null 2>&1 && command -v apt-get >/dev/null 2>&1; then
    if is_root; then
      { apt-get -q update && apt-get -qy install python3-pip-whl; } >>"$log" 2>&1 || true
    else
      sh deploy/unpack.sh "$venv/distribution" python3-pip-whl >>"$log" 2>&1 || true
    fi
  fi
  for wheel in /usr/share/python-wheels/pip-*.whl "$venv"/distribution/usr/share/python-wheels/pip-*.whl; do
    test -f "$wheel" && { echo "$wheel"; return; }
  done
}

# Sets `installer` to what runs pip for this environment: its own, the system's, or the distribution's wheel.
find_pip() {
  installer=own
  "$venv/bin/python" -m pip --version >/dev/null 2>&1 && return
  installer=system
  "$python" -m pip --python "$venv/bin/python" --version >/dev/null 2>&1 && return
  installer=$(distribution_pip_wheel)
  test -n "$installer" || die "this Python has no pip; install the package python3-venv (or python3-pip) and run this again"
}

pip() {
  case $installer in
    own) "$venv/bin/python" -m pip "$@" ;;
    system) "$python" -m pip --python "$venv/bin/python" "$@" ;;
    *) PYTHONPATH=$installer "$venv/bin/python" -m pip "$@" ;;
  esac
}

# A moved environment still has a Python, but its commands name the place it was made in.
make_venv() {
  "$venv/bin/python" -c '' 2>/dev/null && test "$(cat "$venv/goodwater-place" 2>/dev/null)" = "$(pwd -P)" && return
  test ! -e "$venv" || test -f "$venv/pyvenv.cfg" || test -z "$(ls -A "$venv")" ||
    die "$venv is in the way: it is not a Python environment; move it, or name another place in GOODWATER_VENV"
  rm -rf "$venv"
  "$python" -m venv "$venv" >/dev/null 2>&1 && return
  rm -rf "$venv"
  "$python" -m venv --without-pip "$venv" ||
    die "could not make $venv with $python; is the disk full, or the folder not ours to write?"
}

# One sentence in place of pip's page: what went wrong and what to do. The page stays in the log.
explain() {
  if grep -q 'No space left' "$log"; then
    die "the disk is full: free some room (the test environment needs about 1.5 GB) and run this again"
  elif grep -q 'DO NOT MATCH THE HASHES' "$log"; then
    die "a package is not the one that $lock pins, and was not installed; see $log"
  elif grep -qE 'from versions: none|NewConnectionError|NameResolution|ConnectTimeout|Max retries|Read timed out' "$log"; then
    die "the Python package index cannot be reached: connect this machine (or set its proxy or mirror for pip) and run this again; details in $log"
  fi
  die "installing from $lock failed: $(grep -m 1 '^ERROR' "$log" || echo 'see the log') (details in $log)"
}

# On the machine that watches all is compiled now, as who runs it cannot write here; for tests what is used is, when it
# is used, which halves the time.
install() {
  test "$mode" = runtime && compile=--compile || compile=--no-compile
  pip install "$compile" --disable-pip-version-check --no-input "$@" >>"$log" 2>&1 || explain
}

set_up() {
  find_python
  make_venv
  pwd -P >"$venv/goodwater-place"
  : >"$log"
  find_pip
  rm -f "$stamp"-*
  install --require-hashes --only-binary :all: -r deploy/runtime.lock
  # What is published as source alone (tests only) is built with the setuptools just pinned, fetching nothing else.
  test "$mode" = runtime || install --require-hashes --no-build-isolation -r "$lock"
  install --no-deps --no-build-isolation --editable .
  fingerprint "$mode" >"$stamp-$mode"
}

# Two set-ups at once (demo and tests, say) take turns; a latch whose owner is gone is taken over.
take_turn() {
  waited=0
  until mkdir "$latch" 2>/dev/null; do
    owner=$(cat "$latch/pid" 2>/dev/null || true)
    if test -n "$owner" && ! kill -0 "$owner" 2>/dev/null; then rm -rf "$latch"; continue; fi
    test -w "$(dirname "$latch")" || die "this folder cannot be written by $(id -un); clone Goodwater to a place of your own, or set GOODWATER_VENV"
    test "$waited" != 0 || say "another set-up is at work in $venv; waiting for it"
    waited=$((waited + 1))
    test "$waited" -lt 1800 || die "another set-up still holds $latch after half an hour; remove that folder if nothing is running"
    sleep 1
  done
  echo $$ >"$latch/pid"
  trap 'rm -rf "$latch"' EXIT
  trap 'exit 130' INT TERM
}

is_ready && exit 0
take_turn
is_ready && exit 0
say "making the $mode environment in $venv (once; some minutes the first time)"
set_up
say "ready: $("$venv/bin/python" -V) in $venv"
