"""Fronts written down and read again: rows, sightings and the story that the events tell."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import func, select

from bitewatch.service.known_fronts import load, save
from bitewatch.store.database import Store
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.weather.following import KnownFront, Standing, confirm, follow, heard
from bitewatch.weather.fronts import Front, FrontKind
from bitewatch.weather.hourly import HOUR
from bitewatch.weather.look import Look
from bitewatch.weather.tables import front as front_table
from bitewatch.weather.tables import sighting as sighting_table

NOW = datetime(2026, 7, 20, 12, tzinfo=UTC)
HOURS = 24 * 18


def at(hour: float) -> datetime:
    return NOW + timedelta(hours=hour)


def issue(*onsets: float, told_at: float = 0, source: str = "a", strength: float = 0.8, last: int = HOURS) -> Look:
    """An issue from eight days before `NOW` that shows cold fronts, and nothing anywhere else."""
    hours = np.arange(last)
    blank = np.zeros(last)
    return Look(
        source=source, model=f"{source}-model", issue=f"{source} {told_at}", at=at(told_at),
        fronts=tuple(
            Front(kind=FrontKind.COLD, onset=at(onset), strength=strength, score=2.6, signs={}) for onset in onsets
        ),
        time=np.datetime64("2026-07-12T12", "s") + hours * HOUR, score=dict.fromkeys(FrontKind, blank),
        hours_before=hours, hours_after=hours[::-1], whole=np.full(last, True),
    )  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path / "data", now=NOW)
    yield opened
    opened.close()


def known(store: Store, lake: str = "thrennick") -> tuple[KnownFront, ...]:
    with store.read() as connection:
        return load(connection, lake, since=NOW - timedelta(days=11))


def followed(store: Store, seen: Look, lake: str = "thrennick") -> tuple[KnownFront, ...]:
    with store.write() as connection:
        fronts, changes = follow(load(connection, lake, since=NOW - timedelta(days=11)), seen, now=seen.at)
        return save(connection, lake, fronts, changes, now=seen.at)


def story(store: Store, lake: str = "thrennick") -> list[tuple[str, str, dict[str, object]]]:
    with store.read() as connection:
        rows = connection.execute(select(event).where(event.c.subject == lake).order_by(event.c.id)).all()
    return [(row.name, row.reason, json.loads(row.details)) for row in rows]


def test_what_was_saved_is_read_again(store: Store) -> None:
    saved = followed(store, issue(30, 80))
    assert saved == known(store)
    assert [one.id for one in saved] == [1, 2]
    assert [one.sightings[0].model for one in saved] == ["a-model", "a-model"]
    assert known(store, "another") == ()
    with store.read() as connection:
        assert [one.onset for one in load(connection, "thrennick", since=at(30))] == [at(30), at(80)]
        assert [one.onset for one in load(connection, "thrennick", since=at(31))] == [at(80)]


def test_the_story_of_a_front(store: Store) -> None:
    followed(store, issue(30))
    followed(store, issue(36, told_at=6))
    with store.write() as connection:
        fronts = heard(load(connection, "thrennick", since=at(-200)), issue(41, told_at=7, source="b"))
        save(connection, "thrennick", fronts, (), now=at(7))
    followed(store, issue(36, told_at=12))
    with store.write() as connection:
        shown = issue(35, told_at=41, source="station", last=24 * 8 + 42)
        fronts, changes = confirm(load(connection, "thrennick", since=at(-200)), shown, now=at(41))
        save(connection, "thrennick", fronts, changes, now=at(41))
    followed(store, issue(90, told_at=42))
    followed(store, issue(told_at=48))
    told = story(store)
    assert [name for name, *_ in told] == ["FrontFound", "FrontMoved", "FrontConfirmed", "FrontFound", "FrontGone"]
    assert told[1][1] == "the cold front of 2026-07-21 18:00 UTC is now told 6 h later, at 2026-07-22 00:00 UTC"
    assert told[2][1].endswith("seen at 2026-07-22 05:00 UTC")
    assert told[1][2] == {
        "front": 1, "kind": "cold", "standing": "foretold", "onset": "2026-07-22T00:00:00Z",
        "earliest": "2026-07-21T18:00:00Z", "latest": "2026-07-22T03:52:30Z", "surge_at": None, "strength": 0.8,
        "source": "a", "before": "2026-07-21T18:00:00Z",
    }  # fmt: skip
    first, second = known(store)
    assert (first.standing, first.observed_onset, first.found_at) == (Standing.CONFIRMED, at(35), NOW)
    assert (second.standing, second.id) == (Standing.GONE, 2)


def test_a_sighting_is_written_when_it_differs_from_the_last_of_its_source(store: Store) -> None:
    for hour, onset, strength in ((0, 30, 0.8), (1, 30, 0.82), (2, 31, 0.82), (3, 31, 0.9), (4, 31, 0.9)):
        followed(store, issue(onset, told_at=hour, strength=strength))
    with store.write() as connection:
        for hour in (5, 6):
            fronts = heard(load(connection, "thrennick", since=NOW), issue(36, told_at=hour, source="b"))
            save(connection, "thrennick", fronts, (), now=at(hour))
    with store.read() as connection:
        rows = connection.execute(select(sighting_table).order_by(sighting_table.c.id)).all()
    assert [(row.source, row.model, row.seen_at, row.onset) for row in rows] == [
        ("a", "a-model", at(0), at(30)), ("a", "a-model", at(2), at(31)), ("a", "a-model", at(3), at(31)),
        ("b", "b-model", at(5), at(36)),
    ]  # fmt: skip
    (one,) = known(store)
    assert (one.latest, len(one.sightings)) == (at(36), 4)


def test_the_same_issue_leaves_everything_as_it_is(store: Store) -> None:
    before = followed(store, issue(30, 60))
    assert followed(store, issue(30, 60)) == before
    with store.read() as connection:
        counts = [connection.scalar(select(func.count()).select_from(t)) for t in (front_table, sighting_table, event)]
    assert counts == [2, 2, 2]


def test_a_miss_survives_a_restart_and_the_same_issue_after_it(store: Store) -> None:
    trace = replace(issue(told_at=1), score={kind: np.full(HOURS, 1.5) for kind in FrontKind})
    followed(store, issue(30))
    followed(store, trace)
    followed(store, trace)
    (one,) = known(store)
    assert (one.misses, one.missed_in, one.standing) == (1, "a 1", Standing.FORETOLD)
    assert [name for name, *_ in story(store)] == ["FrontFound"]


def test_a_front_that_left_the_window_stays_known(store: Store) -> None:
    followed(store, issue(-100, -20))
    late = replace(issue(told_at=190), time=np.datetime64("2026-07-20T12", "s") + np.arange(HOURS) * HOUR)
    assert [one.standing for one in followed(store, late)] == [Standing.FORETOLD] * 2
    assert len(story(store)) == 2
