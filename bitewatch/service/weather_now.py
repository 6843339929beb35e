"""The weather of a lake as the archive has it: one issue of one source, whole, and what else may stand beside it.

Two sources, or two runs, never meet in one pressure trend: hours that an issue does not reach are filled in other
columns only, from earlier issues of the same cell and then from a station.
"""

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from bitewatch.brief.lake_day import Freshness, WeatherSeen
from bitewatch.errors import OutsideFailed, StoreRefused
from bitewatch.lake.local_time import np_to_datetime
from bitewatch.lake.profile import Lake
from bitewatch.service.cells import place_of
from bitewatch.service.refresh import FRESH_FOR, Refresher
from bitewatch.store.database import Store
from bitewatch.weather.archive import StoredIssue, cells_of, earlier, newest, open_payload, received_from
from bitewatch.weather.hourly import COLUMNS, CORE_COLUMNS, HOUR, Hourly, Times
from bitewatch.weather.sources.base import Cell, Issue, Source

COLUMN_WORDS = {
    "pressure_hpa": "air pressure", "air_temp_c": "air temperature", "dew_point_c": "dew point",
    "humidity_pct": "humidity", "wind_speed_ms": "wind", "wind_from_deg": "wind direction", "wind_gust_ms": "gusts",
    "cloud_pct": "clouds", "precip_mm": "rain", "shortwave_wm2": "sunshine", "cape_jkg": "storm energy",
}  # fmt: skip
TOO_OLD_AFTER = timedelta(hours=24)
LOOKS_BACK = timedelta(days=8)  #: rules look back five days, spells ten; sources with a past bring seven
THIN = timedelta(hours=2)  #: earlier issues nearer to each other than this add nothing
CACHED_PARTS = 600  #: issues that are kept read, some 20 MB
HALF_HOUR = timedelta(minutes=30)


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """One issue for a lake with what fills it, or none; ``failures`` says what did not work, in words."""

    hourly: Hourly | None
    own: NDArray[np.bool_] | None  #: hours that come from issues of the source itself; fronts are sought in these only
    seen: WeatherSeen | None
    failures: tuple[str, ...]
    cell: Cell | None = None
    others: tuple[Issue, ...] = ()  #: issues of the other sources that see fronts of their own
    observed: Issue | None = None  #: what a station near by has measured


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    source: Source
    cell: Cell
    stored: StoredIssue
    issue: Issue
    freshness: Freshness
    passed_over: bool = False  #: its hours do not serve the trip


