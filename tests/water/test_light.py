import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.water.light import attenuation_per_m, light_at_tops, light_in_water_wm2, reflected_share


def test_matches_the_value_given_with_the_rules():
    assert light_at_tops(600.0, 2.5, 1.8) == pytest.approx(1.9094, abs=5e-5)


def test_dark_is_minus_two():
    assert light_at_tops(0.0, 2.5, 1.8) == pytest.approx(-2.0, abs=1e-12)


def test_one_secchi_depth_takes_log10_of_e_to_1_7():
    # Poole & Atkins 1929: 18.3 % of the light is left at the Secchi depth; the logarithm of that is -0.738
    at_surface, at_secchi = light_at_tops(1e6, 2.0, 0.0), light_at_tops(1e6, 2.0, 2.0)
    assert at_secchi - at_surface == pytest.approx(math.log10(0.1827), abs=1e-3)


@given(st.floats(0, 1500), st.floats(0.1, 45), st.floats(0, 20), st.floats(0.01, 5))
def test_deeper_is_never_brighter(shortwave_wm2, secchi_m, depth_m, more_m):
    above, below = (
        light_at_tops(shortwave_wm2, secchi_m, depth_m),
        light_at_tops(shortwave_wm2, secchi_m, depth_m + more_m),
    )
    assert -2.0 - 1e-12 <= below <= above


def test_missing_stays_missing_and_spots_broadcast():
    light = light_at_tops([600.0, np.nan, 0.0], [[2.5], [np.nan]], 1.8)
    assert light.shape == (2, 3)
    assert np.isnan(light).tolist() == [[False, True, False], [True, True, True]]


@pytest.mark.parametrize(("shortwave_wm2", "secchi_m", "depth_m"), [(600, 0, 1.8), (600, 2.5, -0.1), (-1, 2.5, 1.8)])
def test_impossible_water_is_refused(shortwave_wm2, secchi_m, depth_m):
    with pytest.raises(ValueError, match="Secchi depth must be above 0"):
        light_at_tops(shortwave_wm2, secchi_m, depth_m)


@pytest.mark.parametrize(("secchi_m", "per_m"), [(2.0, 0.85), (1.7, 1.0)])
def test_attenuation(secchi_m, per_m):
    """Poole and Atkins 1929 (cited): 1.7 over the Secchi depth."""
    assert float(attenuation_per_m(secchi_m)) == pytest.approx(per_m)


#: Fresnel's equations for an index of 1.333 (textbook): overhead ((n - 1) / (n + 1))^2, and two angles by hand
@pytest.mark.parametrize(("elevation", "share"), [(90.0, 0.0204), (30.0, 0.0597), (10.0, 0.348), (0.0, 1.0)])
def test_reflection(elevation, share):
    assert float(reflected_share(elevation)) == pytest.approx(share, abs=2e-3)


def test_at_the_secchi_depth_18_percent_is_left():
    top, deep = light_in_water_wm2(800.0, 60.0, 0.0, 3.0, 0.0), light_in_water_wm2(800.0, 60.0, 0.0, 3.0, 3.0)
    assert float(deep / top) == pytest.approx(0.183, abs=5e-4)  # Poole and Atkins 1929
    assert float(top) == pytest.approx(0.45 * 800.0 * (1 - 0.0209), rel=2e-3)  # McCree 1972, and a little thrown back


def test_it_lies_a_little_under_the_form_of_the_rules():
    """0.45 and a few percent reflected against 0.46 and none: 0.03 in the logarithm, which no rule can feel."""
    physical = math.log10(float(light_in_water_wm2(600.0, 40.0, 0.0, 2.5, 1.8)))
    assert 0.0 < float(light_at_tops(600.0, 2.5, 1.8)) - physical < 0.04


def test_through_twilight_it_follows_the_sky_whatever_the_hour_s_mean_says():
    dusk = light_in_water_wm2([50.0, 0.0], [-6.0, -6.0], 0.0, 2.0, 0.0)
    assert dusk[0] == dusk[1] > 0
    assert float(light_in_water_wm2(np.nan, -6.0, 0.0, 2.0, 0.0)) == dusk[0]
    assert float(light_in_water_wm2(0.0, -30.0, 0.0, 2.0, 1.0)) < 1e-4


@given(st.floats(5, 90), st.floats(0, 1200), st.floats(0.2, 20), st.floats(0, 15))
def test_it_is_never_more_than_what_falls_in(elevation, sun, secchi, depth):
    assert 0.0 <= float(light_in_water_wm2(sun, elevation, 0.0, secchi, depth)) <= 0.45 * sun


def test_clouds_dim_twilight_as_they_dim_the_day():
    """Kasten and Czeplak 1980 (from memory): a quarter comes through a full cover, nearly all through a third."""
    clear, third, full, unknown = light_in_water_wm2(0.0, -4.0, [0.0, 33.0, 100.0, np.nan], 2.0, 1.0)
    assert full == pytest.approx(0.25 * clear)
    assert 0.95 * clear < third < clear == unknown
    assert light_in_water_wm2(100.0, 20.0, 100.0, 2.0, 1.0) == light_in_water_wm2(100.0, 20.0, 0.0, 2.0, 1.0)


def test_unknown_sunshine_by_day_is_unknown_light():
    assert np.isnan(light_in_water_wm2(np.nan, 40.0, 0.0, 2.0, 1.0))
