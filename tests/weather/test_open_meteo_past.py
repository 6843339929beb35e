"""What Open-Meteo is asked of the past, and what of the answers is believed: invented ones, in its documented shape."""

import json
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import SecretStr
from pytest_httpserver import HTTPServer
from sqlalchemy import select
from werkzeug import Request, Response

from bitewatch.errors import PayloadRefused, SourceRefused, SourceWaits
from bitewatch.store.database import Store
from bitewatch.store.migrate import open_store
from bitewatch.weather.archive import newest
from bitewatch.weather.hourly import COLUMNS, HOUR
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.base import Cell, HasPastWeather, Received
from bitewatch.weather.sources.http import PoliteClient
from bitewatch.weather.sources.met_norway import MetNorway
from bitewatch.weather.sources.open_meteo import OpenMeteo
from bitewatch.weather.sources.open_meteo_past import PAST_VARIABLES, PastWays, Span, question, read_past, spans
from bitewatch.weather.sources.quota import LIMITS, Limits, call_weight
from bitewatch.weather.sources.settings import OPEN_METEO_URL, MetNorwaySettings, OpenMeteoSettings
from bitewatch.weather.tables import payload
from tests.simulation.provider import Provider
from tests.simulation.provider_limits import violations
from tests.simulation.world import World

NOW = datetime(2026, 7, 20, 14, 40, tzinfo=UTC)
CELL = Cell(key="open-meteo:ecmwf_ifs:46.125,-94.250", latitude=46.125, longitude=-94.25)
WAYS = PastWays(forecast_url="https://forecast.example", archive_url="https://archive.example", model="ecmwf_ifs")
UNITS = {"time": "unixtime", **{theirs: unit for theirs, (_, unit) in PAST_VARIABLES.items()}}
MAY = Span(first=date(2026, 5, 1), last=date(2026, 5, 2), is_reanalysis=False)


def answer(first: date, last: date, **changes: Any) -> dict[str, Any]:
    """An answer for one place and whole days."""
    begins = int(datetime(first.year, first.month, first.day, tzinfo=UTC).timestamp())
    hours = 24 * ((last - first).days + 1)
    values = {"temperature_2m": 14.5, "relative_humidity_2m": 70, "wind_speed_10m": 3.2, "shortwave_radiation": 210.0,
              "pressure_msl": 1013.2}  # fmt: skip
    return {
        "latitude": 46.125, "longitude": -94.25, "generationtime_ms": 0.4, "utc_offset_seconds": 0, "timezone": "GMT",
        "timezone_abbreviation": "GMT", "elevation": 372.0, "hourly_units": dict(UNITS),
        "hourly": {
            "time": [begins + 3600 * n for n in range(hours)],
            **{name: [value] * hours for name, value in values.items()},
        },
    } | changes  # fmt: skip


def came(document: Any) -> Received:
    body = document if isinstance(document, bytes) else json.dumps(document).encode()
    return Received(source="open-meteo", url_key="key", fetched_at=NOW, body=body, content_type="application/json")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path, now=NOW)
    yield opened
    opened.close()


@pytest.fixture
def asker(store: Store) -> Iterator[Asker]:
    with PoliteClient("bitewatch (mail@club.example)", backoff_factor=0) as client:
        yield Asker(store, client, limits=LIMITS, sleep=lambda _: None)


@pytest.fixture
def server(httpserver: HTTPServer) -> HTTPServer:
    """Answers both services with the days that are asked for."""

    def tell(request: Request) -> Response:
        days = (date.fromisoformat(request.form[name]) for name in ("start_date", "end_date"))
        return Response(json.dumps(answer(*days)), content_type="application/json")

    httpserver.expect_request("/v1/forecast").respond_with_handler(tell)
    httpserver.expect_request("/v1/archive").respond_with_handler(tell)
    return httpserver


@pytest.fixture
def source(server: HTTPServer) -> OpenMeteo:
    return OpenMeteo(OpenMeteoSettings(url=server.url_for("/v1/forecast")))


