"""Weather for a lake: asked for when due, archived as it came, and the last good issue where nothing new comes."""

import hashlib
import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection

from bitewatch.brief.lake_day import WeatherSeen
from bitewatch.errors import OutsideFailed, PayloadRefused, StoreRefused
from bitewatch.lake.local_time import np_to_datetime
from bitewatch.lake.profile import Lake
from bitewatch.store.database import Store
from bitewatch.store.events import Event, record
from bitewatch.store.facts import read_fact, set_fact
from bitewatch.weather.archive import StoredPayload, keep, latest, received_from, set_aside
from bitewatch.weather.hourly import Hourly
from bitewatch.weather.sources.base import Place, Source

log = logging.getLogger(__name__)

TRY_AGAIN = timedelta(minutes=5)  #: after a failure; the client itself has tried three times by then
LAST_RESORT = timedelta(hours=24)  #: how old an issue may be that stands in for one that does not come


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """One whole issue of one source for a lake, or none; ``failures`` says what did not work, in words."""

    hourly: Hourly | None
    seen: WeatherSeen | None
    failures: tuple[str, ...]


class Refresher:
    """Asks sources in their order, and remembers whom not to ask again so soon."""

    def __init__(self, store: Store, sources: Sequence[Source], *, every: timedelta):
        self._store = store
        self._sources = sources
        self._every = every
        self._failed: dict[tuple[str, str], tuple[datetime, str]] = {}

    @property
    def down(self) -> dict[str, str]:
        """The sources of which some question has no answer now, with the first reason of each."""
        return {source: reason for (source, _), (_, reason) in reversed(self._failed.items())}

    @property
    def only_files(self) -> bool:
        """True if no source looks ahead of the files on this machine."""
        return all(source.is_file for source in self._sources)

    def weather(self, lake: Lake, now: datetime, *, covering: tuple[datetime, datetime] | None = None) -> Weather:
        """The weather of a lake: whole from one source, never spliced.

        A source whose hours do not reach over ``covering``, as a file that ends in the past, is passed over for the
        next one, and comes back only if no other does better.
        """
        place = Place(
            lake=lake.id, latitude=lake.latitude, longitude=lake.longitude, elevation_m=lake.elevation_m
        )  # fmt: skip
        failures: list[str] = []
        passed_over: Weather | None = None
        for source in self._sources:
            try:
                found = self._from(source, place, now, failures)
            except OutsideFailed as error:
                failures.append(_one_line(error))
                continue
            if covering is None or found.hourly is None or _reaches(found.hourly, covering):
                return found
            passed_over = passed_over or found
            failures.append(f"{source.name}: its hours do not reach over the trip")
        if passed_over is not None:
            return passed_over
        for source in self._sources:
            stored = self._stored(source, place)
            if stored is not None and (source.is_file or now - stored.confirmed_at <= LAST_RESORT):
                try:
                    return _weather(source, stored, place, failures)
                except OutsideFailed as error:  # accepted once, by rules that have grown stricter since
                    failures.append(_one_line(error))
        return Weather(hourly=None, seen=None, failures=tuple(failures))

    def _from(self, source: Source, place: Place, now: datetime, failures: list[str]) -> Weather:
        key = (source.name, source.url_key([place]))
        stored = self._stored(source, place)
        if stored is not None and not source.is_file and now - stored.confirmed_at < self._every:
            return _weather(source, stored, place, failures)
        if key in self._failed and now - self._failed[key][0] < TRY_AGAIN:
            raise OutsideFailed(self._failed[key][1])
        try:
            received = source.fetch([place], now)
            try:
                issues = source.read(received, [place])
            except PayloadRefused as error:
                with self._store.write() as connection:
                    set_aside(connection, received, error)
                raise
        except OutsideFailed as error:
            self._failed[key] = (now, _one_line(error))
            with self._store.write() as connection:
                _note_down(connection, source.name, _one_line(error), now)
            raise
        self._failed.pop(key, None)
        with self._store.write() as connection:
            keep(connection, received, issues)
            if source.name not in self.down:  # a source that fails another lake is not back
                _note_back(connection, source.name, now)
        stored = self._stored(source, place)
        assert stored is not None
        return _weather(source, stored, place, failures)

    def _stored(self, source: Source, place: Place) -> StoredPayload | None:
        try:
            with self._store.read() as connection:
                return latest(connection, source.url_key([place]))
        except StoreRefused as error:  # damaged on the disk: as good as not there, and kept again when it comes again
            log.error("%s", error)
            return None


def _weather(source: Source, stored: StoredPayload, place: Place, failures: Sequence[str]) -> Weather:
    issue = source.read(received_from(stored), [place])[0]
    seen = WeatherSeen(
        source=source.name, model=issue.model, attribution=source.attribution, is_file=source.is_file,
        retrieved_at=stored.confirmed_at, reference_time=issue.reference_time, notes=issue.notes,
        payload_sha256=hashlib.sha256(stored.body).hexdigest(),
    )  # fmt: skip
    return Weather(hourly=issue.hourly, seen=seen, failures=tuple(failures))


def _reaches(hourly: Hourly, span: tuple[datetime, datetime]) -> bool:
    half = timedelta(minutes=30)  # an hour stands for the half hours around it, as in a trip's hours
    return np_to_datetime(hourly.time[0]) - half <= span[0] and span[1] <= np_to_datetime(hourly.time[-1]) + half


def _note_down(connection: Connection, source: str, reason: str, now: datetime) -> None:
    """Tell of an outage once."""
    if read_fact(connection, f"down:{source}") in (None, ""):
        set_fact(connection, f"down:{source}", now.isoformat())
        record(connection, Event.SOURCE_DOWN, at=now, subject=source, reason=reason)


def _note_back(connection: Connection, source: str, now: datetime) -> None:
    """Tell of its end once."""
    since = read_fact(connection, f"down:{source}")
    if since:
        set_fact(connection, f"down:{source}", "")
        record(
            connection, Event.SOURCE_BACK, at=now, subject=source, reason=f"{source} answers again; down since {since}"
        )


def _one_line(error: OutsideFailed) -> str:
    return " ".join(str(error).split())
