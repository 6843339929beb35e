"""A service on a store of its own: sources that say what the test says, and a clock that only the test moves."""

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from bitewatch.delivery.address import Address, Kind
from bitewatch.delivery.endpoints import add_endpoint
from bitewatch.delivery.tables import outbox
from bitewatch.errors import OutsideFailed
from bitewatch.presentation.trip import TripHours
from bitewatch.service.gauges import Gauges
from bitewatch.service.lake_water import LakeWaters
from bitewatch.service.official import Official
from bitewatch.service.outside import Outside
from bitewatch.service.past_days import PastDays
from bitewatch.service.refresh import Refresher
from bitewatch.service.subscriptions import DAYS, add_subscription
from bitewatch.service.tick import Service
from bitewatch.service.weather_now import WeatherNow
from bitewatch.settings import Settings, load_settings
from bitewatch.store.database import Store
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.weather.hourly import COLUMNS
from bitewatch.weather.sources import Sources
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.base import Asking, Cell, Issue, Place, Received, Source
from bitewatch.weather.sources.hourly_csv import hourly_from_csv
from bitewatch.weather.sources.http import PoliteClient
from bitewatch.weather.sources.usgs import Usgs

START = datetime(2026, 7, 20, 8, 0, tzinfo=UTC)  # 04:00 on the demo lakes


@dataclass
class Said:
    """A source that answers with the bytes of a CSV file, or raises what it is told to."""

    body: bytes
    name: str = "said"
    attribution: str = ""
    terms: str = "none"
    is_file: bool = False
    gives: frozenset[str] = frozenset(COLUMNS)
    has_past: bool = True
    commercial_ok: bool = True
    cells_per_question: int = 1
    every: timedelta = timedelta(hours=1)
    stalls_after: timedelta = timedelta(hours=24)
    fails: OutsideFailed | None = None
    fails_for: set[str] = field(default_factory=set)  #: lakes for which it fails as well
    breaks_for: set[str] = field(default_factory=set)  #: lakes whose answer meets a bug while it is read
    asked: list[tuple[str, datetime]] = field(default_factory=list)

    @property
    def grid(self) -> str:
        return self.name

    def covers(self, place: Place) -> bool:
        return bool(place.lake)

    def cell(self, place: Place, asking: Asking, *, now: datetime) -> Cell:
        assert asking
        assert now
        return Cell(key=f"{self.name}:{place.lake}", latitude=place.latitude, longitude=place.longitude)

    def settle(self, place: Place, cell: Cell, issue: Issue) -> Cell:
        assert issue.cell == cell.key
        assert cell.latitude == place.latitude
        return cell

    def newest_run_at(self, asking: Asking, *, now: datetime) -> datetime | None:
        assert asking
        assert now
        return None

    def fetch(self, cells: Sequence[Cell], asking: Asking, *, now: datetime) -> tuple[Issue, ...]:
        (cell,) = cells
        lake = cell.key.partition(":")[2]
        self.asked.append((lake, now))
        if self.fails is not None:
            raise self.fails
        if lake in self.fails_for:
            raise OutsideFailed(f"{self.name}: nothing for {lake}")
        received = Received(source=self.name, url_key=cell.key, fetched_at=now, body=self.body)
        return asking.from_file(received, lambda one: self.read(one, cells))

    def read(self, received: Received, cells: Sequence[Cell]) -> tuple[Issue, ...]:
        if cells[0].key.partition(":")[2] in self.breaks_for:
            raise ZeroDivisionError("a bug for the test")
        hourly, notes = hourly_from_csv(received.body)
        issue = Issue(
            cell=cells[0].key, source=self.name, model="test", reference_time=None,
            retrieved_at=received.fetched_at, part=0, hourly=hourly, notes=notes,
        )  # fmt: skip
        return (issue,)


@dataclass
class Bench:
    """A store, settings and sources under a clock that the test moves."""

    settings: Settings
    store: Store
    folder: Path
    sources: list[Source]
    stations: list[Source] = field(default_factory=list)
    now: datetime = START

    def outside(self, *, second_opinion: bool = False) -> Outside:
        """What a process asks the world with; its sources are those of the test."""
        by_name = {source.name: source for source in self.sources}
        sources = Sources(asked_for=tuple(by_name), forecasts=by_name, stations=tuple(self.stations), forbidden={})
        config = self.settings.config
        asker = Asker(self.store, PoliteClient("bitewatch (mail@club.example)", backoff_factor=0), limits={})
        refresher = Refresher(self.store, sources, asker, second_opinion=second_opinion)
        waters = LakeWaters(self.settings, self.store)
        return Outside(
            settings=self.settings, store=self.store, refresher=refresher,
            weather_now=WeatherNow(self.store, refresher),
            official=Official(self.store, asker, config.warnings, config.sources.nws),
            waters=waters,
            past_days=PastDays(self.store, refresher, waters, asker, normal_years=config.water.normal_years),
            gauges=Gauges(self.store, Usgs(config.sources.usgs), asker),
        )  # fmt: skip

    def start(self) -> Service:
        """A process that starts."""
        return Service(settings=self.settings, store=self.store, outside=self.outside(), now=lambda: self.now)

    def subscribe(
        self, *lakes: str, at: time = time(4, 30), to: str = "a", speaks_of: Any = "today",
        days: Sequence[str] = DAYS, trip: str = "05:30-11:00",
    ) -> str:  # fmt: skip
        address = Address(kind=Kind.FILE, value=str(self.folder / to))
        with self.store.write() as connection:
            endpoint_id = add_endpoint(connection, address, now=self.now, secret=None, by_operator=True)
            return add_subscription(
                connection, endpoint_id=endpoint_id, lakes=lakes, at=at, speaks_of=speaks_of,
                trip_hours=TripHours.parse(trip), days=days, now=self.now,
            )  # fmt: skip

    def came(self, to: str = "a") -> list[dict[str, Any]]:
        """The messages in a folder."""
        found: list[dict[str, Any]] = [
            json.loads(path.read_text("utf-8")) for path in sorted((self.folder / to).glob("*.json"))
        ]
        return found

    def rows(self) -> dict[str, Any]:
        """The outbox, by the subscription and local date of each message."""
        with self.store.read() as connection:
            return {row.key.removesuffix(":brief:0"): row for row in connection.execute(select(outbox))}

    def events(self, name: str) -> list[Any]:
        with self.store.read() as connection:
            return list(connection.execute(select(event).where(event.c.name == name).order_by(event.c.id)))

    def move(self, **by: float) -> None:
        self.now += timedelta(**by)


@pytest.fixture
def hours(demo: Path) -> bytes:
    """The invented hours of the demonstration: 8 to 25 July 2026."""
    return (demo / "weather" / "invented-hours.csv").read_bytes()


@pytest.fixture
def said(hours: bytes) -> Said:
    return Said(hours)


@pytest.fixture
def another(hours: bytes) -> Callable[..., Said]:
    """One more source."""
    return lambda **changes: Said(**{"body": hours, **changes})


@pytest.fixture
def bench(tmp_path: Path, demo: Path, said: Said) -> Iterator[Bench]:
    settings = load_settings(demo, tmp_path / "data")
    store = open_store(settings.data, now=START)
    yield Bench(settings=settings, store=store, folder=tmp_path / "out", sources=[said])
    store.close()


@pytest.fixture
def days_after() -> Callable[[int], date]:
    """Local dates of the demo lakes, counted from the start."""
    return lambda days: START.date() + timedelta(days=days)
