"""What Open-Meteo is asked, and which of its answers are believed."""

import copy
import json
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import numpy as np
import pytest
import responses
from hypothesis import given
from hypothesis import strategies as st
from pydantic import SecretStr

from bitewatch.errors import PayloadRefused, SourceRefused, SourceUnavailable
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Place, Received
from bitewatch.weather.sources.http import PoliteClient
from bitewatch.weather.sources.open_meteo import CUSTOMER_URL, OpenMeteo
from bitewatch.weather.sources.settings import OPEN_METEO_URL, OpenMeteoSettings

DATA = Path(__file__).parents[1] / "data" / "weather"
ONE = (DATA / "open_meteo_one.json").read_bytes()
TWO = (DATA / "open_meteo_two.json").read_bytes()
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
NORTH = Place(lake="north", latitude=46.1, longitude=-94.2)
SOUTH = Place(lake="south", latitude=45.9, longitude=-93.8, elevation_m=310.0)
SOURCE = OpenMeteo(OpenMeteoSettings(), PoliteClient("bitewatch (mail@club.example)", backoff_factor=0))


def came(body: bytes, content_type: str = "application/json; charset=utf-8") -> Received:
    return Received(source="open-meteo", url_key="key", fetched_at=NOW, body=body, content_type=content_type)


@pytest.fixture
def server() -> Iterator[responses.RequestsMock]:
    with responses.RequestsMock() as mock:
        yield mock


def asked(server: responses.RequestsMock) -> dict[str, str]:
    body = server.calls[-1].request.body
    assert body is not None
    return {name: values[0] for name, values in parse_qs(str(body), strict_parsing=True).items()}


def test_the_question_is_a_form_of_ten_variables_in_our_units(server: responses.RequestsMock) -> None:
    server.post(OPEN_METEO_URL, body=ONE, content_type="application/json")
    received = SOURCE.fetch([NORTH], NOW)
    form = asked(server)
    assert len(set(form.pop("hourly").split(","))) == 10  # the eleventh would cost a tenth more
    assert form == {
        "latitude": "46.1000", "longitude": "-94.2000", "past_days": "7", "forecast_days": "7", "timezone": "GMT",
        "timeformat": "unixtime", "wind_speed_unit": "ms", "models": "ecmwf_ifs",
    }  # fmt: skip
    assert received.body == ONE
    assert received.fetched_at == NOW
    assert received.url_key == "open-meteo:ecmwf_ifs:7:46.1000,-94.2000"


def test_an_elevation_is_asked_for_where_it_is_known(server: responses.RequestsMock) -> None:
    server.post(OPEN_METEO_URL, body=TWO, content_type="application/json")
    SOURCE.fetch([NORTH, SOUTH], NOW)
    assert asked(server)["elevation"] == "nan,310"


@pytest.mark.parametrize(
    ("url", "host"),
    [(OPEN_METEO_URL, CUSTOMER_URL), ("https://own.example/v1/forecast", "https://own.example/v1/forecast")],
)
def test_a_customers_key_goes_to_the_customers_host_and_nowhere_else(
    server: responses.RequestsMock, url: str, host: str
) -> None:
    server.post(host, body=ONE, content_type="application/json")
    source = OpenMeteo(OpenMeteoSettings(url=url), PoliteClient("bitewatch"), SecretStr("s3cret"))
    received = source.fetch([NORTH], NOW)
    assert asked(server)["apikey"] == "s3cret"
    assert "s3cret" not in repr(received)
    assert "s3cret" not in str(server.calls[-1].request.url)


def test_a_key_of_many_places_is_short_and_tells_them_apart() -> None:
    places = [Place(lake=f"lake-{n}", latitude=45 + n / 100, longitude=-94.0) for n in range(100)]
    key = SOURCE.url_key(places)
    assert len(key) <= 200
    assert key == SOURCE.url_key(list(places))
    assert key != SOURCE.url_key(places[::-1])


@pytest.mark.parametrize("count", [0, 101])
def test_no_more_places_are_asked_for_than_fit(count: int) -> None:
    with pytest.raises(ValueError, match="1 to 100 places"):
        SOURCE.fetch([NORTH] * count, NOW)


def test_a_wrong_request_is_refused_with_their_reason(server: responses.RequestsMock) -> None:
    reason = "Cannot initialize WeatherVariable from invalid String value pressure_mls for key hourly"
    server.post(OPEN_METEO_URL, json={"error": True, "reason": reason}, status=400)
    with pytest.raises(SourceRefused, match=reason):
        SOURCE.fetch([NORTH], NOW)


