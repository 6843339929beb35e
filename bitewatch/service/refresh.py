"""Asking for weather: which cells are due, in which order sources are asked, and what is remembered of failures.

What was received is read by `bitewatch.service.weather_now`; nothing here decides what a brief is made of.
"""

import hashlib
import logging
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection

from bitewatch.errors import OutsideFailed, PayloadRefused, SourceRefused, SourceWaits
from bitewatch.lake.profile import Lake
from bitewatch.service.cells import also_of, forget_cell, known_cell, place_of, remember_cell, remember_none
from bitewatch.store.database import Store
from bitewatch.store.events import Event, record
from bitewatch.store.facts import read_fact, set_fact
from bitewatch.weather.archive import newest
from bitewatch.weather.hourly import CORE_COLUMNS
from bitewatch.weather.sources import Sources
from bitewatch.weather.sources.base import Asking, Cell, Issue, Place, Source

log = logging.getLogger(__name__)

TRY_AGAIN = timedelta(minutes=5)  #: after a failure; the client itself has tried three times by then
FRESH_FOR = timedelta(hours=6)  #: an issue this young needs no other source in its place
LONGEST = timedelta(hours=6)  #: a cell is asked at least this often, whatever is known of the model's runs
AFTER_RUN = timedelta(minutes=30)  #: over which the questions after a new run are spread
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NOT_FOUND = 404


