# shellcheck shell=sh
# Finds a mosquitto broker with its command-line clients, or gets it. Sourced from the repository's folder:
#
#   . deploy/mosquitto.sh
#   goodwater_mosquitto || exit 1            # tests: a real broker or a failure
#   goodwater_mosquitto || embedded_broker   # a show: the broker inside Python will do
#
# Sets and exports GOODWATER_MOSQUITTO, GOODWATER_MOSQUITTO_PUB, GOODWATER_MOSQUITTO_SUB, GOODWATER_MOSQUITTO_PASSWD
# (paths of programs); or GOODWATER_EMBEDDED_BROKER, a command that takes a port and serves until it is ended.
# What is set already is taken as it is.

goodwater_venv=${GOODWATER_VENV:-.venv}
goodwater_unpacked=$goodwater_venv/mosquitto
# The broker lives in sbin, which is not on every plain user's PATH.
goodwater_places=$PATH:/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin

find_mosquitto() {
  GOODWATER_MOSQUITTO=${GOODWATER_MOSQUITTO:-$(PATH=$1 command -v mosquitto)} &&
    GOODWATER_MOSQUITTO_PUB=${GOODWATER_MOSQUITTO_PUB:-$(PATH=$1 command -v mosquitto_pub)} &&
    GOODWATER_MOSQUITTO_SUB=${GOODWATER_MOSQUITTO_SUB:-$(PATH=$1 command -v mosquitto_sub)} &&
    GOODWATER_MOSQUITTO_PASSWD=${GOODWATER_MOSQUITTO_PASSWD:-$(PATH=$1 command -v mosquitto_passwd)} &&
    export GOODWATER_MOSQUITTO GOODWATER_MOSQUITTO_PUB GOODWATER_MOSQUITTO_SUB GOODWATER_MOSQUITTO_PASSWD
}

install_mosquitto() {
  test "$(id -u)" = 0 && command -v apt-get >/dev/null || return 1
  echo "goodwater: installing mosquitto and mosquitto-clients with apt" >&2
  DEBIAN_FRONTEND=noninteractive apt-get -qy install mosquitto mosquitto-clients >/dev/null 2>&1 && return
  { apt-get -q update && DEBIAN_FRONTEND=noninteractive apt-get -qy install mosquitto mosquitto-clients; } >/dev/null 2>&1
}

# The unpacked programs find their libraries beside them through a two-line wrapper each.
unpack_mosquitto() {
  command -v apt-get >/dev/null || return 1
  echo "goodwater: unpacking mosquitto into $goodwater_unpacked (not root, so nothing is installed)" >&2
  sh deploy/unpack.sh "$goodwater_unpacked" mosquitto mosquitto-clients >"$goodwater_venv/mosquitto-setup.log" 2>&1 || return 1
  mkdir -p "$goodwater_unpacked/bin"
  for program in sbin/mosquitto bin/mosquitto_pub bin/mosquitto_sub bin/mosquitto_passwd; do
    wrapper=$goodwater_unpacked/bin/${program#*/}
    cat >"$wrapper" <<'WRAPPER' || return 1
#!/bin/sh
here=$(cd "$(dirname "$0")/.." && pwd)
LD_LIBRARY_PATH=$(echo "$here"/usr/lib/*-linux-gnu*):$here/usr/lib${LD_LIBRARY_PATH:+:$LD_LIBRARY_PATH}
export LD_LIBRARY_PATH
WRAPPER
    echo "exec \"\$here/usr/$program\" \"\$@\"" >>"$wrapper"
    chmod +x "$wrapper"
  done
}

goodwater_mosquitto() {
  goodwater_own=$(cd "$goodwater_unpacked/bin" 2>/dev/null && pwd)
  find_mosquitto "$goodwater_places:$goodwater_own" && return
  install_mosquitto && find_mosquitto "$goodwater_places" && return
  if unpack_mosquitto; then
    goodwater_own=$(cd "$goodwater_unpacked/bin" && pwd)
    find_mosquitto "$goodwater_places:$goodwater_own" && return
  fi
  unset GOODWATER_MOSQUITTO GOODWATER_MOSQUITTO_PUB GOODWATER_MOSQUITTO_SUB GOODWATER_MOSQUITTO_PASSWD
  echo "goodwater: no mosquitto broker here and none could be had; install the packages mosquitto and mosquitto-clients" >&2
  return 1
}

embedded_broker() {
  sh deploy/env.sh demo || return 1
  echo "goodwater: using the broker inside Python (amqtt, MQTT 3.1.1). It is for show: it forgets waiting messages" >&2
  echo "           when a client or it dies. A real site runs mosquitto." >&2
  GOODWATER_EMBEDDED_BROKER="$goodwater_venv/bin/python deploy/embedded_broker.py"
  export GOODWATER_EMBEDDED_BROKER
}
