"""On which days of a modelled series there is open water to speak of."""

import numpy as np
from numpy.typing import NDArray

from bitewatch.water.season import ICE_C, WARM_HALF
from bitewatch.weather.daily import Days

Floats = NDArray[np.float64]

HALF_YEAR_DAYS = 182


def open_water(day: Days, surface_c: Floats, season: NDArray[np.int64], latitude: float) -> NDArray[np.bool_]:
    """Days on which the surface is known and no ice.

    In autumn ice stays until the next season; in spring single days at the freezing point count as ice.

    Parameters
    ----------
    day, surface_c, season : ndarray, shape (D,)
        Days, their modelled surface temperature [degC], and the season of each.

    Returns
    -------
    ndarray of bool, shape (D,)
    """
    known = np.isfinite(surface_c)
    of_year = (day - day.astype("datetime64[Y]")).astype(int) + 1
    if latitude < 0:
        of_year = (of_year + HALF_YEAR_DAYS - 1) % 365 + 1
    cold = known & (np.nan_to_num(surface_c, nan=99.0) <= ICE_C) & ((of_year < WARM_HALF[0]) | (of_year > WARM_HALF[1]))
    # a single cold day between warmer ones is no ice
    frozen = cold & (np.concatenate([[False], cold[:-1]]) | np.concatenate([cold[1:], [False]]))
    in_autumn = frozen & (of_year > WARM_HALF[1])
    for year in np.unique(season[in_autumn]):
        here = season == year
        first = int(np.flatnonzero(here & in_autumn)[0])
        frozen[first:] |= here[first:]
    return np.asarray(known & ~frozen)
