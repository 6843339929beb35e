"""An hourly series made ready for fronts: short gaps filled, the daily cycle taken out, means over windows.

Every step works along the last axis (time) and never across lanes, so a cell in a batch gets bit for bit what it gets
alone. Windows are the project's own.
"""

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from bitewatch.weather.hourly import Floats

M = TypeVar("M", np.float64, np.int16)
N = TypeVar("N", np.float64, np.int8)

LONGEST_FILLED_H = 3  #: longer gaps stay missing (own choice)
CALM_MS = 0.3  #: below this a vane does not point anywhere
CYCLE_DAYS = 31  #: days over which the daily cycle is averaged (own choice)


def fill_short_gaps(x: Floats) -> Floats:
    """Gaps of at most `LONGEST_FILLED_H` hours filled along a straight line; longer ones and the ends stay missing."""
    present = np.isfinite(x)
    if present.all():
        return x
    filled = x.copy()
    hours = x.shape[-1]
    values, there = filled.reshape(-1), present.reshape(-1)  # the lanes behind one another
    before = np.flatnonzero(there[:-1] & ~there[1:])
    for length in range(1, LONGEST_FILLED_H + 1):
        after = before + length + 1
        closed = (before % hours + length + 1 < hours) & there[np.minimum(after, there.size - 1)]
        start, end = before[closed], after[closed]
        for step in range(1, length + 1):
            values[start + step] = values[start] + (values[end] - values[start]) * (step / (length + 1))
        before = before[~closed]
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


class Windows:
    """Means of a series over the hours around each hour.

    At the ends of the record a window holds what there is; where less than half of its hours (or none) is present its
    mean is missing.
    """

    def __init__(self, x: Floats, reach_h: int):
        self._reach_h = reach_h
        self._hours = x.shape[-1]
        self._filled, self._present = _padded(x, reach_h)
        self._means: dict[int, Floats] = {}

    def mean(self, first_h: int, last_h: int) -> Floats:
        """For each hour t the mean over the hours from t + ``first_h`` to t + ``last_h``, both included."""
        width = last_h - first_h + 1
        if width not in self._means:
            self._means[width] = self._over(width)
        start = self._reach_h + first_h
        return self._means[width][..., start : start + self._hours]

    def _over(self, width: int) -> Floats:
        windows = self._filled.shape[-1] - width + 1
        total, count = self._filled[..., :windows].copy(), self._present[..., :windows].copy()
        for lag in range(1, width):
            total += self._filled[..., lag : lag + windows]
            count += self._present[..., lag : lag + windows]
        with np.errstate(invalid="ignore"):
            total /= count
        if width // 2 > 1:
            np.copyto(total, np.nan, where=count < width // 2)
        return total


def centred_day_mean(x: Floats) -> Floats:
    """Mean over 25 hours, the outer two by half, of what is present; missing where that weighs 8 hours or less."""
    filled, present = _padded(x, 12)
    twice_total, twice_weight = _two_days_around(filled), _two_days_around(present)
    with np.errstate(invalid="ignore"):
        twice_total /= twice_weight
    np.copyto(twice_total, np.nan, where=twice_weight <= 16)
    return twice_total


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
    anomaly = np.zeros((*x.shape[:-1], days * 24))
    inner = slice(first_hour, first_hour + hours)
    np.subtract(x, centred_day_mean(x), out=anomaly[..., inner])
    missing = np.isnan(anomaly)
    np.copyto(anomaly, 0.0, where=missing)
    missing[..., : inner.start] = missing[..., inner.stop :] = True
    total = _running_total(anomaly.reshape(*x.shape[:-1], days, 24))
    count = _running_total((~missing).view(np.int8).astype(np.int16).reshape(*x.shape[:-1], days, 24))
    # near the ends of a record, and all over a short one, neighbouring days share their window
    first, window = np.unique(
        np.clip(np.arange(days) - CYCLE_DAYS // 2, 0, max(days - CYCLE_DAYS, 0)), return_inverse=True
    )
    last = np.minimum(first + CYCLE_DAYS, days)
    by_hour = (total[..., last, :] - total[..., first, :]) / np.maximum(count[..., last, :] - count[..., first, :], 1)
    waves = np.fft.rfft(by_hour, axis=-1)
    waves[..., 0] = 0.0
    waves[..., harmonics + 1 :] = 0.0
    cycle = np.fft.irfft(waves, n=24, axis=-1)[..., window, :].reshape(*x.shape[:-1], days * 24)
    return x - cycle[..., inner]


def _running_total(by_day: NDArray[M]) -> NDArray[M]:
    """Totals over the days before each day, with one more entry for all of them."""
    total = np.zeros((*by_day.shape[:-2], by_day.shape[-2] + 1, by_day.shape[-1]), by_day.dtype)
    np.cumsum(by_day, axis=-2, out=total[..., 1:, :])
    return total
