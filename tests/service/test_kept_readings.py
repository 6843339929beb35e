"""Readings in the store: never lost, never twice, and taken back without a trace being lost."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from bitewatch.errors import Refused
from bitewatch.service.readings import add_readings, kept_readings, undo_reading
from bitewatch.service.tables import reading as table
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.water.reading import Reading

NOW = datetime(2026, 7, 20, 5, tzinfo=UTC)
ONE = Reading(at=NOW - timedelta(hours=2), temp_c=22.5, depth_m=0.6, source="typed", known_at=NOW)


@pytest.fixture
def store(tmp_path):
    opened = open_store(tmp_path, now=NOW)
    yield opened
    opened.close()


def add(store, *readings):
    with store.write() as connection:
        return add_readings(connection, "x", readings, now=NOW)


def kept(store):
    with store.read() as connection:
        return [one.reading for one in kept_readings(connection, "x")]


def test_kept_as_it_was_told_and_once(store):
    assert add(store, ONE) == [1]
    assert add(store, ONE) == []
    assert kept(store) == [ONE]
    with store.read() as connection:
        assert connection.execute(select(event.c.name)).scalars().all() == ["ReadingAdded"]


def test_two_thermometers_at_one_time_are_two_readings(store):
    other = replace(ONE, temp_c=22.0)
    assert add(store, ONE, other) == [1, 2]
    assert kept(store) == [ONE, other]


def test_a_gauge_that_corrects_itself_is_believed_and_its_first_word_stays_in_the_store(store):
    first = replace(ONE, source="usgs")
    add(store, first)
    add(store, replace(first, temp_c=21.0))
    assert [one.temp_c for one in kept(store)] == [21.0]
    with store.read() as connection:
        assert connection.execute(select(table.c.temp_c).order_by(table.c.id)).scalars().all() == [22.5, 21.0]


def test_taken_back_it_counts_for_nothing_and_stays_in_the_store(store):
    add(store, ONE)
    with store.write() as connection:
        assert undo_reading(connection, 1, now=NOW).reading == ONE
    assert kept(store) == []
    with store.read() as connection:
        assert connection.execute(select(table.c.undone_at)).scalar() == NOW
    for number in (1, 7):
        with store.write() as connection, pytest.raises(Refused, match=str(number)):
            undo_reading(connection, number, now=NOW)
    assert add(store, ONE) == [2]  # told again, it counts again


def test_of_another_lake_nothing_is_told(store):
    add(store, ONE)
    with store.read() as connection:
        assert kept_readings(connection, "y") == []
