"""Asking a server what it kept: by InfluxQL, by Flux, by the export of VictoriaMetrics.

The answers of InfluxQL were recorded from an InfluxDB 1.6.7; those of Flux follow the description of
annotated CSV (https://docs.influxdata.com/influxdb/v2/reference/syntax/annotated-csv/).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from monitor.mirror.compare import compared
from monitor.mirror.points import Point, Strand, strands
from monitor.mirror.read_back import Ask, Found
from monitor.mirror.server import Server
from monitor.mirror.trouble import Unanswered
from tests.mirror.point_server import PointServer
from tests.mirror.shop import MIRROR, write_site

Asked = Callable[..., list[Found]]

INFLUXQL_READING = (
    '{"results":[{"statement_id":0,"series":[{"name":"goodwater_reading","columns":["time","value","quality","judged"],'
    '"values":[[1700000000000,5.1,0,1]],"partial":true}],"partial":true}]}\n'
    '{"results":[{"statement_id":0,"series":[{"name":"goodwater_reading","columns":["time","value","quality","judged"],'
    '"values":[[1700000060000,5.123456789012345,0,1],[1700000120000,6,1,null]]}]}]}\n'
)
INFLUXQL_ALARM = (
    '{"results":[{"statement_id":0,"series":[{"name":"goodwater_alarm","tags":{"cause":"raised","condition":"di-high"},'
    '"columns":["time","state","occurrence","step","confidence"],"values":[[1700000120000,3,1,1,0.9]]}]}]}\n'
)
FLUX_READING = """\
#datatype,string,long,dateTime:RFC3339,double,string
#group,false,false,false,false,true
#default,_result,,,,
,result,table,_time,_value,_field
,,0,2023-11-14T22:13:20Z,0,quality
,,0,2023-11-14T22:14:20.123Z,1,quality

