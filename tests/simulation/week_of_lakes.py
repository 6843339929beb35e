"""A simulated week of the whole service over lakes whose sources fail in every way that is listed.

    python -m tests.simulation.week_of_lakes --lakes 50 --days 7

Every host is a local server under a simulated clock. The week is judged from what readers got, from the event table
and from the server's own log: no brief is missing, no number shown is far from the invented truth, what is degraded is
said, and no call turns because its source does.
"""

import argparse
import json
import random
import tempfile
import time as real_time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select

from bitewatch.delivery.address import Address, Kind
from bitewatch.delivery.endpoints import add_endpoint
from bitewatch.presentation.trip import TripHours
from bitewatch.service.build import build_outside
from bitewatch.service.subscriptions import DAYS, add_subscription
from bitewatch.service.tick import Service
from bitewatch.settings import Settings, load_settings
from bitewatch.store.database import Store
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.weather.sources.http import PoliteClient, identification
from tests.simulation.faults import FAULTS
from tests.simulation.provider import Provider
from tests.simulation.provider_limits import violations
from tests.simulation.world import World, hours_from

START = datetime(2026, 6, 8, 3, 0, tzinfo=UTC)
TRIP = "05:30-11:00"
#: over these the week is dark: nobody answers, and briefs must go out all the same
DARK_FROM, DARK_FOR = timedelta(days=4, hours=2), timedelta(hours=32)
FAR_OFF = {"air_temp_c": 6.0, "wind_speed_ms": 5.0}  #: how far a good forecast of this world strays within two days
#: what the server sees of a client that gives up after a third of a second and asks again; the day of many lakes,
#: whose client is as patient as the real one, is held to these too
IMPATIENT = ("requests in flight", "alerts asked again after 0 s")
SILENT_S = 0.3  #: how long a client of this week waits for an answer


