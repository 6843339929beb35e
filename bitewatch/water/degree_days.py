"""Degree days: how much warmth a season has brought so far, and how many days that is ahead of what is normal."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: of the water's surface; near it crappie and bluegill begin to feed and grow in earnest, and a start at 4 degC in
#: April is forgotten by then [own]
BASE_C = 10.0
LEAST_SEASONS = 10  #: fewer tell no normal: climate normals are means of 10 to 30 years (common practice)
SEASON_DAYS = 365
LOOK_ON_DAYS = 60  #: so far beyond today past seasons should be known; a warm season is seldom more ahead [own]
LEAST_RISE_C = 1.0  #: degree days a day of the normal curve, under which it tells no dates [own]
LATEST_START = 30  #: days into a season; one whose weather is known only from later on has an unknown sum [own]


@dataclass(frozen=True, slots=True, kw_only=True)
class DaysAhead:
    """How a season stands against those before."""

    days: float  #: ahead of normal; below 0 behind
    sd_days: float  #: how far single seasons lay from it on the same day
    seasons: int  #: how many the normal is the mean of


def growing_degree_days(warmest: ArrayLike, coldest: ArrayLike, base: float, *, cap: float | None = None) -> Floats:
    """Degree days of single days, from their warmest and coldest hour; in whatever degrees they are given.

    Parameters
    ----------
    warmest, coldest : array_like
        Of each day; for the mean of a day give it as both.
    base : float
        Below it nothing is counted.
    cap : float, optional
        With one, both are first brought between ``base`` and ``cap`` (the modified form).

    Returns
    -------
    ndarray
        Of the broadcast shape.

    References
    ----------
    Common practice of agricultural weather services.

    Examples
    --------
    >>> float(growing_degree_days(70, 50, 50)), float(growing_degree_days(90, 56, 50, cap=86))
    (10.0, 21.0)
    """
    high, low = np.asarray(warmest, float), np.asarray(coldest, float)
    if cap is not None:
        high, low = np.clip(high, base, cap), np.clip(low, base, cap)
    return np.asarray(np.maximum(0.0, 0.5 * (high + low) - base))


def season_sums(surface_c: Floats, season: NDArray[np.int64], day_in_season: NDArray[np.int64]) -> dict[int, Floats]:
    """Degree days summed from the start of each season.

    Parameters
    ----------
    surface_c : ndarray, shape (D,)
        Daily surface temperature, NaN where not known. [degC]
    season, day_in_season : ndarray of int, shape (D,)
        The season of each day, and which of its days it is, from 0.

    Returns
    -------
    dict
        Season -> shape (366,), NaN beyond its known days; a season that is not known from its first month on is left
        out. [degC d]
    """
    found = {}
    for year in np.unique(season):
        here = season == year
        curve = np.full(366, np.nan)
        curve[day_in_season[here]] = growing_degree_days(surface_c[here], surface_c[here], BASE_C)
        known = np.flatnonzero(np.isfinite(curve))
        if known.size and known[0] <= LATEST_START:
            curve[: known[0]] = 0.0
            found[int(year)] = np.cumsum(curve)  # missing from the first gap on
    return found


def days_ahead(today: float, at: int, curves: Floats) -> DaysAhead | None:
    """By how many days a season is ahead of the mean of others.

    Parameters
    ----------
    today : float
        The season's sum today; NaN where not known. [degC d]
    at : int
        Which day of the season today is, from 0.
    curves : ndarray, shape (Y, 366)
        Sums of the seasons before, NaN from where they are not known.

    Returns
    -------
    DaysAhead or None
        None with fewer than ten seasons that reach to today, before there was any warmth, beyond the ends of the normal
        curve, and while it hardly rises, so that a little warmth would be many days.

    References
    ----------
    The day on which the normal curve reaches today's sum, minus today (common practice of phenology).

    Examples
    --------
    >>> curve = 0.05 * np.arange(366.0) ** 2
    >>> days_ahead(605.0, 100, np.tile(curve, (10, 1))).days
    10.0
    """
    known = np.isfinite(curves).sum(axis=1)  # sums are missing from the first gap on
    for reach in (min(at + LOOK_ON_DAYS, SEASON_DAYS), at + 1):  # a season that ends today would end the normal today
        chosen = curves[known >= reach]
        if len(chosen) >= LEAST_SEASONS:
            break
    else:
        return None
    normal = chosen.mean(axis=0)
    normal = normal[np.isfinite(normal)]
    if not today > 0.0 or at < 1 or normal[at] - normal[at - 1] < LEAST_RISE_C:
        return None
    ahead, others = _reached(today, normal, at), [_reached(float(curve[at]), normal, at) for curve in chosen]
    apart = [other for other in others if other is not None]
    if ahead is None or len(apart) < len(others):
        return None
    return DaysAhead(days=ahead, sd_days=float(np.std(apart, ddof=1)), seasons=len(chosen))


def _reached(total: float, normal: Floats, at: int) -> float | None:
    """The last day on which a curve has not passed a sum, with its fraction, minus today; None beyond its ends."""
    after = int(np.searchsorted(normal, total, side="right"))
    if after == 0 or (after == normal.size and total > normal[-1]):
        return None
    if after == normal.size:
        return float(after - 1 - at)
    below, above = normal[after - 1], normal[after]
    return float(after - 1 + (total - below) / (above - below)) - at
