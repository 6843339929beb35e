"""The air over the trip, and its sun, in one sentence each."""

from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from bitewatch.brief import front_lines
from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.words import Words, compass
from bitewatch.lake.local_time import datetime_to_np
from bitewatch.weather.sun import sun_events

VEERED_DEG = 45.0  #: winds nearer to each other than this are told as one [own]
NEAR_SUN = timedelta(hours=1)  #: sunrise and sunset so near to the trip are told


def air_line(lake_day: LakeDay, outlook: Outlook, words: Words) -> str:
    """Temperature and wind of the trip, and its sun."""
    trip = outlook.trip
    wind, air = outlook.hourly["wind_speed_ms"][trip], outlook.hourly["air_temp_c"][trip]
    told = f"Air {words.temperature(float(np.nanmin(air)))} to {words.temperature(float(np.nanmax(air)))}"
    told += f", wind {words.winds(float(np.nanmin(wind)), float(np.nanmax(wind)))}"
    told += _wind_from(outlook.hourly["wind_from_deg"][trip], _front_hour(lake_day, outlook))
    return f"{told}.{_sun_words(lake_day, words)}"


def _front_hour(lake_day: LakeDay, outlook: Outlook) -> int | None:
    """How many trip hours lie before the first front inside the trip; None if there is none."""
    trip_time = outlook.hourly.time[outlook.trip]
    for front in front_lines.in_trip(lake_day):
        before = int((trip_time < datetime_to_np(front_lines.onset(front))).sum())
        if 0 < before < trip_time.size:
            return before
    return None


def _wind_from(direction_deg: NDArray[np.float64], front_hour: int | None) -> str:
    """Where the wind comes from: one direction, or what it is first and what later; empty if not known."""
    third = max(1, direction_deg.size // 3)
    first, last = (
        _mean_deg(part)
        for part in (
            (direction_deg[:front_hour], direction_deg[front_hour:])
            if front_hour is not None
            else (direction_deg[:third], direction_deg[-third:])
        )
    )
    if first is not None and last is not None:
        turned = abs((last - first + 180) % 360 - 180)
        if turned >= VEERED_DEG and compass(first) != compass(last):
            return f" from {compass(first)}, later {compass(last)}"
    whole = _mean_deg(direction_deg)
    return "" if whole is None else f" from {compass(whole)}"


def _mean_deg(direction_deg: NDArray[np.float64]) -> float | None:
    known = np.radians(direction_deg[~np.isnan(direction_deg)])
    if not known.size:
        return None
    return float(np.degrees(np.arctan2(np.sin(known).mean(), np.cos(known).mean())) % 360)


def _sun_words(lake_day: LakeDay, words: Words) -> str:
    """Sunrise and sunset in the trip or within an hour of it, by the days that they belong to."""
    lake, day, events = lake_day.lake, lake_day.day, []
    while day <= lake_day.end.astimezone(lake.zone_info).date():
        sun = sun_events(day, lake.latitude, lake.longitude)
        events += [(sun.sunrise, "Sunrise"), (sun.sunset, "Sunset")]
        day += timedelta(days=1)
    near = [
        (at, name)
        for at, name in events
        if at is not None and lake_day.start - NEAR_SUN <= at <= lake_day.end + NEAR_SUN
    ]
    return "".join(f" {name} {words.clock(at)}." for at, name in sorted(near))
