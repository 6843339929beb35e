"""One lake, one issue, one trip: from hours to fronts, conditions, calls and plans. Pure; the clock is handed in."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bitewatch.brief.lake_day import NO_FEED, NO_SEASON, Freshness, LakeDay, Outlook, WeatherSeen
from bitewatch.brief.weather_lines import BETWEEN_LINES
from bitewatch.lake.clarity import secchi_used
from bitewatch.lake.local_time import local_days, np_to_datetime
from bitewatch.lake.profile import Lake
from bitewatch.lake.weeds import WeedDepths, weed_depths
from bitewatch.position.call import calls
from bitewatch.position.conditions import Conditions, make_conditions
from bitewatch.position.rulebook import RuleBook
from bitewatch.position.variables import VARIABLES
from bitewatch.presentation.plan import plan
from bitewatch.presentation.technique import Techniques
from bitewatch.presentation.trip import TripHours
from bitewatch.service.weather_now import COLUMN_WORDS, TOO_OLD_AFTER, Weather
from bitewatch.water.lake_water import mean_depth_m
from bitewatch.water.reading import CREDITS
from bitewatch.water.seen import WaterKnown, WaterSeen, see_water
from bitewatch.water.waves import fetch_at_m, fetch_from_area_m, wave_height_m, wave_period_s
from bitewatch.weather.daily import SKY_NOTE, day_of_year, sunshine_wm2
from bitewatch.weather.following import KnownFront, Standing, utc
from bitewatch.weather.fronts import FrontKind, fronts_of, passages
from bitewatch.weather.governing import front_variables, with_known
from bitewatch.weather.hourly import COLUMNS, CORE_COLUMNS, Floats, Hourly
from bitewatch.weather.signs import cold, front_signs, warm
from bitewatch.weather.spells import stable_days
from bitewatch.weather.sun import sun_events, sun_position
from bitewatch.weather.warnings import WarningsSeen

#: a danger, in words -> the columns in which it would be seen
DANGER_COLUMNS = {
    "wind": ("wind_speed_ms",), "gusts": ("wind_gust_ms",), "heat": ("air_temp_c", "humidity_pct"),
    "storms": ("cape_jkg",),
}  # fmt: skip
NOTHING_KNOWN = WaterKnown()
DEPTH_UNKNOWN_M = 3.0  #: for waves on a lake whose depth is not known: shallow, as natural lakes with weeds are [own]


def evaluate(
    *, lake: Lake, weather: Weather, book: RuleBook, table: Techniques, trip_hours: TripHours, day: date, now: datetime,
    told_before: Mapping[str, Any] | None = None, known_fronts: tuple[KnownFront, ...] = (),
    official: WarningsSeen = NO_FEED, water: WaterKnown = NOTHING_KNOWN,
) -> LakeDay:  # fmt: skip
    """All that is known of a lake for a trip; without usable weather there is no call, and the reason is in words.

    Parameters
    ----------
    weather
        One issue with what fills it; or none, and then its failures say why.
    told_before
        The facts of the last brief that this reader had of this lake.
    known_fronts
        Fronts of this lake as they are known from all issues; those that this issue cannot show still count.
    official
        The official warnings at the lake.
    water
        What is known of the lake beside these hours: days before, readings, its shore.
    """
    zone = lake.zone_info
    start, end = trip_hours.instants(day, zone)
    depths = weed_depths(lake)
    seen = weather.seen
    doubts = [*(weather.failures if seen else ()), *depths.doubts]
    season = NO_SEASON
    outlook, no_call = None, f"no weather: {'; '.join(weather.failures)}" if weather.failures else "no weather"
    if weather.hourly is not None and weather.own is not None and seen is not None:
        doubts += seen.notes
        no_call = _unusable(weather.hourly, seen, trip_hours, day, lake, now)
        if no_call and seen.freshness is Freshness.TOO_OLD and weather.failures:
            no_call += f" ({'; '.join(weather.failures)})"
        if not no_call:
            lit, told = with_sunshine(weather.hourly, lake)
            seen_water = see_water(lake, lit, water, edge_m=depths.edge_m, day=day, now=now, until=min(start, now))
            season, seen = seen_water.season, _with_credits(seen, seen_water)
            doubts += [*told, *seen_water.doubts, *_wave_doubts(lake, water)]
            if season.over:
                why = season.ice.words if season.ice else "ice"
                begun = lake.ice_out is None or day >= lake.ice_out
                no_call = f"its season {'is over' if begun else 'has not begun'}: {why}"
                no_call += ". It is told of again when the water is open"
            else:
                outlook = _outlook(
                    lake, depths, lit, weather.own, seen_water, water, known_fronts, book, table, trip_hours, day
                )  # fmt: skip
    return LakeDay(
        lake=lake, depths=depths, day=day, trip_hours=trip_hours, start=start, end=end, now=now, weather=seen,
        outlook=outlook, no_call=no_call, doubts=tuple(dict.fromkeys(doubts)), known_fronts=known_fronts,
        official=official, told_before=told_before, season=season,
    )  # fmt: skip


def _with_credits(weather: WeatherSeen, water: WaterSeen) -> WeatherSeen:
    """The same, with whom to name for the readings that were used."""
    owed = dict.fromkeys(CREDITS[one.source] for one in water.used if one.source in CREDITS)
    lines = [line for line in (weather.attribution, *owed) if line]
    return replace(weather, attribution=BETWEEN_LINES.join(lines)) if owed else weather


def last_day_served(hourly: Hourly, trip_hours: TripHours, lake: Lake) -> date | None:
    """The last local day whose trip hours an hourly table holds whole; None if it holds none."""
    zone = lake.zone_info
    first = np_to_datetime(hourly.time[0]).astimezone(zone).date()
    day = np_to_datetime(hourly.time[-1]).astimezone(zone).date()
    while day >= first:
        hours = trip_hours.on(hourly.time, day, zone)
        if hours.stop > hours.start:
            return day
        day -= timedelta(days=1)
    return None


def _unusable(hourly: Hourly, weather: WeatherSeen, trip_hours: TripHours, day: date, lake: Lake, now: datetime) -> str:
    """Why these hours cannot carry a call; empty if they can."""
    trip = trip_hours.on(hourly.time, day, lake.zone_info)
    if trip.stop <= trip.start:
        first, last = (np_to_datetime(hourly.time[i]).astimezone(lake.zone_info) for i in (0, -1))
        return (
            f"the hours of {weather.source} run from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} and miss the trip"
        )
    if weather.freshness is Freshness.TOO_OLD:
        age = now - weather.retrieved_at
        if weather.reference_time is not None and age <= TOO_OLD_AFTER:  # it answers, and stands still
            return f"the newest forecast is of the run of {utc(weather.reference_time)}, too old to use"
        return f"the newest forecast is {age / timedelta(hours=1):.0f} hours old, too old to use"
    # a source without a past has no pressure of the day before: that costs a trend, not the call
    lacking = [COLUMN_WORDS[name] for name in CORE_COLUMNS if np.isnan(hourly[name][trip]).mean() > 0.5]
    if lacking:
        return f"{weather.source} gives no {' and no '.join(lacking)} for that day"
    return ""


def front_hours(hourly: Hourly, own: NDArray[np.bool_]) -> Hourly:
    """The hours in which fronts are sought: those of the source's own issues, the rest missing."""
    if own.all():
        return hourly
    return Hourly(time=hourly.time, columns={name: np.where(own, hourly[name], np.nan) for name in COLUMNS})


