"""What this reader would find changed against the last message they had of a lake."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from bitewatch.brief import front_lines, official_lines
from bitewatch.brief.cautions import Caution
from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.weather_lines import switch_words
from bitewatch.brief.words import Words, position_words
from bitewatch.lake.local_time import np_to_datetime
from bitewatch.position.engine import Position
from bitewatch.weather.following import KnownFront, Standing
from bitewatch.weather.fronts import SAME_PASSAGE, FrontKind
from bitewatch.weather.warnings import WarningsState

MOVED = timedelta(hours=2)  #: a front is told to have moved from this much on
FRONTS_BACK = timedelta(hours=48)  #: fronts longer before the trip than this are no news
WIND_STEP_MS, GUST_STEP_MS = 2.5, 3.5  #: about one step of the Beaufort scale
WAVE_STEP_M = 0.15  #: half a foot, as finely as waves are told


def since_last_lines(lake_day: LakeDay, words: Words, heeded: Sequence[Caution]) -> list[str]:
    """One line; wind, waves and dangers are compared only with the same trip, the call only with the same hours."""
    before = lake_day.told_before
    if before is None:
        return ["This is the first brief of this lake; from the next one on, changes stand here."]
    is_same_day = before["day"] == lake_day.day.isoformat()
    same_hours = _hours(before["trip"]["start"], before["trip"]["end"], words) == _hours(
        lake_day.start, lake_day.end, words
    )
    opening = "Against the earlier brief for this day"
    if not is_same_day:
        opening = f"Against the brief for {words.day(date.fromisoformat(before['day']))}"
    if not same_hours:
        opening += ", of other trip hours"
    changes = []
    outlook = lake_day.outlook
    if outlook is None or before["no_call"]:
        still = "still no call" if outlook is None else "there was no call"
        changes.append(still if before["no_call"] else "there was a call, now there is none")
    elif same_hours:
        changes += _call_changes(lake_day, outlook, before)
    if not before["no_call"]:
        changes += _front_changes(lake_day, before, words)
    changes += _warning_changes(lake_day, before)
    if outlook is not None and not before["no_call"] and is_same_day and same_hours:
        changes += _danger_changes(before, heeded)
        changes += _air_changes(outlook, before, words)
    if switch := switch_words(lake_day):
        changes.append(switch[0].lower() + switch[1:])
    return [f"{opening}: {'; '.join(changes)}."] if changes else [f"{opening}: nothing that matters has changed."]


def _hours(start: str | datetime, end: str | datetime, words: Words) -> tuple[str, ...]:
    """Launch and haul-out by the lake's clock."""
    instants = (datetime.fromisoformat(one) if isinstance(one, str) else one for one in (start, end))
    return tuple(f"{one.astimezone(words.zone):%H:%M}" for one in instants)


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


def _front_changes(lake_day: LakeDay, before: Mapping[str, Any], words: Words) -> list[str]:
    horizon = lake_day.start - FRONTS_BACK
    told = [
        front
        for front in before["fronts"]
        if front["kind"] == FrontKind.COLD.value and front.get("standing", "foretold") in front_lines.STANDING
    ]
    standing = front_lines.cold(lake_day)
    changes = []
    for front in standing:
        if front_lines.onset(front) < horizon:
            continue
        was = _same(front, told)
        if was is None:
            changes.append(f"new: cold front {front_lines.told(front, words)}")
        elif front.standing is Standing.CONFIRMED and was.get("standing") == Standing.FORETOLD.value:
            changes.append(f"a station saw the cold front pass {words.moment(front_lines.onset(front))}")
        elif abs(datetime.fromisoformat(was["onset"]) - front.onset) >= MOVED:
            told_now, told_then = front_lines.when(front, words), _when_told(was, words)
            if told_now == told_then:  # the range is as wide as the move
                told_now, told_then = words.moment(front.onset), words.moment(datetime.fromisoformat(was["onset"]))
            changes.append(f"the cold front is now expected {told_now}, was {told_then}")
    for was in told:
        if datetime.fromisoformat(was["onset"]) >= horizon and not any(_same(front, [was]) for front in standing):
            changes += _lost(lake_day, was, words)
    return changes


