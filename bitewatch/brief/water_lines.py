"""The water in sentences: how warm, how far that has moved, how it stands against its normal, layers, season."""

from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.words import Words, sentence
from bitewatch.lake.clarity import secchi_used
from bitewatch.lake.local_time import np_to_datetime
from bitewatch.water.light import light_in_water_wm2
from bitewatch.water.oxygen import Known
from bitewatch.weather.hourly import Floats

BRIGHT_WM2 = 10**1.85  #: where the rule for bright tops is half on
DIM_WM2 = 1.0  #: below it a bait shows as a shade at best [own]
LITTLE_SD = 0.5  #: a change of less than this share of its spread is told as little [own]


def water_lines(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[str]:
    """Temperature and its change, layers and oxygen, season; nothing of what is not known."""
    found = [
        _temperature(lake_day, outlook, words), _layers(outlook, words), _oxygen(lake_day, outlook, words),
        _light(lake_day, outlook, words),
    ]  # fmt: skip
    season = outlook.water.season
    told = [sentence(line) for line in found if line]
    # ice is a danger and stands with the cautions
    told += [sentence(f"{line.words} ({line.source})") for line in season.lines if line is not season.ice]
    if season.outside:
        told.append(sentence(f"{season.outside}: the call leans on the rules only by half"))
    return told


def water_facts(outlook: Outlook) -> dict[str, Any]:
    """The same as numbers; those of hours are of the first trip hour."""
    water, at = outlook.water, outlook.trip.start
    low, high = water.thermocline_range_m
    return {
        "temp_c": _number(water.hours.value_c[at]),
        "sd_c": _number(water.hours.sd_c[at]),
        "change_3d_c": _number(water.hours.change_3d_c[at]),
        "change_sd_c": _number(water.hours.change_sd_c[at]),
        "days_ahead": None if water.ahead is None else _number(water.ahead.days, 1),
        "days_ahead_sd": None if water.ahead is None else _number(water.ahead.sd_days, 1),
        "mixed_m": _number(water.mixed_m, 1),
        "thermocline": {"m": _number(water.thermocline_m, 1), "low_m": _number(low, 1), "high_m": _number(high, 1)},
        "layered": water.layered,
        "oxygen_margin_m": _number(water.oxygen.margin_m, 1),
        "oxygen_known": water.oxygen.known.value,
        "season": [
            {"stage": line.stage.value, "words": line.words, "source": line.source} for line in water.season.lines
        ],
        "outside_season": water.season.outside or None,
    }


def _temperature(lake_day: LakeDay, outlook: Outlook, words: Words) -> str:
    hours, at = outlook.water.hours, outlook.trip.start
    value, sd = float(hours.value_c[at]), float(hours.sd_c[at])
    if np.isnan(value):
        return ""
    told = f"water {words.temperature(value)} at the start, give or take {words.degrees(sd)}"
    change, change_sd = float(hours.change_3d_c[at]), float(hours.change_sd_c[at])
    since = np_to_datetime(outlook.hourly.time[at]) - timedelta(days=3)
    day = f"{since.astimezone(lake_day.lake.zone_info):%A}"
    if not np.isnan(change):
        if abs(change) < LITTLE_SD * change_sd or words.degrees(abs(change)) == words.degrees(0.0):
            told += f", little changed since {day}"
        else:
            moved = "up" if change > 0 else "down"
            told += f", {moved} {words.degrees(abs(change))} since {day} (give or take {words.degrees(change_sd)})"
    ahead = outlook.water.ahead
    if ahead is not None:
        days = round(abs(ahead.days))
        plural = "day" if days == 1 else "days"
        side = "ahead of" if ahead.days > 0 else "behind"
        told += f", {f'{days} {plural} {side}' if days else 'on the day of'} normal"
        if not np.isnan(ahead.sd_days):
            told += f" (single years lie {round(ahead.sd_days)} either side of it)"
    return told


def _layers(outlook: Outlook, words: Words) -> str:
    water = outlook.water
    if water.mixed_through:
        return "the lake is mixed from top to bottom, as cold water is"
    if water.layered is False:
        return "the lake is too shallow to layer"
    if np.isnan(water.thermocline_m):
        return ""
    low, high = water.thermocline_range_m
    perhaps = "" if water.layered else ", if the lake is deep enough to layer"
    return f"mixed to about {words.depth(water.mixed_m)}, thermocline likely at {words.depths(low, high)}{perhaps}"


def _oxygen(lake_day: LakeDay, outlook: Outlook, words: Words) -> str:
    oxygen = outlook.water.oxygen
    if np.isnan(oxygen.margin_m):
        return ""
    foot = "foot of the rock" if lake_day.lake.is_rock else "weed edge"
    off = words.depth(abs(oxygen.margin_m))
    side = "below" if oxygen.margin_m > 0 else "above"
    if oxygen.at_least:
        return f"oxygen reaches {off} {side} the {foot} or deeper (measured as far as the probe went)"
    told = f"oxygen ends {off} {side} the {foot}" if words.depth(0.0) != off else f"oxygen ends at the {foot}"
    return f"{told} ({'a guess from the layers' if oxygen.known is Known.GUESSED else 'measured'})"


def _light(lake_day: LakeDay, outlook: Outlook, words: Words) -> str:
    """From when to when it is bright at the weed tops on that day, and how it is at the start."""
    secchi = secchi_used(lake_day.lake).secchi_m
    if secchi is None:
        return ""
    light = light_in_water_wm2(
        outlook.hourly["shortwave_wm2"], outlook.sun.elevation_deg, outlook.hourly["cloud_pct"], secchi,
        lake_day.depths.tops_m,
    )  # fmt: skip
    tops = "top of the rock" if lake_day.lake.is_rock else "weed tops"
    today = np.flatnonzero(outlook.local_days == np.datetime64(lake_day.day))
    start = float(light[outlook.trip.start])
    if np.isnan(start):
        return ""
    now = "bright" if start >= BRIGHT_WM2 else "dark" if start < DIM_WM2 else "dim"
    if np.isnan(light[today]).any():
        return f"light at the {tops}: {now} at the start, later not known"
    bright = _longest_run(today[light[today] >= BRIGHT_WM2])
    if not bright.size:
        return f"light at the {tops}: {now} at the start, and never bright that day"
    first, last = (np_to_datetime(outlook.hourly.time[at]) for at in (bright[0], bright[-1]))
    if words.hour(first) == words.hour(last):
        return f"light at the {tops}: {now} at the start, bright only {words.hour(first)}"
    return f"light at the {tops}: {now} at the start, bright from {words.hour(first)} to {words.hour(last)}"


def _longest_run(hours: NDArray[np.intp]) -> NDArray[np.intp]:
    """The longest stretch of hours that follow each other; of equals the first."""
    runs = np.split(hours, np.flatnonzero(np.diff(hours) != 1) + 1)
    return max(runs, key=len)


def wave_words(outlook: Outlook, lane: int, hours: slice, words: Words) -> str:
    """How high the waves run at a spot over some hours; empty where its shore or place is not known."""
    heights: Floats = outlook.spot_wave_m[lane, hours]
    known = heights[~np.isnan(heights)]
    return f"waves there {words.wave(float(known.max()))}" if known.size else ""


def _number(value: float, digits: int = 2) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None
