"""`goodwater init [SITE]`: asks what a shop can answer from one printed page and writes its site file."""

from __future__ import annotations

import argparse
import getpass
import os
import sys
import tomllib
from contextlib import suppress
from pathlib import Path

from monitor.check import report
from monitor.cli import Refused
from monitor.config import ConfigMistakes, SiteFile, load
from monitor.first.answers import UNKNOWN, Answers, AnswersUnreadable
from monitor.first.clashes import clashes
from monitor.first.interview import Interview, Stopped
from monitor.first.page import PAGE
from monitor.first.sections import questions
from monitor.first.site_text import site_text
from monitor.store.files import STORE


def add_to(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "site", metavar="SITE", type=Path, nargs="?", default=Path("site.toml"), help="the site file to write"
    )
    parser.add_argument(
        "--answers",
        metavar="FILE",
        type=Path,
        help="read the answers from this file and keep them there; by default SITE's name with -answers",
    )
    parser.add_argument(
        "--replace",
        action="store_true",
        help="make a site file that is there anew; the old one is kept",
    )
    parser.add_argument("--page", action="store_true", help="print the page to fill in, and ask nothing")


def run(options: argparse.Namespace) -> int:
    if options.page:
        print(PAGE, end="")
        return 0
    site: Path = options.site
    if site.exists() and not options.replace:
        raise Refused(
            f"{site} is there already. Edit it and run goodwater check {site}; or give another name; or make "
            "it anew from the answers with --replace, which keeps the old one beside it"
        )
    path = options.answers or site.with_name(f"{site.stem}-answers.toml")
    try:
        answers = Answers.load(path)
    except AnswersUnreadable as error:
        raise Refused(str(error)) from error
    if not os.access(site.parent, os.W_OK):
        raise Refused(f"{site}: the folder {site.parent.absolute()} is not there, or may not be written to")
    given = options.answers is not None and path.exists()
    if given and not sys.stdin.isatty():
        answers = _complete(answers, path)
    elif not (given and all(q.answered(answers) for q in questions(answers))):
        ended = _talk(answers, path, site)
        if ended:
            return ended
    made = _write(answers, site)
    _passwords(made)
    _say_what_next(made, path)
    return 0


def _talk(answers: Answers, path: Path, site: Path) -> int:
    """The talk; 0 when all is answered, else the exit code."""
    with suppress(ImportError):
        import readline  # noqa: F401 - lets answers be edited with the arrow keys
    try:
        Interview(answers, print, input).run()
    except (Stopped, EOFError, KeyboardInterrupt) as error:
        answered = sum(1 for q in questions(answers) if q.answered(answers))
        print(f"\n\n{answered} answers are kept in {path}. goodwater init {site} goes on from there.")
        return 130 if isinstance(error, KeyboardInterrupt) else 1
    return 0


def _complete(answers: Answers, path: Path) -> Answers:
    """Nobody is there to be asked: defaults and "don't know" stand where nothing was answered.

    The file itself stays as it is. Raises: Refused with everything that is wrong or missing.
    """
    filled = Answers({key: answers.get(key) for key in answers})
    wrong: dict[str, str] = {}
    while True:
        open_ = next((q for q in questions(filled) if q.key not in wrong and not q.answered(filled)), None)
        if open_ is None:
            break
        typed = filled.get(open_.key)
        if typed:
            wrong[open_.key] = f'{open_.key} = "{typed}": {open_.why_not(typed)}'
        elif open_.default or not open_.needed:
            filled.put(open_.key, open_.default or UNKNOWN)
        else:
            wrong[open_.key] = f"{open_.key}: needed. {open_.ask} {open_.hint}".rstrip()
    wrong |= {key: f"{key}: {reason}" for key, reason in clashes(filled) if not wrong}
    if wrong:
        raise Refused("\n  ".join([f"{path}: no site file can be made from these answers", *wrong.values()]))
    unused = [key for key in answers if key not in {q.key for q in questions(filled)}]
    if unused:
        print(f"{path}: not asked of this shop, and so not used: {', '.join(unused)}", file=sys.stderr)
    return filled


def _write(answers: Answers, site: Path) -> SiteFile:
    """The site file, in place only once it has been read without a mistake."""
    beside = site.with_name(f"{site.stem}.part{site.suffix}")
    beside.write_text(site_text(answers, site.stem, _kept(site)), encoding="utf-8")
    try:
        load(beside)
    except ConfigMistakes as error:
        raise Refused(
            f"{error}\n\nThe answers together make no right site file. They are kept; the file as far as it "
            f"came is {beside}. Change the answer, or put {beside.name} right and call it {site.name}"
        ) from error
    if site.exists():
        names = (site.with_name(f"{site.stem}.old-{n}{site.suffix}") for n in range(1, 10_000))
        old = next(name for name in names if not name.exists())
        site.replace(old)
        print(f"The site file that was there is now {old}.")
    beside.replace(site)
    return load(site)


def _kept(site: Path) -> dict[str, str]:
    """Of a site file that is made anew: the folder of its data, and the id that what is in there goes by."""
    try:
        old = tomllib.loads(site.read_text(encoding="utf-8-sig"))["site"]
        kept = {"data": str(old["data"])}
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    if (site.parent / kept["data"] / STORE).exists() and isinstance(old.get("id"), str):
        kept["id"] = old["id"]
    return kept


def _passwords(site: SiteFile) -> None:
    """Asks for passwords that the file names and that are not there; they are never kept with the answers."""
    if not sys.stdin.isatty():
        return
    wanted = [(f"the MQTT broker {b.host}", b.username, b.password_file) for b in site.brokers]
    wanted += [(f"the mail server {m.host}", m.username, m.password_file) for m in site.mail_servers]
    for where, user, name in wanted:
        if name is None or (site.path.parent / name).exists():
            continue
        try:
            secret = getpass.getpass(f"\nPassword of {user} at {where} (Enter: later): ")
        except (EOFError, KeyboardInterrupt):
            print()
            return
        if secret:
            path = site.path.parent / name
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                group = path.parent.stat().st_gid
                if os.geteuid() == 0 != group:  # a service's folder: its group reads what is in there
                    os.fchown(file.fileno(), -1, group)
                    os.fchmod(file.fileno(), 0o640)
                file.write(secret + "\n")
            print(f"It is in {path}, which nobody else can read.")


def _say_what_next(site: SiteFile, path: Path) -> None:
    name = site.path
    print(f"\n{name} is written, and the answers are in {path}.\n")
    print(report(site, short=True))
    print(
        f"\nNext:\n"
        f"  goodwater check {name}         says all that is watched, after every change\n"
        f"  goodwater listen {name}        shows what arrives, and how it is read\n"
        f"  goodwater notify-test {name}   sends a test message to everybody\n"
        f"  goodwater run {name}           watches; goodwater status {name} shows how it stands"
    )
