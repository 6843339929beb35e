"""The front that governs each hour: the one that passed, and the one to come, as the rules ask for them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.local_time import np_to_datetime
from bitewatch.weather.fronts import SAME_PASSAGE, front_strength, score_of_strength
from bitewatch.weather.hourly import Floats, Times

PAST_H, AHEAD_H = 120, 48  #: how far the governing front may be
FADE_PAST_H, FADE_AHEAD_H = 36.0, 12.0  #: a front's weight falls to 1/e (own choice)
NONE_H = 200.0  #: hours to a front that is known not to be there
BLIND_H = 3  #: a longer run of hours without a score could hide a front
BEFORE_H = 240  #: how far before a table known fronts count: spells look back ten days


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontVariables:
    """The rule variables of fronts on arrays of shape (..., T).

    No front in sight: strength 0 and `NONE_H` hours. Not enough hours in sight to say so: NaN for both.
    """

    front_strength: Floats
    hours_since_front: Floats
    front_strength_ahead: Floats
    hours_to_front: Floats

    def within(self, hours: slice) -> "FrontVariables":
        """The same of some of the hours."""
        return FrontVariables(
            front_strength=self.front_strength[..., hours],
            hours_since_front=self.hours_since_front[..., hours],
            front_strength_ahead=self.front_strength_ahead[..., hours],
            hours_to_front=self.hours_to_front[..., hours],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Passages:
    """Scores and passages of one cell, over the hours of a table and beyond them at both ends."""

    score: Floats  #: shape (`BEFORE_H` + T + `AHEAD_H`,); NaN where neither the table nor a known front tells
    passage: NDArray[np.bool_]
    table: slice  #: where the T hours of the table lie


def with_known(
    time: Times, score: Floats, passage: NDArray[np.bool_], known: Sequence[tuple[datetime, float]],
    denied: Sequence[datetime] = (),
) -> Passages:  # fmt: skip
    """The passages that a table shows, with fronts that are known from elsewhere and not shown by it.

    A front found once stays known after its hours leave the window or the source changes. It counts as a passage at
    its hour, within the table or beyond it; the hours around it stay unseen, but for the few (`BLIND_H`) that could
    hide nothing so near to a front.

    Parameters
    ----------
    time, score, passage : ndarray, shape (T,)
        Of one cell: the hours, the score of each [1], and True at the onsets.
    known : sequence of (datetime, float)
        Onset and strength (0 to 1) of the cold fronts that are known. One less than nine hours from a passage of the
        table is that passage, and the table has its hour.
    denied : sequence of datetime
        Onsets of fronts that did not come, as a station's hours show; a passage of the table this near to one is none.

    Returns
    -------
    Passages
        For `front_variables`, whose arrays ``within(table)`` are those of the table's hours.

    Raises
    ------
    ValueError
        If the arrays are not those of one cell.

    Examples
    --------
    >>> from datetime import UTC
    >>> time = np.datetime64("2026-07-20T00", "s") + np.arange(72) * np.timedelta64(3600, "s")
    >>> blank = np.zeros(72), np.zeros(72, bool)
    >>> told = with_known(time, *blank, [(datetime(2026, 7, 19, 22, tzinfo=UTC), 1.0)])
    >>> found = front_variables(told.score, told.passage).within(told.table)
    >>> float(found.hours_since_front[5]), float(found.front_strength[5])
    (7.0, 1.0)
    """
    if not time.shape == score.shape == passage.shape:
        raise ValueError(f"one cell at a time, got {score.shape} for {time.size} hours")
    table = slice(BEFORE_H, BEFORE_H + time.size)
    wider_score = np.concatenate([np.full(BEFORE_H, np.nan), score, np.full(AHEAD_H, np.nan)])
    wider_passage = np.zeros(wider_score.size, bool)
    wider_passage[table] = passage
    same_h = SAME_PASSAGE // timedelta(hours=1)
    for onset in denied:
        hour = _hour(onset, time)
        wider_passage[max(0, hour - same_h + 1) : max(0, hour + same_h)] = False
    shown = np.flatnonzero(wider_passage)
    for onset, strength in known:
        hour = _hour(onset, time)
        if 0 <= hour < wider_score.size and not (abs(shown - hour) < same_h).any():
            wider_score[hour], wider_passage[hour] = score_of_strength(strength), True
    return Passages(score=wider_score, passage=wider_passage, table=table)


def _hour(onset: datetime, time: Times) -> int:
    return BEFORE_H + round((onset - np_to_datetime(time[0])) / timedelta(hours=1))


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
