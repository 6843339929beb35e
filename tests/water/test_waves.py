import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.water.waves import G, fetch_at_m, fetch_from_area_m, wave_height_m, wave_period_s

FT, MPH, MILE = 0.3048, 0.44704, 1609.344

#: significant height in ft over 20 ft of water, by wind in mph and fetch in miles: U.S. Army Corps of Engineers, Shore
#: Protection Manual, 1984, shallow-water equations, tabled apart from this program
SPM = {
    10: {0.5: 0.21, 1: 0.30, 2: 0.42, 5: 0.64},
    15: {0.5: 0.35, 1: 0.49, 2: 0.68, 5: 1.05},
    20: {0.5: 0.50, 1: 0.70, 2: 0.97, 5: 1.47},
    25: {0.5: 0.65, 1: 0.91, 2: 1.27, 5: 1.90},
    30: {0.5: 0.81, 1: 1.14, 2: 1.57, 5: 2.34},
}


#: the same by the Coastal Engineering Manual, 2003 (its formula as cited): another fit to waves, limited by fetch alone
CEM = {
    10: {0.5: 0.19, 1: 0.28, 2: 0.39, 5: 0.61},
    15: {0.5: 0.30, 1: 0.43, 2: 0.60, 5: 0.95},
    20: {0.5: 0.41, 1: 0.58, 2: 0.82, 5: 1.30},
    25: {0.5: 0.53, 1: 0.75, 2: 1.06, 5: 1.67},
    30: {0.5: 0.65, 1: 0.92, 2: 1.30, 5: 2.06},
}


def _wind_of(stress_wind_ms):
    return (stress_wind_ms / 0.71) ** (1 / 1.23)  # the manual's UA = 0.71 U^1.23, turned around


@pytest.mark.parametrize(("mph", "row"), SPM.items())
def test_table(mph, row):
    height_ft = wave_height_m(mph * MPH, np.array(list(row)) * MILE, 20 * FT) / FT
    assert height_ft.round(2).tolist() == list(row.values())


@pytest.mark.parametrize(("mph", "row"), CEM.items())
def test_the_newer_manual_has_them_a_little_lower(mph, row):
    share = wave_height_m(mph * MPH, np.array(list(row)) * MILE, 20 * FT) / FT / list(row.values())
    assert ((share > 1.0) & (share < 1.27)).all()


def test_beside_the_newer_manual_over_5_km():
    """Coastal Engineering Manual (cited): 10 m/s over 5 km of deep water raise 0.355 m."""
    assert 1.0 < float(wave_height_m(10.0, 5000.0, 100.0)) / 0.355 < 1.27


def test_worked_example_of_the_manual():
    """UA 22 m/s over 24.4 km of water 11 m deep: 1.5 m (the example from memory)."""
    assert float(wave_height_m(_wind_of(22.0), 24_400.0, 11.0)) == pytest.approx(1.5, abs=0.02)


def test_stress_wind():
    """UA of 10 m/s is 12.058 m/s: where waves are set by the fetch alone, gH/UA^2 is 0.0016 sqrt(gF/UA^2)."""
    height = float(wave_height_m(10.0, 100.0, 500.0))
    assert height == pytest.approx(1.6e-3 * 12.058 * math.sqrt(100.0 / G), rel=2e-3)


@pytest.mark.parametrize("wind", [3.0, 8.0, 15.0])
def test_in_deep_water_and_over_a_short_fetch_it_is_the_deep_water_equation(wind):
    """Shore Protection Manual, 1984, equation 3-33a: gH/UA^2 = 0.0016 (gF/UA^2)^0.5."""
    stress_wind = 0.71 * wind**1.23
    expected = 1.6e-3 * stress_wind * math.sqrt(100.0 / G)
    assert float(wave_height_m(wind, 100.0, 300.0)) == pytest.approx(expected, rel=0.005)


