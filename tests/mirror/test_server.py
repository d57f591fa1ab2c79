"""Writing to a server: what goes over the wire, and what goes wrong, in words."""

from __future__ import annotations

import re
import socket
import ssl
from collections.abc import Callable
from pathlib import Path

import pytest
import trustme
from hypothesis import given
from hypothesis import strategies as st

from monitor.config import ConfigMistakes
from monitor.mirror.points import head, line
from monitor.mirror.server import Server
from monitor.mirror.trouble import Refused, Trouble
from tests.mirror.point_server import PointServer
from tests.mirror.shop import MIRROR, write_site
from tests.mosquitto import free_port

LINE = "goodwater_reading,channel=c value=5.0 1700000000000"
Made = Callable[..., Server]


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """A server as a site file names it; `more` are lines of its table."""

    def make(url: str, more: str = "", **environ: str) -> Server:
        site = write_site(tmp_path, MIRROR.format(url=url) + more)
        return Server(site.mirrors[0], tmp_path, environ)

    return make


def test_lines_go_out_packed_in_milliseconds_with_the_token_of_a_file(
    made: Made, server: PointServer, tmp_path: Path
) -> None:
    (tmp_path / "token").write_text("secret\n")
    far = made(server.url, 'org = "shop"\ntoken_file = "token"\n')
    far.write([LINE, LINE.replace("000 ", "001 ")])
    path, headers = server.requests[-1]
    assert path == "/api/v2/write?org=shop&bucket=water&precision=ms"
    assert (headers["Authorization"], headers["Content-Encoding"]) == ("Token secret", "gzip")
    assert server.has("goodwater_reading_value", channel="c") == [(1_700_000_000_000, 5.0)] * 2
    far.close()


def test_a_token_that_was_put_right_counts_at_the_next_try(
    made: Made, server: PointServer, tmp_path: Path
) -> None:
    far = made(server.url, 'token_file = "token"\n')
    with pytest.raises(Trouble, match=re.escape('token_file = "token" cannot be read: No such file')):
        far.write([LINE])
    (tmp_path / "token").write_text("wrong")
    server.answer = 401, "", ""
    with pytest.raises(
        Trouble, match=re.escape("it does not know our token: check token_file or token_env (401")
    ):
        far.write([LINE])
    (tmp_path / "token").write_text("right")
    server.answer = 204, "", ""
    far.write([LINE])
    assert server.requests[-1][1]["Authorization"] == "Token right"
    far.close()


@pytest.mark.parametrize(
    ("status", "body", "said"),
    [
        (
            403,
            '{"code":"forbidden","message":"insufficient permissions"}',
            'no right to bucket "water" (403: insuff',
        ),
        (
            404,
            '{"code":"not found","message":"bucket \\"water\\" not found"}',
            'it knows no bucket "water" or no such',
        ),
        (404, "404 page not found", "an InfluxDB before 1.8 is none"),
        (302, "", "it redirects, which is never followed: give the final address in url (302"),
        (429, "", "it is busy and asks us to come again (429"),
        (500, "disk full", "it failed (500: "),
    ],
)
def test_trouble_is_said_in_words(made: Made, server: PointServer, status: int, body: str, said: str) -> None:
    server.answer = status, body, "7" if status == 429 else ""
    far = made(server.url)
    with pytest.raises(Trouble) as raised:
        far.write([LINE])
    assert said in str(raised.value)
    assert raised.value.wait_s == (7.0 if status == 429 else 0.0)
    far.close()


@pytest.mark.parametrize("status", [400, 413, 422])
def test_refused_points_are_told_apart_from_trouble(made: Made, server: PointServer, status: int) -> None:
    server.answer = status, '{"code":"invalid","message":"field type conflict"}', ""
    far = made(server.url)
    with pytest.raises(Refused, match=f"it refuses points \\({status}: field type conflict"):
        far.write([LINE])
    far.close()


def test_a_server_that_is_not_there_or_says_nothing_is_said_in_words(made: Made, server: PointServer) -> None:
    with pytest.raises(Trouble, match="it cannot be reached: Connection refused"):
        made(f"http://127.0.0.1:{free_port()}").write([LINE])
    with pytest.raises(Trouble, match="its name is not found"):
        made("https://nowhere.invalid").write([LINE])
    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"http://127.0.0.1:{silent.getsockname()[1]}"
        with pytest.raises(Trouble, match="no answer in time"):
            made(url, 'timeout = "200 ms"\n').write([LINE])


def test_a_certificate_of_the_shops_own_is_trusted_once_its_authority_is_named(
    made: Made, tmp_path: Path
) -> None:
    authority, tls = trustme.CA(), ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("localhost").configure_cert(tls)
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    with PointServer(tls=tls) as server:
        far = made(server.url)
        with pytest.raises(Trouble, match=r"certificate is not trusted: .*name its authority in ca_file"):
            far.write([LINE])
        assert server.written == 0
        far = made(server.url, 'ca_file = "ca.pem"\n')
        far.write([LINE])
        far.close()
        assert server.written == 1
    far = made(server.url, 'ca_file = "none.pem"\n')
    with pytest.raises(Trouble, match=re.escape('ca_file = "none.pem" cannot be used: No such file')):
        far.write([LINE])


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("http://localhost", "http://influx.shop.example", "could be read and changed on the way"),
        ('bucket = "water"', 'bucket = ""', "text that is not empty"),
        ('read_back = { kind = "victoria-metrics" }', "", "how the server is asked what it kept"),
        ('kind = "victoria-metrics"', 'kind = "sql"', '"flux", "influxql", "victoria-metrics", "none"'),
        ('["10 min", "1 d"]', '["1 d", "10 min"]', "durations that rise"),
        (
            'every = "10 s"',
            'every = "10 s"\ntoken_file = "a"\ntoken_env = "B"',
            "exactly one of token_file and token_env",
        ),
    ],
)
def test_a_wrong_table_is_refused_in_words(tmp_path: Path, old: str, new: str, said: str) -> None:
    text = MIRROR.format(url="http://localhost:8086")
    assert old in text
    with pytest.raises(ConfigMistakes) as raised:
        write_site(tmp_path, text.replace(old, new))
    assert said in str(raised.value)


@given(
    tags=st.dictionaries(
        st.sampled_from(["site", "subject"]), st.text() | st.text(alphabet="\\ ,=\n", max_size=5)
    ),
    value=st.floats(allow_nan=False, allow_infinity=False),
)
def test_a_line_of_any_text_and_number_is_read_as_it_was_meant(tags: dict[str, str], value: float) -> None:
    server = PointServer()
    server.take(line(head("m", tags), ("value",), (value,), 1_700_000_000_000))
    ((series, pairs),) = server.stored.items()
    assert pairs == [(1_700_000_000_000, value)]
    kept = {k: "".join(c if c.isprintable() else " " for c in v).replace("\\", "/") for k, v in tags.items()}
    assert dict(series) == {"__name__": "m_value"} | {k: v for k, v in kept.items() if v}