def test_the_last_three_months_are_those_of_the_pinned_model(
    source: OpenMeteo, asker: Asker, server: HTTPServer
) -> None:
    first = date(2026, 4, 19)  # 92 days ago
    hourly = source.past(CELL, first, date(2026, 7, 20), asker, now=NOW)
    assert hourly.time[0] == np.datetime64("2026-04-19T00:00")
    assert hourly.time[-1] == np.datetime64("2026-07-20T14:00")  # what is yet to come was told, and is left out
    (request,) = [request for request, _ in server.log]
    assert (request.path, request.method) == ("/v1/forecast", "POST")
    assert dict(request.form) == {
        "latitude": "46.1250", "longitude": "-94.2500", "elevation": "nan", "start_date": "2026-04-19",
        "end_date": "2026-07-20", "timezone": "GMT", "timeformat": "unixtime", "wind_speed_unit": "ms",
        "models": "ecmwf_ifs",
        "hourly": "temperature_2m,relative_humidity_2m,wind_speed_10m,shortwave_radiation,pressure_msl",
    }  # fmt: skip
    assert set(hourly.columns) == set(COLUMNS)
    known = {name for name in COLUMNS if np.isfinite(hourly[name]).all()}
    assert known == {
        "air_temp_c", "humidity_pct", "dew_point_c", "wind_speed_ms", "shortwave_wm2", "pressure_hpa",
    }  # fmt: skip
    assert source.past_source(first, now=NOW) == "open-meteo"


def test_what_is_older_is_asked_of_the_archive_year_by_year(
    source: OpenMeteo, asker: Asker, server: HTTPServer
) -> None:
    first, last = date(2023, 11, 1), date(2025, 2, 28)
    hourly = source.past(CELL, first, last, asker, now=NOW)
    assert (hourly.time[0], hourly.time[-1]) == (np.datetime64("2023-11-01T00"), np.datetime64("2025-02-28T23"))
    assert (np.diff(hourly.time) == HOUR).all()
    forms = [dict(request.form) for request, _ in server.log]
    assert [(form["start_date"], form["end_date"]) for form in forms] == [
        ("2023-11-01", "2023-12-31"), ("2024-01-01", "2024-12-31"), ("2025-01-01", "2025-02-28"),
    ]  # fmt: skip
    assert {request.path for request, _ in server.log} == {"/v1/archive"}
    assert {form["models"] for form in forms} == {"era5"}
    assert source.past_source(first, now=NOW) == "open-meteo reanalysis"


def test_nothing_of_it_is_an_issue(source: OpenMeteo, asker: Asker, store: Store) -> None:
    source.past(CELL, date(2026, 7, 1), date(2026, 7, 19), asker, now=NOW)
    source.past(CELL, date(2020, 7, 1), date(2020, 7, 19), asker, now=NOW)
    with store.read() as connection:
        assert newest(connection, CELL.key) is None
        assert len(connection.execute(select(payload.c.id)).all()) == 2


def test_answers_stand_for_a_day_or_for_a_month(source: OpenMeteo, asker: Asker, server: HTTPServer) -> None:
    asked = {date(2026, 7, 1): 24, date(2024, 7, 1): 720}
    for first, hours in asked.items():
        before = len(server.log)
        for later_h in (0, hours - 1):
            now = NOW + timedelta(hours=later_h)
            source.past(CELL, first, first + timedelta(days=4), asker, now=now)
        assert len(server.log) == before + 1
        source.past(CELL, first, first + timedelta(days=4), asker, now=NOW + timedelta(hours=hours + 1))
        assert len(server.log) == before + 2


@pytest.mark.parametrize(("last", "days"), [(date(2026, 7, 9), 30), (date(2026, 7, 12), 1), (date(2026, 7, 19), 1)])
def test_the_newest_days_of_the_reanalysis_are_asked_again_soon(last: date, days: int) -> None:
    span = Span(first=date(2026, 1, 1), last=last, is_reanalysis=True)
    assert question(CELL, span, WAYS, now=NOW).good_for == timedelta(days=days)


def test_a_quota_that_ends_in_the_middle_keeps_the_years_that_came(
    store: Store, source: OpenMeteo, server: HTTPServer
) -> None:
    with PoliteClient("bitewatch (mail@club.example)", backoff_factor=0) as client:
        # a year of five variables weighs 13
        asker = Asker(store, client, limits={"open-meteo": Limits(windows={"minute": 30.0})}, sleep=lambda _: None)
        with pytest.raises(SourceWaits):
            source.past(CELL, date(2021, 1, 1), date(2023, 12, 31), asker, now=NOW)
        assert len(server.log) == 2
        hourly = source.past(CELL, date(2021, 1, 1), date(2023, 12, 31), asker, now=NOW + timedelta(minutes=1))
    assert len(server.log) == 3
    assert hourly.time.size == 24 * 3 * 365


def test_a_year_weighs_as_the_provider_counts() -> None:
    span = Span(first=date(2024, 1, 1), last=date(2024, 12, 31), is_reanalysis=True)
    assert (
        question(CELL, span, WAYS, now=NOW).weight
        == pytest.approx(call_weight(5, 366))
        == pytest.approx(13.07, abs=0.01)
    )


