"""Waves that the wind raises over a lake, limited by the open water before it and by its depth."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

G = 9.81  #: [m/s2]


def fetch_from_area_m(area_km2: ArrayLike) -> NDArray[np.float64]:
    """The longest straight run of a round lake of this area: its diameter.

    Parameters
    ----------
    area_km2 : array_like
        Lake area. [km2]

    Returns
    -------
    ndarray
        Fetch, of the same shape. [m]

    Examples
    --------
    >>> round(float(fetch_from_area_m(1.0)))
    1128
    """
    return np.asarray(2000.0 * np.sqrt(np.asarray(area_km2, float) / np.pi))


def wave_height_m(wind_speed_ms: ArrayLike, fetch_m: ArrayLike, depth_m: ArrayLike) -> NDArray[np.float64]:
    """Significant wave height after enough hours of steady wind.

    Parameters
    ----------
    wind_speed_ms : array_like
        Hourly wind at 10 m. [m/s]
    fetch_m, depth_m : array_like
        Open water to windward, and mean depth along it; broadcast against the wind. [m]

    Returns
    -------
    ndarray
        Mean of the highest third of the waves; the largest of a thousand is nearly twice that. [m]

    Notes
    -----
    Wind over land, as stations measure it, is often stronger on the water; gusts are what turns boats over.

    References
    ----------
    .. [1] U.S. Army Corps of Engineers, Shore Protection Manual, 4th ed., 1984, shallow-water forecasting curves
       (cited from a Corps routine of 1989).

    Examples
    --------
    >>> round(float(wave_height_m(15 * 0.44704, 1609.344, 20 * 0.3048) / 0.3048), 2)  # 15 mph, 1 mile, 20 ft: in ft
    0.49
    """
    wind = np.asarray(wind_speed_ms, float)
    stress_wind = np.maximum(0.71 * wind**1.23, 1e-6)  # UA of the manual; calm has no waves and must not divide by 0
    x = G * np.asarray(fetch_m, float) / stress_wind**2
    a = np.tanh(0.530 * (G * np.asarray(depth_m, float) / stress_wind**2) ** 0.75)
    return np.asarray(stress_wind**2 / G * 0.283 * a * np.tanh(0.00565 * np.sqrt(x) / a))
