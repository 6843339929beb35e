"""Stable days, by counting."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.weather.hourly import HOUR, Floats, Hourly, from_points
from bitewatch.weather.spells import stable_days


def air(temp_c: Floats) -> Hourly:
    return from_points(
        np.datetime64("2000-07-01T00:00:00", "s") + np.arange(temp_c.size) * HOUR, {"air_temp_c": temp_c}
    )


def quiet(hours: int) -> tuple[Floats, np.ndarray]:
    return np.zeros(hours), np.zeros(hours, bool)


def test_days_since_the_last_front_of_note() -> None:
    score, passage = quiet(400)
    score[[100, 300]], passage[[100, 300]] = (1.75, 1.74), True  # 1.74 is a strength of 0.3, not above it
    days = stable_days(air(np.full(400, 20.0)), score, passage)
    assert days[100] == 0.0
    assert days[[112, 340]] == pytest.approx([0.5, 10.0])
    assert days[99] == 4.0  # no front yet: four whole days of record, and four hours that are no day


def test_days_of_the_same_warmth_are_measured_from_the_latest() -> None:
    """Each day 2 K warmer than the one before: two days are within 3 K of the latest, though each is of the next."""
    hours = 24 * 12
    temp_c = np.repeat(np.arange(12) * 2.0, 24)
    days = stable_days(air(temp_c), *quiet(hours))
    assert days[-1] == 2.0
    assert stable_days(air(np.full(hours, 20.0)), *quiet(hours))[-1] == 10.0


def test_exactly_three_kelvin_is_still_near() -> None:
    temp_c = np.repeat([20.0, 23.0, 20.0], 24)
    assert stable_days(air(temp_c), *quiet(72))[-1] == 3.0
    assert stable_days(air(temp_c + np.repeat([0.0, 0.1, 0.0], 24)), *quiet(72))[-1] == 1.0


def test_what_cannot_be_known_is_missing() -> None:
    temp_c = np.full(200, 20.0)
    temp_c[150:170] = np.nan
    days = stable_days(air(temp_c), *quiet(200))
    assert np.isnan(days[:23]).all()  # the record is younger than a day and has shown no front
    assert np.isnan(days[162])  # 13 of the last 24 h have no temperature
    assert days[161] == pytest.approx(162 / 24)  # 12 have one
    score, passage = quiet(200)
    score[[15, 120]], passage[[15, 120]] = 3.0, True
    assert stable_days(air(np.full(200, 20.0)), score, passage)[20] == pytest.approx(5 / 24)
    score[60:70] = np.nan
    days = stable_days(air(np.full(200, 20.0)), score, passage)
    assert np.isnan(days[60:93]).all()  # a front may have passed in the ten blind hours
    assert days[93] == 1.0
    assert days[150] == pytest.approx(30 / 24)


@given(st.integers(24, 399), st.integers(24, 399), st.floats(-20, 30))
def test_never_more_than_ten_nor_than_the_time_since_the_front(onset: int, now: int, temp_c: float) -> None:
    score, passage = quiet(400)
    score[onset], passage[onset] = 3.0, True
    both = stable_days(
        Hourly(time=air(np.zeros(400)).time, columns={
            c: np.full((2, 400), temp_c) if c == "air_temp_c" else np.full((2, 400), np.nan)
            for c in air(np.zeros(400)).columns
        }),
        np.stack([score, score]),
        np.stack([passage, passage]),
    )  # fmt: skip
    assert np.array_equal(both[0], both[1], equal_nan=True)
    if now >= onset:
        assert both[0, now] == pytest.approx(min(10, (now - onset) / 24))
