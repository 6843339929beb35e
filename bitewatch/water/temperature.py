"""Surface temperature from the one reading that a profile can carry: held as it is, for as long as that is fair."""

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.profile import Lake

HOLDS_DAYS = 14  #: lakes wander off a reading with a memory of about 11 days [own, fitted on Upper Midwest lakes]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceTemperature:
    """Surface temperature by hour, shape (T,); NaN where it is not known. [degC]"""

    value_c: NDArray[np.float64]
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
    if lake.water_temp_c is None:
        return SurfaceTemperature(value_c=nothing, doubt="no water temperature entered")
    read_on = lake.water_temp_on or on
    age = (local_days - np.datetime64(read_on)).astype(int)
    value = np.where((age >= 0) & (age <= HOLDS_DAYS), lake.water_temp_c, np.nan)
    days = (on - read_on).days
    if days < 0:
        return SurfaceTemperature(value_c=nothing, doubt="the water temperature entered is of a later day and not used")
    if days > HOLDS_DAYS:
        return SurfaceTemperature(value_c=value, doubt=f"the water temperature entered is {days} days old and not used")
    if lake.water_temp_on is None:
        return SurfaceTemperature(value_c=value, doubt="the water temperature entered has no day; taken as today's")
    old = f"the water temperature is a reading {days} days old" if days >= 3 else ""
    return SurfaceTemperature(value_c=value, doubt=old)