class WeatherNow:
    """Reads the archive for what is known of a lake's weather now."""

    def __init__(self, store: Store, refresher: Refresher):
        self._store = store
        self._refresher = refresher
        self._read: OrderedDict[int, tuple[Issue, ...]] = OrderedDict()

    def weather(self, lake: Lake, now: datetime, *, covering: tuple[datetime, datetime] | None = None) -> Weather:
        """The weather of a lake: the first source in its order whose issue is fresh, else the first that is usable.

        A source whose hours do not reach over ``covering``, as a file that ends in the past, is passed over for the
        next one, and comes back only if no other does better.
        """
        failures = self._forbidden(lake)
        found: list[_Found] = []
        beside: list[_Found] = []
        adding: list[str] = []
        for source in self._refresher.order(lake):
            one = self._find(source, lake, now, failures)
            if one is None:
                continue
            if not source.gives.issuperset(CORE_COLUMNS):
                beside.append(one)
                adding.append(f"{source.name}: forecasts no air pressure, and makes no call by itself")
            elif covering is not None and not _reaches(one.issue.hourly, covering):
                failures.append(f"{source.name}: its hours do not reach over the trip")
                found.append(replace(one, passed_over=True))
            elif covering is not None and (lacking := _lacks_core(one.issue.hourly, covering)):
                failures.append(f"{source.name}: gives no {lacking} over the trip")
                found.append(replace(one, passed_over=True))
            else:
                found.append(one)
        if not found:
            return Weather(
                hourly=None, own=None, seen=None, failures=(*failures, *adding), observed=self.observed(lake, now)
            )
        ranks = list(Freshness)
        main = min(found, key=lambda one: (one.passed_over, ranks.index(one.freshness)))
        return self._complete(lake, main, found, beside, failures, now)

    def observed(self, lake: Lake, now: datetime) -> Issue | None:
        """What the first station that has anything measured near a lake."""
        for source in self._refresher.sources.stations:
            one = self._find(source, lake, now, [])
            if one is not None and one.freshness is not Freshness.TOO_OLD:
                return one.issue
        return None

    def _forbidden(self, lake: Lake) -> list[str]:
        sources = self._refresher.sources
        return [sources.forbidden[name] for name in (lake.sources or sources.asked_for) if name in sources.forbidden]

    def _find(self, source: Source, lake: Lake, now: datetime, failures: list[str]) -> _Found | None:
        why = self._refresher.why_not(source, lake, now)
        if why:
            failures.append(why)
        cell = self._refresher.cell(source, place_of(lake), now)
        if not isinstance(cell, Cell):
            return None
        try:
            with self._store.read() as connection:
                stored = newest(connection, cell.key)
                issue = None if stored is None else self._issue(connection, source, stored)
        except (StoreRefused, OutsideFailed) as error:  # damaged on the disk, or refused by rules grown stricter
            failures.append(" ".join(str(error).split()))
            return None
        if stored is None or issue is None:
            if not why:
                failures.append(f"{source.name}: has not answered yet")
            return None
        age = age_of(source, issue, stored.confirmed_at, now)
        freshness = Freshness.FRESH if age <= FRESH_FOR else Freshness.USABLE
        if age > TOO_OLD_AFTER:
            freshness = Freshness.TOO_OLD
        # by when it first came: reading the same again, as a restart does, makes no new issue of it
        issue = replace(issue, retrieved_at=stored.retrieved_at)
        return _Found(
            source=source, cell=cell, stored=stored, issue=issue,
            freshness=Freshness.FRESH if source.is_file else freshness,
        )  # fmt: skip

    def _issue(self, connection: Connection, source: Source, stored: StoredIssue) -> Issue:
        """A stored issue, read; payloads that hold many cells are read once."""
        if stored.payload_id not in self._read:
            received = received_from(open_payload(connection, stored.payload_id))
            self._read[stored.payload_id] = source.read(received, cells_of(connection, stored.payload_id))
            while sum(map(len, self._read.values())) > CACHED_PARTS and len(self._read) > 1:
                self._read.popitem(last=False)
        self._read.move_to_end(stored.payload_id)
        return self._read[stored.payload_id][stored.part]

    def _complete(
        self, lake: Lake, main: _Found, found: Sequence[_Found], beside: Sequence[_Found], failures: list[str],
        now: datetime,
    ) -> Weather:  # fmt: skip
        hourly, filled, thanks = main.issue.hourly, list[str](), [main.source.attribution]
        own = np.ones(hourly.time.size, bool)
        observed = self.observed(lake, now)
        if not main.source.has_past:
            hourly, own, past = self._with_own_past(main, now)
            filled += past
            if observed is not None:
                hourly, own, told = _with_observed(hourly, own, observed)
                filled += told
                thanks += self._thanks(observed.source) if told else []
        for one in beside:
            if one.freshness is not Freshness.TOO_OLD:
                hourly, told = _with_columns(hourly, one.issue)
                filled += told
                thanks += [one.source.attribution] if told else []
        seen = WeatherSeen(
            source=main.source.name, model=main.issue.model, is_file=main.source.is_file,
            attribution=" · ".join(dict.fromkeys(line for line in thanks if line)),
            retrieved_at=main.stored.confirmed_at, reference_time=main.issue.reference_time, notes=main.issue.notes,
            payload_sha256=main.stored.body_sha256, freshness=main.freshness, filled=tuple(filled),
        )  # fmt: skip
        others = tuple(
            one.issue for one in found if one is not main and one.freshness in (Freshness.FRESH, Freshness.USABLE)
        )
        return Weather(
            hourly=hourly, own=own, seen=seen, failures=tuple(dict.fromkeys(failures)), cell=main.cell, others=others,
            observed=observed,
        )  # fmt: skip

    def _thanks(self, station_source: str) -> list[str]:
        return [one.attribution for one in self._refresher.sources.stations if one.name == station_source]

    def _with_own_past(self, main: _Found, now: datetime) -> tuple[Hourly, NDArray[np.bool_], list[str]]:
        """The hours before an issue out of earlier issues of its own cell; never their pressure."""
        with self._store.read() as connection:
            stored = earlier(connection, main.cell.key, now - LOOKS_BACK, main.stored.retrieved_at)
            before: list[Issue] = []
            since = main.stored.retrieved_at
            for one in sorted(stored, key=lambda each: each.retrieved_at, reverse=True):
                if since - one.retrieved_at >= THIN:
                    since = one.retrieved_at
                    before.append(self._issue(connection, main.source, one))
        hourly = main.issue.hourly
        if not before:
            return hourly, np.ones(hourly.time.size, bool), []
        first = max(min(issue.hourly.time[0] for issue in before), _np(now - LOOKS_BACK))
        joined = _longer(hourly, first)
        for issue in before:  # the newest first: its first hours are nearer to their own time than those of older ones
            joined = _filled(joined, issue.hourly, before=hourly.time[0])
        own = np.isfinite(joined["air_temp_c"]) | (joined.time >= hourly.time[0])
        hours = int((own & (joined.time < hourly.time[0])).sum())
        if not hours:
            return hourly, np.ones(hourly.time.size, bool), []
        told = [f"{hours} past hours are from earlier issues of {main.source.name}, without their pressure"]
        return joined, own, told


