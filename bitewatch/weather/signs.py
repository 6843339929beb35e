"""What each hour shows of a front: how temperature, dew point, pressure and wind change around it, weighed together.

Windows, scales and weights are the project's own, set by hand before anything was scored. Every step works along the
last axis (time) and never across lanes, so a cell in a batch gets bit for bit what it gets alone.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bitewatch.weather import series
from bitewatch.weather.hourly import HOUR, Floats, Hourly

LOOKS_BACK_H, LOOKS_AHEAD_H = 5, 7  #: the hours around each hour that its signs are taken from
UNSCORED_H = 2  #: hours at either end of a record that have no score
STEADY_WIND_MS = 2.0  #: below this on either side of the front, a change of direction counts for less
SCALE_PRESSURE_HPA, SCALE_VEER_DEG = 3.0, 90.0
DEG_PER_RAD = 180 / np.pi
CALM_MS2 = 1e-9  #: product of two speeds below which there is no angle between them
COLD_K, COLD_DEW_POINT_K, COLD_WIND_MS = 4.0, 5.0, 6.0  #: changes of an ordinary cold front
WARM_K, WARM_DEW_POINT_K, WARM_WIND_MS = 4.0, 4.0, 5.0  #: changes of an ordinary warm front
COLD_WEIGHTS = (1.0, 0.8, 1.0, 1.0)  #: temperature, dew point, pressure, wind
WARM_WEIGHTS = (1.0, 0.8, 1.0, 0.8)
SHOWING = 0.25  #: a sign above this shows
SIGNS_NEEDED = 3  #: of four; a missing one counts half
BLOCK_HOURS = 48_000  #: hours worked on at once: what they need stays near the core


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """How the air changes around each hour, on arrays of shape (..., T); NaN where missing."""

    fall_k: Floats  #: of the air temperature, its daily cycle taken out
    dew_point_fall_k: Floats
    rise_hpa: Floats  #: of the pressure, after the hour; its daily cycle taken out
    rise_before_hpa: Floats
    poleward_loss_ms: Floats  #: what the wind toward the pole loses
    veer_deg: Floats  #: clockwise in the north
    steady: Floats  #: from 0 to 1: how far the winds are strong enough to have a direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Signs:
    """What each hour shows of a front, on arrays of shape (..., T); NaN where missing.

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


Kind = Callable[[Changes], Signs]


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
    return front_signs(hourly, latitude, cold)[0]