def test_an_answer_that_breaks_off_while_it_is_sent_is_no_answer(server: responses.RequestsMock) -> None:
    server.post(OPEN_METEO_URL, body=ONE[:900] + b"Unexpected error while streaming data: timeoutReached")
    with pytest.raises(SourceUnavailable, match="broke off"):
        SOURCE.fetch([NORTH], NOW)


def test_one_place_comes_as_an_object() -> None:
    (issue,) = SOURCE.read(came(ONE), [NORTH])
    assert issue.cell == "open-meteo:ecmwf_ifs:46.125,-94.250"
    assert (issue.grid_latitude, issue.grid_longitude, issue.grid_elevation_m) == (46.125, -94.25, 372.0)
    assert (issue.model, issue.reference_time, issue.retrieved_at) == ("ecmwf_ifs", None, NOW)
    hourly = issue.hourly
    assert hourly.time[[0, -1]].tolist() == [datetime(2026, 6, 1, 0), datetime(2026, 6, 1, 5)]  # noqa: DTZ001
    assert hourly["pressure_hpa"].tolist() == [1009.3, 1008.1, 1007.4, 1008.9, 1010.6, 1012.2]
    assert hourly["precip_mm"].tolist() == [0.0, 0.2, 3.7, 1.4, 0.0, 0.0]  # theirs ends at its time too
    assert np.array_equal(hourly["humidity_pct"], [78, 82, 88, 91, 86, np.nan], equal_nan=True)
    assert np.isnan(hourly["dew_point_c"]).tolist() == [False] * 5 + [True]
    assert issue.notes == ()


def test_several_places_come_as_a_list_in_their_order() -> None:
    north, south = SOURCE.read(came(TWO), [NORTH, SOUTH])
    assert (north.part, south.part) == (0, 1)
    assert north.cell == "open-meteo:ecmwf_ifs:46.125,-94.250"
    assert south.cell == "open-meteo:ecmwf_ifs:45.875,-93.750,310m"  # single precision is rounded away
    assert south.hourly["pressure_hpa"][0] == 1010.8
    with pytest.raises(PayloadRefused):
        SOURCE.read(came(TWO), [SOUTH, NORTH])


Change = Callable[[dict[str, Any]], object]


def rename(name: str, other: str) -> Change:
    return lambda part: part["hourly"].update({other: part["hourly"].pop(name)})


def hour(name: str, value: object) -> Change:
    return lambda part: part["hourly"][name].__setitem__(2, value)


REFUSED: dict[str, tuple[Change, Reason]] = {
    "wind in km/h": (lambda part: part["hourly_units"].update(wind_speed_10m="km/h"), Reason.WRONG_UNITS),
    "rain in inches": (lambda part: part["hourly_units"].update(precipitation="inch"), Reason.WRONG_UNITS),
    "times as text": (lambda part: part["hourly_units"].update(time="iso8601"), Reason.WRONG_UNITS),
    "a unit is absent": (lambda part: part["hourly_units"].pop("cape"), Reason.WRONG_UNITS),
    "a local clock": (lambda part: part.update(utc_offset_seconds=-18000), Reason.WRONG_UNITS),
    "no hours at all": (lambda part: part.pop("hourly"), Reason.WRONG_SHAPE),
    "a variable is absent": (lambda part: part["hourly"].pop("cape"), Reason.WRONG_SHAPE),
    "a suffix of the model": (rename("pressure_msl", "pressure_msl_ecmwf_ifs"), Reason.WRONG_SHAPE),
    "a short column": (lambda part: part["hourly"]["cape"].pop(), Reason.WRONG_SHAPE),
    "numbers as text": (hour("pressure_msl", "1007.4"), Reason.WRONG_SHAPE),
    "a boolean": (hour("cloud_cover", True), Reason.WRONG_SHAPE),
    "a nested list": (hour("cloud_cover", [50]), Reason.WRONG_SHAPE),
    "an hour as text": (hour("time", "1780279200"), Reason.WRONG_SHAPE),
    "an hour before 1970": (hour("time", -3600), Reason.WRONG_SHAPE),
    "an hour twice": (hour("time", 1780275600), Reason.WRONG_HOURS),
    "hours unsorted": (lambda part: part["hourly"]["time"].reverse(), Reason.WRONG_HOURS),
    "empty": (lambda part: part.update(hourly={name: [] for name in part["hourly"]}), Reason.NO_HOURS),
    "a stale answer": (
        lambda part: part["hourly"].update(time=[t - 86400 for t in part["hourly"]["time"]]),
        Reason.NOT_NOW,
    ),
    "a far cell": (lambda part: part.update(latitude=47.0), Reason.WRONG_PLACE),
    "no latitude": (lambda part: part.pop("latitude"), Reason.WRONG_SHAPE),
    "another part": (lambda part: part.update(location_id=3), Reason.WRONG_SHAPE),
    "an error with status 200": (lambda part: part.update(error=True, reason="out of order"), Reason.REPORTS_ERROR),
}


