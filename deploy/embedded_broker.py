"""A broker inside Python, for a show on a machine where mosquitto cannot be had.

``python deploy/embedded_broker.py PORT`` serves MQTT 3.1.1 on this machine alone until SIGINT or SIGTERM,
and prints one line when it listens. It keeps no message of a client that is away or was killed, so nothing
that Goodwater says about losing nothing holds with it.
"""

import asyncio
import signal
import sys

from amqtt.broker import Broker


async def serve(port: int) -> None:
    """Serve on 127.0.0.1 at ``port`` (1 to 65535) until the process is told to end."""
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}", "max_connections": 100}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    ended = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, ended.set)
    await broker.start()
    print(f"listening on 127.0.0.1:{port}", flush=True)
    await ended.wait()
    await broker.shutdown()


def main(words: list[str]) -> int:
    """Read the port from the command line; 2 when it is not one."""
    if len(words) != 1 or not words[0].isdigit() or not 1 <= int(words[0]) <= 65535:
        print("usage: python deploy/embedded_broker.py PORT, where PORT is 1 to 65535", file=sys.stderr)
        return 2
    asyncio.run(serve(int(words[0])))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