class Refresher:
    """Asks sources in their order, and remembers whom not to ask again so soon."""

    def __init__(
        self, store: Store, sources: Sources, asking: Asking, *, second_opinion: bool = False,
        shortest: timedelta = timedelta(0),
    ):  # fmt: skip
        self._store = store
        self._asking = asking
        self._second_opinion = second_opinion
        self._shortest = shortest
        self.sources = sources
        self._cells: dict[tuple[str, str], tuple[Cell | str, datetime]] = {}
        self._last: dict[str, datetime | None] = {}  #: cell -> when its newest issue was confirmed
        self._failed: dict[tuple[str, str], tuple[datetime, str]] = {}
        self._waits: dict[str, tuple[datetime, str]] = {}
        self._alone: set[str] = set()  #: cells that spoil a question which they share

    @property
    def down(self) -> dict[str, str]:
        """The sources of which some question has no answer now, with the first reason of each."""
        return {source: reason for (source, _), (_, reason) in reversed(self._failed.items())}

    def order(self, lake: Lake) -> list[Source]:
        """The sources of a lake, the first one first."""
        names = lake.sources or self.sources.order
        return [self.sources.forecasts[name] for name in names if name in self.sources.forecasts]

    def whole(self, lake: Lake) -> list[Source]:
        """Those that can carry a call by themselves."""
        return [source for source in self.order(lake) if _is_whole(source)]

    def only_files(self, lake: Lake) -> bool:
        """True if no source of a lake looks ahead of the files on this machine."""
        return all(source.is_file for source in self.order(lake))

    def why_not(self, source: Source, lake: Lake, now: datetime) -> str:
        """Why a source has nothing new for a lake, in words; empty if nothing is wrong."""
        cell = self.cell(source, place_of(lake), now)
        if isinstance(cell, str):
            return f"{source.name}: {cell}"
        if cell is None:
            at_place = self._failed.get((source.name, place_of(lake).point))
            if at_place:
                return at_place[1]
        elif (source.name, cell.key) in self._failed:
            return self._failed[source.name, cell.key][1]
        until, reason = self._waits.get(source.name, (now, ""))
        return reason if now < until else ""

    def refresh(
        self, lakes: Sequence[Lake], now: datetime, *, go_on: Callable[[], bool] = lambda: True
    ) -> set[str]:  # fmt: skip
        """Ask for all that is due; ends early when ``go_on`` says so. Hands back the lakes for which an answer came."""
        answered: set[str] = set()
        for source in self._adding(lakes):
            answered |= self._ask(source, [lake for lake in lakes if self._adds(source, lake)], now, go_on)
        waiting = {lake.id: self.whole(lake) for lake in lakes}
        rank = 0
        while any(waiting.values()):
            for source in self.sources.forecasts.values():
                asked = [lake for lake in lakes if waiting[lake.id][:1] == [source]]
                if asked:
                    answered |= self._ask(source, asked, now, go_on)
            for lake in lakes:
                enough = rank > 0 or not self._second_opinion
                if waiting[lake.id] and enough and self._has_fresh(waiting[lake.id][0], lake, now):
                    waiting[lake.id] = []
                waiting[lake.id] = waiting[lake.id][1:]
            rank += 1
        return answered

    def locate(self, name: str, lakes: Sequence[Lake], now: datetime) -> None:
        """Find out in which cells of a source lakes lie, though it may not be asked for its hours."""
        if name in self.sources.forecasts:
            for lake in lakes:
                self._cell_or_ask(self.sources.forecasts[name], place_of(lake), now)

    def _adding(self, lakes: Sequence[Lake]) -> list[Source]:
        """Stations, and forecasts that lack a core column: they add to another source and stand in for none."""
        some = [source for source in self.sources.forecasts.values() if not _is_whole(source)]
        return [source for source in (*some, *self.sources.stations) if any(self._adds(source, one) for one in lakes)]

    def _adds(self, source: Source, lake: Lake) -> bool:
        return source in self.sources.stations or source in self.order(lake)

    def _has_fresh(self, source: Source, lake: Lake, now: datetime) -> bool:
        """True if no other source is needed in its place; a file may end in the past, so it never is enough."""
        cell = self.cell(source, place_of(lake), now)
        if source.is_file or not isinstance(cell, Cell):
            return False
        last = self._confirmed(cell.key)
        return last is not None and now - last < FRESH_FOR

    def cell(self, source: Source, place: Place, now: datetime) -> Cell | str | None:
        """The cell of a place as far as it is known without asking; a text says why it has none."""
        if source.is_file:
            return source.cell(place, self._asking, now=now)
        if not source.covers(place):
            return "does not serve this part of the world"
        key = (source.grid, place.point)
        if key not in self._cells or self._cells[key][1] <= now:
            with self._store.read() as connection:
                known = known_cell(connection, source.grid, place, now)
            if known is None:
                self._cells.pop(key, None)
                return None
            self._cells[key] = (known, now + LONGEST)
        return self._cells[key][0]

    def _ask(self, source: Source, lakes: Sequence[Lake], now: datetime, go_on: Callable[[], bool]) -> set[str]:
        if now < self._waits.get(source.name, (now, ""))[0]:
            return set()
        cells: dict[str, Cell] = {}
        places: dict[str, list[Place]] = {}
        for lake in lakes:
            place = place_of(lake)
            found = self._cell_or_ask(source, place, now) if go_on() else None
            if found is not None:
                cells[found.key] = found
                places.setdefault(found.key, []).append(place)
        run_at = self._run_at(source, now)
        due = [one for one in cells.values() if self._is_due(source, one, run_at, now)]
        together = [one for one in due if one.key not in self._alone]
        size = source.cells_per_question
        chunks = [together[at : at + size] for at in range(0, len(together), size)]
        chunks += [[one] for one in due if one.key in self._alone]
        answered: set[str] = set()
        for chunk in chunks:
            if not go_on() or now < self._waits.get(source.name, (now, ""))[0]:
                break
            for issue, one in zip(self._fetch(source, chunk, now), chunk, strict=False):
                if issue is not None:
                    answered.update(place.lake for place in places[one.key])
                    self._settle(source, one, places[one.key], issue, now)
        return answered

    def _fetch(self, source: Source, chunk: list[Cell], now: datetime) -> list[Issue | None]:
        """The issues of some cells, None without an answer; a cell that spoils the rest is found and asked alone."""
        found = self._try(source, chunk, now)
        if isinstance(found, list):
            return found
        quarter = max(1, len(chunk) // 4)
        parts = [chunk[at : at + quarter] for at in range(0, len(chunk), quarter)] if len(chunk) > 1 else []
        tried = [self._try(source, part, now) for part in parts]
        if not any(isinstance(one, list) and any(one) for one in tried):  # it is the source, not a cell
            self._note_failed(source, chunk, found, now)
            return [None] * len(chunk)
        results: list[Issue | None] = []
        for part, one in zip(parts, tried, strict=True):
            results += one if isinstance(one, list) else self._narrow(source, part, one, now)
        return results

    def _narrow(self, source: Source, part: list[Cell], why: PayloadRefused, now: datetime) -> list[Issue | None]:
        """The same of cells among which one spoils the rest."""
        if len(part) == 1:
            self._alone.add(part[0].key)
            self._note_failed(source, part, why, now)
            return [None]
        results: list[Issue | None] = []
        for half in (part[: len(part) // 2], part[len(part) // 2 :]):
            found = self._try(source, half, now)
            results += found if isinstance(found, list) else self._narrow(source, half, found, now)
        return results

    def _try(self, source: Source, chunk: list[Cell], now: datetime) -> list[Issue | None] | PayloadRefused:
        """The issues of some cells from one question, None without an answer; or why what came must not be used."""
        try:
            issues = source.fetch(chunk, self._asking, now=now)
        except SourceWaits as error:
            if error.only_this:
                self._failed |= {(source.name, one.key): (now, _of(source, error)) for one in chunk}
            else:
                self._waits[source.name] = (error.until, _of(source, error))
            return [None] * len(chunk)
        except PayloadRefused as error:
            return error
        except OutsideFailed as error:
            self._note_failed(source, chunk, error, now)
            return [None] * len(chunk)
        except Exception:  # a bug must not stop the other cells; their briefs say that nothing came
            log.exception("%s could not be read for %s", source.name, chunk[0].key)
            self._note_failed(source, chunk, OutsideFailed(f"{source.name}: could not be read"), now)
            return [None] * len(chunk)
        for one in chunk:
            self._last[one.key] = now
            self._failed.pop((source.name, one.key), None)
            self._alone.discard(one.key)
        if source.name not in self.down:  # a source that fails another cell is not back
            with self._store.write() as connection:
                note_back(connection, source.name, now)
        return list(issues)

    def _settle(
        self, source: Source, asked: Cell, places: Iterable[Place], issue: Issue, now: datetime
    ) -> None:  # fmt: skip
        """Write down in which cell the places lie, as the answer shows it."""
        if source.is_file:
            return
        for place in places:
            key = (source.grid, place.point)
            settled = source.settle(place, asked, issue)
            if key in self._cells and self._cells[key][0] == settled:
                continue
            with self._store.write() as connection:
                remember_cell(connection, source.grid, place, settled, now)
                if settled.key != asked.key:  # what came for the place is the first issue of its cell
                    also_of(connection, asked.key, settled.key)
            self._cells[key] = (settled, now + LONGEST)
            self._last[settled.key] = now

    def _cell_or_ask(self, source: Source, place: Place, now: datetime) -> Cell | None:
        known = self.cell(source, place, now)
        if isinstance(known, str):
            return None
        if known is not None:
            return known
        failed = self._failed.get((source.name, place.point))
        if (failed and now - failed[0] < TRY_AGAIN) or now < self._waits.get(source.name, (now, ""))[0]:
            return None
        try:
            found = source.cell(place, self._asking, now=now)
        except SourceWaits as error:
            self._waits[source.name] = (error.until, _of(source, error))
            return None
        except SourceRefused as error:
            if error.status == NOT_FOUND:
                with self._store.write() as connection:
                    remember_none(connection, source.grid, place, _one_line(error), now)
            else:
                self._no_cell(source, place, error, now)
            return None
        except OutsideFailed as error:
            self._no_cell(source, place, error, now)
            return None
        self._failed.pop((source.name, place.point), None)
        with self._store.write() as connection:
            remember_cell(connection, source.grid, place, found, now)
        self._cells[source.grid, place.point] = (found, now + LONGEST)
        return found

    def _no_cell(self, source: Source, place: Place, error: OutsideFailed, now: datetime) -> None:
        self._failed[source.name, place.point] = (now, _of(source, error))
        with self._store.write() as connection:
            note_down(connection, source.name, _one_line(error), now)

    def _note_failed(self, source: Source, chunk: Sequence[Cell], error: OutsideFailed, now: datetime) -> None:
        for one in chunk:
            self._failed[source.name, one.key] = (now, _of(source, error))
        with self._store.write() as connection:
            note_down(connection, source.name, _one_line(error), now)
            if isinstance(error, SourceRefused) and error.status == NOT_FOUND:
                for one in chunk:  # grids move: where the cell lies now is asked for anew
                    forget_cell(connection, one.key)
                    self._cells = {key: kept for key, kept in self._cells.items() if kept[0] != one}

    def _run_at(self, source: Source, now: datetime) -> datetime | None:
        try:
            return source.newest_run_at(self._asking, now=now)
        except OutsideFailed:
            return None

    def _confirmed(self, cell_key: str) -> datetime | None:
        if cell_key not in self._last:
            with self._store.read() as connection:
                stored = newest(connection, cell_key)
            self._last[cell_key] = None if stored is None else stored.confirmed_at
        return self._last[cell_key]

    def _is_due(self, source: Source, one: Cell, run_at: datetime | None, now: datetime) -> bool:
        if source.is_file:
            return True
        failed = self._failed.get((source.name, one.key))
        if failed is not None:
            return now - failed[0] >= TRY_AGAIN
        last = self._confirmed(one.key)
        if last is None:
            return True
        if now - last < self._shortest:
            return False
        if run_at is not None:
            after = timedelta(seconds=_share(f"{one.key} {run_at}") * AFTER_RUN.total_seconds())
            return (last < run_at and run_at + after <= now) or now - last >= LONGEST
        return next_turn(one.key, last, source.every) <= now


def next_turn(key: str, last: datetime, every: timedelta) -> datetime:
    """When a cell is asked next: each has its own place in the period, so that the questions flow evenly.

    >>> hour = timedelta(hours=1)
    >>> first = next_turn("a", EPOCH, hour)
    >>> next_turn("a", first, hour) - first == hour
    True
    """
    period = every.total_seconds()
    if period <= 0:
        return last
    at_least = (last - EPOCH).total_seconds() + period / 2
    phase = _share(key) * period
    return EPOCH + timedelta(seconds=phase + period * -((phase - at_least) // period))


def _share(key: str) -> float:
    """A number from 0 to 1 that is always the same for a key."""
    return int.from_bytes(hashlib.sha256(key.encode()).digest()[:6], "big") / 2**48


def _is_whole(source: Source) -> bool:
    return source.gives.issuperset(CORE_COLUMNS)


def note_down(connection: Connection, source: str, reason: str, now: datetime) -> None:
    """Tell of an outage once."""
    if read_fact(connection, f"down:{source}") in (None, ""):
        set_fact(connection, f"down:{source}", now.isoformat())
        record(connection, Event.SOURCE_DOWN, at=now, subject=source, reason=reason)


def note_back(connection: Connection, source: str, now: datetime) -> None:
    """Tell of its end once."""
    since = read_fact(connection, f"down:{source}")
    if since:
        set_fact(connection, f"down:{source}", "")
        record(
            connection, Event.SOURCE_BACK, at=now, subject=source, reason=f"{source} answers again; down since {since}"
        )


def _one_line(error: OutsideFailed) -> str:
    return " ".join(str(error).split())


def _of(source: Source, error: OutsideFailed) -> str:
    """A reason that names its source, for hosts mean nothing to a reader."""
    line = _one_line(error)
    return line if source.name in line else f"{source.name}: {line}"
