"""A reading alone, where no weather carries the model: held for two weeks, ever less sure, never before its hour."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from bitewatch.water.reading import Reading
from bitewatch.water.temperature import HOLDS, held_reading

READ_AT = datetime(2026, 7, 10, 15, tzinfo=UTC)
HOURS = np.datetime64("2026-07-05T00:00:00", "s") + np.arange(24 * 30) * np.timedelta64(3600, "s")


def reading(at=READ_AT, temp_c=20.0, **more):
    return Reading(at=at, temp_c=temp_c, source="typed", known_at=at, **more)


def test_held_for_two_weeks_and_never_before_its_hour():
    hours, used, said = held_reading([reading()], HOURS)
    known = HOURS[np.isfinite(hours.value_c)]
    assert (known[0], known[-1]) == (np.datetime64("2026-07-10T15"), np.datetime64("2026-07-24T15"))
    assert np.unique(hours.value_c[np.isfinite(hours.value_c)]).tolist() == [20.0]
    assert timedelta(days=14) == HOLDS
    assert len(used) == 1
    assert said == "the water temperature is the reading of 2026-07-10 alone"


def test_a_reading_of_which_only_the_day_is_known_counts_from_its_morning_on():
    hours, _, _ = held_reading([reading(hour_known=False)], HOURS)
    assert HOURS[np.isfinite(hours.value_c)][0] == np.datetime64("2026-07-10T03")


def test_its_spread_grows_from_that_of_a_thermometer_to_that_of_the_lake():
    hours, _, _ = held_reading([reading()], HOURS)
    known = hours.sd_c[np.isfinite(hours.sd_c)]
    assert known[0] == pytest.approx(0.65)  # scatter of a reading [own]
    assert (np.diff(known) > 0).all()
    assert known[-1] < np.sqrt(0.65**2 + 0.31**2 + 0.85**2)  # and of the lake [own], which is its limit


def test_it_tells_of_no_change():
    hours, _, _ = held_reading([reading()], HOURS)
    assert np.isnan(hours.change_3d_c).all()
    assert np.isnan(hours.change_sd_c).all()


def test_of_several_the_newest_tells():
    hours, _, _ = held_reading([reading(), reading(at=READ_AT + timedelta(days=2), temp_c=22.0), reading()], HOURS)
    assert np.nanmax(hours.value_c) == np.nanmin(hours.value_c) == 22.0


def test_without_a_reading_nothing_is_made_up():
    hours, used, said = held_reading([], HOURS)
    assert np.isnan(hours.value_c).all()
    assert (used, said) == ((), "no reading of its surface")


def test_a_reading_from_the_deep_says_nothing_of_the_surface():
    hours, used, _ = held_reading([reading(temp_c=8.5, depth_m=12.0), reading(at=READ_AT - timedelta(days=1))], HOURS)
    assert [one.temp_c for one in used] == [20.0]
    assert np.nanmin(hours.value_c) == 20.0
