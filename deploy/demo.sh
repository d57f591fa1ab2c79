#!/bin/sh
# Goodwater at work on this machine, with nothing to set up: environment, broker, mailbox, probe, watch.
set -eu
cd "$(dirname "$0")/.."
sh deploy/env.sh demo
# shellcheck source=deploy/mosquitto.sh
. deploy/mosquitto.sh
goodwater_mosquitto || embedded_broker
exec "$goodwater_venv/bin/python" -m simulator.first_probe "$@"
