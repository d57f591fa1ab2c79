# shellcheck shell=sh
# Finds victoria-metrics, the server that the mirror is tried against, or unpacks Debian's package into the
# environment: installed it would start a service, which a test has no use for. Sourced from the repository's folder:
#
#   . tests/victoria_metrics.sh
#   goodwater_victoria_metrics || exit 1
#
# Sets and exports GOODWATER_VICTORIA_METRICS, the path of its program. What is set already is taken as it is.

goodwater_victoria=${GOODWATER_VENV:-.venv}/victoria-metrics

find_victoria_metrics() {
  goodwater_own=$(cd "$goodwater_victoria/usr/bin" 2>/dev/null && pwd)
  GOODWATER_VICTORIA_METRICS=${GOODWATER_VICTORIA_METRICS:-$(PATH=$PATH:$goodwater_own command -v victoria-metrics)} &&
    export GOODWATER_VICTORIA_METRICS
}

unpack_victoria_metrics() {
  command -v apt-get >/dev/null || return 1
  echo "goodwater: unpacking victoria-metrics into $goodwater_victoria" >&2
  sh deploy/unpack.sh "$goodwater_victoria" victoria-metrics >"$goodwater_victoria-setup.log" 2>&1
}

goodwater_victoria_metrics() {
  find_victoria_metrics && return
  unpack_victoria_metrics && find_victoria_metrics && return
  unset GOODWATER_VICTORIA_METRICS
  echo "goodwater: no victoria-metrics here and none could be had; install the package of this name" >&2
  return 1
}
