"""Dew point and humidity against MetPy (BSD-3), whose formulas are others.

For the dew point MetPy inverts D. Bolton, "The computation of equivalent potential temperature," Mon. Wea. Rev., vol.
108, 1980, eq. 10 (6.112 hPa, 17.67, 243.5 degC); for saturation it has, as of 1.7, M. H. P. Ambaum, Q. J. R. Meteorol.
Soc., vol. 146, 2020, eq. 13. Ours are the constants of Alduchov and Eskridge, 1996. From -30 to 40 degC and 10 to 100 %
that makes 0.10 K at most (at 40 degC and saturation, where MetPy does not come back to 40 degC itself), 0.06 K up to
30 degC: finer than a report is printed.
"""

import warnings

import numpy as np

from bitewatch.weather.humidity import dew_point_c, humidity_pct

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # of what it imports; ours stay errors
    from metpy.calc import dewpoint_from_relative_humidity, relative_humidity_from_dewpoint
    from metpy.units import units

TEMP, HUMIDITY = np.meshgrid(np.arange(-30.0, 41.0, 2.5), np.arange(10.0, 101.0, 5.0))


def test_dew_point_is_that_of_metpy_within_the_difference_of_the_constants() -> None:
    theirs = dewpoint_from_relative_humidity(units.Quantity(TEMP, "degC"), units.Quantity(HUMIDITY, "percent"))
    apart = np.abs(dew_point_c(TEMP, HUMIDITY) - theirs.m_as("degC"))
    assert apart.max() < 0.11
    assert apart[TEMP <= 30.0].max() < 0.06


def test_humidity_is_that_of_metpy_within_the_difference_of_the_constants() -> None:
    dew = TEMP - 30.0 * (1.0 - HUMIDITY / 100.0)
    theirs = relative_humidity_from_dewpoint(units.Quantity(TEMP, "degC"), units.Quantity(dew, "degC")).m_as("percent")
    assert np.abs(humidity_pct(TEMP, dew) - theirs).max() < 0.2
