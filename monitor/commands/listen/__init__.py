"""`goodwater listen [SITE]`: what arrives on a broker or a port, as it would be read, and what to paste."""

from __future__ import annotations

import argparse
import contextlib
import os
import time
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter, ValidationError

from monitor.cli import Refused
from monitor.clock import MachineClock
from monitor.commands.listen import snippet
from monitor.commands.listen.broker import BrokerEar, Lost
from monitor.commands.listen.port import PortEar
from monitor.commands.listen.shown import plain
from monitor.config import SiteFile, load
from monitor.intake import mqtt_settings, serial_settings
from monitor.intake.mqtt_settings import Broker
from monitor.intake.serial_port import PORT_ERRORS, stable_links
from monitor.intake.serial_settings import Port
from monitor.plant.fields import PositiveDurationMs

_TURN_S = 0.2
_DURATION: TypeAdapter[int] = TypeAdapter(PositiveDurationMs)
_AT_MOST_EVERY_S = 1.0  # one source is shown so often; all its messages count

Ear = BrokerEar | PortEar


def add_to(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "site",
        metavar="SITE",
        type=Path,
        nargs="?",
        default=os.environ.get("GOODWATER_SITE"),
        help="a site file, if there is one already: all its brokers and line ports, and what is configured",
    )
    parser.add_argument(
        "--broker", metavar="HOST[:PORT]", help="a broker; or with a site file the id of one of its brokers"
    )
    parser.add_argument("--topic", action="append", metavar="FILTER", help="only these topics; # is all")
    parser.add_argument("--version", choices=("5", "3.1.1"), default="3.1.1", help="version of MQTT spoken")
    parser.add_argument("--username", metavar="NAME", help="name to log in to the broker with")
    parser.add_argument("--password-file", metavar="FILE", help="file that holds the password")
    parser.add_argument("--password-env", metavar="NAME", help="environment variable that holds the password")
    parser.add_argument("--tls", action="store_true", help="by TLS, with the system's authorities")
    parser.add_argument("--ca-file", metavar="FILE", help="by TLS, with an authority of your own (PEM)")
    parser.add_argument("--cert-file", metavar="FILE", help="our own certificate (PEM)")
    parser.add_argument("--key-file", metavar="FILE", help="the key of our own certificate (PEM)")
    parser.add_argument(
        "--port", metavar="DEVICE", help="a serial port; or with a site file the id of one of its ports"
    )
    parser.add_argument("--baud", type=int, default=9600, metavar="N", help="speed of the serial port; 9600")
    parser.add_argument("--bytesize", type=int, choices=(7, 8), default=8, help="data bits; 8")
    parser.add_argument("--parity", choices=("none", "even", "odd"), default="none", help="parity; none")
    parser.add_argument("--stopbits", type=int, choices=(1, 2), default=1, help="stop bits; 1")
    parser.add_argument(
        "--delimiter", metavar="NAME", help="what ends a line: lf, cr, crlf, etx; else guessed"
    )
    parser.add_argument(
        "--for", dest="length", metavar="DURATION", help='stop after so long, like "30 s"; else with Ctrl-C'
    )


def run(options: argparse.Namespace) -> int:
    site = load(options.site) if options.site is not None else None
    length_s = _length_s(options.length)
    ears = _ears(options, site)
    if not ears:
        raise Refused("say where to listen: --broker HOST[:PORT], --port DEVICE, or a site file")
    opened = [ear for ear in ears if _open(ear)]
    try:
        if opened:
            _listen(opened, length_s)
    except KeyboardInterrupt:
        print()
    finally:
        for ear in opened:
            with contextlib.suppress(OSError):
                ear.close()
    taken = _ids(site)
    for ear in opened:
        print("\n".join(_found(ear, taken, site)))
    return 0 if len(opened) == len(ears) else 1


