"""How the surface warms and cools within a day."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

LOWEST_H, HIGHEST_H = 6.5, 16.0  #: of the sun's clock
BELOW_C, ABOVE_C = 0.31, 0.30  #: of one buoy at 0.5 m over one summer, in the US Upper Midwest [own]


def day_course_c(solar_hour: ArrayLike) -> NDArray[np.float64]:
    """Surface temperature at an hour, above the mean of its day.

    Parameters
    ----------
    solar_hour : array_like
        Hour by the sun, 12 when it stands highest; any number, a day is 24.

    Returns
    -------
    ndarray
        From -0.31 to 0.30, of the same shape. [degC]

    Notes
    -----
    Half cosines between the lowest and the highest hour [own]. On calm sunny days shallow water swings far more.

    Examples
    --------
    >>> day_course_c([6.5, 16.0]).tolist()
    [-0.31, 0.3]
    """
    hour = (np.asarray(solar_hour, float) - LOWEST_H) % 24.0
    rises = HIGHEST_H - LOWEST_H
    phase = np.where(hour <= rises, hour / rises, (24.0 - hour) / (24.0 - rises))
    return np.asarray(-BELOW_C + (ABOVE_C + BELOW_C) * 0.5 * (1.0 - np.cos(np.pi * phase)))
