"""What the air does around the fronts of an invented world: formulas of place, instant and distance to the fronts.

Nothing here claims to be physics. Each column does what a textbook on surface analysis says of a cold front: the wind
veers, temperature and dew point fall, the pressure has its kink, rain and gusts come with it and CAPE before it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np

from bitewatch.weather.hourly import HOUR, Floats, Times
from bitewatch.weather.humidity import humidity_pct

REACH_BEFORE_H, REACH_AFTER_H = 150.0, 260.0  #: beyond, a front leaves no trace worth computing
DAY_H, YEAR_D = 24.0, 365.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Fronts:
    """When fronts reach places, and how strong they are there; (places, fronts)."""

    onset_h: Floats
    strength: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Waves:
    """Slow waves of the large scale that travel east."""

    period_h: Floats
    phase: Floats

    @classmethod
    def drawn(cls, random: np.random.Generator) -> Self:
        return cls(period_h=random.uniform(110, 260, (4, 3)), phase=random.uniform(0, 2 * np.pi, (4, 3)))

    def at(self, which: int, hour: Floats, longitude: Floats) -> Floats:
        """Between about -1 and 1, (places, hours); one degree east is an hour and a half later."""
        total = np.zeros((longitude.size, hour.size))
        for period_h, phase in zip(self.period_h[which], self.phase[which], strict=True):
            turn = 2 * np.pi / period_h
            # cos(a - b) by parts: two rows instead of a whole table of cosines
            east = turn * 1.5 * (longitude[:, None] + 90.0)
            total += np.cos(turn * hour + phase) * np.cos(east) + np.sin(turn * hour + phase) * np.sin(east)
        return total / 2.2


def air(
    latitude: Floats, longitude: Floats, time: Times, *, start: np.datetime64, fronts: Fronts, waves: Waves
) -> Mapping[str, Floats]:
    """Every hourly column, (places, hours).

    Parameters
    ----------
    latitude, longitude : ndarray, shape (N,)
        Places; south of 0 the seasons and the poleward wind are turned round. [deg]
    time : ndarray of datetime64[s], shape (T,)
        Whole hours, UTC.
    start : datetime64
        The instant from which hours are counted.
    fronts : Fronts
        Arrays of shape (N, K).
    waves : Waves
        The large scale.
    """
    hour = (time - start) / HOUR
    south = (latitude < 0)[:, None]
    high = _sine_of_sun(latitude, longitude, time)
    pressure, warmth, breeze, cloudiness = (waves.at(which, hour, longitude) for which in range(4))
    day_of_year = (time - time.astype("datetime64[Y]")) / np.timedelta64(86400, "s")
    season = np.cos(2 * np.pi * (day_of_year - 200.0) / YEAR_D) * np.where(south, -1.0, 1.0)
    warmest = np.cos(2 * np.pi * ((time - time.astype("datetime64[D]")) / HOUR + longitude[:, None] / 15 - 15) / DAY_H)

    temp = 11.0 + 11.0 * season - 0.5 * (np.abs(latitude)[:, None] - 45.0) + 1.2 * warmth
    dew = temp - 6.0
    temp = temp + 4.5 * warmest
    hpa = 1015.0 + 2.5 * pressure + 0.5 * np.cos(2 * np.pi * (time - time.astype("datetime64[D]")) / (12 * HOUR))
    east, poleward = 1.2 + 0.9 * breeze + 0.6 * warmest, 0.8 + 0.9 * warmth
    cloud = 30.0 + 20.0 * cloudiness
    rain, squall, warm_sector = (np.zeros(temp.shape) for _ in range(3))

    near = (fronts.onset_h > hour[0] - REACH_AFTER_H) & (fronts.onset_h < hour[-1] + REACH_BEFORE_H)
    for k in np.flatnonzero((near & (fronts.strength > 0.01)).any(axis=0)):
        since = hour - fronts.onset_h[:, k, None]
        s = np.where((since > -REACH_BEFORE_H) & (since < REACH_AFTER_H), fronts.strength[:, k, None], 0.0)
        before, after = np.exp(np.minimum(since, 0.0) / 36.0), np.exp(-np.maximum(since, 0.0) / 48.0)
        passed = 0.5 + 0.5 * np.tanh((since - 0.7) / 1.1)
        ahead, behind = s * (1 - passed), s * passed
        before_2, after_2 = before * before, after * after  # products: powers are ten times slower
        after_3 = after_2 * after
        temp += 3.5 * ahead * before - 5.0 * behind * after
        dew += 4.0 * ahead * before - 6.5 * behind * after
        hpa += np.where(since < 0, -7.0 * s * before_2, s * (5.0 * after - 12.0 * after_3 * after_2))
        poleward += 5.0 * ahead * before_2 - 5.0 * behind * after_3
        east += 1.5 * ahead * before_2 + 4.0 * behind * after_3
        cloud += 65.0 * s * _bump(since, 7.0) - 22.0 * behind * after
        rain += 4.0 * s * _bump(since - 1.5, 1.8)
        squall += 6.0 * s * _bump(since, 2.5)
        warm_sector += ahead * before_2 * before_2

    dew = np.minimum(dew, temp - 0.3)
    cloud = np.clip(cloud, 0.0, 100.0)
    speed = np.maximum(np.hypot(east, poleward), 0.1)
    north = np.where(south, -poleward, poleward)
    half_hour_ago = _sine_of_sun(latitude, longitude, time - HOUR // 2)
    return {
        "pressure_hpa": hpa,
        "air_temp_c": temp,
        "dew_point_c": dew,
        "humidity_pct": humidity_pct(temp, dew),
        "wind_speed_ms": speed,
        "wind_from_deg": np.degrees(np.arctan2(-east, -north)) % 360.0,
        "wind_gust_ms": 1.45 * speed + squall,
        "cloud_pct": cloud,
        "precip_mm": np.where(rain < 0.25, 0.0, rain),
        "shortwave_wm2": 1020.0 * np.maximum(half_hour_ago, 0.0) ** 1.15 * (1 - 0.7 * (cloud / 100.0) ** 2),
        "cape_jkg": (60.0 + 1900.0 * warm_sector)
        * np.clip((dew - 6.0) / 10.0, 0.0, 1.4)
        * (0.35 + 0.65 * np.maximum(high, 0.0)),
    }


def _bump(since_h: Floats, wide_h: float) -> Floats:
    """1 in the middle, a half at ``wide_h`` from it."""
    square = np.square(since_h / wide_h)
    return np.asarray(1.0 / (1.0 + square * square))


def _sine_of_sun(latitude: Floats, longitude: Floats, time: Times) -> Floats:
    """Sine of the sun's height from a circular orbit: good enough for an invented sky."""
    day_of_year = (time - time.astype("datetime64[Y]")) / np.timedelta64(86400, "s")
    declination = np.radians(23.44) * np.sin(2 * np.pi * (day_of_year - 80.0) / YEAR_D)
    noon_h = (time - time.astype("datetime64[D]")) / HOUR - 12.0
    turn = 2 * np.pi * (noon_h + longitude[:, None] / 15.0) / DAY_H
    lat = np.radians(latitude)[:, None]
    return np.asarray(np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(turn))
