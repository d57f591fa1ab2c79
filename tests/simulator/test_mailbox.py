"""The small local mailbox of the first try, as its own program."""

from __future__ import annotations

import smtplib
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import trustme

MAIL = b"From: a@shop.example\r\nTo: lead@shop.example\r\nSubject: High: DI outlet\r\n\r\nText.\r\n"


@contextmanager
def running(*arguments: str) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """The program, once it says that it listens, and its port."""
    command = [sys.executable, "-m", "simulator.mailbox", "--port", "0", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        line = program.stdout.readline()
        try:
            yield program, int(line.split(" port ")[1].split(",")[0])
        finally:
            program.terminate()
            program.wait(10)


def test_each_mail_becomes_a_file_and_a_line(tmp_path: Path) -> None:
    folder = tmp_path / "mail"
    with running("--dir", str(folder)) as (program, port):
        for _ in range(2):
            with smtplib.SMTP("127.0.0.1", port, timeout=10) as client:
                client.sendmail("a@shop.example", ["lead@shop.example"], MAIL)
        assert program.stdout is not None
        lines = [program.stdout.readline() for _ in range(2)]
    assert lines == ["lead@shop.example: High: DI outlet\n"] * 2
    assert sorted(file.name for file in folder.iterdir()) == ["0001.eml", "0002.eml"]
    assert b"Subject: High: DI outlet" in (folder / "0001.eml").read_bytes()
    assert program.returncode == 0


def test_with_a_certificate_it_insists_on_tls(tmp_path: Path) -> None:
    certificate = trustme.CA().issue_cert("localhost")
    key, chain = tmp_path / "key.pem", tmp_path / "certificate.pem"
    certificate.private_key_pem.write_to_path(str(key))
    for number, part in enumerate(certificate.cert_chain_pems):
        part.write_to_path(str(chain), append=number > 0)
    with (
        running("--dir", str(tmp_path), "--tls", str(chain), str(key)) as (_, port),
        smtplib.SMTP("127.0.0.1", port, timeout=10) as client,
    ):
        client.ehlo()
        assert client.has_extn("starttls")
        with pytest.raises(smtplib.SMTPResponseException) as refused:
            client.sendmail("a@shop.example", ["lead@shop.example"], MAIL)
    assert refused.value.smtp_code == 530


def test_a_port_that_is_taken_is_told_in_a_sentence(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        command = [sys.executable, "-m", "simulator.mailbox", "--port", str(port), "--dir", str(tmp_path)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 1
    assert done.stderr.startswith(f"mailbox: cannot listen on 127.0.0.1 port {port}: ")
    assert "Traceback" not in done.stderr


def test_without_its_extra_it_says_what_is_missing() -> None:
    run = "runpy.run_module('simulator.mailbox', run_name='__main__')"
    command = [sys.executable, "-c", f"import sys, runpy; sys.modules['aiosmtpd'] = None; {run}"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 1
    assert done.stderr == (
        "mailbox: aiosmtpd is not installed; it comes with the extra `demo`: sh deploy/env.sh demo\n"
    )
