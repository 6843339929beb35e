"""The archive: bodies as they came, each once, and what was known when."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import func, select, update
from sqlalchemy.exc import IntegrityError

from bitewatch.errors import PayloadRefused, StoreRefused
from bitewatch.store.database import Store
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.weather.archive import (
    as_of,
    confirm,
    keep,
    latest,
    newest_references,
    received_from,
    set_aside,
    set_aside_until,
)
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Cell, Issue, Received
from bitewatch.weather.sources.hourly_csv import HourlyCsv
from bitewatch.weather.tables import issue, payload

T0 = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
HOUR = timedelta(hours=1)
FILE = Cell(key="hourly-csv:demo.csv", latitude=46.1, longitude=-94.2)
SOURCE = HourlyCsv(Path(), "{lake}.csv")
BAD = PayloadRefused(Reason.NOT_CSV, "no known column")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path, now=T0)
    yield opened
    opened.close()


def came(temp: float, at: datetime) -> Received:
    body = f"time,air_temp_c\r\n2026-06-01T00:00Z,{temp}\r\n".encode()
    return Received(
        source="hourly-csv", url_key="hourly-csv:demo.csv", fetched_at=at, body=body, content_type="text/csv"
    )


def read(received: Received) -> tuple[Issue, ...]:
    return SOURCE.read(received, [FILE])


def keep_it(store: Store, received: Received) -> int:
    with store.write() as connection:
        return keep(connection, received, read(received))


def count(store: Store, table: object) -> int:
    with store.read() as connection:
        return connection.execute(select(func.count()).select_from(table)).scalar_one()  # type: ignore[arg-type]


def test_what_came_is_read_again_from_the_archive_as_it_was(store: Store) -> None:
    received = replace(came(20.5, T0), expires_at=T0 + HOUR, etag='"a"', last_modified="Mon, 01 Jun 2026 02:00:00 GMT")
    payload_id = keep_it(store, received)
    with store.read() as connection:
        stored = latest(connection, received.url_key)
    assert stored is not None
    assert stored.payload_id == payload_id
    assert received_from(stored) == received
    (one,), (again,) = read(received), read(received_from(stored))
    assert one.hourly["air_temp_c"].tolist() == again.hourly["air_temp_c"].tolist() == [20.5]


def test_every_issue_has_a_row_and_the_arrival_is_told_in_the_same_change(store: Store) -> None:
    received = came(20.5, T0)
    (one,) = read(received)
    two = replace(one, cell="hourly-csv:other.csv", part=1, grid_latitude=46.125)
    with store.write() as connection:
        payload_id = keep(connection, received, [one, two])
    with store.read() as connection:
        rows = connection.execute(select(issue).order_by(issue.c.part)).all()
        (told,) = connection.execute(select(event)).all()
    assert [(row.cell, row.part, row.payload_id, row.grid_latitude) for row in rows] == [
        ("hourly-csv:demo.csv", 0, payload_id, None),
        ("hourly-csv:other.csv", 1, payload_id, 46.125),
    ]
    assert (rows[0].retrieved_at, rows[0].reference_time, rows[0].model) == (T0, None, "file")
    assert (told.name, told.subject, told.at) == ("ForecastArrived", "hourly-csv:demo.csv", T0)
    assert told.reason == "hourly-csv issued something new for 2 cells"


def test_a_change_that_fails_leaves_nothing_behind(store: Store) -> None:
    received = came(20.5, T0)
    unkept = replace(read(received)[0], cell=None)  # type: ignore[arg-type] # the row of an issue must name its cell
    with pytest.raises(IntegrityError), store.write() as connection:
        keep(connection, received, [unkept])
    assert (count(store, payload), count(store, issue), count(store, event)) == (0, 0, 0)


def test_the_same_body_again_is_only_confirmed(store: Store) -> None:
    first = keep_it(store, came(20.5, T0))
    again = keep_it(store, replace(came(20.5, T0 + HOUR), expires_at=T0 + 2 * HOUR))
    assert first == again
    assert (count(store, payload), count(store, issue), count(store, event)) == (1, 1, 1)
    with store.read() as connection:
        stored = latest(connection, "hourly-csv:demo.csv")
    assert stored is not None
    assert (stored.fetched_at, stored.confirmed_at, stored.expires_at) == (T0, T0 + HOUR, T0 + 2 * HOUR)
    assert received_from(stored).fetched_at == T0 + HOUR


def test_a_body_that_comes_back_after_another_is_kept_again(store: Store) -> None:
    ids = [keep_it(store, came(temp, T0 + n * HOUR)) for n, temp in enumerate((20.5, 21.0, 20.5))]
    assert len(set(ids)) == 3
    with store.read() as connection:
        stored = latest(connection, "hourly-csv:demo.csv")
    assert stored is not None
    assert stored.payload_id == ids[-1]


def test_what_is_set_aside_is_kept_with_its_reason_and_never_served(store: Store) -> None:
    good = keep_it(store, came(20.5, T0))
    bad = replace(came(0, T0 + HOUR), body=b"<html>")
    with store.write() as connection:
        first = set_aside(connection, bad, BAD)
        again = set_aside(connection, replace(bad, fetched_at=T0 + 2 * HOUR), BAD)
    assert first == again != good
    with store.read() as connection:
        stored = latest(connection, "hourly-csv:demo.csv")
        row = connection.execute(select(payload).where(payload.c.id == first)).one()
        told = connection.execute(select(event.c.name, event.c.reason).order_by(event.c.id)).all()
    assert stored is not None
    assert (stored.payload_id, stored.confirmed_at) == (good, T0)
    assert row.set_aside == str(BAD)
    assert [name for name, _ in told] == ["ForecastArrived", "ForecastSetAside"]  # once, however often it comes
    assert told[1].reason == "the body is not a table of hours in CSV: no known column"


def test_a_question_never_asked_has_no_answer(store: Store) -> None:
    keep_it(store, came(20.5, T0))
    with store.read() as connection:
        assert latest(connection, "hourly-csv:other.csv") is None
        assert as_of(connection, "hourly-csv:demo.csv", T0 - timedelta(seconds=1)) is None


def test_the_past_knows_nothing_of_later_confirmations(store: Store) -> None:
    for hours in (0, 5):
        keep_it(store, came(20.5, T0 + hours * HOUR))
    with store.read() as connection:
        then = as_of(connection, "hourly-csv:demo.csv", T0 + 3 * HOUR)
        now = as_of(connection, "hourly-csv:demo.csv", T0 + 5 * HOUR)
    assert then is not None
    assert now is not None
    assert (then.confirmed_at, now.confirmed_at) == (T0, T0 + 5 * HOUR)


def test_when_the_model_ran_is_kept_beside_the_body(store: Store) -> None:
    received = replace(came(20.5, T0), reference_time=T0 - 6 * HOUR)
    keep_it(store, received)
    with store.read() as connection:
        stored = latest(connection, received.url_key)
    assert stored is not None
    assert received_from(stored) == received


def test_what_is_no_forecast_is_kept_without_telling_of_it(store: Store) -> None:
    with store.write() as connection:
        keep(connection, came(20.5, T0), read(came(20.5, T0)), told=False)
    assert (count(store, payload), count(store, issue), count(store, event)) == (1, 1, 0)


def test_what_has_not_changed_is_confirmed_without_its_body(store: Store) -> None:
    payload_id = keep_it(store, came(20.5, T0))
    said = replace(came(0.0, T0 + HOUR), body=b"", expires_at=T0 + 2 * HOUR, etag='"b"')
    with store.write() as connection:
        confirm(connection, payload_id, said)
        stored = latest(connection, said.url_key)
    assert stored is not None
    assert received_from(stored) == replace(said, body=came(20.5, T0).body)
    assert stored.fetched_at == T0


def test_what_is_set_aside_stands_until_it_expires_or_something_better_comes(store: Store) -> None:
    key, bad = "hourly-csv:demo.csv", replace(came(0, T0), body=b"<html>", expires_at=T0 + 2 * HOUR)
    with store.write() as connection:
        assert set_aside_until(connection, key, T0) is None
        set_aside(connection, bad, BAD)
        assert set_aside_until(connection, key, T0 + HOUR) == (str(BAD), T0 + 2 * HOUR)
        assert set_aside_until(connection, key, T0 + 2 * HOUR) is None
        keep(connection, came(20.5, T0 + HOUR), ())
        assert set_aside_until(connection, key, T0 + HOUR) is None
        set_aside(connection, replace(bad, expires_at=None), BAD)
        assert set_aside_until(connection, key, T0 + HOUR) is None


def test_the_newest_reference_time_is_of_the_cell_and_the_source(store: Store) -> None:
    (one,) = read(came(20.5, T0))
    issues = [
        replace(one, cell="a", part=0, reference_time=T0 - 6 * HOUR), replace(one, cell="b", part=1),
        replace(one, cell="c", part=2, reference_time=T0 - 12 * HOUR),
        replace(one, cell="a", part=3, reference_time=T0, source="other"),
    ]  # fmt: skip
    older = replace(one, cell="a", reference_time=T0 - 9 * HOUR)
    with store.write() as connection:
        keep(connection, came(20.5, T0), issues)
        keep(connection, came(21.5, T0), [older])
        found = newest_references(connection, one.source, ["a", "b", "d"])
    assert found == {"a": T0 - 6 * HOUR}


def test_a_damaged_body_is_kept_again_when_it_comes_again(store: Store) -> None:
    first = keep_it(store, came(20.5, T0))
    assert keep_it(store, came(20.5, T0 + HOUR)) == first
    with store.write() as connection:
        connection.execute(update(payload).values(body_gz=b"rubbish"))
    assert keep_it(store, came(20.5, T0 + 2 * HOUR)) != first
    with store.read() as connection:
        stored = latest(connection, "hourly-csv:demo.csv")
        assert stored is not None
        assert stored.body == came(20.5, T0).body


@pytest.mark.parametrize("damage", [b"", b"not gzip", "swapped"])
def test_a_damaged_body_is_not_served(store: Store, damage: bytes | str) -> None:
    keep_it(store, came(20.5, T0))
    other = keep_it(store, replace(came(20.5, T0), url_key="hourly-csv:other.csv", body=came(1.5, T0).body))
    with store.write() as connection:
        swapped = connection.execute(select(payload.c.body_gz).where(payload.c.id == other)).scalar_one()
        connection.execute(
            update(payload).where(payload.c.id != other).values(body_gz=swapped if damage == "swapped" else damage)
        )
    with store.read() as connection, pytest.raises(StoreRefused, match=r"payload 1 of hourly-csv:demo\.csv is damaged"):
        latest(connection, "hourly-csv:demo.csv")


def test_bodies_are_compressed_and_come_back_byte_for_byte(store: Store) -> None:
    body = b"time,air_temp_c\r\n" + b"".join(b"2026-06-01T00:00Z,%d.%d\r\n" % (n % 30, n % 10) for n in range(2000))
    received = replace(came(0.0, T0), body=body)
    keep_it(store, received)
    with store.read() as connection:
        stored = latest(connection, received.url_key)
        size = connection.execute(select(func.length(payload.c.body_gz))).scalar_one()
    assert stored is not None
    assert stored.body == body
    assert size < 0.2 * len(body)
    assert np.isfinite(read(received)[0].hourly["air_temp_c"]).all()
