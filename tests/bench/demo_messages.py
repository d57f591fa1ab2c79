"""Keep the messages of a demonstration as a person reads them: text, and pictures by a headless Chromium.

    sh deploy/demo.sh --minutes 4 --folder /tmp/show
    python -m tests.bench.demo_messages /tmp/show docs/demo

Each mail becomes a text and a picture of its HTML part; the chat becomes one text and a picture of its first
messages. The show's folder is written as /show in all of them. Needs the program chromium (a Debian package
of that name).
"""

from __future__ import annotations

import argparse
import email
import email.policy
import html
import json
import re
import shutil
import subprocess
import sys
import tempfile
from email.message import EmailMessage
from pathlib import Path
from typing import Any

WIDTH = 680
# Messages in the picture of the chat; the text holds all.
_SHOWN = 3
_MEASURE = "<script>document.title = document.documentElement.scrollHeight</script>"


class NoChromium(Exception):
    """There is no chromium to take pictures with."""


def keep(show: Path, out: Path) -> list[Path]:
    """Write texts and pictures of everything in a show's folder; what was there before is replaced."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        raise NoChromium("no chromium on this machine; install the package chromium and run this again")
    out.mkdir(parents=True, exist_ok=True)
    for old in (*out.glob("*.txt"), *out.glob("*.png")):
        old.unlink()
    written = []
    for path in sorted((show / "mail").glob("*.eml")):
        mail = email.message_from_bytes(path.read_bytes(), policy=email.policy.default)
        name = f"{path.stem[-2:]}-{_slug(mail)}"
        written.append(_text(out / f"{name}.txt", as_text(mail, str(show.absolute()))))
        written.append(picture(program, part(mail, "html", str(show.absolute())), out / f"{name}.png"))
    texts = (p.read_text(encoding="utf-8") for p in sorted((show / "chat").glob("*.json")))
    messages = [json.loads(text.replace(str(show.absolute()), "/show")) for text in texts]
    written.append(_text(out / "chat.txt", "\n\n".join(chat_text(message) for message in messages)))
    written.append(picture(program, chat_page(messages[:_SHOWN]), out / "chat.png"))
    return written


def _slug(mail: EmailMessage) -> str:
    """The alarm and what became of it, as a file's name: di-high-1-raised."""
    text = f"{mail['X-Goodwater-Alarm']}-{mail['X-Goodwater-Cause']}"
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def part(mail: EmailMessage, subtype: str, folder: str) -> str:
    """The plain or the HTML part of a mail, the show's folder written as /show."""
    found = mail.get_body((subtype,))
    if found is None:
        raise LookupError(f"{mail['Subject']}: no {subtype} part")
    return str(found.get_content()).replace("\r\n", "\n").replace(folder, "/show")


def as_text(mail: EmailMessage, folder: str) -> str:
    """A mail as a text reader shows it: the headers a person looks at, and the plain part."""
    headers = [f"{name}: {mail[name]}" for name in ("From", "To", "Date", "Subject")]
    return "\n".join([*headers, "", part(mail, "plain", folder).strip(), ""])


def chat_text(message: dict[str, Any]) -> str:
    """One message of the chat as text."""
    return f"[{message['alarm']['time']}] to {message['person']}\n{message['text'].strip()}"


def chat_page(messages: list[dict[str, Any]]) -> str:
    """The chat room as a page: one bubble a message."""
    bubbles = "\n".join(
        f"<div><small>{html.escape(m['site']['name'])} &rarr; {html.escape(m['person'])}, "
        f"{html.escape(m['alarm']['time'][:16].replace('T', ' '))} UTC</small>"
        f"<b>{html.escape(m['first_line'])}</b><pre>{html.escape(m['text'])}</pre></div>"
        for m in messages
    )
    style = (
        "body{font:15px/1.4 sans-serif;background:#eee;margin:16px}"
        "div{background:#fff;border:1px solid #ccc;border-radius:8px;padding:10px 14px;margin:0 0 12px}"
        "small{color:#666;display:block}pre{font:12px/1.4 monospace;white-space:pre-wrap;margin:8px 0 0}"
    )
    return f"<!doctype html><meta charset=utf-8><style>{style}</style>{bubbles}"


def picture(program: str, page: str, path: Path) -> Path:
    """A page as it looks, as high as it is."""
    with tempfile.TemporaryDirectory() as name:
        source = Path(name) / "page.html"
        source.write_text(page + _MEASURE, encoding="utf-8")
        plain = [program, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
        plain.append(f"--user-data-dir={name}/profile")
        size = f"--window-size={WIDTH},200"
        dom = _run([*plain, size, "--dump-dom", source.as_uri()])
        found = re.search(r"<title>(\d+)</title>", dom)
        height = int(found.group(1)) if found else 1600
        _run([*plain, f"--window-size={WIDTH},{height}", f"--screenshot={path}", source.as_uri()])
    return path


def _run(command: list[str]) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stdout


def _text(path: Path, text: str) -> Path:
    path.write_text(text if text.endswith("\n") else text + "\n", encoding="utf-8")
    return path


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.demo_messages", description=__doc__.split("\n")[0]
    )
    parser.add_argument("show", type=Path, help="folder given to the demonstration by --folder")
    parser.add_argument("out", type=Path, help="where texts and pictures go, as docs/demo")
    asked = parser.parse_args()
    if not (asked.show / "mail").is_dir():
        print(f"{asked.show}: holds no mails of a demonstration (its --folder)", file=sys.stderr)
        return 2
    try:
        for path in keep(asked.show, asked.out):
            print(path)
    except NoChromium as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
