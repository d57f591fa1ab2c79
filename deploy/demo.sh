#!/bin/sh
# Goodwater at work on this machine, with nothing to set up: environment, broker, mailbox, chat, an invented
# shop with all its wires, the watch, the live page. Ctrl-C ends everything.
#
#   sh deploy/demo.sh                   plays the month, then stays up
#   sh deploy/demo.sh --minutes 4       plays it in so many minutes and ends: 0 when all was told that had to be
#   sh deploy/demo.sh --help            what else can be asked
set -eu
cd "$(dirname "$0")/.."
sh deploy/env.sh demo
# shellcheck source=deploy/mosquitto.sh
. deploy/mosquitto.sh
goodwater_mosquitto || embedded_broker
exec "$goodwater_venv/bin/python" -m simulator.demo "$@"
