"""A simulated day of many lakes: what is asked of each provider, and whether any of its limits is broken.

    python -m tests.simulation.day_of_ten_thousand --lakes 10000

Started in the repository; takes about an hour for 10,000 lakes, most of it the service's own work of that day. Every
lake lies in a cell of its own but for those that chance put together, the quotas are those of the free service, and
every provider fails for a part of the day. Time is simulated: a wait, and the way of a request over the network, move
the clock and nothing else does. The judgement is made from the log of the server alone.
"""

import argparse
import random
import resource
import sys
import tempfile
import time as real_time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import func, select

from bitewatch.lake.profile import Lake
from bitewatch.service.official import Official
from bitewatch.service.refresh import Refresher
from bitewatch.store.database import Store
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.weather.settings import WarningsSettings
from bitewatch.weather.sources import build_sources
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.http import PoliteClient, identification
from bitewatch.weather.sources.quota import LIMITS
from bitewatch.weather.sources.settings import SourcesSettings
from bitewatch.weather.tables import issue, payload
from tests.simulation.provider import Provider
from tests.simulation.provider_limits import Violation, violations
from tests.simulation.server_log import ServerLog
from tests.simulation.world import World

START = datetime(2026, 6, 8, 0, 0, tzinfo=UTC)
BOX = (30.0, 48.0, -120.0, -70.0)  #: south, north, west, east of where the lakes lie
NETWORK_S = 0.06  #: what the way of one request takes
SHARE_OF_TICK = 2 / 3  #: of a tick, after which the service leaves off asking until the next one
PATIENCE_S = 5.0  #: of real time, that a client waits; nobody is silent for long here
CONTACT = "day@club.example"

#: source, fault, when it begins and for how long in hours, and which of how many requests meets it
FAULTS: Sequence[tuple[str, str, float, float, int]] = (
    ("open-meteo", "NaN", 0.4, 0.2, 1),  # a new run is asked for from a quarter past 0, 6, 12 and 18 hours on
    ("open-meteo", "503 in JSON, overloaded", 6.4, 0.4, 1),
    ("open-meteo", "stream failed", 12.4, 0.2, 1),
    ("open-meteo", "429, hourly", 18.4, 0.2, 1),
    ("met-norway", "cut", 2.0, 1.0, 20),
    ("met-norway", "429, Retry-After in seconds", 5.0, 0.05, 1),
    ("met-norway", "HTML with 200", 8.0, 1.0, 10),
    ("met-norway", "truncated gzip", 11.0, 1.0, 10),
    ("met-norway", "status 503", 14.0, 0.5, 1),
    ("met-norway", "stands still", 16.0, 5.0, 3),
    ("met-norway", "repeated hours", 22.0, 1.0, 10),
    ("nws", "status 500", 4.0, 0.5, 1),
    ("nws", "429, Retry-After as a date", 9.0, 0.1, 1),
    ("nws", "ForecastGridExpired", 13.0, 2.0, 4),
    ("nws", "reset", 19.0, 0.3, 3),
)


@dataclass(slots=True)
class Clock:
    """Simulated time, which only waiting and the network move."""

    now: datetime

    def sleep(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)

    def monotonic(self) -> float:
        return self.now.timestamp()

    def at_server(self) -> datetime:
        """When a request arrives that leaves now."""
        self.sleep(NETWORK_S)
        return self.now


