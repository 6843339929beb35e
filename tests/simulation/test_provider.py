"""The server itself: what it answers and writes down, what it holds against a client, how it fails on the wire."""

import gzip
import json
import socket
import zlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import urlencode, urlsplit
from xml.etree import ElementTree

import numpy as np
import pytest
import requests

from tests.simulation.exchange import Route
from tests.simulation.faults import FAULTS
from tests.simulation.provider import Provider
from tests.simulation.provider_limits import names_a_contact, violations
from tests.simulation.server_log import Entry, ServerLog, open_meteo_weight, peak_rate
from tests.simulation.shapes_nws import run_lengths
from tests.simulation.world import World

NOON = datetime(2026, 6, 8, 13, 7, tzinfo=UTC)
AGENT = "bitewatch/1 (https://example.org)"
TEN = (
    "pressure_msl,temperature_2m,relative_humidity_2m,wind_speed_10m,wind_direction_10m,wind_gusts_10m,cloud_cover,"
    "precipitation,shortwave_radiation,cape"
)
MET = "/weatherapi/locationforecast/2.0/complete?lat=45.12&lon=-92.31"


class Bench:
    """A provider whose clock stands where the test puts it, and a client without manners."""

    def __init__(self) -> None:
        self.now = NOON
        self.provider = Provider(World(seed=4, start=datetime(2026, 6, 1, tzinfo=UTC), days=30), lambda: self.now)
        self.session = requests.Session()
        self.session.trust_env = False

    def get(self, source: str, path: str, **headers: str) -> requests.Response:
        named = {"User-Agent": AGENT} | {name.replace("_", "-"): text for name, text in headers.items()}
        return self.session.get(
            self.provider.address(source) + path, headers=named, timeout=20, allow_redirects=False
        )  # fmt: skip

    def forecast(self, places: int = 1, **changes: str) -> requests.Response:
        form = {
            "latitude": ",".join(f"{41 + n / 10:.4f}" for n in range(places)),
            "longitude": ",".join(["-92.3000"] * places), "hourly": TEN, "past_days": "7", "forecast_days": "7",
            "timeformat": "unixtime", "timezone": "GMT", "wind_speed_unit": "ms", "models": "ecmwf_ifs",
        } | changes  # fmt: skip
        return self.session.post(
            self.provider.urls["open-meteo"], data=form, headers={"User-Agent": AGENT}, timeout=20
        )  # fmt: skip

    def fails(self, source: str, name: str) -> None:
        self.provider.faults.add(source, name, self.now, self.now + timedelta(minutes=1))


@pytest.fixture
def bench() -> Iterator[Bench]:
    bench = Bench()
    with bench.provider, bench.session:
        yield bench
    assert bench.provider.broken == []


def broken_rules(bench: Bench) -> list[str]:
    return [violation.what for violation in violations(bench.provider.log)]


def test_open_meteo_answers_an_object_for_one_place_and_a_list_for_more(bench: Bench) -> None:
    one, two = bench.forecast().json(), bench.forecast(2).json()
    assert isinstance(one, dict)
    assert [part.get("location_id") for part in two] == [None, 1]
    assert two[0]["hourly"] == one["hourly"]
    hours = one["hourly"]["time"]
    assert len(hours) == 14 * 24
    assert set(np.diff(hours)) == {3600}
    assert hours[0] == datetime(2026, 6, 1, tzinfo=UTC).timestamp()
    assert set(one["hourly"]) == {"time", *TEN.split(",")}
    assert {len(values) for values in one["hourly"].values()} == {336}
    assert two[1]["latitude"] != 41.1  # float32 noise
    assert two[1]["latitude"] == pytest.approx(41.1, abs=1e-5)
    assert one["hourly_units"]["wind_speed_10m"] == "m/s"
    kmh = bench.forecast(wind_speed_unit="kmh").json()
    assert kmh["hourly_units"]["wind_speed_10m"] == "km/h"
    np.testing.assert_allclose(
        kmh["hourly"]["wind_speed_10m"], np.multiply(one["hourly"]["wind_speed_10m"], 3.6), atol=0.03
    )  # fmt: skip


