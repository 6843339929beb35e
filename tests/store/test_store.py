"""The store: a commit is on the disk, a failed change leaves nothing, and nobody else can read the file."""

import sqlite3
import stat
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import OperationalError, StatementError

from bitewatch.errors import StoreRefused
from bitewatch.store.bodies import keep_body, read_body
from bitewatch.store.database import FILE_NAME, Store
from bitewatch.store.events import Event, record
from bitewatch.store.facts import install_secret, read_fact, set_fact
from bitewatch.store.metadata import body, event
from bitewatch.store.migrate import back_up, open_store

NOW = datetime(2026, 7, 20, 8, 30, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path / "data", now=NOW)
    yield opened
    opened.close()


def pragma(store: Store, name: str) -> object:
    with store.read() as connection:
        return connection.exec_driver_sql(f"PRAGMA {name}").scalar()


def test_a_commit_is_on_the_disk(store: Store) -> None:
    assert pragma(store, "journal_mode") == "wal"
    assert pragma(store, "synchronous") == 2  # FULL; sqlite.org/pragma.html#pragma_synchronous
    assert pragma(store, "foreign_keys") == 1
    assert pragma(store, "busy_timeout") == 5000


def test_only_we_can_read_it(tmp_path: Path) -> None:
    folder = tmp_path / "made" / "data"
    store = open_store(folder, now=NOW)
    with store.write() as connection:
        set_fact(connection, "epoch", "1")
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    files = list(folder.iterdir())
    assert {file.name for file in files} == {FILE_NAME, f"{FILE_NAME}-wal", f"{FILE_NAME}-shm"}
    assert {stat.S_IMODE(file.stat().st_mode) for file in files} == {0o600}
    back_up(store.engine, tmp_path / "copy.sqlite")
    assert stat.S_IMODE((tmp_path / "copy.sqlite").stat().st_mode) == 0o600
    store.close()


def test_a_write_takes_the_lock_before_it_reads(store: Store, tmp_path: Path) -> None:
    other = sqlite3.connect(tmp_path / "data" / FILE_NAME, timeout=0, isolation_level=None)
    with store.write():
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")
        assert other.execute("SELECT count(*) FROM meta").fetchone() == (0,)  # readers are not held up
    other.execute("BEGIN IMMEDIATE")
    other.execute("ROLLBACK")
    other.close()


def test_a_write_waits_for_the_one_before_it(store: Store) -> None:
    inside, order = threading.Event(), []

    def second() -> None:
        inside.wait(10)
        with store.write() as connection:
            order.append(f"second sees {read_fact(connection, 'epoch')}")

    thread = threading.Thread(target=second)
    thread.start()
    with store.write() as connection:
        assert read_fact(connection, "epoch") is None
        inside.set()
        set_fact(connection, "epoch", "7")
        order.append("first")
    thread.join(10)
    assert order == ["first", "second sees 7"]


def test_a_change_that_raises_leaves_nothing_behind(store: Store) -> None:
    def change() -> None:
        with store.write() as connection:
            set_fact(connection, "epoch", "1")
            record(connection, Event.SOURCE_DOWN, at=NOW, subject="s", reason="r")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        change()
    with store.read() as connection:
        assert read_fact(connection, "epoch") is None
        assert connection.execute(select(func.count()).select_from(event)).scalar() == 0


def test_a_read_sees_one_moment(store: Store) -> None:
    with store.read() as connection:
        assert read_fact(connection, "epoch") is None
        with store.write() as writing:
            set_fact(writing, "epoch", "1")
        assert read_fact(connection, "epoch") is None
    with store.read() as connection:
        assert read_fact(connection, "epoch") == "1"


def test_instants_are_aware_and_kept_in_utc_by_the_second(store: Store) -> None:
    east = datetime(2026, 7, 20, 10, 30, 59, 999_999, tzinfo=timezone(timedelta(hours=2)))
    with store.write() as connection:
        record(connection, Event.SOURCE_DOWN, at=east, subject="s", reason="r", details={"b": 1, "a": "é"})
        row = connection.execute(select(event)).one()
        kept = connection.exec_driver_sql("SELECT at FROM event").scalar()
    assert row.at == datetime(2026, 7, 20, 8, 30, 59, tzinfo=UTC)
    assert kept == "2026-07-20T08:30:59Z"
    with pytest.raises(StatementError, match="must be aware"), store.write() as connection:
        record(connection, Event.SOURCE_DOWN, at=NOW.replace(tzinfo=None), subject="s", reason="r")


def test_bodies_are_kept_once_by_their_hash(store: Store) -> None:
    with store.write() as connection:
        # FIPS 180-4 example: SHA-256 of "abc"
        digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        assert [keep_body(connection, b"abc"), keep_body(connection, b"abc")] == [digest] * 2
        assert connection.execute(select(func.count()).select_from(body)).scalar() == 1
        assert read_body(connection, digest) == b"abc"
        with pytest.raises(KeyError):
            read_body(connection, "0" * 64)


def test_the_secret_of_an_installation_is_made_once(store: Store, tmp_path: Path) -> None:
    with store.write() as connection:
        secret = install_secret(connection)
    with store.write() as connection:
        assert install_secret(connection) == secret
    assert len(secret) == 32
    another = open_store(tmp_path / "another", now=NOW)
    with another.write() as connection:
        assert install_secret(connection) != secret
    another.close()


@pytest.mark.parametrize("content", [b"this is no database", b"\0" * 4096, b"SQLite format 3\0" + b"\xff" * 4096])
def test_what_is_no_store_is_refused_in_one_line_and_left_alone(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    with pytest.raises(StoreRefused) as refused:
        open_store(tmp_path, now=NOW)
    assert "\n" not in str(refused.value)
    assert (tmp_path / FILE_NAME).read_bytes() == content


def test_a_folder_that_cannot_be_made_is_refused_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file")
    with pytest.raises(StoreRefused, match="the data folder cannot be used") as refused:
        open_store(tmp_path / "data", now=NOW)
    assert "\n" not in str(refused.value)


def test_a_store_of_something_else_is_refused(tmp_path: Path) -> None:
    other = sqlite3.connect(tmp_path / FILE_NAME)
    other.execute("CREATE TABLE event (id INTEGER)")
    other.commit()
    other.close()
    with pytest.raises(StoreRefused, match="is not a store that can be used"):
        open_store(tmp_path, now=NOW)


def test_a_disk_that_is_full_is_an_error_and_the_change_is_not_there(store: Store) -> None:
    store.engine.dispose()
    with store.engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")
        connection.rollback()

    def change() -> None:
        with store.write() as connection:
            set_fact(connection, "epoch", "1")
            keep_body(connection, b"x" * 100_000)

    with pytest.raises(OperationalError, match="full"):
        change()
    with store.read() as connection:
        assert read_fact(connection, "epoch") is None