@dataclass(kw_only=True)
class Day:
    """One simulated day and what it came to."""

    lakes: int
    seed: int = 1
    hours: float = 24.0
    tick_s: float = 30.0
    order: tuple[str, ...] = ("open-meteo", "met-norway")
    second_opinion: bool = False
    with_faults: bool = True
    folder: Path
    log: ServerLog = field(init=False)
    unserved: int = field(init=False)  #: lakes without any issue of a forecast in the end
    ticks: int = field(init=False, default=0)
    issues: int = field(init=False)
    payload_bytes: int = field(init=False)
    store_bytes: int = field(init=False)
    told: dict[str, int] = field(init=False)  #: name of an event -> how often

    def run(self) -> None:
        """Ask for everything for a day, as the service does."""
        clock = Clock(START)
        world = World(seed=self.seed, start=START - timedelta(days=10), days=30)
        store = open_store(self.folder, now=clock.now)
        with (
            Provider(world, clock.at_server) as provider,
            PoliteClient(
                identification(CONTACT), connect_s=PATIENCE_S, read_s=PATIENCE_S, backoff_factor=0.0
            ) as client,
        ):
            if self.with_faults:
                self._script(provider)
            self._ask_all_day(store, provider, client, clock)
            assert provider.broken == [], provider.broken[0]
            self.log = provider.log
        self._count(store)
        store.close()

    def violations(self) -> tuple[Violation, ...]:
        """What the server's log holds against the client."""
        return violations(self.log)

    def _script(self, provider: Provider) -> None:
        for source, name, begins_h, hours, every in FAULTS:
            begins = START + timedelta(hours=begins_h)
            provider.faults.add(source, name, begins, begins + timedelta(hours=hours), every=every)

    def _ask_all_day(self, store: Store, provider: Provider, client: PoliteClient, clock: Clock) -> None:
        urls = provider.urls
        settings = SourcesSettings.model_validate(
            {
                "order": self.order, "contact": CONTACT, "open-meteo": {"url": urls["open-meteo"]},
                "met-norway": {"url": urls["met-norway"]}, "nws": {"url": urls["nws"]},
            }
        )  # fmt: skip
        asker = Asker(store, client, limits=LIMITS, sleep=clock.sleep, monotonic=clock.monotonic)
        sources = build_sources(settings, self.folder)
        self._refresher = Refresher(store, sources, asker, second_opinion=self.second_opinion)
        official = Official(store, asker, WarningsSettings(feeds=("nws", urls["cap"])), settings.nws)
        lakes = self._invented_lakes()
        end, at = START + timedelta(hours=self.hours), START
        while at < end:
            clock.now = max(clock.now, at)
            until = clock.now + timedelta(seconds=SHARE_OF_TICK * self.tick_s)
            self._refresher.refresh(lakes, clock.now, go_on=lambda until=until: clock.now < until)  # type: ignore[misc]
            official.refresh(lakes[:1], clock.now)
            at += timedelta(seconds=self.tick_s)
            self.ticks += 1
        forecasts = sources.forecasts.values()
        self.unserved = sum(
            not any(self._refresher._has_fresh(source, lake, clock.now) for source in forecasts) for lake in lakes
        )

    def _invented_lakes(self) -> list[Lake]:
        chance, (south, north, west, east) = random.Random(self.seed), BOX
        one = Lake(id="invented", name="Invented", zone="America/Chicago", latitude=45, longitude=-90, secchi_m=3.0)
        return [
            one.model_copy(
                update={
                    "id": f"invented-{number}", "latitude": round(chance.uniform(south, north), 4),
                    "longitude": round(chance.uniform(west, east), 4),
                }
            )
            for number in range(self.lakes)
        ]  # fmt: skip

    def _count(self, store: Store) -> None:
        with store.read() as connection:
            self.issues = connection.execute(select(func.count()).select_from(issue)).scalar_one()
            self.payload_bytes = connection.execute(select(func.sum(func.length(payload.c.body_gz)))).scalar_one() or 0
            names = connection.execute(select(event.c.name, func.count()).group_by(event.c.name))
            self.told = {row[0]: row[1] for row in names}
        self.store_bytes = sum(path.stat().st_size for path in self.folder.glob("*.sqlite*"))

    def report(self) -> str:
        """What was asked, sent and kept."""
        events = ", ".join(f"{name} {count}" for name, count in sorted(self.told.items()))
        return (
            f"{self.lakes} lakes, {self.hours:g} simulated hours, {self.ticks} ticks; "
            f"without fresh weather at the end: {self.unserved}\n{self.log.table()}\n"
            f"issues archived: {self.issues}, {self.payload_bytes / max(self.issues, 1):.0f} bytes of payload each; "
            f"database {self.store_bytes / 1e6:.1f} MB\nevents: {events}"
        )


def main() -> int:
    """Run one day and print what it came to; 1 if a limit was broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", type=int, default=10_000)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--tick", type=float, default=30.0, help="seconds")
    parser.add_argument("--order", default="open-meteo,met-norway")
    parser.add_argument("--second-opinion", action="store_true")
    parser.add_argument("--no-faults", action="store_true")
    said = parser.parse_args()
    began = real_time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        day = Day(
            lakes=said.lakes, hours=said.hours, tick_s=said.tick, order=tuple(said.order.split(",")),
            second_opinion=said.second_opinion, with_faults=not said.no_faults, folder=Path(folder),
        )  # fmt: skip
        day.run()
    print(day.report())
    taken, memory = real_time.perf_counter() - began, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"took {taken:.0f} s and {memory:.0f} MB, server and client together")
    broken = day.violations()
    print(f"limits broken: {len(broken)}")
    for one in broken[:20]:
        print(f"  {one}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