@dataclass
class Clock:
    """A clock that the week moves."""

    now: datetime

    def sleep(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


@dataclass(kw_only=True)
class Week:
    """One run, and what became of it."""

    lakes: int
    days: int
    seed: int
    folder: Path
    step: timedelta = timedelta(minutes=10)
    quiet: bool = False  #: no front anywhere: whatever turns then has turned with its source
    clock: Clock = field(init=False)
    settings: Settings = field(init=False)
    store: Store = field(init=False)
    provider: Provider = field(init=False)
    places: dict[str, tuple[float, float]] = field(default_factory=dict)
    readers: dict[str, str] = field(default_factory=dict)  #: lake -> subscription

    def run(self) -> None:
        """The whole week."""
        self.clock = Clock(START)
        world = World(seed=self.seed, start=START - timedelta(days=12), days=self.days + 24)
        if self.quiet:
            world._strength[:] = 0.0
        self.provider = Provider(world, lambda: self.clock.now)
        with self.provider:
            self._configure()
            self._script_faults()
            self.store = open_store(self.settings.data, now=self.clock.now)
            client = PoliteClient(
                identification("week@club.example"), connect_s=2.0, read_s=SILENT_S, whole_s=2.0, backoff_factor=0.0
            )
            outside = build_outside(
                self.settings, self.store, client, sleep=self.clock.sleep, monotonic=lambda: self.clock.now.timestamp()
            )
            self._subscribe()
            service = Service(
                settings=self.settings, store=self.store, outside=outside, now=lambda: self.clock.now,
                monotonic=lambda: self.clock.now.timestamp(),
            )  # fmt: skip
            end, at = START + timedelta(days=self.days), START
            while at < end:
                self.clock.now = max(self.clock.now, at)
                service.tick()
                at += self.step
            client.close()

    def _configure(self) -> None:
        config = self.folder / "config"
        (config / "lakes").mkdir(parents=True)
        urls = self.provider.urls
        (config / "bitewatch.toml").write_text(
            f"""
trip_hours = "{TRIP}"
[sources]
order = ["open-meteo", "met-norway", "nws"]
stations = ["nws"]
contact = "week@club.example"
[sources.open-meteo]
url = "{urls["open-meteo"]}"
[sources.met-norway]
url = "{urls["met-norway"]}"
[sources.nws]
url = "{urls["nws"]}"
[warnings]
feeds = ["nws", "{urls["cap"]}"]
""",
            "utf-8",
        )
        chance = random.Random(self.seed)
        for number in range(self.lakes):
            name = f"invented-{number:03d}"
            place = (round(chance.uniform(43.0, 47.0), 4), round(chance.uniform(-96.0, -88.0), 4))
            self.places[name] = place
            (config / "lakes" / f"{name}.toml").write_text(
                f'name = "Invented {number}"\nlatitude = {place[0]}\nlongitude = {place[1]}\nsecchi_m = 3.0\n'
                f"area_km2 = 1.5\nmean_depth_m = 4.0\nwater_temp_c = 21.0\nwater_temp_on = {START:%Y-%m-%d}\n",
                "utf-8",
            )
        self.settings = load_settings(config, self.folder / "data")

    def _script_faults(self) -> None:
        """Every fault of every source in turn, each for a few hours, and one long night of all."""
        chance = random.Random(self.seed + 1)
        for source in ("open-meteo", "met-norway", "nws", "cap"):
            names = [name for name, fault in FAULTS.items() if source in {route.source for route in fault.routes}]
            names = [name for name in names if name != "403"]  # it stops a host for good: tested on its own
            chance.shuffle(names)
            self.provider.faults.add(source, "reset", START + DARK_FROM, START + DARK_FROM + DARK_FOR)
            at, turn = START + timedelta(hours=8), 0
            while at < START + timedelta(days=self.days):
                hours = chance.uniform(2, 7) if source == "open-meteo" else chance.uniform(1, 4)
                self.provider.faults.add(source, names[turn % len(names)], at, at + timedelta(hours=hours))
                at, turn = at + timedelta(hours=hours + chance.uniform(0.5, 5)), turn + 1

    def _subscribe(self) -> None:
        with self.store.write() as connection:
            for name in self.places:
                address = Address(kind=Kind.FILE, value=str(self.folder / "out" / name))
                endpoint = add_endpoint(connection, address, now=self.clock.now, secret=None, by_operator=True)
                self.readers[name] = add_subscription(
                    connection, endpoint_id=endpoint, lakes=[name], at=time(4, 30), speaks_of="today",
                    trip_hours=TripHours.parse(TRIP), days=DAYS, now=self.clock.now,
                )  # fmt: skip

    def messages(self, lake: str, kind: str) -> list[dict[str, Any]]:
        """What a reader got, of one kind."""
        paths = sorted((self.folder / "out" / lake).glob("*.json"))
        found = [json.loads(path.read_text("utf-8")) for path in paths]
        return sorted(
            (one for one in found if one["type"] == f"bitewatch.{kind}"), key=lambda one: str(one["timestamp"])
        )  # fmt: skip

    def events(self, *names: str) -> list[Any]:
        """The events of some names."""
        with self.store.read() as connection:
            return list(connection.execute(select(event).where(event.c.name.in_(names)).order_by(event.c.id)))

    def missing_briefs(self) -> list[str]:
        """Days for which a reader got no brief, or got more than one."""
        found = []
        for lake in self.places:
            days = Counter(one["data"]["day"] for one in self.messages(lake, "brief"))
            for day in range(self.days):
                wanted = (START + timedelta(days=day)).date().isoformat()
                if days[wanted] != 1:
                    found.append(f"{lake} {wanted}: {days[wanted]} briefs")
        return found

    def wrong_numbers(self) -> list[str]:
        """Numbers in briefs that no good forecast of this world could have said."""
        found = []
        for lake, place in self.places.items():
            for message in (*self.messages(lake, "brief"), *self.messages(lake, "turn")):
                for facts in message["data"]["lakes"]:
                    if facts["no_call"] is not None:
                        continue
                    begins = datetime.fromisoformat(facts["trip"]["start"])
                    time = hours_from(begins.replace(minute=0), 7)
                    true = float(self.provider.world.truth(*place, time)["wind_speed_ms"].max())
                    told = facts["wind"]["wind_max_ms"]
                    if abs(told - true) > FAR_OFF["wind_speed_ms"] + 0.5 * true:
                        found.append(f"{lake} {facts['day']}: wind {told}, truly {true:.1f}")
        return found

    def unsaid(self) -> list[str]:
        """Briefs on degraded weather that do not say so."""
        found = []
        for lake in self.places:
            for message in self.messages(lake, "brief"):
                data = message["data"]
                facts, text = data["lakes"][0], json.dumps(data["sections"]) + " ".join(data["headline"])
                weather = facts["weather"]
                at = f"{lake} {facts['day']}"
                if weather is None or facts["no_call"]:
                    if "no call" not in text.lower():
                        found.append(f"{at}: no call, unsaid")
                    continue
                if weather["freshness"] == "usable" and "hours old" not in text:
                    found.append(f"{at}: an old forecast, unsaid")
                if weather["source"] != "open-meteo" and "open-meteo" not in text:
                    found.append(f"{at}: {weather['source']} in place of the first source, unsaid")
                if weather["source"] not in text:
                    found.append(f"{at}: the source is not named")
                official = facts["official"]
                if official["state"] == "unavailable" and "unavailable" not in text:
                    found.append(f"{at}: warnings unavailable, unsaid")
        return found

    def turned_by_a_switch(self) -> list[str]:
        """Turns of a call that came with a change of source and with nothing else."""
        switched = {(row.subject, row.at) for row in self.events("SourceSwitched")}
        return [
            f"{row.subject} {row.at}: {row.reason}"
            for row in self.events("CallTurned")
            if json.loads(row.details)["verdict"] != "WARNED" and (self.quiet or (row.subject, row.at) in switched)
        ]

    def summary(self) -> str:
        """What happened, in figures."""
        states = Counter[str]()
        for lake in self.places:
            for message in self.messages(lake, "brief"):
                facts = message["data"]["lakes"][0]
                weather = facts["weather"]
                states["no call" if facts["no_call"] else f"{weather['source']} {weather['freshness']}"] += 1
        names = (
            "FrontFound",
            "FrontMoved",
            "FrontGone",
            "FrontConfirmed",
            "SourceDown",
            "SourceBack",
            "SourceSwitched",
        )
        counts = Counter(row.name for row in self.events(*names, "CallTurned", "ForecastSetAside", "WarningIssued"))
        verdicts = Counter(json.loads(row.details)["verdict"] for row in self.events("CallTurned"))
        lines = [f"briefs by weather: {dict(states)}", f"events: {dict(counts)}", f"turns: {dict(verdicts)}"]
        return "\n".join([*lines, self.provider.log.table()])


@contextmanager
def week(*, lakes: int, days: int, seed: int = 5, quiet: bool = False, minutes: int = 10) -> Iterator[Week]:
    """A week that has run."""
    with tempfile.TemporaryDirectory() as folder:
        run = Week(lakes=lakes, days=days, seed=seed, folder=Path(folder), quiet=quiet, step=timedelta(minutes=minutes))
        run.run()
        try:
            yield run
        finally:
            run.store.close()


def faults_of(run: Week) -> list[str]:
    """All that must not be."""
    return [
        *run.missing_briefs(), *run.wrong_numbers(), *run.unsaid(), *run.turned_by_a_switch(),
        *(str(one) for one in violations(run.provider.log) if not any(told in str(one) for told in IMPATIENT)),
        *run.provider.broken,
    ]  # fmt: skip


def main() -> int:
    """The run of the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", type=int, default=50)
    parser.add_argument("--days", type=int, default=7)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--minutes", type=int, default=10, help="from tick to tick")
    parser.add_argument("--quiet", action="store_true", help="no front anywhere")
    given = parser.parse_args()
    began = real_time.monotonic()
    with week(
        lakes=given.lakes, days=given.days, seed=given.seed, quiet=given.quiet, minutes=given.minutes
    ) as run:  # fmt: skip
        found = faults_of(run)
        print(run.summary())
        print(f"{given.lakes} lakes, {given.days} days: {real_time.monotonic() - began:.0f} s")
        print("\n".join(found) or "nothing is missing, wrong or unsaid")
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