@pytest.mark.parametrize(
    ("url", "key", "forecast", "archive"),
    [
        (OPEN_METEO_URL, None, OPEN_METEO_URL, "https://archive-api.open-meteo.com/v1/archive"),
        (
            OPEN_METEO_URL, SecretStr("s3cret"), "https://customer-api.open-meteo.com/v1/forecast",
            "https://customer-archive-api.open-meteo.com/v1/archive",
        ),
        ("http://own.example:8080/v1/forecast", None, "http://own.example:8080/v1/forecast",
         "http://own.example:8080/v1/archive"),
        ("https://own.example/meteo/v1/forecast", None, "https://own.example/meteo/v1/forecast",
         "https://own.example/meteo/v1/archive"),
        ("https://own.example/hours", None, "https://own.example/hours", "https://own.example/v1/archive"),
    ],
)  # fmt: skip
def test_the_archive_lies_beside_the_forecast(url: str, key: SecretStr | None, forecast: str, archive: str) -> None:
    asked: list[Any] = []

    class Nobody:
        def facts(self, source: str, question: Any, read: Any, *, now: datetime) -> Any:
            asked.append(question)
            raise SourceRefused("no")

    source = OpenMeteo(OpenMeteoSettings(url=url), api_key=key)
    for first in (date(2026, 7, 1), date(2020, 7, 1)):
        with pytest.raises(SourceRefused):
            source.past(CELL, first, first, Nobody(), now=NOW)  # type: ignore[arg-type]
    assert [one.url for one in asked] == [forecast, archive]
    assert {one.form.get("apikey") for one in asked} == {key and key.get_secret_value()}
    assert "s3cret" not in asked[0].key + asked[1].key


def test_a_server_without_an_archive_says_so(asker: Asker, httpserver: HTTPServer) -> None:
    source = OpenMeteo(OpenMeteoSettings(url=httpserver.url_for("/v1/forecast")))
    httpserver.expect_request("/v1/archive").respond_with_data("Not Found", status=404)
    with pytest.raises(SourceRefused) as refused:
        source.past(CELL, date(2020, 7, 1), date(2020, 7, 2), asker, now=NOW)
    assert refused.value.status == 404


def test_a_lake_far_above_its_cell_has_its_own_height(source: OpenMeteo, asker: Asker, server: HTTPServer) -> None:
    high = Cell(key="open-meteo:ecmwf_ifs:46.1,-94.2,612", latitude=46.125, longitude=-94.25, elevation_m=612.0)
    for cell in (CELL, high):
        source.past(cell, date(2026, 7, 1), date(2026, 7, 2), asker, now=NOW)
    assert [request.form["elevation"] for request, _ in server.log] == ["nan", "612"]


@pytest.mark.parametrize(
    ("first", "last"),
    [
        (date(2026, 7, 2), date(2026, 7, 1)),
        (date(2026, 7, 1), date(2026, 7, 21)),
        (date(1939, 12, 31), date(1940, 1, 1)),
    ],
)
def test_what_are_no_days_of_the_past_is_not_asked(first: date, last: date) -> None:
    with pytest.raises(ValueError, match="are not days of the past"):
        spans(first, last, now=NOW)


@given(st.dates(date(1940, 1, 1), date(2026, 7, 20)), st.integers(0, 20_000))
def test_spans_follow_each_other_and_none_is_longer_than_a_year(first: date, days: int) -> None:
    last = min(first + timedelta(days=days), date(2026, 7, 20))
    found = spans(first, last, now=NOW)
    assert (found[0].first, found[-1].last) == (first, last)
    assert all(one.days <= 366 and one.first.year == one.last.year for one in found)
    assert sum(one.days for one in found) == (last - first).days + 1
    assert len({one.is_reanalysis for one in found}) == 1


def unit(name: str, other: str) -> Callable[[dict[str, Any]], object]:
    return lambda part: part["hourly_units"].update({name: other})


