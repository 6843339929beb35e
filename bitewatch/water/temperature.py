"""Surface temperature from the one reading that a profile can carry: held as it is, for as long as that is fair."""

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.profile import Lake

OLD_DAYS = 3  #: from here on its age is said [own]
HOLDS_DAYS = 14  #: lakes wander off a reading with a memory of about 11 days [own, fitted on Upper Midwest lakes]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceTemperature:
    """Surface temperature by hour, and how it differs from three days before; NaN where not known. [degC]"""

    value_c: NDArray[np.float64]  #: shape (T,)
    change_3d_c: NDArray[np.float64]  #: shape (T,)
    doubt: str  #: what to say about it, in words; empty if nothing


def held_reading(lake: Lake, local_days: NDArray[np.datetime64], on: date) -> SurfaceTemperature:
    """The typed reading of a lake, held for two weeks from its day and never used for days before it.

    Parameters
    ----------
    lake : Lake
        With or without a reading.
    local_days : ndarray of datetime64[D], shape (T,)
        The local date of each hour.
    on : date
        The day that is spoken of; a reading without a day is taken as of this day.
    """
    nothing = np.full(local_days.shape, np.nan)

    def held(value_c: NDArray[np.float64], doubt: str) -> SurfaceTemperature:
        # one reading held for days tells of no change, which is another thing than a change of 0
        return SurfaceTemperature(value_c=value_c, change_3d_c=nothing, doubt=doubt)

    if lake.water_temp_c is None:
        return held(nothing, "no water temperature entered")
    read_on = lake.water_temp_on or on
    days = (on - read_on).days
    if days < 0:
        return held(nothing, "the water temperature entered is of a later day and not used")
    age = (local_days - np.datetime64(read_on)).astype(int)
    value = np.where((age >= 0) & (age <= HOLDS_DAYS), lake.water_temp_c, np.nan)
    if days > HOLDS_DAYS:
        return held(value, f"the water temperature entered is {days} days old and not used")
    if lake.water_temp_on is None:
        return held(value, "the water temperature entered has no day; taken as today's")
    return held(value, f"the water temperature is a reading {days} days old" if days >= OLD_DAYS else "")
