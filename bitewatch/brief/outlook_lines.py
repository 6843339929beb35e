"""Why, when it changes, what changed since the last brief, and the days to come, in sentences."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from bitewatch.brief.facts import trip_reasons, window_times
from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.words import Words, chance, compass, position_words, sentence, strength_words
from bitewatch.lake.local_time import np_to_datetime
from bitewatch.position.engine import Position
from bitewatch.presentation.plan import POSITIONS, PlannedWindow
from bitewatch.weather.fronts import Front

REASONS_SHOWN = 3
WORTH_TELLING = 0.1  #: a push below this, in log-odds, moves a chance by a few in a hundred: not told [own]
RECENT = timedelta(hours=120)  #: how long a front is told of, as long as rules look back
DAYS_SHOWN = 4
MOVED = timedelta(hours=2)  #: a front is told to have moved from this much on
SAME_PASSAGE = timedelta(hours=9)
PRESSURE_RULES = ("pressure-falling", "pressure-rising")


def why_lines(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[str]:
    """The strongest reasons for the first position, the strongest against it, and the last front."""
    first = outlook.plans[lake_day.main_species][0]
    found = trip_reasons(outlook, lake_day.main_species)
    told = [reason for reason in found if reason.push >= WORTH_TELLING and reason.rule_id != "baseline"][:REASONS_SHOWN]
    lines = [f"{reason.name}: {sentence(reason.sentence)}" for reason in told]
    against = found[-1] if found else None
    if against and against.push <= -WORTH_TELLING and against.rule_id != "baseline":
        lines.append(f"Against it: {against.name.lower()}.")
    if not told:
        position = position_words(first.position, lake_day.lake)
        lines.insert(0, f"No rule speaks clearly; {position} is where they lean with nothing else known.")
    ids = {reason.rule_id for reason in told}
    if ids.intersection(PRESSURE_RULES):
        lines.append("Air pressure alone has no proven direction; it weighs next to nothing here.")
    past = [front for front in outlook.fronts if timedelta(0) <= lake_day.start - front.onset <= RECENT]
    if past:
        lines.append(f"Last cold front: {words.moment(past[-1].onset)}, {strength_words(past[-1].strength)}.")
    elif outlook.front_strength_seen:
        lines.append("No cold front in the five days before.")
    else:
        lines.append("Whether a cold front passed in the five days before cannot be seen in these hours.")
    lines.append(_weather_line(outlook, words))
    return lines


def _weather_line(outlook: Outlook, words: Words) -> str:
    trip = outlook.trip
    wind, air = outlook.hourly["wind_speed_ms"][trip], outlook.hourly["air_temp_c"][trip]
    told = f"Air {words.temperature(float(np.nanmin(air)))} to {words.temperature(float(np.nanmax(air)))}"
    told += f", wind {words.winds(float(np.nanmin(wind)), float(np.nanmax(wind)))}"
    direction = outlook.hourly["wind_from_deg"][trip]
    known = np.radians(direction[~np.isnan(direction)])
    if known.size:
        told += f" from {compass(float(np.degrees(np.arctan2(np.sin(known).mean(), np.cos(known).mean())) % 360))}"
    water = outlook.conditions["water_temp_c"][0, trip]
    if not np.isnan(water).all():
        told += f"; water {words.temperature(float(np.nanmean(water)))}, as entered"
    rise = outlook.sun_events.sunrise
    return f"{told}. Sunrise {words.clock(rise)}." if rise else f"{told}."


def change_lines(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[str]:
    """What changes during the trip, and the next front."""
    lines = []
    plan = outlook.plans[lake_day.main_species]
    for before, window in pairwise(plan):
        if window.position is not before.position:
            at = window_times(lake_day, outlook, window)[0]
            lines.append(f"{words.clock(at)}: {position_words(window.position, lake_day.lake)} instead.")
    if not lines:
        lines.append("The call holds for the whole trip.")
    ahead = [front for front in outlook.fronts if front.onset > lake_day.start]
    known = outlook.conditions["hours_to_front"][0, outlook.trip.start]
    if ahead:
        cover = position_words(Position.TIGHT, lake_day.lake)
        lines.append(
            f"Next cold front: {words.moment(ahead[0].onset)}, {strength_words(ahead[0].strength)}, give or take some "
            f"hours. For about a day behind it more likely {cover}."
        )
    elif np.isnan(known):
        lines.append("The next two days are not all in these hours: a front there would not be seen.")
    else:
        lines.append("No cold front seen in the next two days.")
    return lines


def next_day_lines(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[str]:
    """The following days at the same hours, one line each, as far as the hours reach."""
    lines = []
    zone = lake_day.lake.zone_info
    for ahead in range(1, DAYS_SHOWN + 1):
        day = lake_day.day + timedelta(days=ahead)
        trip = lake_day.trip_hours.on(outlook.hourly.time, day, zone)
        if trip.stop <= trip.start:
            break
        mean = outlook.calls[lake_day.main_species].probability[..., trip].mean(axis=(1, 2))
        position = POSITIONS[int(mean.argmax())]
        wind, air = outlook.hourly["wind_speed_ms"][trip], outlook.hourly["air_temp_c"][trip]
        line = f"{words.day(day)}: {position_words(position, lake_day.lake)} ({chance(float(mean.max()))})"
        if not np.isnan(wind).all():
            line += f", wind to {words.wind(float(np.nanmax(wind)))}"
        if not np.isnan(air).all():
            line += f", air {words.temperature(float(np.nanmean(air)))}"
        passing = [front for front in outlook.fronts if front.onset.astimezone(zone).date() == day]
        if passing:
            line += f", {strength_words(passing[0].strength)} cold front {words.hour(passing[0].onset)}"
        lines.append(f"{line}.")
    return lines or ["These hours end before the next trip could be told."]


def since_last_lines(lake_day: LakeDay, outlook: Outlook | None, words: Words) -> list[str]:
    """What this reader would find changed against the last brief they had of this lake."""
    before = lake_day.told_before
    if before is None:
        return ["This is the first brief of this lake; from the next one on, changes stand here."]
    day = date.fromisoformat(before["day"])
    opening = (
        "Against the earlier brief for this day" if day == lake_day.day else f"Against the brief for {words.day(day)}"
    )
    if outlook is None or before["no_call"]:
        if outlook is None and before["no_call"]:
            return [f"{opening}: still no call."]
        return [f"{opening}: there {'was no call' if before['no_call'] else 'was a call, now there is none'}."]
    changes = [*_call_changes(lake_day, outlook, before), *_front_changes(lake_day, outlook, before, words)]
    changes += _wind_change(outlook, before, words)
    return [f"{opening}: {'; '.join(changes)}."] if changes else [f"{opening}: nothing that matters has changed."]


def _call_changes(lake_day: LakeDay, outlook: Outlook, before: Mapping[str, Any]) -> list[str]:
    changes = []
    calls = {call["species"]: call for call in before["calls"]}
    for species, plan in outlook.plans.items():
        told = calls.get(species.value)
        if told is None:
            continue
        was, now = Position(told["windows"][0]["position"]), plan[0].position
        if was is not now:
            lake = lake_day.lake
            changes.append(f"{species.value} {position_words(now, lake)}, were {position_words(was, lake)}")
    return changes


def _front_changes(lake_day: LakeDay, outlook: Outlook, before: Mapping[str, Any], words: Words) -> list[str]:
    earliest = np_to_datetime(outlook.hourly.time[0])
    horizon = lake_day.start - timedelta(hours=48)
    told = [datetime.fromisoformat(front["onset"]) for front in before["fronts"]]
    now = [front for front in outlook.fronts if front.onset >= horizon]
    changes = []
    for front in now:
        near = min(told, key=lambda onset: abs(onset - front.onset), default=None)
        if near is None or abs(near - front.onset) >= SAME_PASSAGE:
            changes.append(f"new: {_front_words(front, words)}")
        elif abs(near - front.onset) >= MOVED:
            changes.append(f"the cold front is now expected {words.moment(front.onset)}, was {words.moment(near)}")
    for onset in told:
        in_sight = max(earliest, horizon) <= onset <= np_to_datetime(outlook.hourly.time[-1])
        if in_sight and not any(abs(front.onset - onset) < SAME_PASSAGE for front in outlook.fronts):
            changes.append(f"the cold front of {words.moment(onset)} is no longer seen")
    return changes


def _front_words(front: Front, words: Words) -> str:
    return f"{strength_words(front.strength)} cold front {words.moment(front.onset)}"


def _wind_change(outlook: Outlook, before: Mapping[str, Any], words: Words) -> list[str]:
    was, now = before["wind"]["wind_max_ms"], float(np.nanmax(outlook.hourly["wind_speed_ms"][outlook.trip]))
    if was is None or abs(now - was) < 2.5:  # about one step of the Beaufort scale
        return []
    return [f"wind to {words.wind(now)}, was {words.wind(was)}"]


def first_window(lake_day: LakeDay, outlook: Outlook) -> PlannedWindow:
    """The window that the trip starts with, for the main species."""
    return outlook.plans[lake_day.main_species][0]
