"""`goodwater page SITE`: the live page, on this machine only; behind links of messages, in the shop too."""

from __future__ import annotations

import argparse
from urllib.parse import urlsplit

from monitor.clock import MachineClock, PlayedClock
from monitor.commands.common import add_site
from monitor.config import load
from monitor.daemon import wordings
from monitor.notify.message import wording_of


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("--port", type=int, help="port (default: that of [page], 8410)")
    parser.add_argument(
        "--clock", metavar="ANCHORS", type=PlayedClock.parse, help="the played clock of the watch"
    )


def run(options: argparse.Namespace) -> int:
    import uvicorn

    from monitor.web.app import Shop, make

    site = load(options.site)
    shop = Shop(
        site.plant,
        site.data_dir,
        options.clock or MachineClock(),
        lambda transition: wording_of(transition, site.plant, wordings()),
        tuple(filter(None, [urlsplit(site.page.url or "").hostname])),
    )
    host, port = site.page.listen, options.port or site.page.port
    print(f"the page of {site.plant.site.name}: http://127.0.0.1:{port}/", flush=True)
    uvicorn.run(make(shop), host=host, port=port, log_level="warning", timeout_graceful_shutdown=2)
    return 0