def _known(fronts: tuple[KnownFront, ...]) -> tuple[list[tuple[datetime, float]], list[datetime]]:
    """The cold fronts that count wherever the table does not show them, and those that are known not to have come."""
    cold_ones = [front for front in fronts if front.kind is FrontKind.COLD]
    stand = [
        (front.observed_onset or front.onset, front.strength)
        for front in cold_ones
        if front.standing in (Standing.FORETOLD, Standing.CONFIRMED)
    ]
    return stand, [front.onset for front in cold_ones if front.standing is Standing.WITHDRAWN]


def _outlook(
    lake: Lake, depths: WeedDepths, hourly: Hourly, own: NDArray[np.bool_], water: WaterSeen, known: WaterKnown,
    known_fronts: tuple[KnownFront, ...], book: RuleBook, table: Techniques, trip_hours: TripHours, day: date,
) -> Outlook:  # fmt: skip
    zone = lake.zone_info
    days = local_days(hourly.time, zone)
    sought = front_hours(hourly, own)
    of_cold, of_warm = front_signs(sought, lake.latitude, cold, warm)
    told = with_known(hourly.time, of_cold.score, passages(of_cold.score), *_known(known_fronts))
    seen = front_variables(told.score, told.passage).within(told.table)
    until = slice(told.table.stop)
    sun = sun_position(hourly.time, lake.latitude, lake.longitude)
    conditions = make_conditions(
        hourly=hourly, fronts=seen, stable_days=stable_days(hourly, told.score[until], told.passage[until]), sun=sun,
        day_of_year=_day_of_year(days, lake),
        water_temp_c=water.hours.value_c, water_temp_change_3d_c=water.hours.change_3d_c,
        secchi_m=secchi_used(lake).secchi_m, weed_cover=lake.weed_cover, weed_tops_m=depths.tops_m,
        open_water_bearing_deg=_bearings(lake), oxygen_margin_m=water.oxygen.margin_m,
    )  # fmt: skip
    trip = trip_hours.on(hourly.time, day, zone)
    said = calls(book, conditions, lake.species, trust=water.season.trust)
    plans = {
        species: plan(lake=lake, depths=depths, table=table, call=call, conditions=conditions, trip=trip)
        for species, call in said.items()
    }
    waves = _waves(lake, hourly, known)
    return Outlook(
        hourly=hourly, local_days=days, trip=trip, fronts=fronts_of(hourly.time, of_cold, of_warm),
        front_strength_seen=not bool(np.isnan(seen.front_strength[trip]).any()),
        conditions=conditions, sun=sun, sun_events=sun_events(day, lake.latitude, lake.longitude), water=water,
        wave_height_m=waves.height_m, wave_period_s=waves.period_s, spot_wave_m=waves.at_spots_m,
        book=book, calls=said, plans=plans, missing=_missing(conditions, trip),
        unseen=_unseen(hourly, trip, waves=waves.height_m, water_temp_c=water.raw.value_c),
    )  # fmt: skip