def test_open_meteo_has_nulls_refuses_what_is_wrong_and_lowers_the_air_of_high_places(bench: Bench) -> None:
    assert any(None in part["hourly"]["relative_humidity_2m"] for part in bench.forecast(40).json())
    assert bench.forecast(hourly="pressure_mls").status_code == 400
    assert bench.forecast(1001).json()["error"] is True
    low, high = (bench.forecast(elevation=text).json() for text in ("nan", "1000"))
    assert high["elevation"] == 1000.0
    colder = np.subtract(low["hourly"]["temperature_2m"], high["hourly"]["temperature_2m"])
    np.testing.assert_allclose(colder, 0.0065 * (1000 - low["elevation"]), atol=0.11)


def test_a_run_is_there_six_hours_later_and_is_computed_once(bench: Bench) -> None:
    told = bench.get("open-meteo", "/data/ecmwf_ifs/static/meta.json").json()
    assert told["last_run_initialisation_time"] == datetime(2026, 6, 8, 6, tzinfo=UTC).timestamp()
    assert told["last_run_availability_time"] <= NOON.timestamp()
    first, again = bench.forecast(5).content, bench.forecast(5).content
    assert first == again
    assert bench.provider._open_meteo.computed == 5
    bench.now += timedelta(hours=6)
    assert bench.forecast(5).content != first


def test_met_norway_has_55_hours_then_six_hourly_steps_and_answers_304_until_it_has_news(bench: Bench) -> None:
    answer = bench.get("met-norway", MET)
    series = answer.json()["properties"]["timeseries"]
    steps = np.diff([datetime.fromisoformat(step["time"]).timestamp() for step in series]) / 3600
    assert len(series) == 82
    assert (steps[:54] == 1).all()
    assert (steps[55:] == 6).all()
    assert sum("next_1_hours" in step["data"] for step in series) == 55
    assert "next_6_hours" not in series[-1]["data"]
    assert answer.headers["Content-Encoding"] == "gzip"
    held = answer.headers["Last-Modified"]
    bench.now += timedelta(minutes=40)
    again = bench.get("met-norway", MET, If_Modified_Since=held)
    assert (again.status_code, again.content) == (304, b"")
    assert again.headers["Expires"] > answer.headers["Expires"]
    bench.now += timedelta(hours=7)
    assert bench.get("met-norway", MET, If_Modified_Since=held).status_code == 200
    assert broken_rules(bench) == []


@pytest.mark.parametrize("agent", ["", "python-requests/2.32", "Mozilla/5.0 (X11)", "bitewatch/1"])
def test_met_norway_wants_to_know_who_asks(bench: Bench, agent: str) -> None:
    assert not names_a_contact(agent)
    assert bench.get("met-norway", MET, User_Agent=agent).status_code == 403
    assert bench.get("met-norway", MET.replace("45.12", "45.12345")).status_code == 403


def test_nws_tells_where_a_place_lies_and_codes_its_grid_in_run_lengths(bench: Bench) -> None:
    said = bench.get("nws", "/points/45.12,-92.31").json()["properties"]
    assert bench.get("nws", "/points/45.120,-92.31").status_code == 301
    assert bench.get("nws", "/points/60,10").status_code == 404
    answer = bench.get("nws", urlsplit(said["forecastGridData"]).path)
    grid = answer.json()["properties"]
    assert grid["pressure"] == {"values": []}
    for name in ("temperature", "windSpeed", "quantitativePrecipitation"):
        hours = sum(_hours(span["validTime"].partition("/")[2]) for span in grid[name]["values"])
        assert hours == 174
    assert any(_hours(span["validTime"].partition("/")[2]) > 1 for span in grid["temperature"]["values"])
    assert bench.get("nws", urlsplit(said["forecastGridData"]).path + "?_=1").status_code == 400
    stations = bench.get("nws", urlsplit(said["observationStations"]).path).json()["features"]
    name = stations[0]["properties"]["stationIdentifier"]
    reports = bench.get("nws", f"/stations/{name}/observations?start=2026-06-06T00:00:00Z&limit=500").json()["features"]
    times = [datetime.fromisoformat(one["properties"]["timestamp"]) for one in reports]
    assert len(times) == 60
    assert max(times) == datetime(2026, 6, 8, 11, 53, tzinfo=UTC)
    assert times != sorted(times, reverse=True)