def test_depth_alone_limits_them_over_an_endless_fetch():
    stress_wind = 0.71 * 15.0**1.23
    limit = stress_wind**2 / G * 0.283 * math.tanh(0.530 * (G * 2.0 / stress_wind**2) ** 0.75)
    assert float(wave_height_m(15.0, 1e9, 2.0)) == pytest.approx(limit, rel=1e-6)


def test_calm_has_no_waves_and_missing_wind_unknown_ones():
    heights = wave_height_m(np.array([0.0, np.nan]), 1000.0, 5.0)
    assert heights[0] == pytest.approx(0.0, abs=1e-6)
    assert np.isnan(heights[1])


@given(
    wind=st.floats(0, 30), fetch=st.floats(50, 50_000), depth=st.floats(0.5, 80), more=st.floats(1.01, 3)
)  # fmt: skip
def test_more_wind_fetch_or_depth_never_lowers_them(wind, fetch, depth, more):
    here = float(wave_height_m(wind, fetch, depth))
    assert 0 <= here < 0.78 * depth  # a higher wave breaks, McCowan 1894
    slack = 1e-9
    assert float(wave_height_m(wind * more, fetch, depth)) >= here - slack
    assert float(wave_height_m(wind, fetch * more, depth)) >= here - slack
    assert float(wave_height_m(wind, fetch, depth * more)) >= here - slack
    period = float(wave_period_s(wind, fetch, depth))
    assert float(wave_period_s(wind * more, fetch, depth)) >= period - slack
    assert float(wave_period_s(wind, fetch * more, depth)) >= period - slack
    assert float(wave_period_s(wind, fetch, depth * more)) >= period - slack


def test_fetch_is_the_diameter_of_a_round_lake():
    assert float(fetch_from_area_m(math.pi / 4)) == pytest.approx(1000.0)
    assert fetch_from_area_m([1.0, 4.0])[1] == pytest.approx(2 * fetch_from_area_m(1.0))


def test_period_of_the_worked_example():
    """Shore Protection Manual 1984 (from memory): UA 22 m/s over 24.4 km of water 11 m deep, 4.4 s."""
    assert float(wave_period_s(_wind_of(22.0), 24_400.0, 11.0)) == pytest.approx(4.411, abs=0.01)


@pytest.mark.parametrize("wind", [3.0, 8.0, 15.0])
def test_period_in_deep_water_over_a_short_fetch(wind):
    """Same manual, deep water: gT/UA = 0.2857 (gF/UA^2)^(1/3)."""
    stress_wind = 0.71 * wind**1.23
    expected = 0.2857 * stress_wind / G * (G * 100.0 / stress_wind**2) ** (1 / 3)
    assert float(wave_period_s(wind, 100.0, 300.0)) == pytest.approx(expected, rel=0.02)


def test_calm_has_a_period_and_missing_wind_none():
    periods = wave_period_s(np.array([0.0, np.nan]), 1000.0, 5.0)
    assert np.isfinite(periods[0])
    assert np.isnan(periods[1])


def test_fetch_between_bearings_and_around_north():
    table = np.array([100.0, 200.0, 300.0, 400.0])
    np.testing.assert_allclose(fetch_at_m(table, [0.0, 45.0, 180.0, 315.0, 360.0]), [100, 150, 300, 250, 100])
    assert fetch_at_m(np.stack([table, table + 1]), [10.0, 20.0]).shape == (2, 2)


def test_without_a_direction_the_longest_run_stands_in():
    table = np.array([[100.0, 200.0], [5.0, 3.0]])
    np.testing.assert_allclose(fetch_at_m(table, [np.nan])[:, 0], [200.0, 5.0])


@given(st.lists(st.floats(1, 1e5), min_size=4, max_size=72), st.floats(0, 360))
def test_fetch_lies_between_its_neighbours(table, wind):
    found = float(fetch_at_m(np.array(table), np.array([wind]))[0])
    assert min(table) - 1e-6 <= found <= max(table) + 1e-6
