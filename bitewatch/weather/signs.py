"""What one hourly series shows of a front: short gaps filled, the daily cycle taken out, four signs weighed.

Windows, scales and weights are the project's own, set by hand before anything was scored. Every step works along the
last axis (time) and never across lanes, so a cell in a batch gets bit for bit what it gets alone.
"""

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from bitewatch.weather.hourly import Floats

N = TypeVar("N", np.float64, np.int8)

LONGEST_FILLED_H = 3  #: longer gaps stay missing (own choice)
CALM_MS = 0.3  #: below this a vane does not point anywhere
CYCLE_DAYS = 31  #: days over which the daily cycle is averaged (own choice)
REACH_H = 7  #: no sign looks further than this

SCALE_TEMPERATURE_K, SCALE_DEW_POINT_K, SCALE_PRESSURE_HPA, SCALE_WIND_MS, SCALE_VEER_DEG = 4.0, 5.0, 3.0, 6.0, 90.0
STEADY_WIND_MS = 2.0  #: below this on either side of the front, a change of direction counts for less
WEIGHTS = (1.0, 0.8, 1.0, 1.0)  #: temperature, dew point, pressure, wind
SHOWING = 0.25  #: a sign above this shows
SIGNS_NEEDED = 3  #: of four; a missing one counts half


def fill_short_gaps(x: Floats) -> Floats:
    """Gaps of at most `LONGEST_FILLED_H` hours filled along a straight line; longer ones and the ends stay missing."""
    present = np.isfinite(x)
    if present.all():
        return x
    filled = x.copy()
    for length in range(1, min(LONGEST_FILLED_H, x.shape[-1] - 2) + 1):
        gap = present[..., : -length - 1] & present[..., length + 1 :]
        for step in range(1, length + 1):
            gap &= ~present[..., step : step - length - 1]
        *lane, before = np.nonzero(gap)
        left, right = x[*lane, before], x[*lane, before + length + 1]
        for step in range(1, length + 1):
            filled[*lane, before + step] = left + (right - left) * (step / (length + 1))
    return filled


def wind_components(speed_ms: Floats, from_deg: Floats) -> tuple[Floats, Floats]:
    """Wind toward the east and toward the north, m/s; in a calm both are 0, whatever the vane says."""
    from_rad = np.deg2rad(from_deg)
    calm = speed_ms < CALM_MS
    u = np.where(calm, 0.0, -speed_ms * np.sin(from_rad))
    v = np.where(calm, 0.0, -speed_ms * np.cos(from_rad))
    return u, v


def _padded(x: Floats, pad_h: int) -> tuple[Floats, NDArray[np.int8]]:
    """The series with empty hours at both ends, 0 where missing; and 1 where it is present."""
    inner = slice(pad_h, pad_h + x.shape[-1])
    filled = np.zeros((*x.shape[:-1], x.shape[-1] + 2 * pad_h))
    present = np.zeros(filled.shape, np.int8)
    present[..., inner] = there = np.isfinite(x)
    np.copyto(filled[..., inner], x, where=there)
    return filled, present