def _hours(duration: str) -> int:
    days, _, hours = duration.removeprefix("P").partition("T")
    return 24 * int(days.removesuffix("D") or 0) + int(hours.removesuffix("H") or 0)


def test_run_lengths_cover_every_hour_once() -> None:
    spans = run_lengths(NOON, [1, 1, 1, 2, None, None] + [3] * 30)
    assert [span["value"] for span in spans] == [1, 2, None, 3]
    assert [_hours(span["validTime"].partition("/")[2]) for span in spans] == [3, 1, 2, 30]
    assert spans[-1]["validTime"].endswith("/P1DT6H")


def test_alerts_and_cap_feeds_tell_the_same(bench: Bench) -> None:
    seen = set()
    for _ in range(10):
        bench.now += timedelta(hours=11)
        alerts = bench.get("nws", "/alerts/active?status=actual").json()["features"]
        feed = ElementTree.fromstring(bench.get("cap", "/cap/atom").content)
        atom = "{http://www.w3.org/2005/Atom}"
        links = [entry.find(f"{atom}link").get("href") for entry in feed.iter(f"{atom}entry")]  # type: ignore[union-attr]
        assert len(links) == len(alerts) + 2  # a test and an exercise
        for link in links[:3]:
            message = ElementTree.fromstring(bench.get("cap", urlsplit(str(link)).path).content)
            seen.add(message.findtext("{urn:oasis:names:tc:emergency:cap:1.2}status"))
        assert len(ElementTree.fromstring(bench.get("cap", "/cap/rss").content).findall("channel/item")) == len(links)
        for one in alerts:
            seen |= {one["properties"]["messageType"], "ring" if one["geometry"] else "zones only"}
    assert seen >= {"Alert", "Update", "ring", "zones only", "Actual", "Test", "Exercise"}
    latin = bench.get("cap", "/cap/latin1.xml").content
    assert "Agencé".encode("latin-1") in latin
    assert ElementTree.fromstring(latin).tag.endswith("alert")


def entry(at: datetime, route: Route = Route.FORECAST, **changes: Any) -> Entry:
    plain = Entry(
        at=at, route=route, key="/x", method="POST", weight=1.0, locations=1, user_agent=AGENT, if_modified_since=None,
        in_flight=1, status=200, sent=100, whole=True, fault=None,
    )  # fmt: skip
    return replace(plain, **changes)


def log_of(*entries: Entry) -> ServerLog:
    return ServerLog(list(entries))


def test_the_weight_of_a_call_is_the_provider_s_own() -> None:
    """The worked examples on the pricing page of Open-Meteo."""
    assert open_meteo_weight(10, 1, 14) == 1.0
    assert open_meteo_weight(13, 1, 9) == pytest.approx(1.3)
    assert open_meteo_weight(13, 1, 365) == pytest.approx(33.9, abs=0.05)
    assert open_meteo_weight(63, 1, 7) == pytest.approx(6.3)
    assert open_meteo_weight(84, 1, 31) == pytest.approx(18.6)


def test_sums_and_peaks_of_the_log(bench: Bench) -> None:
    base = datetime(2026, 6, 8, 23, 59, 59, tzinfo=UTC)
    log = log_of(*(entry(base + timedelta(seconds=0.4 * n), weight=2.0) for n in range(6)))
    assert log.sums("open-meteo", "day") == {
        base.replace(hour=0, minute=0, second=0): 6.0,
        datetime(2026, 6, 9, tzinfo=UTC): 6.0,
    }
    assert log.peak("open-meteo", "second") == 6.0
    assert log.peak_rate("open-meteo") == 3
    assert log.sent("open-meteo") == 600
    assert peak_rate([base + timedelta(seconds=n) for n in range(5)], 1.0) == 1
    bench.forecast(100)
    bench.forecast(hourly="pressure_mls")
    assert bench.provider.log.sums("open-meteo", "hour") == {NOON.replace(minute=0): 101.0}
    assert "open-meteo" in bench.provider.log.table()


