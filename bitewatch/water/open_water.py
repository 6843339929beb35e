"""On which days of a modelled series there is open water to speak of."""

from datetime import date

import numpy as np
from numpy.typing import NDArray

from bitewatch.water.season import ICE_C, WARM_HALF, northern_days
from bitewatch.weather.daily import DAY, Days

Floats = NDArray[np.float64]

SPRING_DAY = 91  #: 1 April
DECEMBER = 335
LONGEST_ICE = 150  #: days before an ice-out that are taken for ice, December at the earliest [own]


def open_water(
    day: Days, surface_c: Floats, season: NDArray[np.int64], latitude: float, *, ice_out: date | None = None
) -> NDArray[np.bool_]:  # fmt: skip
    """Days on which the surface is known and no ice.

    Before April ice stays until the next season; from then on single days at the freezing point count as ice. Of a
    year whose ice-out is known no day of winter before it is open.

    Parameters
    ----------
    day, surface_c, season : ndarray, shape (D,)
        Days, their modelled surface temperature [degC], and the season of each.

    Returns
    -------
    ndarray of bool, shape (D,)
    """
    known = np.isfinite(surface_c)
    of_year = northern_days(day, latitude)
    cold = known & (np.nan_to_num(surface_c, nan=99.0) <= ICE_C) & ((of_year < WARM_HALF[0]) | (of_year > WARM_HALF[1]))
    # a single cold day between warmer ones is no ice
    frozen = cold & (np.concatenate([[False], cold[:-1]]) | np.concatenate([cold[1:], [False]]))
    in_winter = frozen & ((of_year > WARM_HALF[1]) | (of_year < SPRING_DAY))
    for year in np.unique(season[in_winter]):
        here = season == year
        first = int(np.flatnonzero(here & in_winter)[0])
        frozen[first:] |= here[first:]
    if ice_out is not None:
        gone = np.datetime64(ice_out)
        frozen |= (day < gone) & (day >= gone - LONGEST_ICE * DAY) & ((of_year < WARM_HALF[0]) | (of_year >= DECEMBER))
    return np.asarray(known & ~frozen)
