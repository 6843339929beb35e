"""Hours between the steps of a forecast: straight lines, a turning wind, and nothing where nothing may be said."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.weather.hourly import LIMITS
from bitewatch.weather.humidity import humidity_pct
from bitewatch.weather.sources.steps import hours_between

START = np.datetime64("2026-06-01T00:00", "s")
HOURS = np.array([0, 1, 2, 8, 14])
TIME = START + HOURS * np.timedelta64(3600, "s")


def column(*values: float) -> np.ndarray:
    return np.array(values, float)


def test_temperature_cloud_and_dew_point_go_straight() -> None:
    given_values = {
        "air_temp_c": column(10, 11, 13, 19, 7),
        "dew_point_c": column(5, 5, 6, 9, 0),
        "cloud_pct": column(0, 50, 100, 40, 100),
    }
    hours, values = hours_between(TIME, given_values)
    assert hours.size == 15
    assert (np.diff(hours) == np.timedelta64(3600, "s")).all()
    for name, points in given_values.items():
        assert values[name] == pytest.approx(np.interp(np.arange(15), HOURS, points))  # numpy's own interpolation
        assert (values[name][HOURS] == points).all()


def test_the_wind_turns_the_short_way_and_slackens_while_it_does() -> None:
    """As complex numbers: a wind of 6 m/s from 350 degrees that becomes one of 6 m/s from 10 passes through north."""
    _, values = hours_between(
        TIME[3:], {"wind_speed_ms": column(6, 6), "wind_from_deg": column(350, 10), "air_temp_c": column(1, 1)}
    )
    ends = 6.0 * np.exp(1j * np.radians([350.0, 10.0]))
    between = np.linspace(ends[0], ends[1], 7)
    assert values["wind_speed_ms"] == pytest.approx(np.abs(between))
    assert values["wind_from_deg"] == pytest.approx(np.degrees(np.angle(between)) % 360.0)
    assert values["wind_from_deg"][3] == pytest.approx(0.0, abs=1e-9) or values["wind_from_deg"][3] == pytest.approx(
        360.0
    )


def test_a_steady_wind_gains_nothing_by_rounding() -> None:
    strongest, angle = LIMITS["wind_speed_ms"][1], np.radians(2.0)
    assert np.hypot(strongest * np.cos(angle), strongest * np.sin(angle)) > strongest  # as it would come out
    _, values = hours_between(TIME[3:], {"wind_speed_ms": column(strongest, strongest), "wind_from_deg": column(2, 2)})
    assert values["wind_speed_ms"].tolist() == [strongest] * 7


@pytest.mark.parametrize("name", ["pressure_hpa", "wind_gust_ms", "precip_mm", "cape_jkg", "shortwave_wm2"])
def test_what_has_no_line_between_its_points_is_missing_there(name: str) -> None:
    _, values = hours_between(TIME, {name: column(1, 2, 3, 4, 5)})
    assert values[name][HOURS].tolist() == [1, 2, 3, 4, 5]
    assert np.isnan(np.delete(values[name], HOURS)).all()


def test_a_point_that_is_missing_is_not_bridged() -> None:
    _, values = hours_between(TIME, {"air_temp_c": column(10, 11, 13, np.nan, 7)})
    assert np.isfinite(values["air_temp_c"]).tolist() == [True] * 3 + [False] * 11 + [True]


def test_humidity_follows_from_temperature_and_dew_point() -> None:
    given_values = {
        "air_temp_c": column(10, 11, 13, 19, 7),
        "dew_point_c": column(5, 5, 6, 9, 7),
        "humidity_pct": column(70, 66, 62, 52, 99),
    }
    _, values = hours_between(TIME, given_values)
    expected = humidity_pct(values["air_temp_c"], values["dew_point_c"])
    between = np.setdiff1d(np.arange(15), HOURS)
    assert values["humidity_pct"][between] == pytest.approx(np.minimum(expected[between], 100.0))
    assert (values["humidity_pct"][HOURS] == given_values["humidity_pct"]).all()


INSTANTS = ("air_temp_c", "dew_point_c", "humidity_pct", "cloud_pct", "wind_speed_ms", "wind_from_deg", "pressure_hpa")


@st.composite
def forecasts(draw: st.DrawFn) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    gaps = draw(st.lists(st.integers(1, 6), min_size=1, max_size=5))
    at = np.cumsum([0, *gaps])
    rows = {
        name: st.lists(st.floats(*LIMITS[name]) | st.just(np.nan), min_size=at.size, max_size=at.size)
        for name in INSTANTS
    }
    return at, {name: column(*values) for name, values in draw(st.fixed_dictionaries(rows)).items()}


@given(forecasts())
def test_nothing_between_leaves_the_range_of_its_ends(drawn: tuple[np.ndarray, dict[str, np.ndarray]]) -> None:
    at, points = drawn
    hours, values = hours_between(START + at * np.timedelta64(3600, "s"), points)
    for name in INSTANTS:
        assert np.array_equal(values[name][at], points[name], equal_nan=True)
        low, high = LIMITS[name]
        assert (((values[name] >= low) & (values[name] <= high)) | np.isnan(values[name])).all(), name
    between = np.setdiff1d(np.arange(hours.size), at)
    after = np.searchsorted(at, between)
    for name in ("air_temp_c", "dew_point_c", "cloud_pct"):
        ends = np.array([points[name][after - 1], points[name][after]])
        inside = (values[name][between] >= ends.min(0)) & (values[name][between] <= ends.max(0))
        assert (inside == np.isfinite(ends).all(0)).all()
