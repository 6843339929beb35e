"""Which answers of Open-Meteo are believed.

The answers are invented, in the shapes that the provider documents.
"""

import json
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bitewatch.errors import PayloadRefused
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Cell, Issue, Received
from bitewatch.weather.sources.open_meteo import OpenMeteo
from bitewatch.weather.sources.settings import OpenMeteoSettings

DATA = Path(__file__).parents[1] / "data" / "weather"
ONE = (DATA / "open_meteo_one.json").read_bytes()
TWO = (DATA / "open_meteo_two.json").read_bytes()
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
SOURCE = OpenMeteo(OpenMeteoSettings())
NORTH = Cell(key="open-meteo:ecmwf_ifs:46.125,-94.250", latitude=46.125, longitude=-94.25)
SOUTH = Cell(key="open-meteo:ecmwf_ifs:45.9000,-93.8000,310", latitude=45.9, longitude=-93.8, elevation_m=310.0)


def came(body: bytes, content_type: str = "application/json; charset=utf-8") -> Received:
    return Received(source="open-meteo", url_key="key", fetched_at=NOW, body=body, content_type=content_type)


def read_one(body: bytes = ONE) -> Issue:
    (issue,) = SOURCE.read(came(body), [NORTH])
    return issue


def test_one_place_comes_as_an_object() -> None:
    issue = read_one()
    assert issue.cell == NORTH.key
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
    assert (north.cell, south.cell) == (NORTH.key, SOUTH.key)
    assert (south.grid_latitude, south.grid_longitude) == (45.875, -93.75)  # single precision is rounded away
    assert (north.grid_elevation_m, south.grid_elevation_m) == (372.0, None)  # 310 m was only asked for
    assert south.hourly["pressure_hpa"][0] == 1010.8
    with pytest.raises(PayloadRefused):
        SOURCE.read(came(TWO), [SOUTH, NORTH])


@pytest.mark.parametrize("day", [date(2026, 3, 8), date(2026, 11, 1)])
def test_a_day_that_changes_the_clocks_has_24_hours_in_utc(day: date) -> None:
    start = datetime(day.year, day.month, day.day, tzinfo=UTC)
    part = json.loads(ONE)
    part["hourly"] = {name: [values[0]] * 48 for name, values in part["hourly"].items()}
    part["hourly"]["time"] = [int((start + timedelta(hours=hour - 12)).timestamp()) for hour in range(48)]
    received = Received(source="open-meteo", url_key="k", fetched_at=start, body=json.dumps(part).encode())
    (issue,) = SOURCE.read(received, [NORTH])
    assert np.count_nonzero(issue.hourly.time.astype("datetime64[D]") == np.datetime64(day)) == 24


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
        read_one(json.dumps(part).encode())
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
        (ONE[:900] + b"Unexpected error while streaming data: timeoutReached", "application/json", Reason.BROKE_OFF),
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
