"""Heat index: how hot it feels in the shade."""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def heat_index_f(temp_f: ArrayLike, humidity_pct: ArrayLike) -> NDArray[np.float64]:
    """Heat index of the U.S. National Weather Service.

    Parameters
    ----------
    temp_f : array_like
        Air temperature in the shade. [degF]
    humidity_pct : array_like
        Relative humidity, 0 to 100; broadcast against the temperature. [%]

    Returns
    -------
    ndarray
        Heat index, of the broadcast shape; full sun adds up to 15. [degF]

    References
    ----------
    .. [1] L. P. Rothfusz, "The heat index equation," NWS Southern Region Technical Attachment SR 90-23, 1990, with
       both adjustments and the averaging step as on the Weather Prediction Center's page.

    Examples
    --------
    >>> round(float(heat_index_f(90, 90)), 4)
    121.9012
    """
    t, rh = np.broadcast_arrays(np.asarray(temp_f, float), np.asarray(humidity_pct, float))
    simple = (0.5 * (t + 61 + 1.2 * (t - 68) + 0.094 * rh) + t) / 2
    full = (
        -42.379 + 2.04901523 * t + 10.14333127 * rh - 0.22475541 * t * rh - 0.00683783 * t**2 - 0.05481717 * rh**2
        + 0.00122874 * t**2 * rh + 0.00085282 * t * rh**2 - 0.00000199 * t**2 * rh**2
    )  # fmt: skip
    dry = (13 - rh) / 4 * np.sqrt(np.clip(17 - np.abs(t - 95), 0, None) / 17)
    damp = (rh - 85) / 10 * (87 - t) / 5
    full = full - np.where((rh < 13) & (t >= 80) & (t <= 112), dry, 0.0)
    full = full + np.where((rh > 85) & (t >= 80) & (t <= 87), damp, 0.0)
    return np.asarray(np.where(simple < 80, simple, full))
