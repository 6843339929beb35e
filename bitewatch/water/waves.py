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
    stress_wind, x, y = _scaled(wind_speed_ms, fetch_m, depth_m)
    a = np.tanh(0.530 * y**0.75)
    return np.asarray(stress_wind**2 / G * 0.283 * a * np.tanh(0.00565 * np.sqrt(x) / a))


def wave_period_s(wind_speed_ms: ArrayLike, fetch_m: ArrayLike, depth_m: ArrayLike) -> NDArray[np.float64]:
    """Period of the significant waves after enough hours of steady wind: short ones are steep and wet.

    Parameters
    ----------
    wind_speed_ms : array_like
        Hourly wind at 10 m. [m/s]
    fetch_m, depth_m : array_like
        Open water to windward, and mean depth along it; broadcast against the wind. [m]

    Returns
    -------
    ndarray
        Time from crest to crest, of the broadcast shape. [s]

    References
    ----------
    .. [1] U.S. Army Corps of Engineers, Shore Protection Manual, 4th ed., 1984, shallow-water forecasting curves
       (cited from a Corps routine of 1989).

    Examples
    --------
    >>> round(float(wave_period_s(16.31, 24_400.0, 11.0)), 1)  # stress wind 22 m/s
    4.4
    """
    stress_wind, x, y = _scaled(wind_speed_ms, fetch_m, depth_m)
    b = np.tanh(0.833 * y**0.375)
    return np.asarray(stress_wind / G * 7.54 * b * np.tanh(0.0379 * np.cbrt(x) / b))


def fetch_at_m(table_m: ArrayLike, wind_from_deg: ArrayLike) -> NDArray[np.float64]:
    """Open water to windward, hour by hour.

    Parameters
    ----------
    table_m : array_like, shape (..., B)
        Distance over water to the shore, by bearings evenly spaced from north, clockwise. [m]
    wind_from_deg : array_like, shape (T,)
        Where the wind comes from; where that is not known the longest run stands in. [deg]

    Returns
    -------
    ndarray, shape (..., T)
        Between two bearings taken straight from one to the other. [m]

    Examples
    --------
    >>> fetch_at_m([100.0, 200.0, 300.0, 400.0], [45.0, 315.0, float("nan")]).tolist()
    [150.0, 250.0, 400.0]
    """
    table, wind = np.asarray(table_m, float), np.asarray(wind_from_deg, float)
    steps = table.shape[-1]
    known = np.isfinite(wind)
    place = np.where(known, wind, 0.0) % 360.0 / 360.0 * steps
    low = np.floor(place).astype(int) % steps
    share = place - np.floor(place)
    between = table[..., low] * (1.0 - share) + table[..., (low + 1) % steps] * share
    along: NDArray[np.float64] = np.where(known, between, table.max(axis=-1, keepdims=True))
    return along


def _scaled(
    wind_speed_ms: ArrayLike, fetch_m: ArrayLike, depth_m: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """The manual's stress wind [m/s], and fetch and depth over it, without unit."""
    # calm has no waves and must not divide by 0
    stress_wind = np.maximum(0.71 * np.asarray(wind_speed_ms, float) ** 1.23, 1e-6)
    over = G / stress_wind**2
    return stress_wind, over * np.asarray(fetch_m, float), over * np.asarray(depth_m, float)
