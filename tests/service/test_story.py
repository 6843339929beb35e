"""The story of a day: what concerns a lake, and nothing else."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import delete, insert

from bitewatch.delivery.tables import endpoint
from bitewatch.service.story import Happened, story
from bitewatch.service.tables import subscription
from bitewatch.store.database import Store
from bitewatch.store.events import Event, record
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store

T0 = datetime(2026, 7, 21, 4, 0, tzinfo=UTC)
DAY, HOUR = timedelta(days=1), timedelta(hours=1)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    opened = open_store(tmp_path_factory.mktemp("store"), now=T0)
    with opened.write() as connection:
        connection.execute(
            insert(endpoint).values(
                id="e", kind="file", address="out", state="active", consecutive_failures=0, lan_allowed=0, created_at=T0
            )
        )
        for name, lakes in (("mine", ["demo", "other"]), ("theirs", ["other"])):
            connection.execute(
                insert(subscription).values(
                    id=name, endpoint="e", lakes=json.dumps(lakes), at="04:30", speaks_of="today", trip_from="05:30",
                    trip_to="11:00", days="mon", state="ended", created_at=T0,
                )
            )  # fmt: skip
    yield opened
    opened.close()


def told(store: Store, *events: tuple[Event, str, dict[str, Any]], **span: datetime) -> list[Happened]:
    with store.write() as connection:
        connection.execute(delete(event))
        for n, (name, subject, details) in enumerate(events):
            record(connection, name, at=T0 + n * HOUR, subject=subject, reason=f"because\n {n}", details=details)
    with store.read() as connection:
        return list(
            story(
                connection, "demo", since=span.get("since", T0), before=span.get("before", T0 + DAY),
                cells={"grid:a", "csv:demo.csv"}, sources={"grid"},
            )
        )  # fmt: skip


@pytest.mark.parametrize(
    ("name", "subject", "details"),
    [
        (Event.FORECAST_ARRIVED, "a question", {"cells": ["grid:z", "grid:a"]}),
        (Event.FORECAST_SET_ASIDE, "csv:demo.csv", {"payload": 1}),
        (Event.FRONT_FOUND, "demo", {}),
        (Event.FRONT_MOVED, "17", {"lake": "demo"}),
        (Event.FRONT_GONE, "demo", {}),
        (Event.FRONT_CONFIRMED, "demo", {}),
        (Event.WARNING_ISSUED, "urn:x", {"lakes": ["other", "demo"]}),
        (Event.WARNING_ENDED, "demo", {}),
        (Event.SOURCE_DOWN, "grid", {}),
        (Event.SOURCE_BACK, "grid", {}),
        (Event.SOURCE_SWITCHED, "demo", {}),
        (Event.CALL_TURNED, "demo", {}),
        (Event.BRIEF_DECIDED, "mine:2026-07-21:brief:0", {"lakes": ["demo"]}),
        (Event.MESSAGE_SENT, "mine:2026-07-21:brief:0", {"channel": "file"}),
        (Event.MESSAGE_FAILED, "mine:2026-07-21:turn:1", {"channel": "file"}),
    ],
)
def test_what_concerns_the_lake_is_told_with_its_reason_on_one_line(
    store: Store, name: Event, subject: str, details: dict[str, Any]
) -> None:
    (one,) = told(store, (name, subject, details))
    assert (one.name, one.subject, one.details, one.at) == (name, subject, details, T0)
    what = {"mine:2026-07-21:brief:0": "brief of 2026-07-21: ", "mine:2026-07-21:turn:1": "turn of 2026-07-21: "}
    assert one.reason == what.get(subject, "") + "because 0"


@pytest.mark.parametrize(
    ("name", "subject", "details"),
    [
        (Event.FORECAST_ARRIVED, "demo", {"cells": ["grid:z"]}),
        (Event.FORECAST_SET_ASIDE, "csv:other.csv", {}),
        (Event.FRONT_FOUND, "other", {}),
        (Event.FRONT_MOVED, "17", {"lake": "other"}),
        (Event.WARNING_ISSUED, "urn:x", {"lakes": ["other"]}),
        (Event.SOURCE_DOWN, "another grid", {}),
        (Event.BRIEF_DECIDED, "mine:2026-07-21:brief:0", {"lakes": ["other"]}),
        (Event.MESSAGE_SENT, "theirs:2026-07-21:brief:0", {}),
        (Event.MESSAGE_FAILED, "demo", {}),
    ],
)
def test_what_concerns_others_is_not(store: Store, name: Event, subject: str, details: dict[str, Any]) -> None:
    if name is Event.FORECAST_ARRIVED:
        subject = "a question"
    assert told(store, (name, subject, details)) == []


def test_every_kind_of_event_can_be_told(store: Store) -> None:
    details = {"lakes": ["demo"], "cells": ["grid:a"]}
    assert [one.name for one in told(store, *((name, "x", details) for name in Event))] == list(Event)


def test_the_day_ends_where_the_next_begins(store: Store) -> None:
    events: list[tuple[Event, str, dict[str, Any]]] = [(Event.FRONT_FOUND, "demo", {})] * 4
    found = told(store, *events, since=T0 + HOUR, before=T0 + 3 * HOUR)
    assert [one.at for one in found] == [T0 + HOUR, T0 + 2 * HOUR]
