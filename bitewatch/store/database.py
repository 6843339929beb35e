"""The engine and its transactions: writes begin immediate, reads see one moment, a commit is on the disk.

WAL with ``synchronous=FULL``: with NORMAL a power cut loses commits, and a lost mark is a message sent twice.
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import ConnectionPoolEntry

from bitewatch.errors import StoreRefused

FILE_NAME = "bitewatch.sqlite"
BUSY_MS = 5000


class Store:
    """An open database. `write` and `read` are the only ways in."""

    def __init__(self, engine: Engine):
        self.engine = engine

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One change: commits when the block ends, leaves nothing behind when it raises.

        ``BEGIN IMMEDIATE``: a plain begin that reads first and then writes ignores the busy timeout.
        """
        with self.engine.connect().execution_options(begin="BEGIN IMMEDIATE") as connection, connection.begin():
            yield connection

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A look at one moment of the store."""
        with self.engine.connect() as connection, connection.begin():
            yield connection

    def close(self) -> None:
        """Give back every connection."""
        self.engine.dispose()


def make_folder(folder: Path) -> None:
    """Make the data folder, for its owner only, if it is not there.

    Raises
    ------
    StoreRefused
        If it cannot be made.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise StoreRefused(f"{folder}: the data folder cannot be used: {error.strerror}") from error


def open_engine(path: Path) -> Engine:
    """An engine on a SQLite file, with the rules above; the file is made if it is missing.

    Raises
    ------
    StoreRefused
        If the folder cannot be made or is not ours to write in.
    """
    make_folder(path.parent)
    try:
        if not path.exists():
            os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    except OSError as error:
        raise StoreRefused(f"{path.parent}: the data folder cannot be used: {error.strerror}") from error
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": BUSY_MS / 1000})
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


def _prepare(connection: Any, _entry: ConnectionPoolEntry) -> None:
    assert isinstance(connection, sqlite3.Connection)
    connection.isolation_level = None  # transactions are ours, begun in _begin
    try:
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", f"busy_timeout={BUSY_MS}"):
            connection.execute(f"PRAGMA {pragma}")
    except sqlite3.DatabaseError as error:
        raise StoreRefused(f"the store is not a database that can be used: {error}") from error


def _begin(connection: Connection) -> None:
    connection.exec_driver_sql(connection.get_execution_options().get("begin", "BEGIN"))
