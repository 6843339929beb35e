"""Ultraviolet index under a clear sky, from the height of the sun."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: lowest index of each class and its word: US Environmental Protection Agency, UV Index scale
CLASSES = ((0, "low"), (3, "moderate"), (6, "high"), (8, "very high"), (11, "extreme"))
EXTRA_FROM = 8  #: same source: extra protection is called for


def clear_sky_uv_index(sun_elevation_deg: ArrayLike) -> NDArray[np.float64]:
    """The most that the ultraviolet index can be: without clouds, under an ordinary layer of ozone.

    Parameters
    ----------
    sun_elevation_deg : array_like
        Height of the sun. [deg]

    Returns
    -------
    ndarray
        0 while the sun is down; of the same shape. Water throws some back from below, mountain air lets through more.

    References
    ----------
    .. [1] S. Madronich, "Analytic formula for the clear-sky UV index," Photochem. Photobiol., vol. 83, 2007: 12.5 times
       the sine of the height to the power 2.42, at 300 Dobson units (from memory).

    Examples
    --------
    >>> clear_sky_uv_index([90.0, 30.0, -5.0]).round(1).tolist()
    [12.5, 2.3, 0.0]
    """
    height = np.maximum(np.sin(np.radians(np.asarray(sun_elevation_deg, float))), 0.0)
    return np.asarray(12.5 * height**2.42)


def uv_class(index: float) -> str:
    """The word for an index, which is told in whole numbers.

    >>> uv_class(7.6)
    'very high'
    """
    return [word for least, word in CLASSES if index >= least - 0.5][-1]