class WindowMeans:
    """Means over every window of ``width`` hours; at least half the hours (and one) must be present, or it is missing.

    At the ends of the record a window holds what there is.
    """

    def __init__(self, x: Floats, width: int):
        self._pad_h = max(REACH_H, width)
        filled, present = _padded(x, self._pad_h)
        windows = filled.shape[-1] - width + 1
        total, count = filled[..., :windows].copy(), present[..., :windows].copy()
        for lag in range(1, width):
            total += filled[..., lag : lag + windows]
            count += present[..., lag : lag + windows]
        total /= np.maximum(count, 1)
        total[count < max(1, width // 2)] = np.nan
        self._means = total
        self._hours = x.shape[-1]

    def starting(self, offset_h: int) -> Floats:
        """For each hour t the mean of the window that starts at t + ``offset_h``."""
        first = self._pad_h + offset_h
        return self._means[..., first : first + self._hours]


def centred_day_mean(x: Floats) -> Floats:
    """Mean over 25 hours, the outer two by half, of what is present; missing where that weighs 8 hours or less."""
    filled, present = _padded(x, 12)
    twice_total, twice_weight = _two_days_around(filled), _two_days_around(present)
    mean = twice_total / np.maximum(twice_weight, 1)
    mean[twice_weight <= 16] = np.nan
    return mean


def _two_days_around(x: NDArray[N]) -> NDArray[N]:
    """The 24 hours from t - 12 and the 24 hours from t - 11 together, summed by doubling."""
    of2 = x[..., :-1] + x[..., 1:]
    of4 = of2[..., :-2] + of2[..., 2:]
    of8 = of4[..., :-4] + of4[..., 4:]
    of24 = of8[..., :-16] + of8[..., 8:-8] + of8[..., 16:]
    both: NDArray[N] = of24[..., :-1] + of24[..., 1:]
    return both


def without_daily_cycle(x: Floats, *, first_hour: int, harmonics: int) -> Floats:
    """The series less its daily cycle: what each hour of the day differs from its day, over the 31 days around.

    Parameters
    ----------
    x : ndarray, shape (..., T)
        Hourly values, NaN where missing.
    first_hour : int
        UTC hour of the day of the first value.
    harmonics : int
        How many harmonics of the day the cycle keeps; more would let a single front into it.

    Returns
    -------
    ndarray, shape (..., T)
        The series less the cycle, whose own mean over a day is 0.

    Examples
    --------
    >>> hour = np.arange(24.0 * 20)
    >>> cycle = 6 * np.cos(2 * np.pi * (hour - 20) / 24)
    >>> bool(np.abs(without_daily_cycle(10 + cycle, first_hour=0, harmonics=3) - 10)[24:-24].max() < 0.6)
    True
    """
    hours = x.shape[-1]
    days = -(-(first_hour + hours) // 24)
    anomaly = np.full((*x.shape[:-1], days * 24), np.nan)
    anomaly[..., first_hour : first_hour + hours] = x - centred_day_mean(x)
    anomaly = anomaly.reshape(*x.shape[:-1], days, 24)
    present = np.isfinite(anomaly)
    total = _running_total(np.where(present, anomaly, 0.0))
    count = _running_total(present.astype(float))
    first = np.clip(np.arange(days) - CYCLE_DAYS // 2, 0, max(days - CYCLE_DAYS, 0))
    last = np.minimum(first + CYCLE_DAYS, days)
    by_hour = (total[..., last, :] - total[..., first, :]) / np.maximum(count[..., last, :] - count[..., first, :], 1.0)
    waves = np.fft.rfft(by_hour, axis=-1)
    waves[..., 0] = 0.0
    waves[..., harmonics + 1 :] = 0.0
    cycle = np.fft.irfft(waves, n=24, axis=-1).reshape(*x.shape[:-1], days * 24)
    return x - cycle[..., first_hour : first_hour + hours]


def _running_total(by_day: Floats) -> Floats:
    """Totals over the days before each day, with one more entry for all of them."""
    total = np.zeros((*by_day.shape[:-2], by_day.shape[-2] + 1, by_day.shape[-1]))
    np.cumsum(by_day, axis=-2, out=total[..., 1:, :])
    return total


def temperature_sign(air_temp_c: Floats) -> Floats:
    """The four hours before against the five hours after, in scales of 4 K; the daily cycle must be out."""
    fall = WindowMeans(air_temp_c, 4).starting(-4) - WindowMeans(air_temp_c, 5).starting(1)
    return np.clip(fall / SCALE_TEMPERATURE_K, -1.0, 2.0)


def dew_point_sign(dew_point_c: Floats) -> Floats:
    """The four hours before against hours two to seven after, in scales of 5 K."""
    fall = WindowMeans(dew_point_c, 4).starting(-4) - WindowMeans(dew_point_c, 6).starting(2)
    return np.clip(fall / SCALE_DEW_POINT_K, -1.0, 2.0)


def pressure_sign(pressure_hpa: Floats) -> Floats:
    """The rise after and its kink against the hours before, in scales of 3 hPa; the daily cycle must be out."""
    pairs = WindowMeans(pressure_hpa, 2)
    rise = pairs.starting(3) - pairs.starting(-1)
    before = pairs.starting(-1) - pairs.starting(-5)
    return np.clip((0.6 * (rise - before) + 0.4 * rise) / SCALE_PRESSURE_HPA, -1.0, 2.0)


def wind_sign(u_ms: Floats, v_ms: Floats) -> Floats:
    """What the poleward wind loses, in scales of 6 m/s, and how far the wind veers, in quarter circles."""
    u, v = WindowMeans(u_ms, 3), WindowMeans(v_ms, 3)
    u_before, v_before, u_after, v_after = u.starting(-3), v.starting(-3), u.starting(1), v.starting(1)
    cross = u_before * v_after - v_before * u_after
    along = u_before * u_after + v_before * v_after
    veer_deg = -np.degrees(np.arctan2(cross, along))
    slower_ms = np.sqrt(np.minimum(u_before**2 + v_before**2, u_after**2 + v_after**2))
    steady = np.minimum(slower_ms / STEADY_WIND_MS, 1.0)
    loss = np.clip((v_before - v_after) / SCALE_WIND_MS, -1.0, 2.0)
    return 0.6 * loss + 0.4 * steady * np.clip(veer_deg / SCALE_VEER_DEG, -1.0, 1.5)


def weigh(temperature: Floats, dew_point: Floats, pressure: Floats, wind: Floats) -> Floats:
    """The score of four signs: their weighted mean times the sum of all weights, held to 0 where too few show.

    Missing where fewer than two signs are present.

    >>> print(weigh(*np.array([[1.5], [1.0], [1.4], [1.2]])).round(3))
    [4.9]
    """
    total, weight = np.zeros(temperature.shape), np.zeros(temperature.shape)
    present_signs, showing = np.zeros(temperature.shape, np.int8), np.zeros(temperature.shape)
    for sign, its_weight in zip((temperature, dew_point, pressure, wind), WEIGHTS, strict=True):
        present = np.isfinite(sign)
        total += np.where(present, its_weight * sign, 0.0)
        weight += its_weight * present
        present_signs += present
        showing += np.where(present, sign > SHOWING, 0.5)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = total * (sum(WEIGHTS) / weight)
    score = np.where(showing < SIGNS_NEEDED, np.minimum(score, 0.0), score)
    score[present_signs < 2] = np.nan
    return score