def with_sunshine(hourly: Hourly, lake: Lake) -> tuple[Hourly, tuple[str, ...]]:
    """The same hours, with sunshine that is not given worked out from the sun's height and the clouds, and told."""
    given = hourly["shortwave_wm2"]
    found = sunshine_wm2(hourly, latitude=lake.latitude, longitude=lake.longitude)
    filled = np.isnan(given) & np.isfinite(found)
    if not filled.any():
        return hourly, ()
    notes = (SKY_NOTE,) if (filled & (found > 0.0)).any() else ()
    return Hourly(time=hourly.time, columns={**hourly.columns, "shortwave_wm2": found}), notes


def _day_of_year(days: NDArray[np.datetime64], lake: Lake) -> Floats | None:
    """1 to 366 by the lake's date; None south of the equator, where the rules' seasons do not hold."""
    if lake.latitude < 0:
        return None
    return day_of_year(days).astype(float)


def _bearings(lake: Lake) -> Floats:
    """Bearing of each spot's open water, shape (spots, 1); one unknown for a lake without spots. [deg]"""
    bearings = [spot.open_water_bearing_deg for spot in lake.spot] or [None]
    return np.array([[np.nan if bearing is None else bearing] for bearing in bearings])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Waves:
    height_m: Floats  #: where they run longest, shape (T,); NaN where the lake's size is not known
    period_s: Floats
    at_spots_m: Floats  #: shape (spots, T); NaN where the shore or the spot's place is not known


def _waves(lake: Lake, hourly: Hourly, known: WaterKnown) -> _Waves:
    wind, wind_from = hourly["wind_speed_ms"], hourly["wind_from_deg"]
    nothing = np.full(wind.shape, np.nan)
    depth = mean_depth_m(lake) or DEPTH_UNKNOWN_M
    at_spots = np.full((max(1, len(lake.spot)), wind.size), np.nan)
    if known.fetch_m is not None:
        at_spots = wave_height_m(wind, fetch_at_m(known.fetch_m, wind_from), depth)
    if known.longest_m is not None:
        run = fetch_at_m(known.longest_m, wind_from)
    elif lake.area_km2 is not None:
        run = fetch_from_area_m(lake.area_km2)
    else:
        return _Waves(height_m=nothing, period_s=nothing, at_spots_m=at_spots)
    return _Waves(
        height_m=wave_height_m(wind, run, depth), period_s=wave_period_s(wind, run, depth), at_spots_m=at_spots
    )


def _wave_doubts(lake: Lake, known: WaterKnown) -> list[str]:
    if lake.area_km2 is None and known.longest_m is None:
        return ["area not entered: waves are not known"]
    doubts = [] if known.longest_m is not None else ["shore not entered: waves are those of a round lake of its area"]
    if lake.mean_depth_m is None:
        stands_in = "taken from the greatest depth" if lake.max_depth_m else "taken as shallow"
        doubts.append(f"mean depth not entered: for the waves it is {stands_in}")
    return doubts


def _unseen(hourly: Hourly, trip: slice, *, waves: Floats, water_temp_c: Floats) -> tuple[str, ...]:
    """The dangers that some trip hour does not tell of, in words."""
    from_air = [
        danger
        for danger, columns in DANGER_COLUMNS.items()
        if any(np.isnan(hourly[name][trip]).any() for name in columns)
    ]
    from_water = {"waves": waves, "cold water": water_temp_c}
    return (*from_air, *(danger for danger, values in from_water.items() if np.isnan(values[trip]).any()))


def _missing(conditions: Conditions, trip: slice) -> tuple[str, ...]:
    """The rule variables of which no spot has a value in some trip hour."""
    return tuple(name for name in VARIABLES if np.isnan(conditions[name][..., trip]).all(axis=0).any())
