"""Explicit migrations: the schema is brought up one step at a time, with a copy of the file made first."""

from contextlib import closing
from datetime import datetime
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine
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
    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    scripts = ScriptDirectory.from_config(config)
    newest = scripts.get_current_head()
    with engine.connect() as connection:
        current = MigrationContext.configure(connection).get_current_revision()
    if current == newest:
        return
    if current is not None and current not in {script.revision for script in scripts.walk_revisions()}:
        raise StoreRefused(f"was written by a newer bitewatch (schema {current}); install that version or newer")
    if current is not None:
        back_up(engine, path.with_name(f"{path.name}.before-{newest}-{now:%Y%m%dT%H%M%SZ}"))
    with engine.connect().execution_options(begin="BEGIN IMMEDIATE") as connection, connection.begin():
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


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