def test_the_server_refuses_what_is_over_its_quota_and_says_until_when(bench: Bench) -> None:
    for _ in range(6):
        assert bench.forecast(100).status_code == 200
    refused = bench.forecast()
    assert refused.status_code == 429
    assert refused.json()["reason"].startswith("Minutely")
    assert bench.provider.log.entries[-1].not_before == NOON.replace(minute=8)
    bench.now += timedelta(seconds=30)
    bench.forecast()
    assert any("told to wait" in rule for rule in broken_rules(bench))


BROKEN = [
    ([entry(NOON, weight=601.0)], "601 in a minute"),
    ([entry(NOON + timedelta(minutes=n), weight=500.0) for n in range(11)], "5500 in a hour"),
    ([entry(NOON.replace(hour=n), weight=1000.0) for n in range(11)], "11000 in a day"),
    ([entry(NOON, in_flight=2)], "2 requests in flight"),
    ([entry(NOON, locations=1001)], "1001 locations"),
    ([entry(NOON, method="GET", key="x" * 9000)], "too long for a GET"),
    ([entry(NOON, Route.LOCATIONFORECAST, key=f"/{n}") for n in range(21)], "21 requests in a second"),
    ([entry(NOON, Route.LOCATIONFORECAST, key="/?lat=1.12345")], "more than four decimals"),
    ([entry(NOON, Route.LOCATIONFORECAST, user_agent="me")], "no contact"),
    ([entry(NOON + timedelta(days=n), Route.LOCATIONFORECAST, status=403, key=f"/{n}") for n in range(2)], "403"),
    ([entry(NOON + timedelta(minutes=n), Route.LOCATIONFORECAST, status=429, key=f"/{n}") for n in range(2)], "wait"),
    ([entry(NOON + timedelta(minutes=n), Route.LOCATIONFORECAST, expires=NOON + timedelta(minutes=9)) for n in (0, 8)],
     "before Expires"),
    ([entry(NOON + timedelta(hours=n), Route.LOCATIONFORECAST, last_modified="x") for n in (0, 8)],
     "without If-Modified"),
    ([entry(NOON, Route.GRID, user_agent="")], "no User-Agent"),
    ([entry(NOON, Route.GRID, key="/gridpoints/XYZ/1,1?_=5")], "defeat caches"),
    ([entry(NOON, Route.ALERTS, key="/alerts/active?point=1,1")], "one place"),
    ([entry(NOON + timedelta(seconds=n), Route.ALERTS) for n in (0, 59)], "again after 59 s"),
    ([entry(NOON + timedelta(minutes=n), Route.CAP, not_before=NOON + timedelta(minutes=5)) for n in (0, 4)],
     "told to wait"),
]  # fmt: skip


@pytest.mark.parametrize(("entries", "what"), BROKEN, ids=[what for _, what in BROKEN])
def test_every_breach_is_seen(entries: list[Entry], what: str) -> None:
    assert [violation for violation in violations(log_of(*entries)) if what in str(violation)]


def test_what_is_within_the_limits_is_no_breach() -> None:
    met = [
        entry(
            NOON + timedelta(minutes=31 * n), Route.LOCATIONFORECAST, expires=NOON + timedelta(minutes=31 * n + 30),
            last_modified="a", if_modified_since="a" if n else None, status=304 if n else 200,
        )
        for n in range(9)
    ]  # fmt: skip
    meteo = [entry(NOON + timedelta(minutes=n), weight=100.0) for n in range(50)]
    alerts = [
        entry(NOON + timedelta(seconds=90 * n), Route.ALERTS, key="/alerts/active?status=actual") for n in range(9)
    ]
    stopped = [entry(NOON, Route.LOCATIONFORECAST, status=403), entry(NOON + timedelta(days=1), Route.LOCATIONFORECAST)]
    assert violations(log_of(*met, *meteo, *alerts)) == ()
    assert violations(log_of(*stopped), human_acted=[NOON + timedelta(hours=1)]) == ()


