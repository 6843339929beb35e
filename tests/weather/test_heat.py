import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.weather.heat import heat_index_f

#: entries of the heat index chart of the U.S. National Weather Service, whole degF
CHART = [(90, 70, 106), (100, 55, 124), (88, 60, 95), (86, 90, 105), (96, 65, 121)]


@pytest.mark.parametrize(("temp_f", "humidity", "felt_f"), CHART)
def test_chart(temp_f, humidity, felt_f):
    assert float(heat_index_f(temp_f, humidity)) == pytest.approx(felt_f, abs=0.6)


#: worked out by hand from Rothfusz 1990 (NWS SR 90-23) with the averaging step of the Weather Prediction Center's page
@pytest.mark.parametrize(("temp_f", "humidity", "felt_f"), [(90, 90, 121.9012), (75, 68.5, 75.21), (80, 40, 79.79)])
def test_by_hand(temp_f, humidity, felt_f):
    assert float(heat_index_f(temp_f, humidity)) == pytest.approx(felt_f, abs=0.006)


def test_both_adjustments():
    """WPC page: dry air subtracts ((13 - RH)/4) sqrt((17 - |T - 95|)/17), damp air adds ((RH - 85)/10)((87 - T)/5)."""
    assert float(heat_index_f(95, 13) - heat_index_f(95, 12.99999)) == pytest.approx(0.0, abs=1e-3)
    just_outside = heat_index_f(112.0001, 5)
    assert float(heat_index_f(112, 5)) == pytest.approx(float(just_outside), abs=0.01)  # the dry one is 0 there
    damp = heat_index_f(82, 95) - heat_index_f(82, 85)
    plain = heat_index_f(82, 85) - heat_index_f(82, 75)
    assert float(damp) > float(plain) + 0.9  # it adds exactly 1 at 82 degF and 95 %


def test_missing_stays_missing():
    assert np.isnan(heat_index_f([np.nan, 90.0], [50.0, np.nan])).all()


@given(temp_f=st.floats(-40, 79), humidity=st.floats(0, 100))
def test_in_cool_air_it_is_close_to_the_air(temp_f, humidity):
    assert abs(float(heat_index_f(temp_f, humidity)) - temp_f) < 15


@given(temp_f=st.floats(82, 110), humidity=st.floats(40, 84))
def test_damper_feels_hotter(temp_f, humidity):
    assert float(heat_index_f(temp_f, humidity + 1)) > float(heat_index_f(temp_f, humidity))
