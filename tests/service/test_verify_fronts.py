"""What was foretold of a lake and what came, out of the ledgers."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Connection, insert, update

from bitewatch.service.verify_fronts import Verified, verify_lake
from bitewatch.store.database import Store
from bitewatch.store.migrate import open_store
from bitewatch.weather.following import Standing
from bitewatch.weather.tables import front, issue, payload, sighting
from bitewatch.weather.verification import How, LeadDay

T0 = datetime(2026, 6, 1, tzinfo=UTC)
DAY, HOUR = timedelta(days=1), timedelta(hours=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path, now=T0)
    yield opened
    opened.close()


def issued(connection: Connection, *days: float, cell: str = "a", confirmed: float = 0.0) -> None:
    """Issues for a cell, so many days after the start."""
    for day in days:
        at = T0 + day * DAY
        row = insert(payload).values(
            source="grid", url_key=cell, fetched_at=at, confirmed_at=at + confirmed * DAY, body_sha256="", body_gz=b""
        )
        (payload_id,) = connection.execute(row).inserted_primary_key or (0,)
        connection.execute(
            insert(issue).values(
                cell=cell, source="grid", model="m", retrieved_at=at, payload_id=payload_id, part=0
            )
        )  # fmt: skip


def followed(
    connection: Connection, *said: tuple[float, float], seen_until: float, state: Standing = Standing.FORETOLD,
    observed: float | None = None, lake: str = "demo", kind: str = "cold",
) -> None:  # fmt: skip
    """A front, with what was said of it: (day of the issue, day of the onset)."""
    first, last = said[0], T0 + said[-1][1] * DAY
    row = insert(front).values(
        lake=lake, kind=kind, onset=last, earliest=last - HOUR, latest=last + HOUR, strength=0.6, told_onset=last,
        source="grid", found_at=T0 + first[0] * DAY, seen_at=T0 + seen_until * DAY, misses=0, missed_in="", state=state,
        observed_onset=None if observed is None else T0 + observed * DAY,
    )  # fmt: skip
    (number,) = connection.execute(row).inserted_primary_key or (0,)
    for seen, onset in said:
        connection.execute(
            insert(sighting).values(
                front=number, source="grid", model="m", seen_at=T0 + seen * DAY, onset=T0 + onset * DAY, strength=0.6
            )
        )  # fmt: skip


def verified(store: Store, *cells: str) -> Verified:
    with store.read() as connection:
        return verify_lake(connection, "demo", cells or ("a",))


def hits(rows: tuple[LeadDay, ...]) -> list[int]:
    return [row.hits for row in rows]


DAILY = [0.5 * n for n in range(41)]  # an issue every twelve hours for twenty days


def test_a_front_that_its_source_still_shows_in_the_past_has_come(store: Store) -> None:
    with store.write() as connection:
        issued(connection, *DAILY)
        # first said 5.5 days ahead for day 10; from 2.5 days ahead for 6 h later, and so it stayed
        followed(connection, (4.5, 10.0), (7.5, 10.25), seen_until=12)
    told = verified(store)
    assert told.by == {How.STATION: 0, How.ARCHIVE: 1}
    assert hits(told.table) == [1, 1, 1, 1, 1, 1, 0]
    assert [row.error_h for row in told.table] == [0.0, 0.0, 0.0, -6.0, -6.0, -6.0, None]
    # six days ahead, on day 4.25, there was an issue, but nothing had yet been followed: not judged
    assert (told.table[6].misses, told.table[6].hits) == (0, 0)


def test_a_front_not_foretold_is_a_miss_where_a_forecast_was_at_hand(store: Store) -> None:
    with store.write() as connection:
        issued(connection, *DAILY)
        followed(connection, (1.0, 6.0), seen_until=8)
        followed(connection, (9.0, 10.5), seen_until=12)
    assert [row.misses for row in verified(store).table] == [0, 0, 1, 1, 1, 1, 1]


def test_a_station_has_the_last_word(store: Store) -> None:
    with store.write() as connection:
        issued(connection, *DAILY)
        followed(connection, (1.0, 4.0), seen_until=6, state=Standing.CONFIRMED, observed=4.125)
        followed(connection, (1.0, 9.0), seen_until=11, state=Standing.WITHDRAWN)
    told = verified(store)
    assert told.by == {How.STATION: 1, How.ARCHIVE: 0}
    assert (told.table[0].hits, told.table[0].false_alarms, told.table[0].error_h) == (1, 1, -3.0)


def test_a_front_that_is_gone_was_foretold_only_as_long_as_it_was_seen(store: Store) -> None:
    with store.write() as connection:
        issued(connection, *DAILY)
        followed(connection, (3.0, 10.0), seen_until=6.5, state=Standing.GONE)  # given up 3.5 days ahead
    table = verified(store).table
    assert [row.false_alarms for row in table] == [0, 0, 0, 0, 1, 1, 1]
    assert hits(table) == [0] * 7


def test_a_front_still_to_come_is_not_judged(store: Store) -> None:
    with store.write() as connection:
        issued(connection, *DAILY)
        followed(connection, (15.0, 19.9), seen_until=20)  # two hours before the last issue: it cannot show yet
        followed(connection, (15.0, 22.0), seen_until=20)
    told = verified(store)
    assert told.passages == ()
    assert {(row.hits, row.misses, row.false_alarms) for row in told.table} == {(0, 0, 0)}
    assert told.table[0].unjudged == 2


def test_where_no_issue_came_nothing_is_judged(store: Store) -> None:
    with store.write() as connection:
        issued(connection, 0.0, 0.5, 1.0)
        issued(connection, 9.0, 9.5, 10.0)
        followed(connection, (0.5, 1.2), seen_until=1.0)
        followed(connection, (0.5, 5.0), seen_until=1.0)  # the source was down when it came, or did not
    told = verified(store)
    assert [(one.start, one.end) for one in told.judged] == [
        (T0, T0 + 1 * DAY - 7 * HOUR), (T0 + 9 * DAY, T0 + 10 * DAY - 7 * HOUR)
    ]  # fmt: skip
    assert told.judged_days == pytest.approx(2 - 14 / 24)
    assert told.table[0].false_alarms == 0


def test_one_issue_that_is_confirmed_for_days_leaves_no_gap(store: Store) -> None:
    with store.write() as connection:
        issued(connection, 0.0, confirmed=8.0)
        followed(connection, (0.0, 5.0), seen_until=8.0)
    told = verified(store)
    assert told.judged_days == pytest.approx(8 - 7 / 24)
    assert hits(told.table) == [1, 1, 1, 1, 1, 1, 0]


def test_other_lakes_cells_and_warm_fronts_do_not_count(store: Store) -> None:
    with store.write() as connection:
        issued(connection, *DAILY, cell="b")
        followed(connection, (1.0, 4.0), seen_until=6, lake="other")
        followed(connection, (1.0, 5.0), seen_until=7, kind="warm")
    told = verified(store, "b")
    assert told.passages == ()
    assert all((row.hits, row.misses, row.false_alarms, row.unjudged) == (0, 0, 0, 0) for row in told.table)
    assert verified(store, "a").judged == ()


def test_a_second_opinion_does_not_speak_for_the_source_of_the_lake(store: Store) -> None:
    with store.write() as connection:
        issued(connection, *DAILY)
        followed(connection, (3.0, 10.0), seen_until=12)
        other = insert(sighting).values(
            front=1, source="another", model="m", seen_at=T0 + 4 * DAY, onset=T0 + 10.25 * DAY, strength=0.6
        )
        connection.execute(other)
        connection.execute(other.values(seen_at=T0 + 1 * DAY, onset=T0 + 9.75 * DAY))
    assert [row.error_h for row in verified(store).table] == [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]
    with store.write() as connection:
        connection.execute(update(front).values(onset=T0 + 10 * DAY, source="a third"))
    # whoever spoke, where the source of today had not
    assert [row.error_h for row in verified(store).table][:6] == [6.0] * 6
