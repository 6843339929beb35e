"""Radiation over a day: what reaches the top of the air, how cloudy it was, and what the sky sends down as heat."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

SOLAR_CONSTANT_WM2 = 1367.0  #: as in FAO-56 [1]_
STEFAN_BOLTZMANN = 5.67e-8  #: [W/m2/K4]
KELVIN = 273.15


def extraterrestrial_wm2(latitude: ArrayLike, day_of_year: ArrayLike) -> NDArray[np.float64]:
    """Daily mean of the radiation on level ground if there were no air.

    Parameters
    ----------
    latitude : array_like
        Degrees north.
    day_of_year : array_like
        1 to 366; broadcast against the latitude.

    Returns
    -------
    ndarray
        0 in polar night. [W/m2]

    References
    ----------
    .. [1] R. G. Allen et al., "Crop Evapotranspiration," FAO Irrigation and Drainage Paper 56, 1998, eq. 21-25
       (cited).

    Examples
    --------
    >>> round(float(extraterrestrial_wm2(45.0, 172)), 2)
    485.19
    """
    phi, day = np.radians(np.asarray(latitude, float)), np.asarray(day_of_year, float)
    declination = 0.409 * np.sin(2.0 * np.pi * day / 365.0 - 1.39)
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(declination), -1.0, 1.0))
    nearness = 1.0 + 0.033 * np.cos(2.0 * np.pi * day / 365.0)
    shape = sunset * np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.sin(sunset)
    return np.asarray(np.maximum(SOLAR_CONSTANT_WM2 / np.pi * nearness * shape, 0.0))


def cloud_share(shortwave_wm2: ArrayLike, extraterrestrial: ArrayLike) -> NDArray[np.float64]:
    """How cloudy a day was, from what of its sunshine came through.

    Parameters
    ----------
    shortwave_wm2, extraterrestrial : array_like
        Daily means at the ground and above the air. [W/m2]

    Returns
    -------
    ndarray
        0 (clear) to 1; 1 where there was no sun to tell it by.

    Notes
    -----
    The form is part of the fitted lake model [own].

    Examples
    --------
    >>> round(float(cloud_share(230.0, 470.016)), 5)
    0.73122
    """
    clear = 0.75 * np.asarray(extraterrestrial, float)
    through = np.asarray(shortwave_wm2, float) / np.maximum(clear, 1e-6)
    return np.where(clear > 0.0, np.sqrt(np.clip((1.0 - through) / 0.65, 0.0, 1.0)), 1.0)


def longwave_in_wm2(air_temp_c: ArrayLike, vapour_hpa: ArrayLike, cloud: ArrayLike) -> NDArray[np.float64]:
    """Heat that the sky radiates down.

    Parameters
    ----------
    air_temp_c, vapour_hpa, cloud : array_like
        Daily means of the air [degC], its vapour pressure [hPa] and the clouds [0 to 1].

    Returns
    -------
    ndarray
        Of the broadcast shape. [W/m2]

    References
    ----------
    .. [1] W. Brutsaert, "On a derivable formula for long-wave radiation from clear skies," Water Resour. Res.,
       vol. 11, 1975, with the clouds of Tennessee Valley Authority Report 14, 1972 (both from memory).

    Examples
    --------
    >>> round(float(longwave_in_wm2(20.0, 15.0, 0.0)), 2)
    339.58
    """
    kelvin = np.asarray(air_temp_c, float) + KELVIN
    clear = 1.24 * (np.asarray(vapour_hpa, float) / kelvin) ** (1.0 / 7.0)
    emissivity = np.minimum(1.05, clear * (1.0 + 0.22 * np.asarray(cloud, float) ** 2.75))
    return np.asarray(emissivity * STEFAN_BOLTZMANN * kelvin**4)
