"""The gate: what is out of range is missing, what cannot be meant is refused."""

import json
from contextlib import suppress
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.errors import PayloadRefused
from bitewatch.weather.hourly import LIMITS, from_points
from bitewatch.weather.sources.acceptance import (
    AHEAD,
    Reason,
    believed,
    check_hours,
    check_near,
    check_not_older,
    check_reference,
)
from bitewatch.weather.sources.base import Issue, Place
from bitewatch.weather.sources.strict_json import parse_strictly

HERE = Place(lake="demo", latitude=46.1, longitude=-94.2)


@pytest.mark.parametrize("column", LIMITS)
def test_a_value_beyond_either_limit_is_missing_and_noted(column: str) -> None:
    low, high = LIMITS[column]
    kept, notes = believed({column: np.array([low - 0.1, (low + high) / 2, high + 0.1, np.inf, np.nan])})
    assert np.isnan(kept[column]).tolist() == [True, False, True, True, True]
    assert notes == (f"{column}: values out of range left out: 3, the first {low - 0.1:g}",)


def test_humidity_above_saturation_is_clipped_and_zero_is_missing() -> None:
    kept, notes = believed({"humidity_pct": np.array([0.0, 55.0, 100.0, 103.0, 105.5])})
    assert np.array_equal(kept["humidity_pct"], [np.nan, 55.0, 100.0, 100.0, np.nan], equal_nan=True)
    assert len(notes) == 1


def test_humidity_as_a_fraction_is_left_out_and_questioned() -> None:
    kept, notes = believed({"humidity_pct": np.linspace(0.4, 1.0, 24)})
    assert np.isnan(kept["humidity_pct"]).all()
    assert notes == ("humidity_pct: left out, no value is over 1 %; is it a fraction?",)
    kept, notes = believed({"humidity_pct": np.linspace(0.4, 1.1, 24)})  # dry, but a share in percent
    assert np.isfinite(kept["humidity_pct"]).all()
    assert notes == ()


def test_humidity_and_dew_point_are_completed_from_each_other_hour_by_hour() -> None:
    nan = np.nan
    kept, _ = believed(
        {
            "air_temp_c": np.array([20.0, 20.0, nan, 20.0]),
            "humidity_pct": np.array([50.0, nan, 50.0, 60.0]),
            "dew_point_c": np.array([nan, 9.3, nan, 1.0]),
        }
    )
    assert np.allclose(kept["dew_point_c"], [9.3, 9.3, nan, 1.0], atol=0.05, equal_nan=True)  # given stays as given
    assert np.allclose(kept["humidity_pct"], [50.0, 50.0, 50.0, 60.0], atol=0.3)


def test_a_dew_point_far_above_the_temperature_gives_no_humidity() -> None:
    kept, _ = believed({"air_temp_c": np.array([10.0, 10.0]), "dew_point_c": np.array([10.2, 15.0])})
    assert np.array_equal(kept["humidity_pct"], [100.0, np.nan], equal_nan=True)


@pytest.mark.parametrize(
    ("hours", "reason"),
    [
        ([], Reason.NO_HOURS),
        ([0, 3600, 3600], Reason.WRONG_HOURS),
        ([3600, 0], Reason.WRONG_HOURS),
        ([0, 7200], Reason.WRONG_HOURS),
        ([1800, 5400], Reason.WRONG_HOURS),
    ],
)
def test_hours_that_do_not_follow_each_other_are_refused(hours: list[int], reason: Reason) -> None:
    with pytest.raises(PayloadRefused) as refused:
        check_hours(np.array(hours, "datetime64[s]"))
    assert refused.value.reason == reason


def test_hours_may_pass_a_change_of_clocks() -> None:
    hours = np.arange(
        np.datetime64("2026-03-28T00", "s"), np.datetime64("2026-03-31T00", "s"), np.timedelta64(3600, "s")
    )
    check_hours(hours)


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(46.41, -94.2), (46.1, -94.51), (-46.1, 94.2), (46.1, float("nan"))]
)
def test_a_cell_elsewhere_is_refused(latitude: float, longitude: float) -> None:
    with pytest.raises(PayloadRefused) as refused:
        check_near(HERE, latitude, longitude)
    assert refused.value.reason == Reason.WRONG_PLACE


def test_a_near_cell_is_taken_even_across_the_date_line() -> None:
    check_near(HERE, 46.125, -94.25)
    check_near(Place(lake="demo", latitude=0.0, longitude=179.95), 0.0, -179.875)


NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)


@given(st.integers(-400_000, 400_000))
def test_what_was_made_after_it_came_is_refused(seconds: int) -> None:
    made, refused = NOW + timedelta(seconds=seconds), False
    try:
        check_reference(made, NOW)
    except PayloadRefused as error:
        refused = error.reason == Reason.NOT_YET
    assert refused == (timedelta(seconds=seconds) > AHEAD)


def made(cell: str, at: datetime | None) -> Issue:
    return Issue(
        cell=cell, source="s", model="m", reference_time=at, retrieved_at=NOW, part=0,
        hourly=from_points(np.array(["2026-06-01"], "datetime64[s]"), {}),
    )  # fmt: skip


def test_issues_as_new_as_those_at_hand_or_newer_or_of_unknown_age_are_taken() -> None:
    at_hand = {"a": NOW, "b": NOW, "c": NOW}
    check_not_older([made("a", NOW), made("b", NOW + timedelta(hours=6)), made("c", None), made("d", NOW)], at_hand)


def test_one_issue_older_than_the_one_at_hand_is_enough_to_refuse() -> None:
    with pytest.raises(PayloadRefused, match="made at 2026-06-01 02:29Z, stored is 2026-06-01 02:30Z") as refused:
        check_not_older([made("a", NOW), made("b", NOW - timedelta(minutes=1))], {"a": NOW, "b": NOW})
    assert refused.value.reason == Reason.OLDER


@pytest.mark.parametrize(
    "body",
    [
        b'{"a": NaN}', b'{"a": Infinity}', b'{"a": -Infinity}', b'{"a": 1e999}', b'{"a": -1e999}', b'{"a": 1, "a": 2}',
        b'{"a": 1} and more', b'{"a": [1, 2', b"", b"<html></html>", b"9" * 30, b"9" * 5000, b"[" * 100_000,
        b"\xef\xbb\xbf{}",
    ],
)  # fmt: skip
def test_json_that_is_not_strict_is_refused(body: bytes) -> None:
    with pytest.raises(PayloadRefused) as refused:
        parse_strictly(body)
    assert refused.value.reason == Reason.NOT_JSON


def test_json_that_is_not_utf_8_is_refused() -> None:
    with pytest.raises(PayloadRefused) as refused:
        parse_strictly('{"unit": "°C"}'.encode("latin-1"))
    assert refused.value.reason == Reason.NOT_TEXT


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**17), 10**17)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


@given(VALUES)
def test_honest_json_comes_through_unchanged(value: object) -> None:
    assert parse_strictly(json.dumps(value).encode()) == value


@given(st.binary())
def test_any_bytes_are_a_value_or_refused(body: bytes) -> None:
    with suppress(PayloadRefused):
        assert json.dumps(parse_strictly(body), allow_nan=False)
