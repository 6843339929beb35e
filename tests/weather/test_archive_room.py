"""What of the archive goes when it is old, and what is told of its size."""

import os
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, delete, func, select

from bitewatch.errors import PayloadRefused, StoreRefused
from bitewatch.store.database import FILE_NAME, Store
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.weather import archive_room
from bitewatch.weather.archive import as_of, keep, newest, set_aside
from bitewatch.weather.archive_room import Pruned, compact, measure, past_their_time, prune_step, remove, too_many
from bitewatch.weather.hourly import from_points
from bitewatch.weather.settings import ArchiveSettings
from bitewatch.weather.sources.base import Issue, Received
from bitewatch.weather.tables import front, issue, payload

NOW = datetime(2026, 7, 21, 8, 0, tzinfo=UTC)
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
KEPT = ArchiveSettings(whole_days=10, daily_days=30, most_gb=1.0)
BAD = PayloadRefused("the body is not strict JSON", "cut: at 17")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path, now=NOW)
    yield opened
    opened.close()


def arrive(
    connection: Connection, at: datetime, cells: Sequence[str] = ("a",), *, size: int = 0, source: str = "grid"
) -> int:
    """A payload with an issue for each cell; one without cells is an answer about something else."""
    body = f"{at} {cells}".encode() + os.urandom(size)
    received = Received(source=source, url_key=f"{source} {','.join(cells)}", fetched_at=at, body=body)
    hourly = from_points(np.array(["2026-06-01T00"], "datetime64[s]"), {})
    issues = [
        Issue(
            cell=cell, source=source, model="m", reference_time=None, retrieved_at=at, part=part, hourly=hourly
        )
        for part, cell in enumerate(cells)
    ]  # fmt: skip
    return keep(connection, received, issues, told=bool(cells))


def left(store: Store) -> set[int]:
    with store.read() as connection:
        return set(connection.execute(select(payload.c.id)).scalars())


def test_old_days_keep_their_first_issue_and_older_ones_none(store: Store) -> None:
    with store.write() as connection:
        ids = {
            (days, hour): arrive(connection, NOW.replace(hour=hour) - days * DAY)
            for days in range(35, -1, -1)
            for hour in (1, 7, 8)
        }
    gone = prune_step(store, KEPT, NOW)
    kept = left(store)
    assert {which for which, one in ids.items() if one in kept} == {
        *((days, hour) for days in range(10) for hour in (1, 7, 8)), (10, 8), (10, 1),  # ten days whole, to the hour
        *((days, 1) for days in range(11, 30)),
    }  # fmt: skip
    assert gone.count == len(ids) - len(kept)
    with store.read() as connection:
        assert connection.execute(select(func.count()).select_from(issue)).scalar_one() == len(kept)
        known = as_of(connection, "a", NOW - 20 * DAY)
        assert known is not None
        assert known.payload_id == ids[20, 1]
    assert prune_step(store, KEPT, NOW) == Pruned(count=0, bytes=0)


def test_the_newest_issue_of_a_cell_stays_however_old(store: Store) -> None:
    with store.write() as connection:
        only_b = arrive(connection, NOW - 400 * DAY, ("a", "b"))
        last_c = [arrive(connection, NOW - days * DAY, ("c",)) for days in (300, 200)][-1]
        arrive(connection, NOW - 399 * DAY, ("a",))
        a = arrive(connection, NOW, ("a",))
    prune_step(store, KEPT, NOW)
    assert left(store) == {only_b, last_c, a}


def test_a_payload_that_one_of_its_cells_needs_stays_whole(store: Store) -> None:
    # the first issue of cell b on that day came together with the second of cell a
    noon = NOW.replace(hour=12) - 15 * DAY
    with store.write() as connection:
        arrive(connection, NOW, ("a", "b"))
        first_a = arrive(connection, noon, ("a",))
        both = arrive(connection, noon + HOUR, ("a", "b"))
        arrive(connection, noon + 2 * HOUR, ("b", "a"))
    prune_step(store, KEPT, NOW)
    with store.read() as connection:
        parts = connection.execute(select(issue.c.cell).where(issue.c.payload_id == both).order_by(issue.c.part))
        assert parts.scalars().all() == ["a", "b"]
    assert left(store) > {first_a, both}
    assert len(left(store)) == 3