def _lost(lake_day: LakeDay, was: Mapping[str, Any], words: Words) -> list[str]:
    """That a front told of before is gone; nothing where the hours at hand merely do not reach it."""
    ended = next((front for front in front_lines.gone(lake_day) if _same(front, [was])), None)
    if ended is not None:
        text = front_lines.gone_words(ended, words).removesuffix(".")
        return [text[0].lower() + text[1:]]
    outlook = lake_day.outlook
    if lake_day.known_fronts or outlook is None:
        return []
    first, last = np_to_datetime(outlook.hourly.time[0]), np_to_datetime(outlook.hourly.time[-1])
    in_sight = first <= datetime.fromisoformat(was["onset"]) <= last
    return [f"the cold front of {_when_told(was, words)} is no longer seen"] if in_sight else []


def _same(front: KnownFront, told: Iterable[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """The same passage among those told of: by its id, else the nearest within nine hours."""
    told = list(told)
    for was in told:
        if front.id is not None and was.get("id") == front.id:
            return was

    def apart(was: Mapping[str, Any]) -> timedelta:
        return abs(datetime.fromisoformat(was["onset"]) - front.onset)

    nearest = min(told, key=apart, default=None)
    return nearest if nearest is not None and apart(nearest) < SAME_PASSAGE else None


def _when_told(was: Mapping[str, Any], words: Words) -> str:
    onset = datetime.fromisoformat(was["onset"])
    if not was.get("earliest") or not was.get("latest"):
        return words.moment(onset)
    earliest, latest = datetime.fromisoformat(was["earliest"]), datetime.fromisoformat(was["latest"])
    if max(latest - onset, onset - earliest) < front_lines.SHARP:
        return words.moment(onset)
    return words.hours_between(earliest, latest)


def _warning_changes(lake_day: LakeDay, before: Mapping[str, Any]) -> list[str]:
    told = {one["id"]: one for one in (before.get("official") or {}).get("warnings", ()) if one["in_trip"]}
    now = official_lines.in_trip(lake_day)
    messages = {one["message"] for one in told.values()}
    changes = [
        f"{'updated' if messages.intersection(one.references) else 'new'} official warning: "
        f"{official_lines.one_line(one.event) or official_lines.title(one)}"
        for one in now
        if one.id not in told
    ]
    if lake_day.official.state is WarningsState.UNAVAILABLE:
        return changes
    still = {one.id for one in now}
    replaced = {old for one in now for old in one.references}
    return changes + [
        f"no longer in force for the trip: {one['event']}"
        for id_, one in told.items()
        if id_ not in still and one["message"] not in replaced and before["day"] == lake_day.day.isoformat()
    ]


def _danger_changes(before: Mapping[str, Any], heeded: Sequence[Caution]) -> list[str]:
    if before.get("dangers") is None:
        return []
    now = {caution.kind: caution for caution in heeded if caution.danger}
    changes = [f"danger now: {caution.short}" for kind, caution in now.items() if kind not in before["dangers"]]
    return changes + [f"no danger from {kind} any more" for kind in before["dangers"] if kind not in now]


def _air_changes(outlook: Outlook, before: Mapping[str, Any], words: Words) -> list[str]:
    told = before["wind"] or {}
    steps = (
        ("wind to", "wind_max_ms", outlook.hourly["wind_speed_ms"], WIND_STEP_MS, words.wind),
        ("gusts to", "gust_max_ms", outlook.hourly["wind_gust_ms"], GUST_STEP_MS, words.wind),
        ("waves", "wave_max_m", outlook.wave_height_m, WAVE_STEP_M, words.wave),
    )
    changes = []
    for name, key, values, step, worded in steps:
        known = values[outlook.trip][~np.isnan(values[outlook.trip])]
        was = told.get(key)
        if was is None or not known.size:
            continue
        now = float(known.max())
        if abs(now - was) >= step and worded(now) != worded(was):
            verb = "were" if name == "waves" else "was"
            changes.append(f"{name} {worded(now)}, {verb} {worded(was)}")
    return changes
