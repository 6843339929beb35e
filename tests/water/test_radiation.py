"""Radiation of a day against FAO-56's worked example, a library's sun, and limits."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib.irradiance import get_extra_radiation
from pvlib.solarposition import get_solarposition

from bitewatch.water.radiation import STEFAN_BOLTZMANN, cloud_share, extraterrestrial_wm2, longwave_in_wm2

MJ_A_DAY = 1e6 / 86400.0  #: [W/m2]


def test_the_worked_example_of_fao_56():
    # R. G. Allen et al., FAO Irrigation and Drainage Paper 56, 1998, example 8: 3 September at 20 degrees south
    assert float(extraterrestrial_wm2(-20.0, 246)) == pytest.approx(32.2 * MJ_A_DAY, abs=0.05 * MJ_A_DAY)


@pytest.mark.parametrize(("day_of_year", "wm2"), [(172, 485.19), (355, 120.87), (196, 470.016)])
def test_at_45_north(day_of_year, wm2):
    # worked out by hand from the same paper's equations 21-25 with 1367 W/m2
    assert float(extraterrestrial_wm2(45.0, day_of_year)) == pytest.approx(wm2, abs=0.006)


@pytest.mark.parametrize("latitude", [-35.0, 0.0, 45.0, 60.0])
@pytest.mark.parametrize("month", range(1, 13))
def test_agrees_with_the_sun_of_pvlib(latitude, month):
    minutes = pd.date_range(f"2026-{month:02d}-15", periods=144, freq="10min", tz="UTC")
    of_year = minutes[0].day_of_year
    height = np.sin(np.radians(get_solarposition(minutes, latitude, 0.0)["elevation"].to_numpy()))
    theirs = float((get_extra_radiation(of_year, epoch_year=2026) * np.maximum(height, 0.0)).mean())
    # the paper's declination is a plain sine, right at the solstices and by a degree off between them
    off = 1.6 if month in (12, 1, 5, 6, 7) else 9.5
    assert float(extraterrestrial_wm2(latitude, of_year)) == pytest.approx(theirs, abs=off)


def test_on_the_equator_when_the_sun_is_over_it():
    # a day's mean of a sun that passes the zenith is 1 / pi of its noon
    assert float(extraterrestrial_wm2(0.0, 81)) == pytest.approx(1367.0 / np.pi, rel=0.01)


def test_the_polar_night_is_dark_and_the_polar_day_is_brighter_than_the_tropics():
    assert float(extraterrestrial_wm2(80.0, 355)) == 0.0
    assert float(extraterrestrial_wm2(-80.0, 172)) == 0.0
    assert float(extraterrestrial_wm2(80.0, 172)) > float(extraterrestrial_wm2(10.0, 172))


@given(st.floats(-90, 90), st.integers(1, 366))
def test_never_below_nothing_nor_above_a_sun_that_stands_still(latitude, day_of_year):
    assert 0.0 <= float(extraterrestrial_wm2(latitude, day_of_year)) < 0.42 * 1367.0


def test_lakes_and_days_are_worked_out_together():
    together = extraterrestrial_wm2([[30.0], [45.0]], [100, 200, 300])
    assert together.shape == (2, 3)
    assert together[1, 2] == extraterrestrial_wm2(45.0, 300)


def test_clouds_of_a_day():
    assert float(cloud_share(230.0, 470.016)) == pytest.approx(0.73122, abs=1e-5)  # [own form, check value beside it]
    assert cloud_share([0.75 * 400, 400.0, 0.10 * 400], 400.0).tolist() == [0.0, 0.0, 1.0]


def test_without_a_sun_the_sky_counts_as_covered():
    assert cloud_share([0.0, 3.0], 0.0).tolist() == [1.0, 1.0]


@pytest.mark.parametrize(("cloud", "wm2"), [(0.0, 339.58), (1.0, 414.28), (0.73122, 371.16)])
def test_heat_of_the_sky(cloud, wm2):
    # Brutsaert 1975 with the clouds of TVA 1972 (both from memory), worked out by hand
    assert float(longwave_in_wm2(20.0, 15.0, cloud)) == pytest.approx(wm2, abs=0.006)


def test_no_sky_gives_much_more_than_a_black_one():
    # 1.24 (42 / 303.15) ** (1 / 7) 1.22 would be 1.14
    black = STEFAN_BOLTZMANN * 303.15**4
    assert float(longwave_in_wm2(30.0, 42.0, 1.0)) == pytest.approx(1.05 * black, rel=1e-12)


@given(st.floats(-50, 45), st.floats(0.01, 40), st.floats(0, 1))
def test_clouds_and_vapour_warm_and_no_sky_is_much_more_than_black(air, vapour, cloud):
    black = STEFAN_BOLTZMANN * (air + 273.15) ** 4
    told = float(longwave_in_wm2(air, vapour, cloud))
    assert 0.0 < told <= 1.05 * black * (1 + 1e-12)
    assert float(longwave_in_wm2(air, vapour, 1.0)) >= told
    assert float(longwave_in_wm2(air, vapour + 5.0, cloud)) >= told
