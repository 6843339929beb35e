"""The hourly table: a whole axis, nothing invented, nothing lost."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.weather.hourly import COLUMNS, HOUR, LIMITS, Hourly, from_points

START = np.datetime64("2026-05-01T00:00:00", "s")


@given(st.sets(st.integers(0, 300), min_size=1))
def test_points_stand_at_their_hours_and_all_else_is_missing(hours: set[int]) -> None:
    at = np.array(sorted(hours))
    table = from_points(START + at * HOUR, {"air_temp_c": at * 0.5})
    assert table.time.dtype == "datetime64[s]"
    assert (table.time[0], table.time[-1]) == (START + at[0] * HOUR, START + at[-1] * HOUR)
    assert set(table.columns) == set(COLUMNS)
    values = table["air_temp_c"]
    assert values[at - at[0]].tolist() == (at * 0.5).tolist()
    assert np.isfinite(values).sum() == at.size
    assert np.isnan(table["cape_jkg"]).all()


@pytest.mark.parametrize(
    ("hours", "what"),
    [([], "no hours"), ([0.0, 2.0, 1.0], "increasing"), ([0.0, 0.0], "increasing"), ([0.5], "whole")],
    ids=["none", "unordered", "twice", "half hours"],
)
def test_bad_points_are_refused(hours: list[float], what: str) -> None:
    time = START + (np.array(hours, float) * 3600).astype("timedelta64[s]")
    with pytest.raises(ValueError, match=what):
        from_points(time, {})


def test_a_table_that_is_not_whole_is_refused() -> None:
    time = START + np.arange(3) * HOUR
    columns = {column: np.zeros((2, 3)) for column in COLUMNS}
    assert Hourly(time=time, columns=columns)["cloud_pct"].shape == (2, 3)
    with pytest.raises(ValueError, match="gap"):
        Hourly(time=START + np.array([0, 1, 3]) * HOUR, columns=columns)
    with pytest.raises(ValueError, match="last axis"):
        Hourly(time=time, columns=columns | {"cloud_pct": np.zeros((3, 2))})
    with pytest.raises(ValueError, match="last axis"):
        Hourly(time=time[:2], columns=columns)
    with pytest.raises(ValueError, match="columns must be"):
        Hourly(time=time, columns={column: columns[column] for column in COLUMNS[1:]})


def test_frame_is_the_table_with_aware_times() -> None:
    table = from_points(START + np.array([0, 2]) * HOUR, {"pressure_hpa": np.array([1010.0, 1012.0])})
    frame = table.frame()
    assert frame.index[0] == pd.Timestamp("2026-05-01", tz="UTC")
    assert list(frame.columns) == list(COLUMNS)
    assert frame["pressure_hpa"].dropna().tolist() == [1010.0, 1012.0]


def test_limits_leave_room_for_the_records() -> None:
    """WMO World Weather and Climate Extremes Archive (from memory): 1083.8 hPa, 870 hPa, 56.7 degC, 113.3 m/s gust."""
    for column, value in (
        ("pressure_hpa", 1083.8),
        ("pressure_hpa", 870.0),
        ("air_temp_c", 56.7),
        ("wind_gust_ms", 113.3),
    ):
        low, high = LIMITS[column]
        assert low <= value <= high