#datatype,string,long,dateTime:RFC3339,double,string
#group,false,false,false,false,true
#default,_result,,,,
,result,table,_time,_value,_field
,,1,2023-11-14T22:13:20Z,5.123456789012345,value
"""
FLUX_ALARM = """\
#datatype,string,long,dateTime:RFC3339,double,string,string,string
#group,false,false,false,false,true,true,true
#default,_result,,,,,,
,result,table,_time,_value,_field,condition,cause
,,0,2023-11-14T22:15:20Z,3,state,di-high,raised
"""
FLUX_ERROR = """\
#datatype,string,string
#group,true,true
#default,,
,error,reference
,could not find bucket "water",897
"""


@pytest.fixture
def asked(tmp_path: Path, server: PointServer) -> Asked:
    """What a kind of read_back finds of a measurement, when the server answers this."""

    def ask(
        read_back: str, measurement: str, answer: str, *, status: int = 200, token: str = "secret"
    ) -> list[Found]:
        server.canned = status, answer
        text = MIRROR.format(url=server.url).replace('{ kind = "victoria-metrics" }', read_back)
        site = write_site(tmp_path, text + 'org = "shop"\ntoken_env = "TOKEN"\n')
        (mirror,) = site.mirrors
        far = Server(mirror, tmp_path, {"TOKEN": token})
        strand = next(s for s in strands(site.plant, mirror.what) if s.measurement == measurement)
        try:
            return list(
                mirror.read_back.found(
                    Ask(strand, 1_700_000_000_000, 1_700_000_120_000, 1_700_000_900_000), far
                )
            )  # type: ignore[union-attr]
        finally:
            far.close()

    return ask


INFLUXQL = '{ kind = "influxql", database = "water" }'
FLUX = '{ kind = "flux" }'
EXPORT = '{ kind = "victoria-metrics" }'


def test_influxql_is_asked_for_one_channel_and_a_field_that_is_not_there_is_not_found(
    asked: Asked, server: PointServer
) -> None:
    assert asked(INFLUXQL, "goodwater_reading", INFLUXQL_READING) == [
        ((), "value", 1_700_000_000_000, 5.1),
        ((), "quality", 1_700_000_000_000, 0.0),
        ((), "judged", 1_700_000_000_000, 1.0),
        ((), "value", 1_700_000_060_000, 5.123456789012345),
        ((), "quality", 1_700_000_060_000, 0.0),
        ((), "judged", 1_700_000_060_000, 1.0),
        ((), "value", 1_700_000_120_000, 6.0),
        ((), "quality", 1_700_000_120_000, 1.0),
    ]
    path, headers = server.requests[-1]
    query = {name: values[0] for name, values in parse_qs(urlsplit(path).query).items()}
    assert (urlsplit(path).path, query["db"], query["epoch"]) == ("/query", "water", "ms")
    assert query["q"] == (
        'SELECT "value", "quality", "judged" FROM "goodwater_reading" WHERE "site" = \'shop\' AND '
        "\"channel\" = 'm0.ec' AND time >= 1700000000000ms AND time <= 1700000120000ms"
    )
    assert headers["Authorization"] == "Token secret"


def test_influxql_tells_alarms_apart_and_takes_a_user_and_a_retention_policy(
    asked: Asked, server: PointServer
) -> None:
    read_back = '{ kind = "influxql", database = "water", retention_policy = "years" }'
    found = asked(read_back, "goodwater_alarm", INFLUXQL_ALARM, token="reader:open sesame")
    assert found[0] == (("di-high", "raised"), "state", 1_700_000_120_000, 3.0)
    path, headers = server.requests[-1]
    assert 'FROM "years"."goodwater_alarm"' in parse_qs(urlsplit(path).query)["q"][0]
    assert headers["Authorization"] == "Basic " + base64.b64encode(b"reader:open sesame").decode()


def test_flux_is_asked_for_one_channel_to_the_millisecond(asked: Asked, server: PointServer) -> None:
    assert asked(FLUX, "goodwater_reading", FLUX_READING) == [
        ((), "quality", 1_700_000_000_000, 0.0),
        ((), "quality", 1_700_000_060_123, 1.0),
        ((), "value", 1_700_000_000_000, 5.123456789012345),
    ]
    path, headers = server.requests[-1]
    assert path.startswith("/api/v2/query?org=shop")
    assert headers["Authorization"] == "Token secret"
    assert json.loads(server.bodies[-1])["query"] == (
        'from(bucket: "water")'
        " |> range(start: time(v: 1700000000000000000), stop: time(v: 1700000120001000000))"
        ' |> filter(fn: (r) => r["_measurement"] == "goodwater_reading" and r["site"] == "shop" and '
        'r["channel"] == "m0.ec") |> keep(columns: ["_time", "_value", "_field"])'
    )


def test_flux_tells_alarms_apart(asked: Asked) -> None:
    assert asked(FLUX, "goodwater_alarm", FLUX_ALARM) == [
        (("di-high", "raised"), "state", 1_700_000_120_000, 3.0)
    ]


@pytest.mark.parametrize(
    ("read_back", "status", "answer", "said"),
    [
        (
            INFLUXQL,
            200,
            '{"results":[{"statement_id":0,"error":"database not found: water"}]}',
            "database not found",
        ),
        (INFLUXQL, 400, '{"error":"error parsing query"}', "400: "),
        (INFLUXQL, 200, "<html>a login page</html>", "no answer to InfluxQL"),
        (INFLUXQL, 401, '{"error":"authorization failed"}', "check token_file or token_env (401"),
        (FLUX, 200, FLUX_ERROR, 'could not find bucket "water"'),
        (FLUX, 404, '{"code":"not found","message":"organization name \\"shop\\" not found"}', "no such org"),
        (EXPORT, 200, '{"metric":{}}', "not what VictoriaMetrics exports"),
        (EXPORT, 404, "no such page", "this is no address of an InfluxDB-compatible server"),
        (EXPORT, 302, "", "redirects, which is never followed"),
        (EXPORT, 503, "starting", "busy and asks us to come again (503: starting)"),
    ],
)
def test_an_answer_that_is_none_is_said_in_words(
    asked: Asked, read_back: str, status: int, answer: str, said: str
) -> None:
    with pytest.raises(Unanswered) as raised:
        asked(read_back, "goodwater_reading", answer, status=status)
    assert said in str(raised.value)


STRAND = Strand("reading c", "goodwater_reading", "c", (), (), "goodwater_reading,channel=c")


def point(time_ms: int, *values: float) -> Point:
    return Point((), time_ms, values, "")


def test_a_point_is_there_when_each_field_is_with_its_value_whatever_else_is() -> None:
    points = [point(1, 5.0, 0.0), point(2, 5.0, 0.0), point(3, 5.0, 0.0), point(4, 1 / 3, 0.0)]
    found = [
        Found((), "value", 1, 5.0), Found((), "quality", 1, 0.0),
        Found((), "value", 2, 5.0),  # without its quality
        Found((), "value", 3, 4.9), Found((), "quality", 3, 0.0),  # another value
        Found((), "value", 4, 0.333333333333), Found((), "quality", 4, 0.0),  # fewer digits
        Found((), "value", 9, 5.0),  # of no concern
    ]  # fmt: skip
    result = compared(points, ("value", "quality"), found)
    assert [p.time_ms for p in result.missing] == [2, 3]
    assert result.twice == 0


def test_a_point_there_twice_is_counted_and_right_when_one_of_its_values_is() -> None:
    found = [Found((), "value", 1, value) for value in (4.0, 5.0, 5.0)]
    result = compared([point(1, 5.0)], ("value",), found)
    assert (result.missing, result.twice) == ([], 2)
