"""Weather that hurts people, and what spares the fish: public numbers with their source, else named as common practice.

None of this stands in for the weather service's own warnings.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.words import Words, position_words
from bitewatch.lake.local_time import np_to_datetime
from bitewatch.units import UnitSystem, f_from_c
from bitewatch.water.season import Season
from bitewatch.water.seen import TOO_UNSURE_C
from bitewatch.weather.heat import heat_index_f
from bitewatch.weather.ultraviolet import EXTRA_FROM, clear_sky_uv_index, uv_class

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
SUN = "sun"
GUST_SHARE = 1.5  #: gusts this much over the wind that a boat fishes in are told [own]
COLD_DANGER_C, COLD_CAUTION_C = (60 - 32) / 1.8, (70 - 32) / 1.8  #: weather.gov, "Cold Water Hazards and Safety"
#: classes of the NWS heat index chart; its first, "caution" from 80 degF, is every summer day and is not told
HEAT_CLASSES_F = ((90.0, "extreme caution"), (103.0, "danger"), (125.0, "extreme danger"))
HEAT_DANGER_F = 103.0
FULL_SUN = {UnitSystem.US: "15 °F", UnitSystem.METRIC: "8 °C"}  #: what it adds at most, same chart
UV_TOLD_FROM = 6  #: "high" on the EPA scale, which asks for protection from 3; that too is every summer day
CAPE_STRONG_JKG = 1000.0  #: from memory; no source gives a cut, and the sentence says so
FISH_WARM_C = (80 - 32) / 1.8  #: common practice, from memory
FISH_DEEP_M = 30 * 0.3048  #: common practice, from memory
FOG_SPREAD_C, FOG_WIND_MS = 1.0, 2.0  #: air nearly saturated and nearly still [own]
STEAM_FOG_C, STEAM_FOG_WIND_MS = 10.0, 5.0  #: air so much colder than the water, and no more than light wind [own]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoatLimits:
    """What the reader's boat can take."""

    max_wave_m: float
    max_wind_ms: float
    wave_is_preset: bool = False
    wind_is_preset: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One thing to heed; ``danger`` puts it above the call."""

    kind: str  #: what hurts, in a word
    short: str
    text: str
    danger: bool


def cautions(lake_day: LakeDay, limits: BoatLimits, words: Words) -> tuple[Caution, ...]:
    """What the trip hours hold that can hurt, the dangerous first."""
    outlook, ice = lake_day.outlook, _ice(lake_day.season)
    if outlook is None:
        return tuple(ice)
    found = [*_wind(outlook, limits, words), *_storm(outlook), *ice, *_cold(outlook, words), *_heat(outlook, words)]
    found += [*_fog(outlook, words), *_fish(lake_day, outlook, words), *_ultraviolet(outlook)]
    return tuple(sorted(found, key=lambda caution: not caution.danger))


def rough_from(outlook: Outlook, limits: BoatLimits) -> int | None:
    """The first trip hour, on the time axis, in which wind or waves are over the boat's limits; None if none is."""
    trip = outlook.trip
    over = (outlook.hourly["wind_speed_ms"][trip] > limits.max_wind_ms) | (
        outlook.wave_height_m[trip] > limits.max_wave_m
    )
    return trip.start + int(over.argmax()) if over.any() else None


def limit_words(outlook: Outlook, limits: BoatLimits, hour: int) -> str:
    """The limit that a rough hour is over; nobody is told that one is theirs which they never set."""
    windy = outlook.hourly["wind_speed_ms"][hour] > limits.max_wind_ms
    preset = limits.wind_is_preset if windy else limits.wave_is_preset
    return "the preset limit for small boats" if preset else "your boat's limit"


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
        limit = limit_words(outlook, limits, first)
        return [
            Caution(
                kind="wind",
                short=f"{told}, over {limit} {at}",
                text=f"{told}: over {limit} {at}. Gusts turn boats over; the largest wave is twice that"
                f"{_apart(outlook)}.",
                danger=True,
            )
        ]
    if gusts > GUST_SHARE * limits.max_wind_ms:
        return [Caution(kind="wind", short=told, text=f"{told}. Gusts turn boats over.", danger=True)]
    return []


def _apart(outlook: Outlook) -> str:
    """How fast the waves of the roughest trip hour come; nothing where they are not known."""
    wave, period = outlook.wave_height_m[outlook.trip], outlook.wave_period_s[outlook.trip]
    if not np.isfinite(wave).any():
        return ""
    seconds = float(period[np.nanargmax(wave)])
    return f", and they come about every {max(1, round(seconds))} s" if np.isfinite(seconds) else ""


