"""Dew point and humidity against saturation pressures and a library that do not use these constants."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib.atmosphere import rh_from_tdew, tdew_from_rh

from bitewatch.weather.humidity import dew_point_c, humidity_pct, saturation_vapour_hpa

# saturation pressure of water, kPa: steam tables after W. Wagner and A. Pruss (IAPWS-95), J. Phys. Chem. Ref. Data 31,
# 2002; from memory
SATURATION_KPA = {5.0: 0.8726, 10.0: 1.2282, 15.0: 1.7058, 20.0: 2.3393, 25.0: 3.1699, 30.0: 4.2470}


@pytest.mark.parametrize("dew", [5.0, 10.0, 15.0, 20.0])
@pytest.mark.parametrize("temp", [20.0, 25.0, 30.0])
def test_humidity_is_the_ratio_of_saturation_pressures(temp: float, dew: float) -> None:
    printed = 100.0 * SATURATION_KPA[dew] / SATURATION_KPA[temp]
    assert humidity_pct(temp, dew) == pytest.approx(printed, abs=0.2)
    assert dew_point_c(temp, printed) == pytest.approx(dew, abs=0.05)


def test_both_agree_with_pvlib_on_other_constants() -> None:
    temp, humidity = np.meshgrid(np.arange(-30.0, 41.0, 5.0), np.arange(10.0, 101.0, 10.0))  # WMO-No. 8 constants there
    dew = tdew_from_rh(temp, humidity)
    assert np.abs(dew_point_c(temp, humidity) - dew).max() < 0.1
    assert np.abs(humidity_pct(temp, dew) - rh_from_tdew(temp, dew)).max() < 0.5


@given(st.floats(-40, 45), st.floats(1, 100))
def test_each_is_the_inverse_of_the_other(temp: float, humidity: float) -> None:
    assert humidity_pct(temp, dew_point_c(temp, humidity)) == pytest.approx(humidity, rel=1e-9)


def test_saturated_air_is_at_its_dew_point_and_dry_air_has_none() -> None:
    assert dew_point_c(12.5, 100.0) == pytest.approx(12.5)
    assert np.isnan(dew_point_c(12.5, [0.0, -1.0, np.nan])).all()


@pytest.mark.parametrize(("temp", "hpa"), [(0.0, 6.112), (10.0, 12.2603), (20.0, 23.3260), (30.0, 42.3372)])
def test_saturation_pressure_worked_out_by_hand(temp: float, hpa: float) -> None:
    # Magnus form of WMO-No. 8, annex 4.B (cited): 6.112 exp(17.62 T / (243.12 + T))
    assert float(saturation_vapour_hpa(temp)) == pytest.approx(hpa, abs=5e-5)


def test_saturation_pressure_is_that_of_the_steam_tables() -> None:
    told = saturation_vapour_hpa(list(SATURATION_KPA))
    np.testing.assert_allclose(told, 10.0 * np.array(list(SATURATION_KPA.values())), rtol=0.004)
    assert np.isnan(saturation_vapour_hpa(np.nan))