def test_answers_about_other_things_go_after_two_days_but_for_the_newest(store: Store) -> None:
    with store.write() as connection:
        ids = [arrive(connection, NOW - hours * HOUR, (), source=name) for name in ("x", "y") for hours in (99, 60, 50)]
        ids += [arrive(connection, NOW - 5 * HOUR, (), source="y")]
    prune_step(store, KEPT, NOW)
    assert left(store) == {ids[2], ids[6]}


def test_what_was_set_aside_goes_with_the_whole_issues(store: Store) -> None:
    def bad(at: datetime, body: bytes) -> int:
        return set_aside(connection, Received(source="grid", url_key="k", fetched_at=at, body=body), BAD)

    with store.write() as connection:
        bad(NOW - 12 * DAY, b"1")
        still = bad(NOW - 11 * DAY, b"2")
        assert bad(NOW - 9 * DAY, b"2") == still  # the same again, only confirmed
        young = bad(NOW - 8 * DAY, b"3")
    prune_step(store, KEPT, NOW)
    assert left(store) == {still, young}


def test_over_its_size_the_oldest_beyond_two_weeks_go_first(store: Store) -> None:
    room = ArchiveSettings(whole_days=100, daily_days=1000, most_gb=35e3 / 1e9)
    with store.write() as connection:
        ids = {days: arrive(connection, NOW - days * DAY, size=10_000) for days in (40, 30, 20, 13, 1)}
        fact = arrive(connection, NOW - HOUR, ())
    gone = prune_step(store, room, NOW)
    assert left(store) == {ids[20], ids[13], ids[1], fact}
    assert gone.count == 2
    assert 20_000 < gone.bytes < 20_400  # random bytes do not compress
    tiny = ArchiveSettings(whole_days=100, daily_days=1000, most_gb=1e-6)
    prune_step(store, tiny, NOW)
    assert left(store) == {ids[13], ids[1], fact}  # the last fortnight stays, whatever it takes


def test_pruning_goes_in_batches_and_a_ledger_of_fronts_is_never_touched(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive_room, "BATCH", 3)
    when = NOW - 500 * DAY
    with store.write() as connection:
        for n in range(8):
            arrive(connection, when + n * HOUR)
        arrive(connection, NOW)
        connection.execute(
            front.insert().values(
                lake="demo", kind="cold", onset=when, earliest=when, latest=when, strength=0.5, told_onset=when,
                source="grid", found_at=when, seen_at=when, misses=0, missed_in="", state="foretold",
            )
        )  # fmt: skip
    with store.read() as connection:
        events = connection.execute(select(func.count()).select_from(event)).scalar_one()
    held: list[int] = []

    def removing(connection: Connection, ids: Sequence[int]) -> Pruned:
        held.append(len(ids))
        return remove(connection, ids)

    monkeypatch.setattr(archive_room, "remove", removing)
    assert prune_step(store, KEPT, NOW).count == 8
    assert held == [3, 3, 2]
    with store.read() as connection:
        assert connection.execute(select(func.count()).select_from(front)).scalar_one() == 1
        assert connection.execute(select(func.count()).select_from(event)).scalar_one() == events


