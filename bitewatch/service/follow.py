"""Fronts of a lake followed through every issue that comes, and held against what stations measure."""

import hashlib
from collections.abc import Callable
from datetime import datetime, timedelta

from sqlalchemy import Connection

from bitewatch.lake.profile import Lake
from bitewatch.service.evaluate import front_hours
from bitewatch.service.known_fronts import load, save, set_aside
from bitewatch.service.weather_now import Weather
from bitewatch.store.database import Store
from bitewatch.store.events import Event, record
from bitewatch.store.facts import read_fact, set_fact
from bitewatch.weather.following import confirm, follow, guessed_spread_h, heard
from bitewatch.weather.look import look
from bitewatch.weather.sources.base import Issue

FRONTS_BACK = timedelta(days=11)  #: spells look back ten days


def follow_fronts(
    store: Store, lake: Lake, weather: Weather, now: datetime, *,
    spread_h: Callable[[float], float] = guessed_spread_h,
) -> bool:  # fmt: skip
    """Follow a lake's fronts through what is known now; True if anything was new since the last look.

    Parameters
    ----------
    spread_h
        Half the width of an onset's range, by hours of lead. [h]
    """
    marks = {f"followed:{lake.id}": _issue_mark(weather), f"heard:{lake.id}": _mark(weather.others)}
    marks[f"measured:{lake.id}"] = _mark((weather.observed,) if weather.observed else ())
    with store.write() as connection:
        _begin_anew_if_moved(connection, lake, now)
        new = {name for name, mark in marks.items() if mark and read_fact(connection, name) != mark}
        if f"followed:{lake.id}" in new:
            _follow(connection, lake, weather, now, spread_h)
        if f"heard:{lake.id}" in new:
            for other in weather.others:
                seen = look(
                    other.hourly, lake.latitude, source=other.source, model=other.model, issue=_mark((other,)),
                    at=other.retrieved_at,
                )  # fmt: skip
                fronts = heard(load(connection, lake.id, since=now - FRONTS_BACK), seen, spread_h=spread_h)
                save(connection, lake.id, fronts, (), now=now)
        if f"measured:{lake.id}" in new and weather.observed is not None:
            _confirm(connection, lake, weather.observed, now)
        for name in new:
            set_fact(connection, name, marks[name])
    return bool(new)


def _begin_anew_if_moved(connection: Connection, lake: Lake, now: datetime) -> None:
    """The fronts of a place are not those of another: a lake whose place was changed begins anew, the old ones stay."""
    name, place = f"place:{lake.id}", f"{lake.latitude:.2f},{lake.longitude:.2f}"
    before = read_fact(connection, name)
    if before not in (None, place):
        set_aside(connection, lake.id, f"{lake.id[:40]} at {before}")
        for mark in ("followed", "heard", "measured", "source"):
            set_fact(connection, f"{mark}:{lake.id}", "")
        reason = f"the place of the lake was changed from {before}: its fronts are followed anew"
        record(connection, Event.SOURCE_SWITCHED, at=now, subject=lake.id, reason=reason)
    if before != place:
        set_fact(connection, name, place)


def _follow(
    connection: Connection, lake: Lake, weather: Weather, now: datetime, spread_h: Callable[[float], float]
) -> None:
    assert weather.hourly is not None
    assert weather.own is not None
    assert weather.seen is not None
    told = weather.seen
    seen = look(
        front_hours(weather.hourly, weather.own), lake.latitude, source=told.source, model=told.model,
        issue=_issue_mark(weather), at=told.retrieved_at,
    )  # fmt: skip
    known = load(connection, lake.id, since=now - FRONTS_BACK)
    fronts, changes = follow(known, seen, now=now, spread_h=spread_h)
    save(connection, lake.id, fronts, changes, now=now)
    before = read_fact(connection, f"source:{lake.id}")
    if before not in (None, "", told.source):
        why = f": {'; '.join(weather.failures)}" if weather.failures else ""
        record(
            connection, Event.SOURCE_SWITCHED, at=now, subject=lake.id,
            reason=f"weather from {told.source} in place of {before}{why}",
            details={"from": before, "to": told.source},
        )  # fmt: skip
    set_fact(connection, f"source:{lake.id}", told.source)


def _confirm(connection: Connection, lake: Lake, observed: Issue, now: datetime) -> None:
    seen = look(
        observed.hourly, lake.latitude, source=observed.source, model=observed.model, issue=_mark((observed,)),
        at=observed.retrieved_at,
    )  # fmt: skip
    fronts, changes = confirm(load(connection, lake.id, since=now - FRONTS_BACK), seen, now=now)
    save(connection, lake.id, fronts, changes, now=now)


def _issue_mark(weather: Weather) -> str:
    return f"{weather.seen.source} {weather.seen.payload_sha256}" if weather.seen is not None else ""


def _mark(issues: tuple[Issue, ...]) -> str:
    """What some issues are known by: who told them, and when they came."""
    told = [f"{one.source} {one.cell} {one.retrieved_at.isoformat()}" for one in issues]
    return hashlib.sha256("\n".join(told).encode()).hexdigest() if told else ""
