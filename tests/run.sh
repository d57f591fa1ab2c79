#!/bin/sh
# Runs what the build runs.
#
#   sh tests/run.sh                        the short tier: style, types, walls, every test once (at most 12 minutes)
#   sh tests/run.sh --long NAME [--seed N] one long measurement; writes docs/results/NAME.json
#                               [--minutes N] how long it may take, for those that can be cut short (fuzz, detection)
#
# Everything that is needed is made or fetched first (deploy/env.sh, deploy/mosquitto.sh, tests/victoria_metrics.sh).
# What is missing fails.
set -u
cd "$(dirname "$0")/.." || exit 1

measurements() {
  for file in tests/long/*.py; do
    case $file in */__init__.py | */result.py | */test_*.py) ;; *) basename "$file" .py ;; esac
  done
}

usage() {
  echo "usage: sh tests/run.sh [--long NAME [--seed N] [--minutes N]]" >&2
  echo "long measurements: $(measurements | tr '\n' ' ')" >&2
  exit 2
}

name=
seed=1
minutes=
while test $# -gt 0; do
  case $1 in
    --long) test $# -ge 2 || usage; name=$2; shift 2 ;;
    --seed) test $# -ge 2 || usage; seed=$2; shift 2 ;;
    --minutes) test $# -ge 2 || usage; minutes=$2; shift 2 ;;
    *) usage ;;
  esac
done
if test -n "$name" && ! measurements | grep -qx -e "$name"; then
  echo "tests/run.sh: there is no long measurement '$name'" >&2
  usage
fi

began=$(date +%s)
failed=

# step NAME COMMAND... : runs it, prints how long it took, and remembers a failure without stopping.
step() {
  title=$1
  shift
  echo "--- $title"
  start=$(date +%s)
  "$@" || { code=$?; failed="$failed $title"; echo "--- $title FAILED (exit $code)"; }
  echo "--- $title took $(($(date +%s) - start)) s"
}

step environment sh deploy/env.sh test
test -z "$failed" || exit 1
# shellcheck source=deploy/mosquitto.sh
. deploy/mosquitto.sh
step mosquitto goodwater_mosquitto
test -z "$failed" || exit 1
# shellcheck source=tests/victoria_metrics.sh
. tests/victoria_metrics.sh
step victoria-metrics goodwater_victoria_metrics
test -z "$failed" || exit 1
python=$goodwater_venv/bin/python

if test -n "$name"; then
  exec "$python" -m "tests.long.$name" --seed "$seed" --out "docs/results/$name.json" \
    ${minutes:+--minutes "$minutes"}
fi

# Tests that watch real time mostly wait, so three keep each other company; those that load the processor come
# after them. None of them being chosen is not a failure (pytest's 5).
serial() {
  "$python" -m pytest -q -n 3 --dist worksteal -m 'serial and not long' </dev/null
  code=$?
  test $code = 5 || return $code
}

step 'style: ruff check' "$python" -m ruff check .
step 'style: ruff format' "$python" -m ruff format --check .
step types "$python" -m mypy
step walls "$goodwater_venv/bin/lint-imports" --no-logo
step 'tests in real time' serial
# Three at a time on two cores: much of what they do is waiting for real time.
step tests "$python" -m pytest -q -n 3 --dist loadfile -m 'not serial and not long' </dev/null

took=$(($(date +%s) - began))
echo "--- short tier took $took s"
test $took -le 720 || echo "--- which is more than its 12 minutes: find out what became slow" >&2
test -z "$failed" || { echo "--- FAILED:$failed"; exit 1; }
