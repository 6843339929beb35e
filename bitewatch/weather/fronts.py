"""Cold fronts in an hourly series at one point: when they pass, and how strong they are.

No published method for a single point with a usable score was found; this one is the project's own. It weighs falls of
temperature and dew point, the kink of the pressure and the shift of the wind, and alarms at the peaks of the sum.

What it is worth: on 50 dated cold fronts and 17 quiet spells at one coastal city (three airports, one event) the
critical success index was about 0.6 for all fronts and clearly better for those that the texts do not call weak;
alarms shifted by whole days reach about 0.13. Misses are nearly all weak fronts; false alarms are often a second surge
12 to 24 h after a front. Timing is unproven, and nothing is known of how it does over a continental lake. Fifty events
cannot carry tuning: leave the numbers alone. Running means of 5 h, as a smooth forecast has them, cost about 0.04.
The score of an hour looks seven hours ahead: on past hours alone a front is confirmed 5 to 7 h late.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bitewatch.weather import signs
from bitewatch.weather.hourly import HOUR, Floats, Hourly

WEAK = 1.6  #: score from which an hour can be a passage; 2.4 is moderate, 3.0 strong
APART_H = 12  #: a second passage this near to a stronger one is the same front
PAST_H, AHEAD_H = 120, 48  #: how far the governing front may be
FADE_PAST_H, FADE_AHEAD_H = 36.0, 12.0  #: a front's weight falls to 1/e (own choice)
NONE_H = 200.0  #: hours to a front that is known not to be there
BLIND_H = 3  #: a longer run of hours without a score could hide a front


class FrontKind(StrEnum):
    """What kind of front passed."""

    COLD = "cold"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signs:
    """What each hour shows of a cold front, on arrays of shape (..., T); NaN where missing.

    Attributes
    ----------
    temperature, dew_point, pressure : ndarray
        From -1 to 2, 1 for the change of an ordinary front. [1]
    wind : ndarray
        From -1 to 1.8. [1]
    score : ndarray
        Their weighted sum; held to 0 or below where fewer than three of the four show. [1]
    """

    temperature: Floats
    dew_point: Floats
    pressure: Floats
    wind: Floats
    score: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Front:
    """One passage of a front, as one issue of a forecast tells it."""

    kind: FrontKind
    onset: datetime  #: hour of the passage, aware, UTC
    strength: float  #: 0 (barely) to 1 (strong)
    score: float  #: `WEAK` or more
    signs: Mapping[str, float]  #: how far each sign went, NaN where missing: temperature, dew point, pressure, wind


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontVariables:
    """The rule variables of fronts on arrays of shape (..., T).

    No front in sight: strength 0 and `NONE_H` hours. Not enough hours in sight to say so: NaN for both.
    """

    front_strength: Floats
    hours_since_front: Floats
    front_strength_ahead: Floats
    hours_to_front: Floats


def cold_front_signs(hourly: Hourly, *, latitude: ArrayLike) -> Signs:
    """What each hour shows of a cold front.

    Parameters
    ----------
    hourly : Hourly
        Past and forecast hours joined, shape (..., T).
    latitude : array_like
        Of the cells, broadcast to the leading axes; south of 0 the wind is mirrored. [deg]

    Returns
    -------
    Signs
        Arrays of shape (..., T).

    Raises
    ------
    ValueError
        If ``latitude`` does not fit the leading axes.

    References
    ----------
    Own work of this project. The nearest published relative is the wind-shift rule of I. Simmonds, K. Keay and
    J. A. T. Bye, J. Climate, 2012 (its rule from memory); the signs are those of any textbook on surface analysis.

    Examples
    --------
    >>> from bitewatch.weather.hourly import from_points
    >>> hour = np.arange(960)
    >>> after = hour >= 480
    >>> hourly = from_points(np.datetime64("2000-01-01", "s") + hour * HOUR, {
    ...     "air_temp_c": np.where(after, 12.0, 20.0), "dew_point_c": np.where(after, 5.0, 15.0),
    ...     "pressure_hpa": 1010 + 0.5 * np.minimum(abs(hour - 480), 12),
    ...     "wind_speed_ms": np.full(960, 6.0), "wind_from_deg": np.where(after, 320.0, 200.0)})
    >>> score = cold_front_signs(hourly, latitude=46.0).score
    >>> int(np.nanargmax(score)), round(float(np.nanmax(score)), 3)
    (480, 5.991)
    """
    cells = hourly["air_temp_c"].shape[:-1]
    southern = (np.broadcast_to(np.asarray(latitude, float), cells) < 0)[..., None]
    first_hour = int((hourly.time[0] - hourly.time[0].astype("datetime64[D]")) // HOUR) if hourly.time.size else 0
    air_temp_c, dew_point_c, pressure_hpa = (
        signs.fill_short_gaps(hourly[column]) for column in ("air_temp_c", "dew_point_c", "pressure_hpa")
    )
    u, v = (
        signs.fill_short_gaps(part) for part in signs.wind_components(hourly["wind_speed_ms"], hourly["wind_from_deg"])
    )
    temperature = signs.temperature_sign(signs.without_daily_cycle(air_temp_c, first_hour=first_hour, harmonics=3))
    dew_point = signs.dew_point_sign(dew_point_c)
    pressure = signs.pressure_sign(signs.without_daily_cycle(pressure_hpa, first_hour=first_hour, harmonics=2))
    wind = signs.wind_sign(u, np.where(southern, -v, v))
    score = signs.weigh(temperature, dew_point, pressure, wind)
    return Signs(temperature=temperature, dew_point=dew_point, pressure=pressure, wind=wind, score=score)


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
    return np.clip((np.asarray(score, float) - 1.2) / 1.8, 0.0, 1.0)


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
    """The cold fronts of one cell, in order of time.

    Parameters
    ----------
    hourly : Hourly
        One cell, shape (T,).
    latitude : float
        Of the cell. [deg]

    Returns
    -------
    tuple of Front
        In order of time; empty if there is none, or none can be seen.

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
    found = cold_front_signs(hourly, latitude=latitude)
    if found.score.ndim != 1:
        raise ValueError(f"one cell at a time, got {found.score.shape[:-1]}")
    return tuple(
        Front(
            kind=FrontKind.COLD,
            onset=hourly.time[hour].astype("datetime64[s]").item().replace(tzinfo=UTC),
            strength=float(front_strength(found.score[hour])),
            score=float(found.score[hour]),
            signs={
                "temperature": float(found.temperature[hour]),
                "dew point": float(found.dew_point[hour]),
                "pressure": float(found.pressure[hour]),
                "wind": float(found.wind[hour]),
            },
        )
        for hour in np.flatnonzero(passages(found.score))
    )