def front_signs(hourly: Hourly, latitude: ArrayLike, *kinds: Kind) -> tuple[Signs, ...]:
    """What each hour shows of each of these kinds of fronts, `cold` or `warm`; as `cold_front_signs` otherwise."""
    shape = hourly["air_temp_c"].shape
    southern = np.broadcast_to(np.asarray(latitude, float), shape[:-1]).reshape(-1) < 0
    columns = [
        hourly[name].reshape(southern.size, shape[-1])
        for name in ("air_temp_c", "dew_point_c", "pressure_hpa", "wind_speed_ms", "wind_from_deg")
    ]
    first_hour = int((hourly.time[0] - hourly.time[0].astype("datetime64[D]")) // HOUR) if hourly.time.size else 0
    found = np.empty((len(kinds), 5, southern.size, shape[-1]))
    lanes = max(1, BLOCK_HOURS // max(1, shape[-1]))
    for first in range(0, southern.size, lanes):
        block = slice(first, first + lanes)
        changes = _changes(*(column[block] for column in columns), southern=southern[block], first_hour=first_hour)
        for kind, into in zip(kinds, found, strict=True):
            signs = kind(changes)
            parts = (signs.temperature, signs.dew_point, signs.pressure, signs.wind, signs.score)
            for part, row in zip(parts, into, strict=True):
                row[block] = part
    return tuple(
        Signs(temperature=each[0], dew_point=each[1], pressure=each[2], wind=each[3], score=each[4])
        for each in found.reshape(len(kinds), 5, *shape)
    )


def _changes(
    air_temp_c: Floats, dew_point_c: Floats, pressure_hpa: Floats, wind_speed_ms: Floats, wind_from_deg: Floats,
    *, southern: NDArray[np.bool_], first_hour: int,
) -> Changes:  # fmt: skip
    air_temp_c, dew_point_c, pressure_hpa = map(series.fill_short_gaps, (air_temp_c, dew_point_c, pressure_hpa))
    u, v = map(series.fill_short_gaps, series.wind_components(wind_speed_ms, wind_from_deg))
    if southern.any():
        v = np.where(southern[:, None], -v, v)
    air_temp_c = series.without_daily_cycle(air_temp_c, first_hour=first_hour, harmonics=3)
    pressure_hpa = series.without_daily_cycle(pressure_hpa, first_hour=first_hour, harmonics=2)
    return changes_of(air_temp_c, dew_point_c, pressure_hpa, u, v)


def changes_of(air_temp_c: Floats, dew_point_c: Floats, pressure_hpa: Floats, u_ms: Floats, v_ms: Floats) -> Changes:
    """How series that are ready change around each hour: gaps filled, daily cycles out, ``v_ms`` toward the pole."""
    temperature, dew_point, pressure, u, v = (
        series.Windows(x, LOOKS_AHEAD_H) for x in (air_temp_c, dew_point_c, pressure_hpa, u_ms, v_ms)
    )
    u_before, v_before, u_after, v_after = u.mean(-3, -1), v.mean(-3, -1), u.mean(1, 3), v.mean(1, 3)
    cross = u_before * v_after - v_before * u_after
    along = u_before * u_after + v_before * v_after
    before_ms, after_ms = np.sqrt(u_before**2 + v_before**2), np.sqrt(u_after**2 + v_after**2)
    # several times as fast as arctan2, and as good: a calm has no direction, and is not steady
    turn = np.arccos(np.clip(along / np.maximum(before_ms * after_ms, CALM_MS2), -1.0, 1.0))
    now_hpa = pressure.mean(-1, 0)
    return Changes(
        fall_k=temperature.mean(-4, -1) - temperature.mean(1, 5),
        dew_point_fall_k=dew_point.mean(-4, -1) - dew_point.mean(2, 7),
        rise_hpa=pressure.mean(3, 4) - now_hpa,
        rise_before_hpa=now_hpa - pressure.mean(-5, -4),
        poleward_loss_ms=v_before - v_after,
        veer_deg=np.copysign(turn, -cross) * DEG_PER_RAD,
        steady=np.minimum(np.minimum(before_ms, after_ms) / STEADY_WIND_MS, 1.0),
    )


def cold(changes: Changes) -> Signs:
    """Colder, drier, the pressure turned from falling to rising, less wind toward the pole, and the wind veered."""
    kink_hpa = 0.6 * (changes.rise_hpa - changes.rise_before_hpa) + 0.4 * changes.rise_hpa
    return _signs(
        changes.fall_k / COLD_K, changes.dew_point_fall_k / COLD_DEW_POINT_K,
        np.clip(kink_hpa / SCALE_PRESSURE_HPA, -1.0, 2.0),
        _wind(changes, changes.poleward_loss_ms / COLD_WIND_MS), COLD_WEIGHTS,
    )  # fmt: skip


def warm(changes: Changes) -> Signs:
    """Warmer, moister, after a falling pressure, more wind toward the pole, and the wind veered.

    Judged on three events only: for words, not for rules.
    """
    return _signs(
        -changes.fall_k / WARM_K, -changes.dew_point_fall_k / WARM_DEW_POINT_K,
        0.5 * np.clip(-changes.rise_before_hpa / SCALE_PRESSURE_HPA, -1.0, 2.0),
        _wind(changes, -changes.poleward_loss_ms / WARM_WIND_MS), WARM_WEIGHTS,
    )  # fmt: skip


def _wind(changes: Changes, in_scales: Floats) -> Floats:
    veer = changes.steady * np.clip(changes.veer_deg / SCALE_VEER_DEG, -1.0, 1.5)
    return 0.6 * np.clip(in_scales, -1.0, 2.0) + 0.4 * veer


def _signs(temperature: Floats, dew_point: Floats, pressure: Floats, wind: Floats, weights: tuple[float, ...]) -> Signs:
    temperature, dew_point = np.clip(temperature, -1.0, 2.0), np.clip(dew_point, -1.0, 2.0)
    score = weigh(temperature, dew_point, pressure, wind, weights=weights)
    return Signs(temperature=temperature, dew_point=dew_point, pressure=pressure, wind=wind, score=score)


def weigh(*signs: Floats, weights: tuple[float, ...]) -> Floats:
    """The score of four signs: their weighted mean times the sum of all weights, held to 0 where too few show.

    Missing where fewer than two signs are present.

    >>> print(weigh(*np.array([[1.5], [1.0], [1.4], [1.2]]), weights=COLD_WEIGHTS).round(3))
    [4.9]
    """
    total = np.zeros(signs[0].shape)
    present, showing_twice = np.zeros(total.shape, np.int8), np.zeros(total.shape, np.int8)
    for bit, (sign, its_weight) in enumerate(zip(signs, weights, strict=True)):
        missing = np.isnan(sign)
        part = its_weight * sign
        np.copyto(part, 0.0, where=missing)
        total += part
        present |= (~missing).view(np.int8) << bit
        showing_twice += missing
        showing_twice += (sign > SHOWING).view(np.int8) << 1
    total *= np.take(_share_present(weights), present)
    np.copyto(total, 0.0, where=(total > 0) & (showing_twice < 2 * SIGNS_NEEDED))
    return total


@cache
def _share_present(weights: tuple[float, ...]) -> Floats:
    """By the signs that are present, a bit for each: all weights over theirs, NaN where fewer than two are."""
    present = (np.arange(2 ** len(weights))[:, None] >> np.arange(len(weights))) & 1
    share = np.full(len(present), np.nan)
    enough = present.sum(axis=-1) >= 2
    share[enough] = sum(weights) / (present[enough] * weights).sum(axis=-1)
    return share
