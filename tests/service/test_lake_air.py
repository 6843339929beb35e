"""Days that are over stay known as they were first known."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from bitewatch.declared import declare
from bitewatch.lake.profile import Lake
from bitewatch.service.lake_air import keep_days, kept_days
from bitewatch.store.migrate import open_store
from bitewatch.weather.daily import DAILY_COLUMNS, Daily

LAKE = declare(Lake, {"id": "x", "name": "Invented Lake", "latitude": 45.0, "longitude": -90.0}, file="x")
NOW = datetime(2026, 7, 20, 5, tzinfo=UTC)  # eleven in the evening of the 19th by the sun there


@pytest.fixture
def store(tmp_path):
    opened = open_store(tmp_path, now=NOW)
    yield opened
    opened.close()


def days(first, *air):
    day = np.datetime64(first, "D") + np.arange(len(air))
    columns = {name: np.full(len(air), 5.0) for name in DAILY_COLUMNS} | {"air_temp_c": np.array(air, float)}
    return Daily(day=day, columns=columns)


def kept(store, **asked):
    with store.read() as connection:
        return kept_days(connection, LAKE, **asked)


def keep(store, table, now=NOW):
    with store.write() as connection:
        return keep_days(connection, LAKE, table, source="made-up", now=now)


def test_only_days_that_are_over_and_known_are_kept(store):
    assert keep(store, days("2026-07-16", 20.0, np.nan, 22.0, 23.0, 24.0)) == 2
    table = kept(store)
    assert table.day.astype(str).tolist() == ["2026-07-16", "2026-07-17", "2026-07-18"]
    np.testing.assert_array_equal(table["air_temp_c"], [20.0, np.nan, 22.0])
    np.testing.assert_array_equal(table["vapour_hpa"], [5.0, np.nan, 5.0])


def test_a_day_is_left_as_it_was_first_known(store):
    keep(store, days("2026-07-16", 20.0))
    assert keep(store, days("2026-07-16", 25.0, 21.0), now=NOW + timedelta(days=1)) == 1
    np.testing.assert_array_equal(kept(store)["air_temp_c"], [20.0, 21.0])


def test_what_was_known_by_then(store):
    keep(store, days("2026-07-16", 20.0))
    keep(store, days("2026-07-17", 21.0), now=NOW + timedelta(days=1))
    assert kept(store, known_by=NOW - timedelta(hours=1)) is None
    assert kept(store, known_by=NOW).day.size == 1
    assert kept(store).day[-1].astype(date) == date(2026, 7, 17)