def with_switch(weather: Weather, told_before: Mapping[str, Any] | None) -> Weather:
    """The same, with the source that a reader was told from before, if it was another."""
    told = ((told_before or {}).get("weather") or {}).get("source", "")
    if weather.seen is None or not told or told == weather.seen.source:
        return weather
    return replace(weather, seen=replace(weather.seen, switched_from=told))


def age_of(source: Source, issue: Issue, confirmed_at: datetime, now: datetime) -> timedelta:
    """How old an issue is: since it was last confirmed, and more where its source stands still."""
    age = now - confirmed_at
    if issue.reference_time is not None:
        age = max(age, now - issue.reference_time - source.stalls_after + FRESH_FOR)
    return age


def _with_observed(
    hourly: Hourly, own: NDArray[np.bool_], observed: Issue
) -> tuple[Hourly, NDArray[np.bool_], list[str]]:  # fmt: skip
    """Past hours that no issue tells of, out of a station's; never its pressure. Fronts are not sought there."""
    start = hourly.time[own][0] if own.any() else hourly.time[0]
    longer = _longer(hourly, min(observed.hourly.time[0], hourly.time[0]))
    added = longer.time.size - hourly.time.size
    own = np.concatenate([np.zeros(added, bool), own])
    filled = _filled(longer, observed.hourly, before=start)
    hours = int((np.isnan(longer["air_temp_c"]) & np.isfinite(filled["air_temp_c"])).sum())
    if not hours:
        return hourly, own[added:], []
    return filled, own, [f"{hours} past hours are measured at {observed.model}, without their pressure"]


def _with_columns(hourly: Hourly, other: Issue) -> tuple[Hourly, list[str]]:
    """Columns that an issue lacks wholly, out of another source's; never a core column."""
    lacking = [
        name for name in COLUMNS
        if name not in CORE_COLUMNS and name != "wind_from_deg"
        and np.isnan(hourly[name]).all() and np.isfinite(other.hourly[name]).any()
    ]  # fmt: skip
    if not lacking:
        return hourly, []
    at, there = _common(hourly.time, other.hourly.time)
    columns = dict(hourly.columns)
    for name in lacking:
        columns[name] = columns[name].copy()
        columns[name][at] = other.hourly[name][there]
    words = " and ".join(COLUMN_WORDS[name] for name in lacking)
    return Hourly(time=hourly.time, columns=columns), [f"{words} from {other.source}"]


def _longer(hourly: Hourly, first: np.datetime64) -> Hourly:
    """The same table from an earlier hour on, missing there."""
    added = max(0, int((hourly.time[0] - first) // HOUR))
    time = np.arange(hourly.time[0] - added * HOUR, hourly.time[-1] + HOUR, HOUR)
    empty = np.full(added, np.nan)
    return Hourly(time=time, columns={name: np.concatenate([empty, hourly[name]]) for name in COLUMNS})


def _filled(hourly: Hourly, other: Hourly, *, before: np.datetime64) -> Hourly:
    """Missing values before an hour out of another table, whole hours of it only; never pressure."""
    at, there = _common(hourly.time, other.time)
    wanted = np.zeros(hourly.time.size, bool)
    wanted[at] = np.isnan(hourly["air_temp_c"][at]) & np.isnan(hourly["wind_speed_ms"][at])
    wanted &= hourly.time < before
    take = wanted[at]
    columns = dict(hourly.columns)
    for name in COLUMNS:
        if name != "pressure_hpa":
            columns[name] = columns[name].copy()
            columns[name][at[take]] = other[name][there[take]]
    return Hourly(time=hourly.time, columns=columns)


def _common(time: Times, other: Times) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    _, at, there = np.intersect1d(time, other, assume_unique=True, return_indices=True)
    return at, there


def _reaches(hourly: Hourly, span: tuple[datetime, datetime]) -> bool:
    # an hour stands for the half hours around it, as in a trip's hours
    return (
        np_to_datetime(hourly.time[0]) - HALF_HOUR <= span[0] and span[1] <= np_to_datetime(hourly.time[-1]) + HALF_HOUR
    )


def _lacks_core(hourly: Hourly, span: tuple[datetime, datetime]) -> str:
    inside = (hourly.time >= _np(span[0] - HALF_HOUR)) & (hourly.time <= _np(span[1] + HALF_HOUR))
    return " and no ".join(COLUMN_WORDS[name] for name in CORE_COLUMNS if np.isnan(hourly[name][inside]).mean() > 0.5)


def _np(instant: datetime) -> np.datetime64:
    return np.datetime64(int(instant.timestamp()), "s")
