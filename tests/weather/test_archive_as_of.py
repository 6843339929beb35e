"""What was known of a cell when: the archive against a replay that saw only what had come by then."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, delete, insert, update

from bitewatch.errors import PayloadRefused, StoreRefused
from bitewatch.store.database import Store
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.weather.archive import (
    StoredIssue,
    as_of,
    cells_of,
    earlier,
    keep,
    newest,
    open_payload,
    received_from,
    set_aside,
)
from bitewatch.weather.hourly import from_points
from bitewatch.weather.sources.base import Cell, Issue, Received
from bitewatch.weather.tables import cell, issue, payload

T0 = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
HOUR = timedelta(hours=1)
BAD = PayloadRefused("the body is not strict JSON", "cut")
PLACES = ("grid:a", "grid:b", "grid:c")


def read(received: Received, keys: tuple[str, ...]) -> tuple[Issue, ...]:
    """A body such as ``20.5 21.0``: one temperature for each cell."""
    start = np.array(["2026-06-01T00"], "datetime64[s]")
    return tuple(
        Issue(
            cell=key, source="grid", model="m", reference_time=None, retrieved_at=received.fetched_at, part=part,
            hourly=from_points(start, {"air_temp_c": np.array([float(temp)])}),
        )
        for part, (key, temp) in enumerate(zip(keys, received.body.split(), strict=True))
    )  # fmt: skip


def came(body: str, at: datetime, keys: tuple[str, ...]) -> Received:
    return Received(source="grid", url_key=f"grid {keys}", fetched_at=at, body=body.encode())


def keep_it(store: Store, received: Received, keys: tuple[str, ...]) -> int:
    with store.write() as connection:
        return keep(connection, received, read(received, keys))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path, now=T0)
    yield opened
    opened.close()


STEP = st.tuples(
    st.integers(0, 30),  # hours since the step before
    st.sampled_from([("grid:a",), ("grid:a", "grid:b"), ("grid:c", "grid:b", "grid:a")]),
    st.sampled_from([19, 20, 21]),
    st.booleans(),
)


def play(connection: Connection, events: list[tuple[Received, tuple[str, ...], bool]]) -> None:
    """Let these things happen in an empty archive."""
    for table in (issue, payload, event):
        connection.execute(delete(table))
    for received, keys, good in events:
        if good:
            keep(connection, received, read(received, keys))
        else:
            set_aside(connection, received, BAD)


@pytest.fixture
def replayed(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path / "replayed", now=T0)
    yield opened
    opened.close()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30, deadline=None)
@given(st.lists(STEP, min_size=1, max_size=12), st.lists(st.integers(-2, 200), min_size=1, max_size=5))
def test_as_of_is_what_a_replay_of_the_events_up_to_then_ends_with(
    store: Store, replayed: Store, steps: list[tuple[int, tuple[str, ...], int, bool]], moments: list[int]
) -> None:
    events, at = [], T0
    for wait, keys, temp, good in steps:
        at += wait * HOUR
        body = " ".join(str(temp + n) for n in range(len(keys)))
        events.append((came(body, at, keys), keys, good))
    with store.write() as connection, replayed.write() as then:
        play(connection, events)
        for moment in (T0 + hours * HOUR for hours in moments):
            play(then, [one for one in events if one[0].fetched_at <= moment])
            for key in PLACES:
                known, knew = as_of(connection, key, moment), newest(then, key)
                assert (known is None) == (knew is None)
                if known is None or knew is None:
                    continue
                assert temperature(connection, known) == temperature(then, knew)
                # a confirmation after the moment hides those before it: never too late, perhaps too early
                assert known.retrieved_at <= known.confirmed_at <= knew.confirmed_at <= moment
                assert replace(known, confirmed_at=T0, payload_id=0) == replace(knew, confirmed_at=T0, payload_id=0)


def temperature(connection: Connection, known: StoredIssue) -> float:
    """The temperature that the source reads out of the archive for an issue."""
    received = received_from(open_payload(connection, known.payload_id))
    cells = cells_of(connection, known.payload_id)
    told = read(received, tuple(one.key for one in cells))[known.part]
    assert told.cell == known.cell
    return float(told.hourly["air_temp_c"][0])


def test_issues_of_a_span_come_in_order_as_they_were_known_at_its_end(store: Store) -> None:
    for hours, temp in ((0, 20), (6, 21), (9, 21), (12, 22)):
        keep_it(store, came(str(temp), T0 + hours * HOUR, ("grid:a",)), ("grid:a",))
    with store.read() as connection:
        spanned = earlier(connection, "grid:a", T0, T0 + 7 * HOUR)
        later = earlier(connection, "grid:a", T0 + HOUR, T0 + 99 * HOUR)
        assert earlier(connection, "grid:b", T0, T0 + 99 * HOUR) == []
    assert [(one.retrieved_at - T0) / HOUR for one in spanned] == [0, 6]
    assert [(one.confirmed_at - T0) / HOUR for one in spanned] == [0, 6]
    assert [(one.confirmed_at - T0) / HOUR for one in later] == [9, 12]


def test_the_cells_of_a_payload_come_in_the_order_of_its_parts(store: Store) -> None:
    keys = ("grid:b", "grid:a")
    payload_id = keep_it(store, came("20 21", T0, keys), keys)
    with store.write() as connection:
        row = {"key": "grid:a", "source": "grid", "latitude": 46.1, "longitude": -94.2, "elevation_m": 372.0}
        connection.execute(insert(cell).values(**row, route='{"office": "MPX"}'))
    with store.read() as connection:
        of_file, known = cells_of(connection, payload_id)
        assert cells_of(connection, payload_id + 1) == ()
    assert known == Cell(
        key="grid:a", latitude=46.1, longitude=-94.2, elevation_m=372.0, route={"office": "MPX"}
    )  # fmt: skip
    assert of_file.key == "grid:b"
    assert np.isnan([of_file.latitude, of_file.longitude]).all()  # no gate lets a place through that is not known


def test_a_payload_that_is_damaged_or_gone_is_not_opened(store: Store) -> None:
    payload_id = keep_it(store, came("20", T0, ("grid:a",)), ("grid:a",))
    with store.write() as connection:
        connection.execute(update(payload).values(body_gz=b"rubbish"))
    with store.read() as connection:
        with pytest.raises(StoreRefused, match=f"payload {payload_id} of grid .* is damaged"):
            open_payload(connection, payload_id)
        with pytest.raises(StoreRefused, match="payload 77 is not kept any more"):
            open_payload(connection, 77)
