"""What commands that work on the config and data folders start with."""

import json
import logging
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from sqlalchemy.exc import OperationalError

from bitewatch.errors import Refused, StoreRefused
from bitewatch.lake.profile import Lake
from bitewatch.service import clock
from bitewatch.settings import Settings, load_settings
from bitewatch.store.database import Store
from bitewatch.store.migrate import open_store

if TYPE_CHECKING:
    from bitewatch.service.outside import Outside


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Settings and the open store."""

    settings: Settings
    store: Store
    until_the_end: ExitStack

    def outside(self) -> "Outside":
        """Sources and feeds."""
        from bitewatch.service.build import build_outside
        from bitewatch.weather.sources.http import PoliteClient, identification

        logging.getLogger("urllib3").setLevel(logging.ERROR)  # an outage is one line, not one a try, and no address
        client = PoliteClient(identification(self.settings.config.sources.contact))
        return build_outside(self.settings, self.store, self.until_the_end.enter_context(client))


def read_settings(ctx: click.Context) -> Settings:
    """The settings that the command line points to."""
    folders = {name: Path(value) if value else None for name, value in ctx.obj.items()}
    return load_settings(folders["config"], folders["data"])


@contextmanager
def at_work(ctx: click.Context) -> Iterator[Work]:
    """Settings and store, closed at the end."""
    settings = read_settings(ctx)
    store = open_store(settings.data, now=clock.now())
    try:
        with ExitStack() as until_the_end:
            yield Work(settings=settings, store=store, until_the_end=until_the_end)
    except OperationalError as error:  # a full disk, another process that holds the store, a damaged file
        raise StoreRefused(f"{settings.data}: the store cannot be used now: {error.orig}") from error
    finally:
        store.close()


def find_lakes(settings: Settings, ids: tuple[str, ...]) -> list[Lake]:
    """Lakes by their ids, each once, in the order given."""
    return [settings.lake(one) for one in dict.fromkeys(ids)]


def parse_day(text: str | None) -> date | None:
    """A day from YYYY-MM-DD."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Refused(f'"{text}" is not a day; write YYYY-MM-DD, such as 2026-07-21') from None


def echo_json(value: Any) -> None:
    """JSON for a program, readable by a person."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))
