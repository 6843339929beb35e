"""Sunshine from the height of the sun and the clouds, where no source gives it, and the light of twilight."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

CLOUD_SHARE, CLOUD_POWER = 0.75, 3.4  #: Kasten and Czeplak 1980, Hamburg, total cloud (from memory)
#: upper end of each band of the sun's altitude [deg], and a, b, c, d of log10 lux = a + b x + c x^2 + d x^3,
#: x = altitude / 90 deg: Janiczek and DeYoung 1987, USNO Circular 171 (as cited in later texts)
TWILIGHT = (
    (-12.0, (13.84, 262.72, 1447.42, 2797.93)),
    (-5.0, (2.70, 12.17, -431.69, -1899.83)),
    (-0.8, (2.88, 21.81, -258.11, -858.36)),
    (5.0, (2.88, 22.26, -207.64, 1034.30)),
    (20.0, (3.05, 13.28, -45.98, 64.33)),
    (90.0, (3.74, 3.97, -4.07, 1.47)),
)
DARK_BELOW_DEG, NIGHT_LUX = -18.0, 0.002  #: same source: below it the sun gives no light


def clear_sky_wm2(elevation_deg: ArrayLike) -> NDArray[np.float64]:
    """Global radiation under a clear sky.

    Parameters
    ----------
    elevation_deg : array_like
        Height of the sun. [deg]

    Returns
    -------
    ndarray
        0 while the sun is down; of the same shape. [W/m2]

    References
    ----------
    .. [1] B. Haurwitz, "Insolation in relation to cloudiness and cloud density," J. Meteor., vol. 2, 1945 (cited).

    Examples
    --------
    >>> round(float(clear_sky_wm2(30.0)), 1)
    487.9
    """
    mu = np.sin(np.radians(np.asarray(elevation_deg, float)))
    up = np.where(mu > 0.0, np.maximum(mu, 1e-6), np.nan)
    return np.where(np.isnan(mu), np.nan, np.nan_to_num(1098.0 * up * np.exp(-0.059 / up)))


def cloud_transmission(cloud_pct: ArrayLike) -> NDArray[np.float64]:
    """Share of clear-sky radiation that comes through clouds.

    Parameters
    ----------
    cloud_pct : array_like
        Cover of the whole sky. [%]

    Returns
    -------
    ndarray
        From 0.25 to 1, of the same shape. Thin high cloud lets through more than it says.

    References
    ----------
    .. [1] F. Kasten and G. Czeplak, "Solar and terrestrial radiation dependent on the amount and type of cloud,"
       Sol. Energy, vol. 24, 1980 (from memory).

    Examples
    --------
    >>> round(float(cloud_transmission(50.0)), 3)
    0.929
    """
    return np.asarray(1.0 - CLOUD_SHARE * (np.asarray(cloud_pct, float) / 100.0) ** CLOUD_POWER)


def sky_shortwave_wm2(elevation_deg: ArrayLike, cloud_pct: ArrayLike) -> NDArray[np.float64]:
    """Global radiation from the height of the sun and the clouds; no finer than clouds are foretold.

    Parameters
    ----------
    elevation_deg, cloud_pct : array_like
        Height of the sun [deg] and cover of the sky [%]; broadcast against each other.

    Returns
    -------
    ndarray
        NaN where the clouds are not known, by night too. [W/m2]

    Examples
    --------
    >>> round(float(sky_shortwave_wm2(30.0, 100.0)), 1)
    122.0
    """
    return clear_sky_wm2(elevation_deg) * cloud_transmission(cloud_pct)


def twilight_lux(elevation_deg: ArrayLike) -> NDArray[np.float64]:
    """Illuminance on level ground under a clear sky, by day and through twilight.

    Parameters
    ----------
    elevation_deg : array_like
        Height of the sun, down to -90. [deg]

    Returns
    -------
    ndarray
        Of the same shape. [lx]

    References
    ----------
    .. [1] P. M. Janiczek and J. A. DeYoung, "Computer programs for sun and moon illuminance," USNO Circular 171,
       1987 (cited).

    Examples
    --------
    >>> round(float(twilight_lux(-6.0)), 2)
    3.41
    """
    altitude = np.asarray(elevation_deg, float)
    x = altitude / 90.0
    lux = np.full(altitude.shape, NIGHT_LUX)
    lower = DARK_BELOW_DEG
    for upper, (a, b, c, d) in TWILIGHT:
        inside = (altitude > lower) & (altitude <= upper)
        lux = np.where(inside, 10.0 ** np.where(inside, a + b * x + c * x**2 + d * x**3, 0.0), lux)
        lower = upper
    return np.where(np.isnan(altitude), np.nan, lux)
