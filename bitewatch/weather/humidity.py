"""Moisture of the air over liquid water: dew point, relative humidity, vapour pressure.

Names and units follow the table in DEVELOPERS.md.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

MAGNUS_SLOPE = 17.625  #: of the AERK form [1]_ [1]
MAGNUS_SHIFT_C = 243.04  #: of the AERK form [1]_ [degC]


def dew_point_c(air_temp_c: ArrayLike, humidity_pct: ArrayLike) -> NDArray[np.float64]:
    """Dew point of air of a temperature and relative humidity.

    Parameters
    ----------
    air_temp_c : array_like
        Air temperature. [degC]
    humidity_pct : array_like
        Relative humidity over water, above 0; broadcast against ``air_temp_c``. [%]

    Returns
    -------
    ndarray
        Dew point, of the broadcast shape; NaN where either input is, or where the humidity is not above 0. [degC]

    References
    ----------
    .. [1] O. A. Alduchov and R. E. Eskridge, "Improved Magnus form approximation of saturation vapor pressure,"
       J. Appl. Meteor., vol. 35, pp. 601-609, 1996 (the AERK constants).

    Examples
    --------
    >>> round(float(dew_point_c(20.0, 50.0)), 1)
    9.3
    """
    temp, humidity = np.asarray(air_temp_c, float), np.asarray(humidity_pct, float)
    moist = np.where(humidity > 0.0, humidity, np.nan)
    exponent = np.log(moist / 100.0) + MAGNUS_SLOPE * temp / (MAGNUS_SHIFT_C + temp)
    return MAGNUS_SHIFT_C * exponent / (MAGNUS_SLOPE - exponent)


def humidity_pct(air_temp_c: ArrayLike, dew_point_c: ArrayLike) -> NDArray[np.float64]:
    """Relative humidity over water of air of a temperature and dew point.

    Parameters
    ----------
    air_temp_c : array_like
        Air temperature. [degC]
    dew_point_c : array_like
        Dew point; broadcast against ``air_temp_c``. [degC]

    Returns
    -------
    ndarray
        Relative humidity, of the broadcast shape; above 100 where the dew point is above the temperature. [%]

    References
    ----------
    .. [1] O. A. Alduchov and R. E. Eskridge, "Improved Magnus form approximation of saturation vapor pressure,"
       J. Appl. Meteor., vol. 35, pp. 601-609, 1996 (the AERK constants).

    Examples
    --------
    >>> round(float(humidity_pct(20.0, 20.0)), 1)
    100.0
    """
    temp, dew = np.asarray(air_temp_c, float), np.asarray(dew_point_c, float)
    share = np.exp(MAGNUS_SLOPE * dew / (MAGNUS_SHIFT_C + dew) - MAGNUS_SLOPE * temp / (MAGNUS_SHIFT_C + temp))
    return np.asarray(100.0 * share)


def saturation_vapour_hpa(temp_c: ArrayLike) -> NDArray[np.float64]:
    """Pressure of water vapour in saturated air; of the dew point it is the vapour pressure of the air.

    The lake model was fitted with these constants, which differ from those above by less than 0.1 %.

    Parameters
    ----------
    temp_c : array_like
        Temperature. [degC]

    Returns
    -------
    ndarray
        Vapour pressure, of the same shape; NaN where the temperature is. [hPa]

    References
    ----------
    .. [1] WMO-No. 8, "Guide to Instruments and Methods of Observation," annex 4.B (the Magnus form, cited).

    Examples
    --------
    >>> round(float(saturation_vapour_hpa(20.0)), 3)
    23.326
    """
    temp = np.asarray(temp_c, float)
    return np.asarray(6.112 * np.exp(17.62 * temp / (243.12 + temp)))
