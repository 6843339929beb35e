from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.lake.profile import DepthProfile
from bitewatch.water.layers import SPREAD_M, layers, likely_range_m, measured_thermocline_m, midsummer_thermocline_m
from bitewatch.water.waves import fetch_from_area_m


def one_lake(days, **changed):
    known = {"area_km2": 1.0, "secchi_m": 2.0, "max_depth_m": 20.0, "latitude": 45.0} | changed
    return layers(np.asarray(days, float), **known)


#: worked out by hand from exp(-0.411) MEL^0.271 SD^0.275, MEL = 2000 sqrt(A / pi) [own fit, check values beside it]
@pytest.mark.parametrize(("area_km2", "secchi_m", "depth_m"), [(0.64, 6.75, 7.088), (1.0, 2.0, 5.389)])
def test_midsummer(area_km2, secchi_m, depth_m):
    assert float(midsummer_thermocline_m(area_km2, secchi_m)) == pytest.approx(depth_m, abs=5e-4)


def test_lakes_are_worked_out_together():
    together = midsummer_thermocline_m([0.64, 1.0], [6.75, 2.0])
    assert together.tolist() == [float(midsummer_thermocline_m(*one)) for one in ((0.64, 6.75), (1.0, 2.0))]


#: Hanna 1990, Can. J. Fish. Aquat. Sci. 47 (from memory): thermocline = 10 ** (0.336 log10 MEL - 0.245), whatever the
#: clarity; on the lakes of the fit it is 0.78 m off on the mean, the fit itself 0.56 m
@pytest.mark.parametrize("area_km2", [0.05, 0.3, 1.0, 5.0, 20.0])
def test_agrees_with_a_published_formula_of_the_longest_run(area_km2):
    hanna = 10 ** (0.336 * np.log10(fetch_from_area_m(area_km2)) - 0.245)
    assert float(midsummer_thermocline_m(area_km2, 3.0)) == pytest.approx(float(hanna), rel=0.25)


#: the season's check values beside the fit: 1 km2, Secchi 2 m, 20 m deep [own]
@pytest.mark.parametrize(
    ("day", "mixed_m", "thermocline_m"),
    [(120, 3.233, 4.149), (202.5, 3.772, 5.119), (250, 5.667, 6.700), (300, 7.221, 8.083)],
)
def test_season(day, mixed_m, thermocline_m):
    found = one_lake([day])
    assert (found.mixed_m[0], found.thermocline_m[0]) == pytest.approx((mixed_m, thermocline_m), abs=1e-3)
    assert (found.layered, found.doubt) == (True, "")


def test_before_and_after_the_season_it_stays_as_at_its_ends():
    found = one_lake([1, 100, 127.5, 277.5, 366])
    assert found.thermocline_m[0] == found.thermocline_m[1] == found.thermocline_m[2]
    assert found.thermocline_m[3] == found.thermocline_m[4]


def test_south_of_the_equator_the_season_is_half_a_year_later():
    north, south = one_lake([196.0]), one_lake([13.5], latitude=-45.0)
    assert south.thermocline_m == pytest.approx(north.thermocline_m)
    assert one_lake([196.0], latitude=-45.0).mixed_m[0] != pytest.approx(north.mixed_m[0])
    assert np.isfinite(one_lake(np.arange(1, 367), latitude=-45.0).thermocline_m).all()


@pytest.mark.parametrize(
    ("latitude", "is_said"), [(46.0, False), (0.0, True), (30.0, True), (60.0, True), (-46.0, True)]
)
def test_outside_the_latitudes_of_the_fit_it_is_said(latitude, is_said):
    found = one_lake([200.0], latitude=latitude)
    assert np.isfinite(found.thermocline_m).all()
    assert ("43 and 49 degrees north" in found.doubt) is is_said


@pytest.mark.parametrize("max_depth_m", [0.3, 3.0, 6.4])
def test_too_shallow_to_layer(max_depth_m):
    """1.2 times 5.389 m is 6.467 m."""
    found = one_lake([120.0, 200.0], max_depth_m=max_depth_m)
    assert found.layered is False
    assert found.mixed_m.tolist() == [max_depth_m, max_depth_m]
    assert np.isnan(found.thermocline_m).all()
    assert found.doubt == "too shallow to layer"


