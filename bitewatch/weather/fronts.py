"""Cold and warm fronts in an hourly series at one point: when they pass, and how strong they are.

No published method for a single point with a usable score was found; this one is the project's own. It weighs falls of
temperature and dew point, the kink of the pressure and the shift of the wind, and alarms at the peaks of the sum.

What it is worth: on 50 dated cold fronts and 17 quiet spells at one coastal city (three airports, one event) the
critical success index was about 0.6 for all fronts and clearly better for those that the texts do not call weak;
alarms shifted by whole days reach about 0.13. Misses are nearly all weak fronts; false alarms are often a second surge
12 to 24 h after a front, which is therefore told as part of the front before it. Timing is unproven, and nothing is
known of how it does over a continental lake. Fifty events cannot carry tuning: leave the numbers alone. Running means
of 5 h, as a smooth forecast has them, cost about 0.04. The score of an hour looks seven hours ahead: on past hours
alone a front is confirmed 5 to 7 h late. Warm fronts were judged on three events only: for words, not for rules.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bitewatch.weather.hourly import Floats, Hourly, Times
from bitewatch.weather.signs import Signs, cold, front_signs, warm

FAINT, STRONG = 1.2, 3.0  #: scores of no strength and of full strength
WEAK = 1.6  #: score from which an hour can be a passage of a cold front; 2.4 is moderate
WARM = 2.0  #: the same of a warm front
APART_H = 12  #: a second passage this near to a stronger one is the same front
SURGE = timedelta(hours=24)  #: cold air that comes again this soon after a front is its second surge
SAME_PASSAGE = timedelta(hours=9)  #: passages told nearer to each other than this are one (own choice)


class FrontKind(StrEnum):
    """What kind of front passed."""

    COLD = "cold"
    WARM = "warm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Front:
    """One passage of a front, as one issue of a forecast tells it."""

    kind: FrontKind
    onset: datetime  #: hour of the passage, aware, UTC
    strength: float  #: 0 (barely) to 1 (strong); of the stronger surge
    score: float  #: of the stronger surge: `WEAK` or more, a warm front's `WARM` or more
    signs: Mapping[str, float]  #: how far each sign went, NaN where missing: temperature, dew point, pressure, wind
    surge_at: datetime | None = None  #: when a second surge of cold follows within a day

    def same_passage(self, other: "Front") -> bool:
        """True if a later issue tells of this passage again, moved by less than nine hours."""
        return self.kind is other.kind and abs(self.onset - other.onset) < SAME_PASSAGE


def front_strength(score: ArrayLike) -> Floats:
    """Strength of a front from its score: 0 up to 1.2, 1 from 3.0; no other strength is used in the project.

    Parameters
    ----------
    score : array_like
        Score of the passage. [1]

    Returns
    -------
    ndarray
        From 0 to 1, NaN where the score is. [1]

    Examples
    --------
    >>> print(front_strength([1.6, 2.4, 3.0]).round(3))
    [0.222 0.667 1.   ]
    """
    return np.clip((np.asarray(score, float) - FAINT) / (STRONG - FAINT), 0.0, 1.0)


def score_of_strength(strength: float) -> float:
    """The least score that has this strength, the inverse of `front_strength`."""
    return FAINT + (STRONG - FAINT) * strength


def passages(score: Floats, threshold: float = WEAK) -> NDArray[np.bool_]:
    """The hours at which a front passes: in order of falling score, none within 12 h of one taken before.

    Of equal scores the earlier hour is taken first.

    Parameters
    ----------
    score : ndarray, shape (..., T)
        Score of each hour, NaN where missing. [1]
    threshold : float
        Lowest score that counts. [1]

    Returns
    -------
    ndarray of bool, shape (..., T)
        True at the onsets.

    Examples
    --------
    >>> score = np.zeros(40)
    >>> score[[5, 10, 17, 30]] = 2.0, 3.0, 2.9, 1.6
    >>> np.flatnonzero(passages(score)).tolist()
    [10, 30]
    """
    taken = np.zeros(score.shape, bool)
    *lane, hour = np.nonzero(score >= threshold)
    left = score[*lane, hour]
    # one clock for all lanes, with a pause between them, so that neighbours in it are neighbours in time
    number = np.ravel_multi_index(tuple(lane), score.shape[:-1]) if lane else 0
    clock = np.asarray(number * (score.shape[-1] + APART_H) + hour)
    place = np.arange(hour.size)
    while place.size:
        now, height = clock[place], left[place]
        beaten = np.zeros(place.size, bool)
        for lag in range(1, min(APART_H, place.size - 1) + 1):
            near = now[lag:] - now[:-lag] <= APART_H
            later_wins = height[lag:] > height[:-lag]
            beaten[:-lag] |= near & later_wins
            beaten[lag:] |= near & ~later_wins
        won = now[~beaten]
        taken[*(axis[place[~beaten]] for axis in (*lane, hour))] = True
        after = np.searchsorted(won, now)
        to_next = won[np.minimum(after, won.size - 1)] - now
        to_last = now - won[np.maximum(after - 1, 0)]
        place = place[(abs(to_next) > APART_H) & (abs(to_last) > APART_H)]
    return taken


def find_fronts(hourly: Hourly, latitude: float) -> tuple[Front, ...]:
    """The fronts of one cell, cold and warm.

    Parameters
    ----------
    hourly : Hourly
        One cell, shape (T,).
    latitude : float
        Of the cell. [deg]

    Returns
    -------
    tuple of Front
        In order of time; empty if there is none, or none can be seen. A passage of cold within 24 h of a cold front is
        its second surge, not a front of its own.

    Raises
    ------
    ValueError
        If the table holds more than one cell.

    Examples
    --------
    >>> from bitewatch.weather.hourly import from_points
    >>> still = from_points(np.array(["2000-01-01"], "datetime64[s]"), {})
    >>> find_fronts(still, 46.0)
    ()
    """
    return fronts_of(hourly.time, *front_signs(hourly, latitude, cold, warm))


def fronts_of(time: Times, of_cold: Signs, of_warm: Signs) -> tuple[Front, ...]:
    """The fronts of one cell by the signs of its hours, as `find_fronts`."""
    if of_cold.score.ndim != 1:
        raise ValueError(f"one cell at a time, got {of_cold.score.shape[:-1]}")
    found: list[Front] = []
    for hour in np.flatnonzero(passages(of_cold.score)):
        front = _front(FrontKind.COLD, time, of_cold, hour)
        if found and front.onset - found[-1].onset <= SURGE:
            found[-1] = _with_surge(found[-1], front)
        else:
            found.append(front)
    found += [_front(FrontKind.WARM, time, of_warm, hour) for hour in np.flatnonzero(passages(of_warm.score, WARM))]
    return tuple(sorted(found, key=lambda front: front.onset))


def _front(kind: FrontKind, time: Times, signs: Signs, hour: np.intp) -> Front:
    return Front(
        kind=kind,
        onset=time[hour].astype("datetime64[s]").item().replace(tzinfo=UTC),
        strength=float(front_strength(signs.score[hour])),
        score=float(signs.score[hour]),
        signs={
            "temperature": float(signs.temperature[hour]),
            "dew point": float(signs.dew_point[hour]),
            "pressure": float(signs.pressure[hour]),
            "wind": float(signs.wind[hour]),
        },
    )


def _with_surge(front: Front, surge: Front) -> Front:
    stronger = max(front, surge, key=lambda one: one.score)
    return replace(stronger, onset=front.onset, surge_at=surge.onset)
