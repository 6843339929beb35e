"""Density of fresh water."""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def water_density(temp_c: ArrayLike) -> NDArray[np.float64]:
    """Density of fresh water at the surface; greatest near 4 degC, which is why lakes turn over.

    Parameters
    ----------
    temp_c : array_like
        Temperature. [degC]

    Returns
    -------
    ndarray
        Of the same shape. [kg/m3]

    References
    ----------
    .. [1] J. L. Martin and S. C. McCutcheon, "Hydrodynamics and Transport for Water Quality Modeling," 1999 (cited).

    Examples
    --------
    >>> round(float(water_density(20.0)), 4)
    998.2336
    """
    t = np.asarray(temp_c, float)
    return np.asarray(1000.0 * (1.0 - (t + 288.9414) * (t - 3.9863) ** 2 / (508929.2 * (t + 68.12963))))
