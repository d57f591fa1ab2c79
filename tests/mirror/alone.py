"""A mirror as a process of its own, so that it can be killed: `python -m tests.mirror.alone SITE`."""

from __future__ import annotations

import random
import sys
import time

from monitor.clock import MachineClock
from monitor.config import load
from monitor.mirror.mirroring import Mirroring
from monitor.mirror.server import Server

if __name__ == "__main__":
    site = load(sys.argv[1])
    server = Server(site.mirrors[0], site.path.parent, {})
    mirroring = Mirroring(
        site.mirrors[0],
        site.plant,
        site.data_dir,
        server,
        clock=MachineClock(),
        random=random.random,
        tell=lambda subject, text: True,
    )
    mirroring.start()
    while True:
        time.sleep(1)
