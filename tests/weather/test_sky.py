"""Sunshine where none is given, and the light of twilight."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib.clearsky import haurwitz

from bitewatch.weather.sky import clear_sky_wm2, cloud_transmission, sky_shortwave_wm2, twilight_lux


@pytest.mark.parametrize(("elevation", "wm2"), [(30.0, 487.9), (90.0, 1035.1), (0.0, 0.0), (-5.0, 0.0)])
def test_clear_sky(elevation, wm2):
    """Haurwitz 1945 (cited), worked out by hand."""
    assert float(clear_sky_wm2(elevation)) == pytest.approx(wm2, abs=0.05)


def test_clear_sky_is_that_of_pvlib():
    elevation = np.linspace(-20.0, 90.0, 111)
    theirs = haurwitz(pd.Series(90.0 - elevation))["ghi"].to_numpy()
    np.testing.assert_allclose(clear_sky_wm2(elevation), theirs, atol=0.01)


@pytest.mark.parametrize(("cloud", "share"), [(0, 1.0), (50, 0.929), (100, 0.25)])
def test_clouds(cloud, share):
    """Kasten and Czeplak 1980 (from memory)."""
    assert float(cloud_transmission(cloud)) == pytest.approx(share, abs=5e-4)


#: Janiczek and DeYoung 1987, USNO Circular 171 (cited): at the zenith, the horizon, sunset, civil and nautical dusk
@pytest.mark.parametrize(
    ("elevation", "lux"),
    [(90.0, 128825.0), (0.0, 758.6), (-0.833, 453.5), (-6.0, 3.41), (-12.0, 0.0081), (-18.5, 0.002), (-90.0, 0.002)],
)
def test_twilight(elevation, lux):
    assert float(twilight_lux(elevation)) == pytest.approx(lux, rel=6e-3)


@given(st.floats(-17.9, 90.0), st.floats(0.01, 5.0))
def test_a_higher_sun_is_never_darker(elevation, more):
    # the published polynomials meet to within a few hundredths of a logarithm at the ends of their bands
    lower, higher = float(twilight_lux(elevation)), float(twilight_lux(min(90.0, elevation + more)))
    assert higher >= 0.9 * lower


@given(st.floats(-90, 90), st.floats(0, 100))
def test_clouds_never_brighten_the_sky(elevation, cloud):
    clear = float(clear_sky_wm2(elevation))
    assert 0.25 * clear - 1e-9 <= float(sky_shortwave_wm2(elevation, cloud)) <= clear + 1e-9


def test_what_is_not_known_stays_so_and_shapes_broadcast():
    found = sky_shortwave_wm2([[10.0], [np.nan]], [0.0, np.nan])
    assert np.isnan(found).tolist() == [[False, True], [True, True]]
    assert np.isnan(twilight_lux([np.nan, 5.0])).tolist() == [True, False]
