"""Weather that hurts people, and what spares the fish: public numbers with their source, else named as common practice.

None of this stands in for the weather service's own warnings.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.words import Words, position_words
from bitewatch.lake.local_time import np_to_datetime
from bitewatch.units import f_from_c
from bitewatch.weather.heat import heat_index_f

LIGHTNING = (
    "Thunder within 30 seconds of the flash: get to shelter, and wait 30 minutes after the last thunder "
    "(US National Weather Service)."
)
STANDING = (
    LIGHTNING,
    "Follow local regulations, licence and bag limits, fish-consumption advice and the local authorities.",
    "Clean, drain and dry boat and gear between waters.",
    "For the fish (common practice): wet hands, let nest guards go, local rules on lead and bait, "
    "leftover bait in the bin.",
)
GUST_SHARE = 1.5  #: gusts this much over the wind that a boat fishes in are told [own]
COLD_DANGER_C, COLD_CAUTION_C = (60 - 32) / 1.8, (70 - 32) / 1.8  #: weather.gov, "Cold Water Hazards and Safety"
HEAT_CAUTION_F, HEAT_DANGER_F = 90.0, 103.0  #: classes of the NWS heat index chart
CAPE_STRONG_JKG = 1000.0  #: from memory; no source gives a cut, and the sentence says so
FISH_WARM_C = (80 - 32) / 1.8  #: common practice, from memory
FISH_DEEP_M = 30 * 0.3048  #: common practice, from memory
FOG_SPREAD_C, FOG_WIND_MS = 1.0, 2.0  #: air nearly saturated and nearly still [own]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoatLimits:
    """What the reader's boat can take, as set by them."""

    max_wave_m: float
    max_wind_ms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One thing to heed; ``danger`` puts it above the call."""

    kind: str  #: what hurts, in a word
    short: str
    text: str
    danger: bool


def cautions(lake_day: LakeDay, limits: BoatLimits, words: Words) -> tuple[Caution, ...]:
    """What the trip hours hold that can hurt, the dangerous first."""
    outlook = lake_day.outlook
    if outlook is None:
        return ()
    found = [*_wind(outlook, limits, words), *_storm(outlook), *_cold(outlook, words), *_heat(outlook, words)]
    found += [*_fog(outlook, words), *_fish(lake_day, outlook, words)]
    return tuple(sorted(found, key=lambda caution: not caution.danger))


def rough_from(outlook: Outlook, limits: BoatLimits) -> int | None:
    """The first trip hour, on the time axis, in which wind or waves are over the boat's limits; None if none is."""
    trip = outlook.trip
    over = (outlook.hourly["wind_speed_ms"][trip] > limits.max_wind_ms) | (
        outlook.wave_height_m[trip] > limits.max_wave_m
    )
    return trip.start + int(over.argmax()) if over.any() else None


def _most(values: NDArray[np.float64]) -> float:
    """The greatest known value; NaN if none is known."""
    known = values[~np.isnan(values)]
    return float(known.max()) if known.size else float("nan")


def _wind(outlook: Outlook, limits: BoatLimits, words: Words) -> list[Caution]:
    trip = outlook.trip
    wind, gust = outlook.hourly["wind_speed_ms"][trip], outlook.hourly["wind_gust_ms"][trip]
    wave = outlook.wave_height_m[trip]
    first = rough_from(outlook, limits)
    strongest, highest, gusts = _most(wind), _most(wave), _most(gust)
    told = f"wind to {words.wind(strongest)}"
    if gusts > strongest:
        told += f", gusts {words.wind(gusts)}"
    if not np.isnan(highest):
        told += f", waves {words.wave(highest)} where they run longest"
    if first is not None:
        when = np_to_datetime(outlook.hourly.time[first])
        at = "from the start" if first == trip.start else f"from {words.hour(when)}"
        return [
            Caution(
                kind="wind",
                short=f"{told}, over your boat's limit {at}",
                text=f"{told}: over your boat's limit {at}. Gusts turn boats over; the largest wave is twice that.",
                danger=True,
            )
        ]
    if gusts > GUST_SHARE * limits.max_wind_ms:
        return [Caution(kind="wind", short=told, text=f"{told}. Gusts turn boats over.", danger=True)]
    return []


def _storm(outlook: Outlook) -> list[Caution]:
    trip = outlook.trip
    if not _most(outlook.hourly["cape_jkg"][trip]) >= CAPE_STRONG_JKG:
        return []
    text = "the air is unstable: thunderstorms could be strong if they form (a cut from memory, no source gives one)"
    return [Caution(kind="storms", short="thunderstorms could be strong if they form", text=text, danger=True)]


def _cold(outlook: Outlook, words: Words) -> list[Caution]:
    coldest = -_most(-outlook.conditions.values["water_temp_c"][0, outlook.trip])
    if np.isnan(coldest) or coldest >= COLD_CAUTION_C:
        return []
    at_once = coldest < COLD_DANGER_C
    takes = "can take your breath at once" if at_once else "is cold enough to take your breath"
    text = f"water of {words.temperature(coldest)} {takes}; wear the life jacket (weather.gov cold water page)"
    return [Caution(kind="cold water", short=f"cold water, {words.temperature(coldest)}", text=text, danger=at_once)]


def _heat(outlook: Outlook, words: Words) -> list[Caution]:
    trip = outlook.trip
    air = f_from_c(outlook.hourly["air_temp_c"][trip])
    hottest = _most(np.asarray(heat_index_f(air, outlook.hourly["humidity_pct"][trip])))
    if not hottest >= HEAT_CAUTION_F:
        return []
    felt = words.temperature((hottest - 32) / 1.8)
    level = "danger" if hottest >= HEAT_DANGER_F else "extreme caution"
    chart = f"{level} on the US weather service's heat chart"
    text = f"it feels like {felt} in the shade, hotter in full sun ({chart}); drink, shade, rest"
    return [Caution(kind="heat", short=f"heat, feels like {felt}", text=text, danger=hottest >= HEAT_DANGER_F)]


def _fog(outlook: Outlook, words: Words) -> list[Caution]:
    trip = outlook.trip
    spread = outlook.hourly["air_temp_c"][trip] - outlook.hourly["dew_point_c"][trip]
    likely = (spread <= FOG_SPREAD_C) & (outlook.hourly["wind_speed_ms"][trip] < FOG_WIND_MS)
    if not likely.any():
        return []
    when = np_to_datetime(outlook.hourly.time[trip.start + int(likely.argmax())])
    advice = "go slowly, lights on, and wait if you cannot see (own rule of thumb)"
    text = f"damp, still air {words.hour(when)}: fog is possible; {advice}"
    return [Caution(kind="fog", short="fog possible", text=text, danger=False)]


def _fish(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[Caution]:
    found = []
    warmest = _most(outlook.conditions.values["water_temp_c"][0, outlook.trip])
    if warmest >= FISH_WARM_C:
        advice = "keep a legal limit and quit, do not sort, ice what is kept (common practice, from memory)"
        text = f"surface of {words.temperature(warmest)}: {advice}"
        found.append(Caution(kind="warm water", short="warm water, spare the fish", text=text, danger=False))
    windows = [window for plan in outlook.plans.values() for window in plan]
    deep = next((window for window in windows if window.main.bait.bottom_m > FISH_DEEP_M), None)
    if deep:
        where = position_words(deep.position, lake_day.lake)
        text = f"{where} deeper than {words.depth(FISH_DEEP_M)}: do not catch to release (common practice, from memory)"
        found.append(Caution(kind="deep fish", short="deep fish do not survive release", text=text, danger=False))
    return found
