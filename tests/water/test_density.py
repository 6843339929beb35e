"""Density of water against printed tables and another equation of state."""

import numpy as np
import pytest

from bitewatch.water.density import water_density

#: EOS-80 at no salinity and one atmosphere: N. P. Fofonoff and R. C. Millard, UNESCO Technical Papers in Marine Science
#: 44, 1983 (the polynomial from memory; it gives the values printed there)
PRINTED = {5.0: 999.96675, 25.0: 997.04796}
EOS_80 = (6.536332e-9, -1.120083e-6, 1.001685e-4, -9.095290e-3, 6.793952e-2, 999.842594)


@pytest.mark.parametrize(("temp_c", "kg_m3"), PRINTED.items())
def test_beside_the_printed_values_of_eos_80(temp_c, kg_m3):
    assert np.polyval(EOS_80, temp_c) == pytest.approx(kg_m3, abs=6e-6)
    # it sets the greatest density to 1000, EOS-80 to 999.975
    assert float(water_density(temp_c)) - kg_m3 == pytest.approx(1000.0 - 999.975, abs=0.003)


def test_differences_are_those_of_eos_80():
    temp = np.linspace(0.0, 35.0, 141)
    apart = water_density(temp) - np.polyval(EOS_80, temp)
    assert np.ptp(apart) < 0.006  # a layer one degree warmer than 20 degC is lighter by 0.2


@pytest.mark.parametrize(
    ("temp_c", "kg_m3"), [(0, 999.8676), (4, 1000.0), (10, 999.7281), (20, 998.2336), (30, 995.6783)]
)
def test_worked_out_by_hand(temp_c, kg_m3):
    # from the equation in J. L. Martin and S. C. McCutcheon 1999 (cited)
    assert float(water_density(temp_c)) == pytest.approx(kg_m3, abs=5e-5)


def test_greatest_near_four_degrees_and_less_on_both_sides():
    temp = np.linspace(0.0, 35.0, 3501)
    density = water_density(temp)
    top = int(density.argmax())
    assert temp[top] == pytest.approx(3.98, abs=0.02)  # of pure water at one atmosphere: 3.98 degC
    assert (np.diff(density[: top + 1]) > 0).all()
    assert (np.diff(density[top:]) < 0).all()
    assert np.isnan(water_density(np.nan))
