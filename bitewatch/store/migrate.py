"""Explicit migrations: the schema is brought up one step at a time, with a copy of the file made first."""

from contextlib import closing
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine, inspect, text
from sqlalchemy.exc import DatabaseError

from bitewatch.errors import StoreRefused
from bitewatch.store.database import FILE_NAME, Store, open_engine

SCRIPTS = Path(__file__).parent / "migrations"


def open_store(folder: Path, *, now: datetime) -> Store:
    """The store of a data folder, at the newest schema.

    A store with an older schema is copied to ``bitewatch.sqlite.before-REVISION-TIME`` before it is touched.

    Raises
    ------
    StoreRefused
        If the folder cannot be used, or the store was written by a newer version.
    """
    path = folder / FILE_NAME
    engine = open_engine(path)
    try:
        _upgrade(engine, path, now)
    except DatabaseError as error:
        engine.dispose()
        raise StoreRefused(f"{path}: is not a store that can be used: {error.orig}") from error
    except StoreRefused as error:
        engine.dispose()
        raise StoreRefused(f"{path}: {error}") from error
    return Store(engine)


def _upgrade(engine: Engine, path: Path, now: datetime) -> None:
    """Bring the schema up. Versions are read from file names, so that a store that is up to date costs no alembic."""
    known = sorted(script.name.partition("_")[0] for script in (SCRIPTS / "versions").glob("[0-9]*.py"))
    current = _current(engine)
    if current == known[-1]:
        return
    if current is not None and current not in known:
        raise StoreRefused(f"was written by a newer bitewatch (schema {current}); install that version or newer")
    if current is not None:
        back_up(engine, path.with_name(f"{path.name}.before-{known[-1]}-{now:%Y%m%dT%H%M%SZ}"))

    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    with engine.connect().execution_options(begin="BEGIN IMMEDIATE") as connection, connection.begin():
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def _current(engine: Engine) -> str | None:
    """The version of a store's schema; None for a new file."""
    with engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        version: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        return version


def back_up(engine: Engine, target: Path) -> None:
    """A whole copy of the store, taken while it may be in use.

    Raises
    ------
    StoreRefused
        If the target exists already or cannot be written.
    """
    if target.exists():
        raise StoreRefused(f"{target}: exists already; a copy never writes over another")
    with closing(engine.raw_connection()) as connection:
        connection.cursor().execute("VACUUM INTO ?", (str(target),))
    target.chmod(0o600)