REFUSED: dict[str, tuple[Callable[[dict[str, Any]], object], Reason]] = {
    "degrees Fahrenheit": (unit("temperature_2m", "°F"), Reason.WRONG_UNITS),
    "wind in km/h": (unit("wind_speed_10m", "km/h"), Reason.WRONG_UNITS),
    "a local clock": (lambda part: part.update(utc_offset_seconds=7200), Reason.WRONG_UNITS),
    "another place": (lambda part: part.update(latitude=49.1), Reason.WRONG_PLACE),
    "a variable is absent": (lambda part: part["hourly"].pop("pressure_msl"), Reason.WRONG_SHAPE),
    "numbers as text": (lambda part: part["hourly"].update(temperature_2m=["14.5"] * 48), Reason.WRONG_SHAPE),
    "a day too few": (
        lambda part: part.update(hourly={name: values[:24] for name, values in part["hourly"].items()}),
        Reason.WRONG_HOURS,
    ),
    "other days": (
        lambda part: part["hourly"].update(time=[t - 86400 for t in part["hourly"]["time"]]), Reason.WRONG_HOURS,
    ),
    "hours unsorted": (lambda part: part["hourly"]["time"].reverse(), Reason.WRONG_HOURS),
    "nothing but nulls": (
        lambda part: part["hourly"].update({name: [None] * 48 for name in PAST_VARIABLES}), Reason.NO_HOURS,
    ),
    "an error": (lambda part: part.update(error=True, reason="out of order"), Reason.REPORTS_ERROR),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_an_answer_that_is_not_what_was_asked_for_is_refused(what: str) -> None:
    change, reason = REFUSED[what]
    part = answer(MAY.first, MAY.last)
    change(part)
    with pytest.raises(PayloadRefused) as refused:
        read_past(came(part), CELL, MAY)
    assert refused.value.reason == reason


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"<html>", Reason.NOT_JSON),
        (b"", Reason.NOT_JSON),
        (b"[]", Reason.WRONG_SHAPE),
        (json.dumps(answer(MAY.first, MAY.last)).encode().replace(b"14.5", b"NaN"), Reason.NOT_JSON),
        (json.dumps(answer(MAY.first, MAY.last)).encode()[:900], Reason.NOT_JSON),
        (
            json.dumps(answer(MAY.first, MAY.last)).encode() + b"Unexpected error while streaming data: x",
            Reason.BROKE_OFF,
        ),
    ],
)
def test_a_body_that_is_not_their_answer_is_refused(body: bytes, reason: Reason) -> None:
    with pytest.raises(PayloadRefused) as refused:
        read_past(came(body), CELL, MAY)
    assert refused.value.reason == reason


def test_single_nulls_are_missing_and_the_rest_stays() -> None:
    part = answer(MAY.first, MAY.last)
    part["hourly"]["shortwave_radiation"][40:] = [None] * 8
    part["hourly"]["pressure_msl"][3] = 13.2
    hourly = read_past(came(part), CELL, MAY)
    assert np.isnan(hourly["shortwave_wm2"][40:]).all()
    assert np.isfinite(hourly["shortwave_wm2"][:40]).all()
    assert np.flatnonzero(np.isnan(hourly["pressure_hpa"])).tolist() == [3]


def test_who_has_a_past_is_known_by_its_methods(source: OpenMeteo) -> None:
    assert isinstance(source, HasPastWeather)
    assert not isinstance(MetNorway(MetNorwaySettings()), HasPastWeather)


def test_the_simulated_provider_is_asked_within_its_limits_and_tells_the_weather_that_was(asker: Asker) -> None:
    world = World(seed=3, start=datetime(2026, 4, 1, tzinfo=UTC), days=120)
    with Provider(world, lambda: NOW) as provider:
        source = OpenMeteo(OpenMeteoSettings(url=provider.urls["open-meteo"]))
        true = world.hourly(46.1, -94.2, datetime(2026, 4, 20, tzinfo=UTC), 24 * 60)
        model = source.past(CELL, date(2026, 4, 20), date(2026, 6, 18), asker, now=NOW)
        archive = source.past(CELL, date(2026, 4, 1), date(2026, 7, 20), asker, now=NOW)
        forms = [parse_qs(entry.key.partition("?")[2]) for entry in provider.log.of("open-meteo")]
        weights = [entry.weight for entry in provider.log.of("open-meteo")]
        broken = [str(one) for one in violations(provider.log)] + provider.broken
    assert broken == []
    assert [form["models"] for form in forms] == [["ecmwf_ifs"], ["era5"]]
    assert weights == pytest.approx([call_weight(5, 60), call_weight(5, 111)])
    of_archive = (archive.time >= true.time[0]) & (archive.time <= true.time[-1])
    for name, off in (
        ("air_temp_c", 0.051),
        ("pressure_hpa", 0.051),
        ("shortwave_wm2", 0.051),
        ("wind_speed_ms", 0.0051),
    ):
        assert np.nanmax(np.abs(archive[name][of_archive] - true[name])) <= off, name
    assert np.sqrt(np.nanmean((model["air_temp_c"] - true["air_temp_c"]) ** 2)) < 1.5
    late = archive.time >= np.datetime64("2026-07-15")
    assert np.isnan(archive["air_temp_c"][late]).all()
    assert np.isfinite(archive["air_temp_c"][~late]).all()