@pytest.mark.parametrize("what", REFUSED)
def test_an_answer_that_is_not_what_was_asked_for_is_refused(what: str) -> None:
    change, reason = REFUSED[what]
    part = json.loads(ONE)
    change(part)
    with pytest.raises(PayloadRefused) as refused:
        SOURCE.read(came(json.dumps(part).encode()), [NORTH])
    assert refused.value.reason == reason
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("body", "content_type", "reason"),
    [
        (b"<!doctype html><title>Log in to this network</title>", "text/html", Reason.NOT_JSON),
        (b"<!doctype html><title>Log in to this network</title>", "", Reason.NOT_JSON),
        (ONE, "text/html", Reason.NOT_JSON),
        (b'{"latitude":nan,"longitude":nan,"elevation":nan}', "application/json", Reason.NOT_JSON),
        (ONE.replace(b"1007.4", b"NaN"), "application/json", Reason.NOT_JSON),
        (ONE.replace(b"1007.4", b"1e999"), "application/json", Reason.NOT_JSON),
        (ONE[: len(ONE) // 2], "application/json", Reason.NOT_JSON),
        (TWO, "application/json", Reason.WRONG_SHAPE),
        (b"[]", "application/json", Reason.WRONG_SHAPE),
        (b"null", "application/json", Reason.WRONG_SHAPE),
        (b"", "application/json", Reason.NOT_JSON),
    ],
)
def test_a_body_that_is_not_their_answer_is_refused(body: bytes, content_type: str, reason: Reason) -> None:
    with pytest.raises(PayloadRefused) as refused:
        SOURCE.read(came(body, content_type), [NORTH])
    assert refused.value.reason == reason


def test_a_value_out_of_range_is_missing_and_the_rest_stays() -> None:
    (issue,) = SOURCE.read(came(ONE.replace(b"1007.4", b"87.4")), [NORTH])
    assert np.isnan(issue.hourly["pressure_hpa"]).tolist() == [False, False, True, False, False, False]
    assert issue.notes == ("pressure_hpa: values out of range left out: 1, the first 87.4",)


def test_a_variable_that_the_model_does_not_carry_is_named() -> None:
    part = json.loads(ONE)
    part["hourly"]["cape"] = [None] * 6
    (issue,) = SOURCE.read(came(json.dumps(part).encode()), [NORTH])
    assert np.isnan(issue.hourly["cape_jkg"]).all()
    assert issue.notes == ("cape_jkg is not carried",)


JUNK = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.just([]) | st.just({})
PATHS = [(key,) for key in json.loads(ONE)] + [
    (table, name) for table in ("hourly", "hourly_units") for name in json.loads(ONE)[table]
]
PATHS += [("hourly", name, 3) for name in json.loads(ONE)["hourly"]]


@given(st.lists(st.tuples(st.sampled_from(PATHS), JUNK), min_size=1, max_size=3))
def test_a_mutilated_answer_is_an_issue_or_refused(changes: list[tuple[tuple[Any, ...], Any]]) -> None:
    part = copy.deepcopy(json.loads(ONE))
    for path, junk in changes:
        inner = part
        with suppress(KeyError, IndexError, TypeError):  # an earlier change may have taken the way away
            for step in path[:-1]:
                inner = inner[step]
            inner[path[-1]] = copy.deepcopy(junk)  # a drawn {} is shared, and a later change may fill it
    with suppress(PayloadRefused):
        (issue,) = SOURCE.read(came(json.dumps(part).encode()), [NORTH])
        assert not any(np.isinf(values).any() for values in issue.hourly.columns.values())


@given(st.integers(0, len(ONE) - 1), st.binary(max_size=6))
def test_an_answer_with_other_bytes_in_it_is_an_issue_or_refused(at: int, junk: bytes) -> None:
    with suppress(PayloadRefused):
        (issue,) = SOURCE.read(came(ONE[:at] + junk + ONE[at + len(junk) :]), [NORTH])
        assert issue.hourly.time.size == 6


@given(st.integers(0, len(ONE.rstrip()) - 1))
def test_an_answer_cut_anywhere_is_refused(length: int) -> None:
    with pytest.raises(PayloadRefused):
        SOURCE.read(came(ONE[:length]), [NORTH])
