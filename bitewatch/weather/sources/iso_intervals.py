"""Instants and spans of time as ISO 8601 writes them, and values that hold over such spans, hour by hour."""

import re
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from bitewatch.errors import PayloadRefused
from bitewatch.weather.hourly import HOUR, Floats, Times
from bitewatch.weather.sources.acceptance import Reason

LONGEST_H = (
    16 * 24
)  #: no forecast by the hour reaches farther (own choice; those of the agreed shapes reach 7 to 8 days)
INSTANT = re.compile(
    r"(?:19[7-9][0-9]|20[0-9]{2})-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?(?:Z|[+-][0-9]{2}:[0-9]{2})"
)
DURATION = re.compile(r"P(?:([0-9]{1,3})D)?(?:T([0-9]{1,4})H)?")


def instant(text: object) -> datetime:
    """An instant of the years 1970 to 2099 that says its offset, in UTC.

    Raises
    ------
    PayloadRefused
        If it is not written like that.

    Examples
    --------
    >>> instant("2026-06-01T07:30:00+02:00").isoformat()
    '2026-06-01T05:30:00+00:00'
    """
    if isinstance(text, str) and INSTANT.fullmatch(text):
        try:
            return datetime.fromisoformat(text).astimezone(UTC)
        except ValueError:
            pass
    raise PayloadRefused(Reason.WRONG_SHAPE, f"{ascii(text)[:60]} is not an instant")


def interval(text: object) -> tuple[np.datetime64, int]:
    """The first hour of a span of whole hours, and how many hours it is long.

    Raises
    ------
    PayloadRefused
        If it is not a start and a duration of days and hours, does not begin on a whole hour (UTC), is empty, or is
        longer than `LONGEST_H`.

    Examples
    --------
    >>> interval("2026-06-01T05:00:00+00:00/P1DT6H")
    (np.datetime64('2026-06-01T05:00:00'), 30)
    """
    begins, _, lasts = text.partition("/") if isinstance(text, str) else ("", "", "")
    duration = DURATION.fullmatch(lasts)
    if duration is None:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{ascii(text)[:60]} is not a span of whole hours")
    start = instant(begins)
    days, hours = (int(part or 0) for part in duration.groups())
    total = 24 * days + hours
    if start.minute or start.second or start.microsecond or not 0 < total <= LONGEST_H:
        raise PayloadRefused(Reason.WRONG_HOURS, f"{ascii(text)[:60]} is not 1 to {LONGEST_H} whole hours")
    return np.datetime64(int(start.timestamp()), "s"), total


def each_hour(starts: Times, hours: NDArray[np.int64], values: Floats) -> tuple[Times, Floats]:
    """Every hour that begins within a span, with the value that holds over the span.

    Parameters
    ----------
    starts : ndarray of datetime64[s], shape (N,)
        First hour of each span.
    hours : ndarray of int, shape (N,)
        Length of each span. [h]
    values : ndarray of float, shape (N,)
        What holds over each span.

    Returns
    -------
    tuple of ndarray, each of shape (sum of ``hours``,)
        The hours, increasing, and their values.

    Raises
    ------
    PayloadRefused
        If the spans overlap, are not in order, or reach over more than `LONGEST_H`.

    Examples
    --------
    >>> five, eight = np.array(["2026-06-01T05", "2026-06-01T08"], "datetime64[s]")
    >>> each_hour(np.array([five, eight]), np.array([2, 1]), np.array([1.0, 7.0]))[1]
    array([1., 1., 7.])
    """
    ends = starts + hours * HOUR
    wrong = np.flatnonzero(starts[1:] < ends[:-1])
    if wrong.size:
        at = int(wrong[0])
        raise PayloadRefused(Reason.WRONG_HOURS, f"{starts[at + 1]}Z stands after a span that ends at {ends[at]}Z")
    if starts.size and ends[-1] - starts[0] > LONGEST_H * HOUR:
        raise PayloadRefused(Reason.WRONG_HOURS, f"from {starts[0]}Z to {ends[-1]}Z")
    within = np.arange(hours.sum()) - np.repeat(np.cumsum(hours) - hours, hours)
    return np.repeat(starts, hours) + within * HOUR, np.repeat(values, hours)