def _storm(outlook: Outlook) -> list[Caution]:
    trip = outlook.trip
    if not _most(outlook.hourly["cape_jkg"][trip]) >= CAPE_STRONG_JKG:
        return []
    text = "the air is unstable: thunderstorms could be strong if they form (a cut from memory, no source gives one)"
    return [Caution(kind="storms", short="thunderstorms could be strong if they form", text=text, danger=True)]


def _ice(season: Season) -> list[Caution]:
    if season.ice is None or not (season.over or season.may_freeze):
        return []
    short = "ice on the lake" if season.over else "ice may be on the lake"
    return [Caution(kind="ice", short=short, text=season.ice.words, danger=True)]


def _cold(outlook: Outlook, words: Words) -> list[Caution]:
    """By the colder end of what the water may be: a guess that is too warm is the one that hurts."""
    trip, water = outlook.trip, outlook.water.raw
    # where the spread is so wide that the temperature is not told, its colder end would cry wolf: its middle counts
    spread = np.where(water.sd_c[trip] <= TOO_UNSURE_C, water.sd_c[trip], 0.0)
    colder = water.value_c[trip] - spread
    if not np.isfinite(colder).any():
        return []
    at = int(np.nanargmin(colder))
    least = float(colder[at])
    if least >= COLD_CAUTION_C:
        return []
    told, perhaps = words.temperature(float(water.value_c[trip][at])), words.temperature(least)
    doubt = "" if told == perhaps else f", perhaps only {perhaps},"
    at_once = least < COLD_DANGER_C
    takes = "is cold enough to take your breath"
    if at_once:
        takes = "can take your breath within a minute and your grip within ten"
    text = f"water of {told}{doubt} {takes}; wear the life jacket (weather.gov cold water page)"
    return [Caution(kind="cold water", short=f"cold water, {told}", text=text, danger=at_once)]


def _heat(outlook: Outlook, words: Words) -> list[Caution]:
    trip = outlook.trip
    air = f_from_c(outlook.hourly["air_temp_c"][trip])
    hottest = _most(np.asarray(heat_index_f(air, outlook.hourly["humidity_pct"][trip])))
    levels = [level for least, level in HEAT_CLASSES_F if hottest >= least]
    if not levels:
        return []
    felt = words.temperature((hottest - 32) / 1.8)
    chart = f"{levels[-1]} on the US weather service's heat chart"
    more = f"up to {FULL_SUN[words.units]} more in full sun"
    text = f"it feels like {felt} in the shade, {more} ({chart}); drink, shade, rest"
    return [Caution(kind="heat", short=f"heat, feels like {felt}", text=text, danger=hottest >= HEAT_DANGER_F)]


def _fog(outlook: Outlook, words: Words) -> list[Caution]:
    trip = outlook.trip
    air, wind = outlook.hourly["air_temp_c"][trip], outlook.hourly["wind_speed_ms"][trip]
    damp = (air - outlook.hourly["dew_point_c"][trip] <= FOG_SPREAD_C) & (wind < FOG_WIND_MS)
    steam = (outlook.water.hours.value_c[trip] - air >= STEAM_FOG_C) & (wind < STEAM_FOG_WIND_MS)
    likely = damp | steam
    if not likely.any():
        return []
    first = int(likely.argmax())
    when = words.hour(np_to_datetime(outlook.hourly.time[trip.start + first]))
    why = "damp, still air" if damp[first] else "air much colder than the water"
    advice = "go slowly, lights on, and wait if you cannot see (own rule of thumb)"
    text = f"{why} {when}: fog is possible; {advice}"
    return [Caution(kind="fog", short="fog possible", text=text, danger=False)]


def _fish(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[Caution]:
    found = []
    warmest = _most(outlook.water.hours.value_c[outlook.trip])
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


def _ultraviolet(outlook: Outlook) -> list[Caution]:
    """By the highest sun of the trip, as if the sky were clear: an upper bound."""
    index = float(clear_sky_uv_index(outlook.sun.elevation_deg[outlook.trip].max()))
    told = int(index + 0.5)
    if told < UV_TOLD_FROM:
        return []
    extra = "cover up, and shade around noon" if told >= EXTRA_FROM else "hat, shirt, sun cream"
    text = f"under a clear sky the UV index reaches {told}, {uv_class(index)} (EPA scale); {extra}"
    return [Caution(kind=SUN, short=f"UV index to {told}", text=text, danger=False)]
