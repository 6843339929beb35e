"""Spells: for how many days the weather has been of one kind."""

import numpy as np
from numpy.typing import NDArray

from bitewatch.weather.fronts import front_strength
from bitewatch.weather.governing import hours_in_sight
from bitewatch.weather.hourly import Floats, Hourly
from bitewatch.weather.series import Windows

MOST_DAYS = 10
NEAR_K = 3.0  #: a day this near to the latest one is of the same kind (own choice)
STRONGER_THAN = 0.3  #: a weaker front does not end a spell (own choice)


def stable_days(hourly: Hourly, score: Floats, passage: NDArray[np.bool_]) -> Floats:
    """Days without a front of note and of much the same warmth, counted back from each hour.

    The least of 10, the days since the last front stronger than 0.3, and the number of 24 h blocks in a row, counted
    back from now, whose mean air temperature is within 3 K of the latest block's.

    Parameters
    ----------
    hourly : Hourly
        Shape (..., T).
    score, passage : ndarray, shape (..., B + T)
        Score of each hour [1], and True at the onsets; they may begin before the table, and end with it.

    Returns
    -------
    ndarray, shape (..., T)
        0 to 10. [d] NaN where it cannot be known: less than half of the last 24 h has an air temperature, or no front
        was seen and less than 24 h are in sight.

    Notes
    -----
    Without a front the days since the record began count in place of the days since it, and so do the days since the
    last blind hours (`hours_in_sight`): the spell is *at least* that long. An older block that is missing ends the
    count in the same way.

    References
    ----------
    Own choice of this project; "within 3 K" is measured from the latest 24 h, not from day to day.

    Examples
    --------
    >>> from bitewatch.weather.hourly import HOUR, from_points
    >>> hour = np.arange(96)
    >>> warm = from_points(np.datetime64("2000-07-01", "s") + hour * HOUR, {"air_temp_c": np.full(96, 25.0)})
    >>> days = stable_days(warm, np.zeros(96), np.zeros(96, bool))
    >>> float(days[10]), float(days[23]), float(days[95])
    (nan, 1.0, 4.0)
    """
    hour = np.arange(score.shape[-1])
    in_sight = hours_in_sight(score)
    of_note = passage & (front_strength(score) > STRONGER_THAN)
    since = hour - np.maximum.accumulate(np.where(of_note, hour, -hour.size - 1), axis=-1)
    seen = since < in_sight
    hours = hourly.time.size
    seen, in_sight = seen[..., -hours:], in_sight[..., -hours:]
    days_without = np.where(seen, since[..., -hours:], in_sight) / 24
    latest = Windows(hourly["air_temp_c"], 23).mean(-23, 0)
    days = np.minimum(np.minimum(days_without, _days_alike(latest)), MOST_DAYS)
    return np.where(np.isfinite(latest) & (seen | (in_sight >= 24)), days, np.nan)


def _days_alike(latest: Floats) -> Floats:
    """How many 24 h blocks in a row, counted back from each hour, are about as warm as the latest."""
    days = np.zeros(latest.shape)
    alike = np.isfinite(latest)
    for back in range(MOST_DAYS):
        block = np.full(latest.shape, np.nan)
        block[..., 24 * back :] = latest[..., : max(0, latest.shape[-1] - 24 * back)]
        alike &= abs(block - latest) <= NEAR_K
        days += alike
    return days