def hours_in_sight(score: Floats) -> NDArray[np.int64]:
    """How many hours, up to and including each, have a score without a break that could hide a front.

    A run of at most `BLIND_H` hours without a score hides none, unless the record begins or ends with it.

    Parameters
    ----------
    score : ndarray, shape (..., T)
        Score of each hour, NaN where missing. [1]

    Returns
    -------
    ndarray of int, shape (..., T)
        0 where the hour itself is blind. [h]

    Examples
    --------
    >>> hours_in_sight(np.array([np.nan, 1.0, np.nan, 1.0, 1.0])).tolist()
    [0, 1, 2, 3, 4]
    """
    hour = np.arange(score.shape[-1])
    known = np.isfinite(score)
    far = score.shape[-1] + BLIND_H + 1
    last = np.maximum.accumulate(np.where(known, hour, -far), axis=-1)
    following = np.minimum.accumulate(np.where(known, hour, far + hour.size)[..., ::-1], axis=-1)[..., ::-1]
    blind = ~known & (following - last > BLIND_H + 1)
    return hour - np.maximum.accumulate(np.where(blind, hour, -1), axis=-1)


def front_variables(score: Floats, passage: NDArray[np.bool_]) -> FrontVariables:
    """For each hour the front that governs it and the one that will.

    The governing front is the one whose strength, faded with time, is greatest: a weak second surge half a day after
    a front, the commonest false alarm, does not wipe out the real one.

    Parameters
    ----------
    score : ndarray, shape (..., T)
        Score of each hour, NaN where missing. [1]
    passage : ndarray of bool, shape (..., T)
        True at the onsets.

    Returns
    -------
    FrontVariables
        Strengths [1] and hours [h]. A front that is seen counts however few hours are in sight; without one, 0 and
        `NONE_H` need the last 120 (or next 48) hours in sight, else both are NaN.

    Examples
    --------
    >>> score, passage = np.zeros(60), np.zeros(60, bool)
    >>> score[50], passage[50] = 3.0, True
    >>> found = front_variables(score, passage)
    >>> float(found.hours_to_front[40]), float(found.hours_since_front[55]), float(found.front_strength[55])
    (10.0, 5.0, 1.0)
    >>> float(found.hours_to_front[0]), float(found.hours_since_front[0])
    (200.0, nan)
    """
    behind = hours_in_sight(score)
    before = hours_in_sight(score[..., ::-1])[..., ::-1]
    before = np.concatenate([before[..., 1:], np.zeros_like(before[..., :1])], axis=-1)
    since = _governing(score, passage, range(PAST_H + 1), FADE_PAST_H, behind >= PAST_H)
    ahead = _governing(score, passage, range(-1, -AHEAD_H - 1, -1), FADE_AHEAD_H, before >= AHEAD_H)
    return FrontVariables(
        front_strength=since[0], hours_since_front=since[1], front_strength_ahead=ahead[0], hours_to_front=ahead[1]
    )


def _governing(
    score: Floats, passage: NDArray[np.bool_], offsets: range, fade_h: float, in_sight: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Strength and distance of the front that governs each hour, among those whose onset lies at hour - offset."""
    *lane, onset = np.nonzero(passage)
    strength = front_strength(score[*lane, onset])
    governing = np.where(in_sight, 0.0, np.nan)
    distance = np.where(in_sight, NONE_H, np.nan)
    best = np.full(score.shape, -1.0)
    for offset in offsets:
        hour = onset + offset
        inside = np.flatnonzero((hour >= 0) & (hour < score.shape[-1]))
        at = (*(axis[inside] for axis in lane), hour[inside])
        faded = strength[inside] * math.exp(-abs(offset) / fade_h)
        better = faded > best[at]
        at = tuple(axis[better] for axis in at)
        best[at] = faded[better]
        governing[at] = strength[inside[better]]
        distance[at] = abs(offset)
    return governing, distance