def test_just_deep_enough_it_layers_and_no_layer_lies_under_the_bottom():
    found = one_lake([200.0, 277.5], max_depth_m=6.5)
    assert found.layered is True
    assert found.thermocline_m[0] < 6.5
    assert (found.mixed_m[1], found.thermocline_m[1]) == (6.5, 6.5)


def test_without_a_greatest_depth_it_is_not_known_whether_it_layers():
    found = one_lake([202.5], max_depth_m=None)
    assert found.layered is None
    assert found.thermocline_m[0] == pytest.approx(5.119, abs=1e-3)
    assert "greatest depth not entered" in found.doubt


@given(
    area=st.floats(1e-4, 1e5), secchi=st.floats(0.01, 45), deepest=st.none() | st.floats(0.1, 1700),
    latitude=st.floats(-90, 90), day=st.floats(1, 366),
)  # fmt: skip
def test_mixed_over_thermocline_over_bottom_whatever_the_lake(area, secchi, deepest, latitude, day):
    found = one_lake([day], area_km2=area, secchi_m=secchi, max_depth_m=deepest, latitude=latitude)
    assert 0 < found.mixed_m[0] <= (deepest or np.inf)
    if found.layered is False:
        assert np.isnan(found.thermocline_m[0])
    else:
        assert found.mixed_m[0] <= found.thermocline_m[0] <= (deepest or np.inf)


def test_the_range_of_one_day_lies_in_the_lake():
    low, high = likely_range_m([0.5, 5.0, 9.5, np.nan], 10.0)
    assert low[:3].tolist() == pytest.approx([0.0, 5.0 - SPREAD_M, 9.5 - SPREAD_M])
    assert high[:3].tolist() == pytest.approx([0.5 + SPREAD_M, 5.0 + SPREAD_M, 10.0])
    assert np.isnan([low[3], high[3]]).all()
    assert float(likely_range_m(5.0, None)[1]) == pytest.approx(6.35)


def probe(depth_m, water_temp_c=(), oxygen_mgl=()):
    return DepthProfile(on=date(2026, 7, 15), depth_m=depth_m, water_temp_c=water_temp_c, oxygen_mgl=oxygen_mgl)


def test_a_probe_shows_the_thermocline_where_the_water_cools_fastest():
    temp = (25.0, 24.9, 24.6, 23.9, 20.5, 15.8, 13.1, 11.9)
    assert measured_thermocline_m(probe(tuple(range(8)), temp)) == 4.5  # 4.7 degrees from 4 to 5 m


def test_the_middle_of_a_smooth_thermocline_is_found():
    """Half way down a tanh, where its slope is greatest, is where the thermocline was put."""
    depth = np.arange(0.0, 12.25, 0.25)
    temp = 16.0 - 8.0 * np.tanh((depth - 6.125) / 1.5)
    assert measured_thermocline_m(probe(tuple(depth), tuple(temp))) == pytest.approx(6.125)


def test_steps_of_any_length_count_by_the_metre():
    assert measured_thermocline_m(probe((0.0, 4.0, 4.5, 10.0), (24.0, 20.0, 18.0, 12.0))) == 4.25


@pytest.mark.parametrize(("fall_c", "found"), [(0.99, None), (1.0, 4.5)])
def test_a_degree_a_metre_is_the_least(fall_c, found):
    temp = (20.0, 20.0, 20.0, 20.0, 20.0, 20.0 - fall_c)
    assert measured_thermocline_m(probe(tuple(range(6)), temp)) == found


def test_a_probe_of_oxygen_alone_or_under_ice_shows_none():
    assert measured_thermocline_m(probe((0.0, 5.0), oxygen_mgl=(9.0, 2.0))) is None
    assert measured_thermocline_m(probe((0.0, 1.0, 5.0), (0.2, 2.0, 4.0))) is None