def _length_s(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        return _DURATION.validate_python(text) / 1000
    except ValidationError:
        raise Refused(f'--for "{text}": a duration like "30 s" or "5 min"') from None


def _ids(site: SiteFile | None) -> set[str]:
    if site is None:
        return set()
    return {instrument.id for instrument in site.plant.instrument} | set(site.plant.channels)


def _ears(options: argparse.Namespace, site: SiteFile | None) -> list[Ear]:
    """What is listened to, from what was typed. Raises: Refused."""
    show = _Show(site.plant.site.timezone if site is not None else None)
    instruments = site.plant.instrument if site is not None else ()
    ears: list[Ear] = []
    try:
        for broker, folder in _brokers(options, site):
            here = [
                i
                for i in instruments
                if isinstance(i.wire, mqtt_settings.Wire) and i.wire.broker == broker.id
            ]
            topics = options.topic or ["#", *(i.wire.topic for i in here)]
            ears.append(BrokerEar(broker, folder, here, topics, show))
        for port in _ports(options, site):
            here = [
                i for i in instruments if isinstance(i.wire, serial_settings.Wire) and i.wire.port == port.id
            ]
            guess = not here and options.delimiter is None
            ears.append(PortEar(port, here, show, guess_delimiter=guess))
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(map(str, first["loc"])) or "options"
        raise Refused(f"{key}: {first['msg'].removeprefix('Value error, ')}") from error
    except OSError as error:
        raise Refused(str(error)) from error
    return ears


def _brokers(options: argparse.Namespace, site: SiteFile | None) -> Iterator[tuple[Broker, Path]]:
    known = {broker.id: broker for broker in site.brokers} if site is not None else {}
    if options.broker is None:
        if options.port is None and site is not None:
            yield from ((broker, site.path.parent) for broker in known.values())
        return
    host, port = _host_and_port(options.broker, 8883 if _tls(options) is not None else 1883)
    same = [b for b in known.values() if b.id == options.broker or (b.host, b.port) == (host, port)]
    if same and site is not None:
        yield same[0], site.path.parent
        return
    keys: dict[str, Any] = {"id": "hall", "host": host, "port": port, "version": options.version}
    for key in ("username", "password_file", "password_env"):
        if getattr(options, key) is not None:
            keys[key] = getattr(options, key)
    yield Broker.model_validate(keys | ({"tls": _tls(options)} if _tls(options) is not None else {})), Path()


def _tls(options: argparse.Namespace) -> dict[str, str] | None:
    files = {key: getattr(options, key) for key in ("ca_file", "cert_file", "key_file")}
    given = {key: file for key, file in files.items() if file is not None}
    return given if given or options.tls else None


def _host_and_port(text: str, usual: int) -> tuple[str, int]:
    host, colon, port = text.rpartition(":")
    if not colon or text.endswith("]") or (":" in host and not host.endswith("]")):  # IPv6 without a port
        return text.strip("[]"), usual
    if not (host and port.isascii() and port.isdigit()):
        raise Refused(f'--broker "{text}": write HOST or HOST:PORT')
    return host.strip("[]"), int(port)


def _ports(options: argparse.Namespace, site: SiteFile | None) -> Iterator[Port]:
    known = {port.id: port for port in site.serial_ports} if site is not None else {}
    if options.port is None:
        if options.broker is None and site is not None:
            lines = {i.wire.port for i in site.plant.instrument if isinstance(i.wire, serial_settings.Wire)}
            yield from (port for port in known.values() if port.id in lines)
        return
    same = [port for port in known.values() if options.port in (port.id, port.device)]
    if same:
        yield same[0]
        return
    keys: dict[str, Any] = {"id": "meters", "device": options.port}
    keys |= {key: getattr(options, key) for key in ("baud", "bytesize", "parity", "stopbits")}
    yield Port.model_validate(keys | ({"delimiter": options.delimiter} if options.delimiter else {}))


def _open(ear: Ear) -> bool:
    try:
        ear.open()
    except (Lost, *PORT_ERRORS) as error:
        print(f"{ear.name}: {error}{_hint(ear, error)}", flush=True)
        return False
    what = f"topics {', '.join(ear.topics)}" if isinstance(ear, BrokerEar) else f"{ear.port.baud} baud"
    print(f"Listening to {ear.name}, {what}. Nothing is sent.", flush=True)
    return True


def _hint(ear: Ear, error: Exception) -> str:
    if isinstance(ear, BrokerEar):
        return ""
    if "exclusive" in str(error) or "temporarily unavailable" in str(error):
        return "; another program has it open: stop the watch meanwhile"
    links = stable_links()
    return f"; ports here: {', '.join(links)}" if links else ""


def _listen(ears: Sequence[Ear], length_s: float | None) -> None:
    """Until the time is over, or Ctrl-C; one that is lost is told, and the others go on."""
    until_s = None if length_s is None else time.monotonic() + length_s
    live = list(ears)
    while live and (until_s is None or time.monotonic() < until_s):
        for ear in list(live):
            try:
                ear.turn(_TURN_S / len(live))
            except (Lost, *PORT_ERRORS) as error:
                print(f"{ear.name}: {error}", flush=True)
                live.remove(ear)


class _Show:
    """Prints what comes: when, by what, as what, its values, and whose it is."""

    def __init__(self, zone: str | None) -> None:
        self._zone = None if zone is None else ZoneInfo(zone)
        self._last_s: dict[str, float] = {}

    def __call__(self, source: str, kind: str, said: str, whose: str) -> None:
        now_s = time.monotonic()
        key = f"{source} {whose}" if kind != "line" else said
        if now_s - self._last_s.get(key, -_AT_MOST_EVERY_S) < _AT_MOST_EVERY_S:
            return
        if len(self._last_s) > 1000:
            self._last_s.clear()
        self._last_s[key] = now_s
        clock = datetime.fromtimestamp(MachineClock().now_ms() / 1000, self._zone).strftime("%H:%M:%S")
        mark = f"   [{whose}]" if whose else ""
        print(f"{clock}  {source.ljust(24)}  {kind.ljust(10)}  {said}{mark}", flush=True)


def _found(ear: Ear, taken: set[str], site: SiteFile | None) -> Iterator[str]:
    """What was found out, and the tables to paste."""
    yield ""
    if isinstance(ear, BrokerEar):
        yield from _of_broker(ear, taken, site)
    else:
        yield from _of_port(ear, taken, site)


def _of_broker(ear: BrokerEar, taken: set[str], site: SiteFile | None) -> Iterator[str]:
    known = ear.sources.known
    if not known:
        yield (
            f"{ear.name}: nothing arrived. Does something publish? A broker may also keep topics from a user "
            "without saying so."
        )
        return
    if ear.configured:
        yield f"{ear.name}: read by the site file already: {', '.join(sorted(map(plain, ear.configured)))}"
    new = [source for topic, source in known.items() if topic not in ear.configured]
    useless = [source for source in new if not source.seen]
    if useless:
        yield f"{ear.name}: no number in: {', '.join(plain(source.name) for source in useless)}"
    if ear.sources.others:
        yield f"{ear.name}: {ear.sources.others} messages of further topics; name those wanted with --topic"
    useful = [source for source in new if source.seen]
    if not useful:
        return
    yield f"To paste into the site file. What is guessed says so; a ? waits for you.{_not_in(site)}"
    if site is None or ear.broker not in site.brokers:
        yield f"\n{snippet.broker_table(ear.broker)}"
    for source in useful:
        yield f"\n{snippet.of_topic(source, ear.broker.id, taken)}"


def _of_port(ear: PortEar, taken: set[str], site: SiteFile | None) -> Iterator[str]:
    if ear.is_garbled:
        yield f"{ear.name}: what arrives is no text. Another --baud or --parity? Its sheet says which."
        return
    form = ear.form()
    sources = ear.sources(form)
    if ear.configured:
        yield f"{ear.name}: {ear.configured} lines are read by the site file already"
    if ear.silent_until_asked:
        yield f"{ear.name}: {ear.silent_until_asked} of its instruments speak only when the watch asks them"
    if not ear.has_heard:
        yield (
            f"{ear.name}: nothing arrived. A meter that speaks only when asked needs `ask` in its wire, or "
            "its output switched on; else look at the plug, and at RX and TX."
        )
    elif not sources and not ear.configured:
        yield f"{ear.name}: no line with a number in it. Another --baud, --parity or --delimiter?"
    if not sources:
        return
    yield f"To paste into the site file. What is guessed says so; a ? waits for you.{_not_in(site)}"
    if site is None or ear.port not in site.serial_ports:
        yield f"\n{snippet.port_table(ear.port, ear.delimiter, not_ascii=ear.high_bytes)}"
    for source, line in sources:
        yield f"\n{snippet.of_lines(source, line, form, ear.port.id, taken)}"


def _not_in(site: SiteFile | None) -> str:
    return "" if site is None else f" It is not in {site.path} yet."
