"""Every fault in turn, against the sources and feeds of bitewatch: what each is to make of it, and no limit broken."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bitewatch.errors import OutsideFailed, PayloadRefused, SourceRefused, SourceUnavailable, SourceWaits
from bitewatch.store.database import Store
from bitewatch.store.migrate import open_store
from bitewatch.weather.hourly import LIMITS as BELIEVED
from bitewatch.weather.hourly import Hourly
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.base import Issue, Place
from bitewatch.weather.sources.cap_feed import CapFeed
from bitewatch.weather.sources.http import PoliteClient
from bitewatch.weather.sources.met_norway import MetNorway
from bitewatch.weather.sources.nws import Nws
from bitewatch.weather.sources.nws_alerts import NwsAlerts
from bitewatch.weather.sources.nws_stations import NwsStations
from bitewatch.weather.sources.open_meteo import OpenMeteo
from bitewatch.weather.sources.quota import LIMITS
from bitewatch.weather.sources.settings import MetNorwaySettings, NwsSettings, OpenMeteoSettings, UsgsSettings
from bitewatch.weather.sources.usgs import Gauge, GaugeReadings, Usgs
from tests.simulation.exchange import Route
from tests.simulation.faults import FAULTS, Outcome
from tests.simulation.provider import Provider
from tests.simulation.provider_limits import violations
from tests.simulation.shapes_usgs import gauge_name
from tests.simulation.world import World

START = datetime(2026, 5, 1, 13, 7, tzinfo=UTC)
PLACE = Place(lake="x", latitude=45.12, longitude=-92.31)
NEAR = Place(lake="y", latitude=45.34, longitude=-92.72)


@dataclass
class Turn:
    """A provider, a store, a clock that only the test moves, and what asks under them."""

    provider: Provider
    store: Store
    now: datetime = START
    people: int = 0
    acted: list[datetime] = field(default_factory=list)

    def asker(self, *, patience_s: float = 20.0) -> Asker:
        """What asks as an operator who has not been shown the door yet."""
        self.people += 1
        self.acted.append(self.now)
        client = PoliteClient(
            f"bitewatch/1 (https://example.org/{self.people})", connect_s=1.0, read_s=patience_s, backoff_factor=0.0
        )
        self.clients.append(client)
        return Asker(self.store, client, limits=LIMITS, sleep=self.sleep, monotonic=self.monotonic)

    clients: list[PoliteClient] = field(default_factory=list)

    def sleep(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)

    def monotonic(self) -> float:
        return (self.now - START).total_seconds()


@pytest.fixture
def turn(tmp_path: Path) -> Iterator[Turn]:
    moved: list[Turn] = []
    world = World(seed=11, start=START.replace(hour=0, minute=0), days=150)
    store = open_store(tmp_path / "data", now=START)
    with Provider(world, lambda: moved[0].now) as provider:
        moved.append(Turn(provider, store))
        yield moved[0]
    for client in moved[0].clients:
        client.close()
    store.close()
    assert moved[0].provider.broken == []


ASKED = (
    Route.FORECAST, Route.META, Route.ARCHIVE, Route.LOCATIONFORECAST, Route.GRID, Route.OBSERVATIONS, Route.ALERTS,
    Route.CAP, Route.GAUGES,
)  # fmt: skip
Fetch = Callable[[Asker, datetime], Any]


def fetchers(provider: Provider) -> dict[Route, Fetch]:
    """How each route is asked, from nothing."""
    meteo = OpenMeteo(OpenMeteoSettings(url=provider.urls["open-meteo"]))
    met = MetNorway(MetNorwaySettings(url=provider.urls["met-norway"]))
    nws, stations = (kind(NwsSettings(url=provider.urls["nws"])) for kind in (Nws, NwsStations))
    alerts = NwsAlerts(NwsSettings(url=provider.urls["nws"]))
    gauges = Usgs(UsgsSettings(url=provider.urls["usgs"]))
    gauge = Gauge(lake="x", station=gauge_name(45.12, -92.31), latitude=45.12, longitude=-92.31)

    def past(asker: Asker, now: datetime) -> Hourly:
        """Two days of a hundred days ago: others whenever it is asked, for what is at hand is not asked again."""
        first = now.date() - timedelta(days=100)
        return meteo.past(meteo.cell(PLACE, asker, now=now), first, first + timedelta(days=1), asker, now=now)

    def ask(source: Any, places: tuple[Place, ...]) -> Fetch:
        def fetch(asker: Asker, now: datetime) -> Any:
            return source.fetch([source.cell(place, asker, now=now) for place in places], asker, now=now)

        return fetch

    return {
        Route.FORECAST: ask(meteo, (PLACE, NEAR)), Route.META: ask(meteo, (PLACE,)),
        Route.LOCATIONFORECAST: ask(met, (PLACE,)), Route.GRID: ask(nws, (PLACE,)),
        Route.OBSERVATIONS: ask(stations, (PLACE,)),
        Route.ALERTS: lambda asker, now: alerts.fetch(asker, now=now),
        Route.ARCHIVE: past, Route.GAUGES: lambda asker, now: gauges.readings([gauge], asker, now=now),
        Route.CAP: lambda asker, now: CapFeed(provider.urls["cap"]).fetch(asker, now=now),
    }  # fmt: skip


EXPECTED: dict[Outcome, tuple[type, ...]] = {
    Outcome.LATER: (SourceUnavailable,), Outcome.WAIT: (SourceUnavailable,), Outcome.WRONG: (SourceRefused,),
    Outcome.STOP: (SourceRefused,), Outcome.SET_ASIDE: (PayloadRefused,), Outcome.USABLE: (type(None),),
}  # fmt: skip


def no_wrong_number(found: Any) -> bool:
    """What is handed on holds no infinity, nor anything that is out of range."""
    if isinstance(found, GaugeReadings):
        return all(-0.5 <= one.temp_c <= 45.0 for taken in found.measured.values() for one in taken)
    tables = [one.hourly for one in found if isinstance(one, Issue)] if isinstance(found, tuple) else []
    tables += [found] if isinstance(found, Hourly) else []
    return all(
        ((values >= low) & (values <= high) | np.isnan(values)).all()
        for hourly in tables
        for (low, high), values in ((BELIEVED[name], hourly[name]) for name in BELIEVED)
    )


def trouble_with(turn: Turn, route: Route, name: str, asker: Asker, fetch: Fetch) -> str | None:
    """What a client makes of one fault, where that is not what it should; None if all is well."""
    fault = FAULTS[name]
    begins = turn.now - timedelta(hours=2) if fault.stands_still else turn.now
    turn.provider.faults.add(route.source, name, begins, turn.now + timedelta(hours=1))
    before = len(turn.provider.log.entries)
    failed: OutsideFailed | None = None
    found = None
    try:
        found = fetch(turn.asker(patience_s=0.1) if name == "timeout" else asker, turn.now)
    except OutsideFailed as error:
        failed = error
    outcome = fault.at.get(route, fault.outcome)
    if name not in [entry.fault for entry in turn.provider.log.entries[before:]]:
        return f"{name}: was not met"
    if type(failed) not in EXPECTED[outcome]:
        return f"{name}: {type(failed).__name__} {failed or ''}, but {outcome.value}"
    if not no_wrong_number(found):
        return f"{name}: a wrong number"
    if outcome in (Outcome.WAIT, Outcome.STOP):
        asked = len(turn.provider.log.entries)
        turn.now += timedelta(seconds=1)
        with pytest.raises(SourceWaits if outcome is Outcome.WAIT else SourceRefused):
            fetch(asker, turn.now)
        if len(turn.provider.log.entries) != asked:
            return f"{name}: was asked again at once"
    return None


@pytest.mark.parametrize("route", ASKED)
def test_every_fault_of_a_route_in_turn(turn: Turn, route: Route) -> None:
    fetch = fetchers(turn.provider)[route]
    asker = turn.asker()
    troubles = []
    for name in [name for name, fault in FAULTS.items() if route in fault.routes]:
        try:
            fetch(asker, turn.now)
        except OutsideFailed as error:
            troubles.append(f"before {name}: {error}")
        turn.now += timedelta(hours=13)
        troubles += filter(None, [trouble_with(turn, route, name, asker, fetch)])
        turn.now += timedelta(hours=35)
        if FAULTS[name].outcome is Outcome.STOP:
            asker = turn.asker()
    fetch(asker, turn.now)
    assert "\n".join(troubles) == ""
    assert "\n".join(map(str, violations(turn.provider.log, human_acted=turn.acted))) == ""