def test_two_requests_at_once_are_seen(bench: Bench) -> None:
    target = f"/v1/forecast?{urlencode({'latitude': 45, 'longitude': -92, 'hourly': 'cape'})}"
    first, second = (bench.provider.handle(target, {}, b"") for _ in range(2))
    for asked, reply, fault in (first, second):
        bench.provider.answered("GET", asked, reply, fault)
    bench.provider.answered("GET", *bench.provider.handle(target, {}, b""))
    assert [one.in_flight for one in bench.provider.log.entries] == [1, 2, 1]


def raw(bench: Bench, path: str, *, wait_s: float = 20.0, most: int = 1 << 22) -> bytes:
    """All bytes of an answer as they come, up to a limit."""
    host, port = urlsplit(bench.provider.address("met-norway")).netloc.split(":")
    with socket.create_connection((host, int(port)), timeout=wait_s) as connection:
        connection.sendall(
            f"GET {path} HTTP/1.1\r\nHost: x\r\nUser-Agent: {AGENT}\r\n"
            "Accept-Encoding: gzip\r\nConnection: close\r\n\r\n".encode()
        )
        came = b""
        while len(came) < most and (chunk := connection.recv(1 << 16)):
            came += chunk
    return came


def test_how_connections_fail(bench: Bench) -> None:
    whole = raw(bench, MET)
    for name in ("reset", "timeout", "cut", "ten gigabytes"):
        bench.now += timedelta(minutes=2)
        bench.fails("met-norway", name)
        if name == "reset":
            with pytest.raises(ConnectionResetError):
                raw(bench, MET)
        elif name == "timeout":
            with pytest.raises(TimeoutError):
                raw(bench, MET, wait_s=0.1)
        elif name == "cut":
            head, _, body = raw(bench, MET).partition(b"\r\n\r\n")
            assert int(head.lower().partition(b"content-length: ")[2].split(b"\r\n")[0]) > len(body)
        else:
            endless = raw(bench, MET, most=1 << 21)
            assert b"Content-Length: 10737418240" in endless
            assert len(endless) > 50 * len(whole)


def test_how_bodies_fail(bench: Bench) -> None:
    def body(name: str) -> bytes:
        bench.now += timedelta(minutes=2)
        bench.fails("met-norway", name)
        return raw(bench, MET).partition(b"\r\n\r\n")[2]

    bomb = body("zip bomb")
    assert len(bomb) < 20_000
    assert len(gzip.decompress(bomb)) > 8 * 1024 * 1024
    with pytest.raises((EOFError, zlib.error)):
        gzip.decompress(body("truncated gzip"))
    for name, text in (("NaN", b":NaN"), ("Infinity", b":-Infinity"), ("1e999", b":1e999")):
        assert text in gzip.decompress(body(name))
    assert list(
        json.loads(gzip.decompress(body("a key twice")), object_pairs_hook=lambda pairs: [n for n, _ in pairs])
    )[:2] == ["type", "type"]
    assert body("HTML with 200").startswith(b"<!DOCTYPE html>")


def test_a_stale_answer_is_the_one_from_when_the_fault_began(bench: Bench) -> None:
    bench.provider.faults.add("met-norway", "stands still", bench.now, bench.now + timedelta(days=2))
    first = bench.get("met-norway", MET)
    bench.now += timedelta(hours=20)
    again = bench.get("met-norway", MET)
    assert again.json() == first.json()
    assert datetime.strptime(again.headers["Expires"], "%a, %d %b %Y %H:%M:%S GMT").replace(tzinfo=UTC) > bench.now


def test_every_fault_can_be_scripted_and_ends_when_it_should(bench: Bench) -> None:
    for name, fault in FAULTS.items():
        bench.provider.faults.add(fault.routes[0].source, name, bench.now, bench.now + timedelta(minutes=1))
    assert bench.provider.faults.at(Route.FORECAST, bench.now + timedelta(minutes=1)) is None
    with pytest.raises(ValueError, match="does not fail"):
        bench.provider.faults.add("met-norway", "entity bomb", bench.now, bench.now)
    bench.now += timedelta(minutes=2)
    bench.provider.faults.add("cap", "status 500", bench.now, bench.now + timedelta(minutes=1), every=2)
    assert [bench.get("cap", "/cap/atom").status_code for _ in range(4)] == [200, 500, 200, 500]
