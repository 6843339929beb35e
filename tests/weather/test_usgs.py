"""What gauges of the US Geological Survey are asked, and which of their temperatures are believed.

The answers are invented, in the documented shape; a local server gives them.
"""

import copy
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import SecretStr
from pytest_httpserver import HTTPServer
from sqlalchemy import select
from werkzeug import Request, Response

from bitewatch.errors import PayloadRefused, SourceRefused, SourceUnavailable, SourceWaits
from bitewatch.store.database import Store
from bitewatch.store.migrate import open_store
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.http import PoliteClient, identification
from bitewatch.weather.sources.quota import LIMITS
from bitewatch.weather.sources.settings import UsgsSettings
from bitewatch.weather.sources.usgs import AT_ONCE, Gauge, Measured, Usgs
from bitewatch.weather.tables import issue, payload
from tests.simulation.exchange import Route
from tests.simulation.provider import Provider
from tests.simulation.provider_limits import violations
from tests.simulation.shapes_usgs import gauge_name, series_of, water_temp_c
from tests.simulation.world import World

LATEST = json.loads((Path(__file__).parents[1] / "data" / "weather" / "usgs_latest.json").read_bytes())
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
ONE_SERIES, SHALLOW, DEEP = "0123456789abcdef" * 2, "1" * 32, "2" * 32
NORTH = Gauge(lake="north", station="USGS-00000001", latitude=46.1, longitude=-94.2)
SOUTH = Gauge(lake="south", station="USGS-00000002", series=SHALLOW, latitude=45.9, longitude=-93.9)
GEO = "application/geo+json"
NEWEST, PAST = (f"/ogcapi/v0/collections/{name}/items" for name in ("latest-continuous", "continuous"))


def changed(number: int = 0, **properties: Any) -> dict[str, Any]:
    """The answer with one of its values changed."""
    answer = copy.deepcopy(LATEST)
    answer["features"][number]["properties"] |= properties
    return answer


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path, now=NOW)
    yield opened
    opened.close()


@pytest.fixture
def asker(store: Store) -> Iterator[Asker]:
    with PoliteClient(identification("mail@club.example"), backoff_factor=0) as client:
        yield Asker(store, client, limits=LIMITS, sleep=lambda _: None)


@pytest.fixture
def usgs(httpserver: HTTPServer) -> Usgs:
    return Usgs(UsgsSettings(url=httpserver.url_for("/ogcapi")))


def says(server: HTTPServer, answer: Any, path: str = NEWEST) -> None:
    server.clear_all_handlers()
    server.expect_request(path).respond_with_json(answer, content_type=GEO)


def test_gauges_are_asked_together_and_told_apart(
    usgs: Usgs, asker: Asker, store: Store, httpserver: HTTPServer
) -> None:
    says(httpserver, LATEST)
    shared = replace(NORTH, lake="bay")
    told = usgs.readings([SOUTH, NORTH, shared], asker, now=NOW)
    assert told.left_out == {}
    assert told.measured["north"] == told.measured["bay"] == (
        Measured(
            station="USGS-00000001", series=ONE_SERIES, at=datetime(2026, 6, 1, 2, 15, tzinfo=UTC), temp_c=17.3,
            approval="Provisional", provisional=True,
        ),
    )  # fmt: skip
    (south,) = told.measured["south"]
    assert (south.temp_c, south.provisional, south.qualifiers) == (16.8, False, ("ESTIMATED",))
    assert south.depth_note == "1 m below the surface"
    (request,) = [request for request, _ in httpserver.log]
    assert dict(request.args) == {
        "f": "json", "parameter_code": "00010", "limit": "8000",
        "monitoring_location_id": "USGS-00000001,USGS-00000002",
    }  # fmt: skip
    assert "X-Api-Key" not in request.headers
    with store.read() as connection:  # a fact: no forecast of any cell
        assert connection.execute(select(issue)).all() == []
        assert connection.execute(select(payload.c.source)).scalars().all() == ["usgs"]


