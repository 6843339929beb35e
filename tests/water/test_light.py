import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.water.light import light_at_tops


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
