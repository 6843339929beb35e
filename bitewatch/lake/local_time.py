"""Local days and wall times of a lake as instants: gaps, folds and dates that do not exist."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray


def local_instant(day: date, wall: time, zone: ZoneInfo) -> datetime | None:
    """The instant at which a wall clock in a zone shows this time on this day.

    A time that a clock skips becomes the first instant after the gap; one that it shows twice, the first of the two.

    Returns
    -------
    datetime or None
        Aware, UTC; None if the day does not exist in the zone.

    Examples
    --------
    >>> local_instant(date(2026, 3, 8), time(2, 30), ZoneInfo("America/Chicago")).isoformat()
    '2026-03-08T08:00:00+00:00'
    """
    wanted = datetime.combine(day, wall)
    instant = wanted.replace(tzinfo=zone, fold=0).astimezone(UTC)
    if instant.astimezone(zone).replace(tzinfo=None) == wanted:
        return instant
    # In a gap the two folds straddle the change of offset: close in on the second at which it happens.
    before, after = wanted.replace(tzinfo=zone, fold=1).astimezone(UTC), instant
    old = before.astimezone(zone).utcoffset()
    while after - before > timedelta(seconds=1):
        middle = before + (after - before) // 2
        middle = middle.replace(microsecond=0)
        if middle.astimezone(zone).utcoffset() == old:
            before = middle
        else:
            after = middle
    return after if after.astimezone(zone).date() == day else None


def first_instant(day: date, zone: ZoneInfo) -> datetime:
    """The first instant that belongs to this local day, or to the next day that exists."""
    while (instant := local_instant(day, time(0), zone)) is None:
        day += timedelta(days=1)
    return instant


def local_days(times: NDArray[np.datetime64], zone: ZoneInfo) -> NDArray[np.datetime64]:
    """The local date of each instant.

    Parameters
    ----------
    times : ndarray of datetime64[s], shape (T,)
        Whole hours, UTC, increasing.

    Returns
    -------
    ndarray of datetime64[D], shape (T,)
    """
    if times.size == 0:
        return times.astype("datetime64[D]")
    # Days change a few hundred times a year at most: find each change, not each hour's date.
    first = np_to_datetime(times[0]).astimezone(zone).date()
    last = np_to_datetime(times[-1]).astimezone(zone).date()
    count = (last - first).days + 1
    days = np.datetime64(first) + np.arange(count)
    starts = np.array([datetime_to_np(first_instant(first + timedelta(days=k), zone)) for k in range(count)])
    return days[np.searchsorted(starts, times, side="right") - 1]


def np_to_datetime(instant: np.datetime64) -> datetime:
    """An aware UTC datetime."""
    return datetime.fromtimestamp(int(instant.astype("datetime64[s]").astype(np.int64)), tz=UTC)


def datetime_to_np(instant: datetime) -> np.datetime64:
    """A datetime64[s] in UTC from an aware datetime."""
    return np.datetime64(int(instant.timestamp()), "s")