def test_an_answer_stands_for_an_hour(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    says(httpserver, LATEST)
    for minutes in (0, 20, 59):
        usgs.readings([NORTH], asker, now=NOW + timedelta(minutes=minutes))
    assert len(httpserver.log) == 1
    usgs.readings([NORTH], asker, now=NOW + timedelta(minutes=61))
    assert len(httpserver.log) == 2


def test_a_key_goes_into_a_header_and_nowhere_else(asker: Asker, httpserver: HTTPServer) -> None:
    says(httpserver, LATEST)
    usgs = Usgs(UsgsSettings(url=httpserver.url_for("/ogcapi")), api_key=SecretStr("s3cret"))
    question = usgs.question([NORTH.station])
    assert "s3cret" not in question.key + question.url
    usgs.readings([NORTH], asker, now=NOW)
    assert httpserver.log[0][0].headers["X-Api-Key"] == "s3cret"


def test_the_provider_itself_is_asked_where_nothing_else_is_set() -> None:
    assert (
        Usgs(UsgsSettings())
        .question(["USGS-1"])
        .url.startswith(
            "https://api.waterdata.usgs.gov/ogcapi/v0/collections/latest-continuous/items?f=json&parameter_code=00010&"
        )
    )


def test_ten_thousand_gauges_take_fewer_questions_than_an_hour_has(
    usgs: Usgs, asker: Asker, httpserver: HTTPServer
) -> None:
    says(httpserver, {"type": "FeatureCollection", "features": []})
    gauges = [Gauge(lake=f"lake-{n}", station=f"USGS-{n:015d}", latitude=46.0, longitude=-94.0) for n in range(10_000)]
    told = usgs.readings(gauges, asker, now=NOW)
    assert len(told.left_out) == 10_000
    assert len(httpserver.log) == -(-10_000 // AT_ONCE) <= LIMITS["usgs"].windows["hour"]
    assert max(len(request.url) for request, _ in httpserver.log) < 8000
    assert len({usgs.question([gauge.station for gauge in gauges[at : at + 300]]).key for at in (0, 300, 600)}) == 3


def test_more_than_forty_questions_an_hour_are_not_asked(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    says(httpserver, LATEST)
    for n in range(40):
        usgs.readings([replace(NORTH, station=f"USGS-{n:08d}")], asker, now=NOW)
    with pytest.raises(SourceWaits, match="its quota is used up until 2026-06-01 03:00 UTC"):
        usgs.readings([replace(NORTH, station="USGS-99999999")], asker, now=NOW)
    assert len(httpserver.log) == 40


@pytest.mark.parametrize(
    ("days", "questions"),
    [(0, 1), (2, 1), (92, 4)],  # a page holds 8,000 values, a gauge tells 96 a day
)
def test_values_since_a_moment_come_from_the_other_collection(
    usgs: Usgs, asker: Asker, httpserver: HTTPServer, days: int, questions: int
) -> None:
    says(httpserver, LATEST, PAST)
    others = [replace(NORTH, lake=f"lake-{n}", station=f"USGS-1000000{n}") for n in range(2)]
    told = usgs.readings([NORTH, SOUTH, *others], asker, now=NOW, since=NOW - timedelta(days=days, minutes=40))
    assert len(httpserver.log) == questions
    begins = (NOW - timedelta(days=days)).date()
    assert {request.args["time"] for request, _ in httpserver.log} == {f"{begins}T00:00:00Z/.."}
    assert [one.temp_c for one in told.measured["north"]] == [17.3]


def test_values_since_a_moment_are_all_of_one_series_and_each_moment_once(
    usgs: Usgs, asker: Asker, httpserver: HTTPServer
) -> None:
    answer = {**LATEST, "features": []}
    for n in range(48):
        for series, value in ((SHALLOW, 15.0 + n / 10), (DEEP, 8.0)):
            feature = copy.deepcopy(LATEST["features"][1])
            feature["geometry"] = None  # this collection tells none
            at = NOW - timedelta(hours=n)
            feature["properties"] |= {"time_series_id": series, "value": f"{value:.1f}", "time": at.isoformat()}
            answer["features"].append(feature)
    answer["features"] += copy.deepcopy(answer["features"][:4])
    answer["numberReturned"] = len(answer["features"])
    says(httpserver, answer, PAST)
    told = usgs.readings([SOUTH], asker, now=NOW, since=NOW - timedelta(hours=30))
    values = told.measured["south"]
    assert [one.at for one in values] == [NOW - timedelta(hours=n) for n in range(30, -1, -1)]
    assert [one.temp_c for one in values] == pytest.approx([15.0 + n / 10 for n in range(30, -1, -1)])


def left_out(usgs: Usgs, asker: Asker, server: HTTPServer, answer: Any, gauge: Gauge = NORTH) -> str:
    """Why the lake has no reading; the other lake has one all the same."""
    says(server, answer)
    other = SOUTH if gauge.station == NORTH.station else NORTH
    told = usgs.readings([gauge, other], asker, now=NOW)
    assert set(told.measured) == {other.lake}
    return told.left_out[gauge.lake]


def test_of_several_series_one_must_be_chosen(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    why = left_out(usgs, asker, httpserver, LATEST, replace(SOUTH, series=None))
    assert why == (
        f"USGS-00000002 has 2 series, name one of them as gauge_series: {SHALLOW} (16.8 degC, 1 m below the surface), "
        f"{DEEP} (9.1 degC)"
    )
    why = left_out(usgs, asker, httpserver, LATEST, replace(SOUTH, series=ONE_SERIES))
    assert why.startswith(f"USGS-00000002 has no series {ONE_SERIES}; there are {SHALLOW} (16.8 degC")


def test_a_series_under_ice_is_still_one_to_choose_from(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    answer = changed(2, qualifier=["Ice"])
    why = left_out(usgs, asker, httpserver, answer, replace(SOUTH, series=None))
    assert f"{DEEP} (no value)" in why


def test_a_series_that_ended_long_ago_calls_for_no_choice(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    says(httpserver, changed(2, time="2019-06-01T02:00:00+00:00"))
    told = usgs.readings([replace(SOUTH, series=None)], asker, now=NOW)
    assert [one.series for one in told.measured["south"]] == [SHALLOW]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"time": "2026-05-31T20:29:00+00:00"}, "USGS-00000001 has told nothing since 2026-05-31 20:29 UTC"),
        ({"time": "2019-08-01T10:00:00+00:00"}, "USGS-00000001 has told nothing since 2019-08-01 10:00 UTC"),
        ({"time": "2026-06-01T02:41:00+00:00"}, "USGS-00000001 tells no water temperature"),  # yet to come
        ({"monitoring_location_id": "USGS-00000009"}, "USGS-00000001 tells no water temperature"),
        ({"value": None}, "USGS-00000001 tells no temperature of open water"),
        ({"value": "-999999"}, "USGS-00000001 tells no temperature of open water"),
        ({"qualifier": ["Eqp"]}, "USGS-00000001 tells no temperature of open water"),
    ],
)
def test_what_cannot_be_used_is_left_out_and_said(
    usgs: Usgs, asker: Asker, httpserver: HTTPServer, change: dict[str, Any], why: str
) -> None:
    assert left_out(usgs, asker, httpserver, changed(**change)) == why


def test_six_hours_are_fresh_enough(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    says(httpserver, changed(time="2026-05-31T20:30:00+00:00"))
    assert usgs.readings([NORTH], asker, now=NOW).measured["north"][0].temp_c == 17.3


def test_a_gauge_far_from_the_lake_is_not_its_gauge(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    answer = copy.deepcopy(LATEST)
    answer["features"][0]["geometry"]["coordinates"] = [-94.2, 49.1]
    why = left_out(usgs, asker, httpserver, answer)
    assert why == "USGS-00000001 lies at 49.1, -94.2, not near the lake"


def paged(server: HTTPServer, second: Response, href: str = "") -> list[Request]:
    """Two pages, of which the second is answered as told; the requests as they come."""
    server.clear_all_handlers()
    requests: list[Request] = []
    first = {**LATEST, "features": LATEST["features"][:1], "numberReturned": 1}
    first["links"] = [{"rel": "next", "href": href or server.url_for(f"{NEWEST}?cursor=abc&limit=1")}]

    def answer(request: Request) -> Response:
        requests.append(request)
        return second if "cursor" in request.args else Response(json.dumps(first), content_type=GEO)

    server.expect_request(NEWEST).respond_with_handler(answer)
    return requests


def test_pages_are_followed(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    last = {"type": "FeatureCollection", "features": LATEST["features"][1:], "links": []}
    requests = paged(httpserver, Response(json.dumps(last), content_type=GEO))
    told = usgs.readings([NORTH, SOUTH], asker, now=NOW)
    assert set(told.measured) == {"north", "south"}
    assert [request.args.get("cursor") for request in requests] == [None, "abc"]


@pytest.mark.parametrize(
    ("second", "error"),
    [
        (Response("later", status=503), SourceUnavailable),
        (Response("who are you", status=403), SourceRefused),
        (Response("<html>", content_type="text/html"), PayloadRefused),
        (Response(json.dumps(changed(1, unit_of_measure="degF")), content_type=GEO), PayloadRefused),
    ],
)
def test_of_an_answer_whose_second_page_fails_nothing_is_used(
    usgs: Usgs, asker: Asker, httpserver: HTTPServer, second: Response, error: type[Exception]
) -> None:
    paged(httpserver, second)
    with pytest.raises(error):
        usgs.readings([NORTH, SOUTH], asker, now=NOW)


@pytest.mark.parametrize(
    "href",
    [
        "http://198.51.100.1/ogcapi/v0/more",
        "file:///etc/hostname",
        "//198.51.100.1/x",
        "x" * 9000,
        "http://[::1",
        "a b\n",
    ],
)
def test_a_next_page_elsewhere_is_not_followed(usgs: Usgs, asker: Asker, httpserver: HTTPServer, href: str) -> None:
    requests = paged(httpserver, Response(status=500), href)
    with pytest.raises(PayloadRefused, match="next page"):
        usgs.readings([NORTH], asker, now=NOW)
    assert len(requests) == 1


def test_pages_without_end_are_given_up(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    httpserver.clear_all_handlers()
    count = iter(range(1000))

    def another(request: Request) -> Response:
        links = [{"rel": "next", "href": httpserver.url_for(f"{NEWEST}?cursor={next(count)}")}]
        return Response(json.dumps({**LATEST, "links": links}), content_type=GEO)

    httpserver.expect_request(NEWEST).respond_with_handler(another)
    with pytest.raises(PayloadRefused, match="more than 6 pages"):
        usgs.readings([NORTH], asker, now=NOW)
    assert len(httpserver.log) == 6


def test_the_lakes_of_one_bad_answer_do_not_take_those_of_another_along(
    usgs: Usgs, asker: Asker, httpserver: HTTPServer
) -> None:
    httpserver.clear_all_handlers()

    def answer(request: Request) -> Response:
        good = NORTH.station in request.args["monitoring_location_id"]
        return Response(json.dumps(LATEST if good else changed(unit_of_measure="degF")), content_type=GEO)

    httpserver.expect_request(NEWEST).respond_with_handler(answer)
    others = [Gauge(lake=f"x-{n}", station=f"USGS-1{n:07d}", latitude=46.0, longitude=-94.0) for n in range(300)]
    told = usgs.readings([NORTH, *others], asker, now=NOW)
    assert set(told.measured) == {"north"}
    assert "not degC" in told.left_out["x-299"]


def test_a_host_that_fails_is_not_asked_for_the_rest(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    httpserver.clear_all_handlers()
    told_to_wait = Response('{"error":{"code":"OVER_RATE_LIMIT"}}', status=429, headers={"Retry-After": "600"})

    def answer(request: Request) -> Response:
        good = NORTH.station in request.args["monitoring_location_id"]
        return Response(json.dumps(LATEST), content_type=GEO) if good else told_to_wait

    httpserver.expect_request(NEWEST).respond_with_handler(answer)
    others = [Gauge(lake=f"x-{n}", station=f"USGS-1{n:07d}", latitude=46.0, longitude=-94.0) for n in range(900)]
    told = usgs.readings([NORTH, *others], asker, now=NOW)
    assert (set(told.measured), len(told.left_out)) == ({"north"}, 900)
    assert len(httpserver.log) == 2
    again = usgs.readings([NORTH, *others], asker, now=NOW + timedelta(minutes=9))
    assert set(again.measured) == {"north"}  # at hand
    assert len(httpserver.log) == 2


def test_what_did_not_change_is_not_sent_again(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    httpserver.clear_all_handlers()

    def answer(request: Request) -> Response:
        if request.headers.get("If-None-Match") == '"a"':
            return Response(status=304)
        return Response(json.dumps(LATEST), content_type=GEO, headers={"ETag": '"a"'})

    httpserver.expect_request(NEWEST).respond_with_handler(answer)
    for hours in (0, 2):
        told = usgs.readings([NORTH], asker, now=NOW + timedelta(hours=hours))
        assert told.measured["north"][0].temp_c == 17.3
    assert [response.status_code for _, response in httpserver.log] == [200, 304]


def test_the_simulated_gauges_are_asked_within_their_limits_and_tell_the_water_that_was(asker: Asker) -> None:
    world = World(seed=3, start=datetime(2026, 3, 1, tzinfo=UTC), days=120)
    spots = [(round(45 + n / 10, 1), -93.0) for n in range(40)]
    one, two = (next(spot for spot in spots if len(series_of(gauge_name(*spot))) == n) for n in (1, 2))
    gauges = [
        Gauge(lake=f"{n}", station=gauge_name(*spot), series=series_of(gauge_name(*spot))[0],
              latitude=spot[0], longitude=spot[1])
        for n, spot in enumerate((one, two))
    ]  # fmt: skip
    with Provider(world, lambda: NOW) as provider:
        usgs = Usgs(UsgsSettings(url=provider.urls["usgs"]))
        newest = usgs.readings(gauges, asker, now=NOW)
        since = NOW - timedelta(days=60)
        past = usgs.readings(gauges, asker, now=NOW, since=since)
        unchosen = usgs.readings([replace(gauge, series=None) for gauge in gauges], asker, now=NOW)
        asked = [entry.route for entry in provider.log.of("usgs")]
        broken = [str(each) for each in violations(provider.log)] + provider.broken
    assert broken == []
    assert asked == [Route.GAUGES] + 3 * [Route.GAUGE_PAST]  # of the one a page, of the other two
    assert set(unchosen.measured) == {"0"}
    for lake, spot in (("0", one), ("1", two)):
        values = past.measured[lake]
        assert values[-1] == newest.measured[lake][0]
        assert (values[0].at, len(values)) == (since, 60 * 96)
        true = water_temp_c(world, spot, np.array([value.at.replace(tzinfo=None) for value in values], "datetime64[s]"))
        assert [value.temp_c for value in values] == pytest.approx(true.tolist(), abs=0.051)
        assert values[-1].provisional


def test_nothing_is_asked_for_no_gauges(usgs: Usgs, asker: Asker, httpserver: HTTPServer) -> None:
    told = usgs.readings([], asker, now=NOW)
    assert (told.measured, told.left_out, httpserver.log) == ({}, {}, [])
