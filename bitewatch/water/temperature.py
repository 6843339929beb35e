"""Surface temperature from a reading alone, for a lake over which no weather is known: held while that is fair."""

from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from bitewatch.water.correction import LAKE_SD_C, SCATTER_C, WANDER_DAYS, WANDER_SD_C
from bitewatch.water.lake_water import WaterHours
from bitewatch.water.reading import Reading
from bitewatch.weather.hourly import Floats, Times

HOLDS = timedelta(days=14)  #: lakes wander off a reading with a memory of about eleven days


DEEPER_M = 3.0  #: from so deep a reading says little of the surface [own]


def held_reading(
    readings: Sequence[Reading], time: Times
) -> tuple[WaterHours, tuple[Reading, ...], str]:  # fmt: skip
    """The newest reading, held for two weeks from its hour on with a growing spread, and never used for hours before.

    Parameters
    ----------
    readings : sequence of Reading
        Those that may be looked at.
    time : ndarray of datetime64[s], shape (T,)
        UTC.

    Returns
    -------
    WaterHours
        Its change is not known: one reading held for days tells of no change, which is not a change of 0.
    tuple of Reading
        The one that is held; empty if there is none.
    str
        What to say of it.
    """
    shallow = [one for one in readings if one.depth_m is None or one.depth_m <= DEEPER_M]
    nothing = np.full(time.shape, np.nan)
    if not shallow:
        hours = WaterHours(value_c=nothing, sd_c=nothing, change_3d_c=nothing, change_sd_c=nothing)
        return hours, (), "no reading of its surface"
    newest = max(shallow, key=lambda one: one.at)
    age_d = (time - np.datetime64(int(newest.at.timestamp()), "s")).astype(float) / 86400.0
    # a reading of which only the day is known counts from that day's morning on
    held = (age_d >= (0.0 if newest.hour_known else -0.5)) & (age_d <= HOLDS / timedelta(days=1))
    spread: Floats = np.sqrt(SCATTER_C**2 + _wandered(np.maximum(age_d, 0.0)))
    hours = WaterHours(
        value_c=np.where(held, newest.temp_c, np.nan), sd_c=np.where(held, spread, np.nan), change_3d_c=nothing,
        change_sd_c=nothing,
    )  # fmt: skip
    return hours, (newest,), f"the water temperature is the reading of {newest.at:%Y-%m-%d} alone"


def _wandered(days: Floats) -> Floats:
    """Variance that a lake has gained since a reading, the course of the season left out."""
    return np.asarray((LAKE_SD_C**2 + WANDER_SD_C**2) * (1.0 - np.exp(-2.0 * days / WANDER_DAYS)))