ARRIVAL = st.tuples(st.integers(0, 60 * 24), st.sets(st.sampled_from("abc"), min_size=1), st.integers(0, 3000))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40, deadline=None)
@given(st.lists(ARRIVAL, max_size=25), st.sampled_from([1e-6, 1.0]))
def test_nothing_that_is_needed_ever_goes(
    store: Store, arrivals: list[tuple[int, set[str], int]], most_gb: float
) -> None:
    rules = ArchiveSettings(whole_days=20, daily_days=40, most_gb=most_gb)
    with store.write() as connection:
        connection.execute(delete(issue))
        connection.execute(delete(payload))
        came: dict[int, tuple[datetime, tuple[str, ...]]] = {}
        for hours, keys, size in sorted(arrivals, key=lambda one: -one[0]):
            at, order = NOW - hours * HOUR, tuple(sorted(keys))
            came[arrive(connection, at, order, size=size)] = at, order
        before = {key: newest(connection, key) for key in "abc"}
        for which in (past_their_time, too_many):
            remove(connection, which(connection, rules, NOW))
        kept = set(connection.execute(select(payload.c.id)).scalars())
        assert {key: newest(connection, key) for key in "abc"} == before
    over_size = most_gb < 1
    for one, (at, cells) in came.items():
        same_day = [
            other for other, (when, others) in came.items()
            if when.date() == at.date() and set(others) & set(cells) and (when, other) < (at, one)
        ]  # fmt: skip
        newer = {key for other, (when, others) in came.items() if (when, other) > (at, one) for key in others}
        is_newest = not set(cells) <= newer
        is_young = at >= NOW - (14 if over_size else 20) * DAY
        if is_young or is_newest or (at >= NOW - 40 * DAY and not same_day and not over_size):
            assert one in kept
        elif at < NOW - 40 * DAY and len({when for when, _ in came.values()}) == len(came):
            assert one not in kept


def test_what_is_kept_is_told_source_by_source(store: Store) -> None:
    first = NOW - 20 * DAY
    with store.write() as connection:
        arrive(connection, first, ("a", "b"), size=2000)
        arrive(connection, NOW - 2 * DAY, ("a", "b"), size=4000)
        arrive(connection, NOW - DAY, (), size=500)
        for n, reason in enumerate((BAD, BAD, PayloadRefused("a unit is not the one asked for"))):
            received = Received(source="grid", url_key=f"bad {n}", fetched_at=NOW, body=os.urandom(300))
            set_aside(connection, received, reason)
        arrive(connection, NOW - HOUR, ("c",), size=100, source="another")
    with store.read() as connection:
        room = measure(connection, KEPT, NOW)
        sizes = connection.execute(select(payload.c.source, func.length(payload.c.body_gz))).all()
    another, grid = room.sources
    assert (grid.issues, grid.payloads, grid.facts) == (4, 2, 1)
    assert grid.set_aside == {"the body is not strict JSON": 2, "a unit is not the one asked for": 1}
    assert (grid.first, grid.last) == (first, NOW)
    assert grid.bytes == sum(size for source, size in sizes if source == "grid")
    assert grid.bytes_per_issue == pytest.approx(6000 / 4, rel=0.05)
    week = 4000 + 500 + 3 * 300  # what came within seven days
    assert grid.bytes_a_year == pytest.approx(week / 7 * 365.25, rel=0.05)
    assert (another.issues, another.bytes_a_year) == (1, None)  # an hour tells nothing of a year
    assert (room.bytes, room.most_bytes) == (sum(size for _, size in sizes), 10**9)
    assert room.oldest_whole == NOW - 2 * DAY
    with store.read() as connection:
        assert measure(connection, ArchiveSettings(), NOW).oldest_whole == first


def test_an_empty_archive_is_told_too(store: Store) -> None:
    with store.read() as connection:
        room = measure(connection, KEPT, NOW)
    assert (room.sources, room.bytes, room.oldest_whole) == ((), 0, None)
    assert room.file_bytes > 0


def test_the_file_shrinks_only_when_it_is_compacted(store: Store, tmp_path: Path) -> None:
    file = tmp_path / FILE_NAME
    with store.write() as connection:
        for days in (500, 499):
            arrive(connection, NOW - days * DAY, size=400_000)
        last = arrive(connection, NOW)
    prune_step(store, KEPT, NOW)
    with store.read() as connection:
        room = measure(connection, KEPT, NOW)
    assert room.free_bytes > 800_000
    compact(store)
    with store.read() as connection:
        after = measure(connection, KEPT, NOW)
    assert after.free_bytes == 0
    assert room.file_bytes - after.file_bytes >= room.free_bytes
    assert file.stat().st_size == after.file_bytes
    assert left(store) == {last}


def test_a_store_in_use_is_not_compacted(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bitewatch.store.database.BUSY_MS", 10)
    other = open_store(tmp_path, now=NOW)
    with store.write(), pytest.raises(StoreRefused, match="cannot be compacted now: database is locked"):
        compact(other)
    other.close()
