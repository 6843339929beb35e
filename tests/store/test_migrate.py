"""Every schema that was ever kept is brought up, with a copy of the file made first; a newer one is refused."""

import importlib
import shutil
import sqlite3
import stat
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import select

import bitewatch
from bitewatch.delivery.tables import outbox
from bitewatch.errors import StoreRefused
from bitewatch.service.subscriptions import list_subscriptions
from bitewatch.service.tables import shown
from bitewatch.store import migrate
from bitewatch.store.database import FILE_NAME
from bitewatch.store.facts import read_fact
from bitewatch.store.metadata import event, metadata
from bitewatch.store.migrate import back_up, open_store
from bitewatch.weather.archive import latest

NOW = datetime(2026, 7, 21, 8, 30, tzinfo=UTC)
KEPT = sorted((Path(__file__).parents[1] / "data" / "store").glob("*.sql"))
NEXT = '''
"""One more column, for a test."""
import sqlalchemy as sa
from alembic import op

revision = "9001"
down_revision = "{head}"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table("note", sa.Column("id", sa.Integer(), nullable=False), sa.PrimaryKeyConstraint("id"))
    with op.batch_alter_table("meta") as table:
        table.add_column(sa.Column("more", sa.Text(), nullable=True))
    {fails}
'''


def head() -> str:
    config = Config()
    config.set_main_option("script_location", str(migrate.SCRIPTS))
    found = ScriptDirectory.from_config(config).get_current_head()
    assert found is not None
    return found


def lay(kept: Path, folder: Path) -> None:
    """A store as it was left by the bitewatch of then."""
    folder.mkdir(exist_ok=True)
    with closing(sqlite3.connect(folder / FILE_NAME)) as connection:
        connection.executescript(kept.read_text("utf-8"))


def schema_of(path: Path) -> str:
    with closing(sqlite3.connect(path)) as connection:
        (found,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return str(found)


def next_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, fails: bool = False) -> None:
    """A bitewatch with one more migration."""
    scripts = tmp_path / "migrations"
    shutil.copytree(migrate.SCRIPTS, scripts, ignore=shutil.ignore_patterns("__pycache__"))
    text = NEXT.format(head=head(), fails="raise ZeroDivisionError" if fails else "")
    (scripts / "versions" / "9001_note.py").write_text(text, "utf-8")
    monkeypatch.setattr(migrate, "SCRIPTS", scripts)


def test_the_migrations_make_what_the_rooms_declare(tmp_path: Path) -> None:
    package = Path(bitewatch.__file__).parent
    for file in package.glob("*/tables.py"):
        importlib.import_module(f"bitewatch.{file.parent.name}.tables")
    store = open_store(tmp_path, now=NOW)
    with store.read() as connection:
        made = compare_metadata(MigrationContext.configure(connection, opts={"compare_type": True}), metadata)
    store.close()
    assert made == []
    assert len(metadata.tables) >= 12


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.stem)
def test_a_kept_store_is_brought_up_and_nothing_in_it_is_lost(tmp_path: Path, kept: Path) -> None:
    lay(kept, tmp_path)
    assert schema_of(tmp_path / FILE_NAME) == kept.stem
    store = open_store(tmp_path, now=NOW)
    with store.read() as connection:
        assert read_fact(connection, "epoch") == "3"
        assert [one.lakes for one in list_subscriptions(connection)] == [("north-pond",)] * 2
        assert {one.address for one in list_subscriptions(connection)} == {"pat@example.org", "/srv/briefs"}
        assert sorted(connection.execute(select(outbox.c.state)).scalars()) == ["pending", "sent"]
        assert "SourceDown" in connection.execute(select(event.c.name)).scalars().all()
        assert connection.execute(select(shown.c.lake)).scalars().all() == ["north-pond"]
        issue = latest(connection, "hourly-csv:hours.csv")
    store.close()
    assert issue is not None
    assert issue.body.startswith(b"time,air_temp_c")
    assert schema_of(tmp_path / FILE_NAME) == head()


def test_the_newest_schema_is_among_the_kept() -> None:
    assert KEPT[-1].stem == head(), "keep a dump of the new schema in tests/data/store"


def test_a_new_store_and_one_that_is_up_to_date_are_not_copied(tmp_path: Path) -> None:
    for _ in range(2):
        open_store(tmp_path, now=NOW).close()
    assert [file.name for file in tmp_path.glob("*before*")] == []


def test_a_copy_is_made_before_an_older_store_is_touched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "data"
    lay(KEPT[-1], folder)
    old = head()
    next_version(tmp_path, monkeypatch)
    store = open_store(folder, now=NOW)
    with store.read() as connection:
        assert connection.exec_driver_sql("SELECT more FROM meta WHERE name = 'epoch'").all() == [(None,)]
        assert read_fact(connection, "epoch") == "3"
    store.close()
    assert schema_of(folder / FILE_NAME) == "9001"
    copy = folder / f"{FILE_NAME}.before-9001-20260721T083000Z"
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    assert schema_of(copy) == old
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("SELECT count(*) FROM subscription").fetchone() == (2,)
    open_store(folder, now=NOW).close()
    assert len(list(folder.glob("*before*"))) == 1


def test_an_upgrade_that_fails_leaves_the_store_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "data"
    lay(KEPT[-1], folder)
    old = head()
    next_version(tmp_path, monkeypatch, fails=True)
    with pytest.raises(ZeroDivisionError):
        open_store(folder, now=NOW)
    assert schema_of(folder / FILE_NAME) == old
    with closing(sqlite3.connect(folder / FILE_NAME)) as connection:
        assert connection.execute("SELECT name FROM sqlite_master WHERE name = 'note'").fetchall() == []
        assert "more" not in [column[1] for column in connection.execute("PRAGMA table_info(meta)")]


def test_a_store_of_a_newer_bitewatch_is_refused_in_one_line_and_left_alone(tmp_path: Path) -> None:
    lay(KEPT[-1], tmp_path)
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()
    with pytest.raises(StoreRefused, match=r"written by a newer bitewatch \(schema 9999\)") as refused:
        open_store(tmp_path, now=NOW)
    assert "\n" not in str(refused.value)
    assert schema_of(tmp_path / FILE_NAME) == "9999"
    assert list(tmp_path.glob("*before*")) == []


def test_a_copy_never_writes_over_another(tmp_path: Path) -> None:
    store = open_store(tmp_path, now=NOW)
    back_up(store.engine, tmp_path / "copy")
    with pytest.raises(StoreRefused, match="exists already"):
        back_up(store.engine, tmp_path / "copy")
    store.close()
