"""Official warnings in the store: feeds read when due, warnings kept that are for a lake, and what was told of them."""

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Protocol

import numpy as np
from sqlalchemy import Connection, bindparam, func, select
from sqlalchemy.dialects.sqlite import insert

from bitewatch.errors import OutsideFailed
from bitewatch.lake.profile import Lake
from bitewatch.service.cells import place_of
from bitewatch.service.warning_rows import WatchedLakes, settle, warning_from
from bitewatch.store.database import Store
from bitewatch.weather.settings import WarningsSettings
from bitewatch.weather.sources.base import Asking
from bitewatch.weather.sources.cap_feed import CapFeed
from bitewatch.weather.sources.nws_alerts import NwsAlerts
from bitewatch.weather.sources.settings import NwsSettings
from bitewatch.weather.tables import cell as cells
from bitewatch.weather.tables import feed as feeds
from bitewatch.weather.tables import place_cell, warned_lake, warning, warning_at
from bitewatch.weather.warnings import ZONE_HINT, FeedRead, FeedState, Unread, WarningsSeen, seen_here

PLACES = (warned_lake.c.lake, warned_lake.c.latitude, warned_lake.c.longitude, warned_lake.c.zones)

# made once: for a lake at a time, making them costs more than running them
FEEDS = select(feeds)
LAKE = select(warned_lake).where(warned_lake.c.lake == bindparam("lake"))
STANDING = (
    select(warning.c.feed, warning.c.told)
    .join(warning_at, (warning_at.c.feed == warning.c.feed) & (warning_at.c.id == warning.c.id))
    .where(warning_at.c.lake == bindparam("lake"), warning_at.c.ended_at.is_(None), warning.c.gone_at.is_(None))
)


class Feed(Protocol):
    """One feed of official warnings."""

    name: str

    @property
    def every(self) -> timedelta:
        """How often it is worth asking."""

    def fetch(self, asking: Asking, *, now: datetime) -> FeedRead:
        """All that it carries now; raises `OutsideFailed` where that is nothing that can be believed."""


class Official:
    """The feeds of one installation. One thread refreshes; any may ask what is known."""

    def __init__(self, store: Store, asking: Asking, settings: WarningsSettings, nws: NwsSettings):
        self._store = store
        self._asking = asking
        self._feeds: tuple[Feed, ...] = tuple(
            NwsAlerts(nws) if feed == "nws" else CapFeed(feed) for feed in settings.feeds
        )
        self._failed_at: dict[str, datetime] = {}

    def refresh(self, lakes: Sequence[Lake], now: datetime) -> None:
        """Read every feed that is due, or that was last read before one of the lakes, or its zones, were known.

        Lakes that were given before are looked after as well: a command that is asked about one lake must not make the
        service miss a warning for another.
        """
        if not self._feeds:
            return
        newest = self._remember(lakes, now)
        with self._store.read() as connection:
            read_at = {row.name: row.read_at for row in connection.execute(FEEDS)}
        due = [feed for feed in self._feeds if self._is_due(feed, read_at.get(feed.name), newest, now)]
        if due:
            with self._store.read() as connection:
                known = _lakes(connection)
            for feed in due:
                self._read(feed, known, now)

    def seen(self, connection: Connection, lake: Lake, *, now: datetime, until: datetime) -> WarningsSeen:
        """What is known of the warnings at a lake between now and a later moment."""
        if not self._feeds:
            return seen_here((), (), has_zones=False, now=now, until=until)
        rows = {row.name: row for row in connection.execute(FEEDS)}
        here = connection.execute(LAKE, {"lake": lake.id}).first()
        zones = json.loads(here.zones) if here is not None else lake.warning_zones
        is_here = here is not None and (here.latitude, here.longitude) == (lake.latitude, lake.longitude)
        since = here.since if here is not None and is_here else None
        states = [_state(feed.name, rows.get(feed.name), since) for feed in self._feeds]
        if not zones:  # most of its warnings name their areas by codes alone: for this lake it says nothing
            states = [
                replace(one, read_at=None, trouble=f"the areas of this lake are not known; {ZONE_HINT}")
                if one.name == NwsAlerts.name else one
                for one in states
            ]  # fmt: skip
        names = {feed.name for feed in self._feeds}
        told = [row.told for row in connection.execute(STANDING, {"lake": lake.id}) if row.feed in names]
        return seen_here(states, map(warning_from, told), has_zones=bool(zones), now=now, until=until)

    def _is_due(self, feed: Feed, read_at: datetime | None, newest: datetime, now: datetime) -> bool:
        is_fresh = read_at is not None and read_at > newest and _within(read_at, now, feed.every)
        return not is_fresh and not _within(self._failed_at.get(feed.name), now, feed.every)

    def _remember(self, lakes: Sequence[Lake], now: datetime) -> datetime:
        """Write down lakes that are new, or moved, or whose zones have changed; when that last happened."""
        with self._store.read() as connection:
            known = {row.lake: tuple(row[1:]) for row in connection.execute(select(*PLACES))}
            newest: datetime | None = connection.execute(select(func.max(warned_lake.c.since))).scalar()
            zones = _zones_of_all(connection, lakes)
        rows = []
        for lake in lakes:
            place = {"latitude": lake.latitude, "longitude": lake.longitude, "zones": json.dumps(zones[lake.id])}
            if known.get(lake.id) != tuple(place.values()):
                rows.append({"lake": lake.id, **place, "since": now})
        if rows:
            statement = insert(warned_lake)
            changed = {name: statement.excluded[name] for name in rows[0] if name != "lake"}
            with self._store.write() as connection:
                connection.execute(statement.on_conflict_do_update(index_elements=["lake"], set_=changed), rows)
            return max(now, newest or now)
        return newest or now

    def _read(self, feed: Feed, lakes: WatchedLakes, now: datetime) -> None:
        try:
            found = feed.fetch(self._asking, now=now)
        except OutsideFailed as error:
            found = FeedRead(unread=(Unread(why=str(error)),))
        with self._store.write() as connection:
            is_whole = settle(connection, feed.name, found, lakes, now)
        if is_whole:
            self._failed_at.pop(feed.name, None)
        else:
            self._failed_at[feed.name] = now


def zones_of(connection: Connection, lake: Lake) -> tuple[str, ...]:
    """The codes of the areas that a lake lies in: those that its file names, and those that the NWS told."""
    return _zones_of_all(connection, [lake])[lake.id]


def _zones_of_all(connection: Connection, lakes: Sequence[Lake]) -> dict[str, tuple[str, ...]]:
    where = select(place_cell.c.place, cells.c.route).join(cells, cells.c.key == place_cell.c.cell)
    where = where.where(place_cell.c.source == "nws")  # zones hardly ever move: told once, they stand until told anew
    if len(lakes) == 1:
        where = where.where(place_cell.c.place == place_of(lakes[0]).point)
    told = {row.place: json.loads(row.route).get("zones", ()) for row in connection.execute(where)}
    return {lake.id: tuple(dict.fromkeys([*lake.warning_zones, *told.get(place_of(lake).point, ())])) for lake in lakes}


def _state(name: str, row: Any, since: datetime | None) -> FeedState:
    """How a feed stands for a lake that warnings are looked for since some moment; None: not yet."""
    if row is None:
        return FeedState(name=name, read_at=None)
    knew_of_it = since is not None and row.read_at is not None and row.read_at >= since
    return FeedState(
        name=name, read_at=row.read_at if knew_of_it else None, trouble=row.trouble or "",
        only_by_zone=row.only_by_zone, without_place=row.without_place,
    )  # fmt: skip


def _lakes(connection: Connection) -> WatchedLakes:
    rows = connection.execute(select(*PLACES).order_by(warned_lake.c.lake)).all()
    in_zone: dict[str, list[int]] = {}
    without_zones = False
    for number, row in enumerate(rows):
        zones = {zone.upper() for zone in json.loads(row.zones)}
        without_zones |= not zones
        for zone in zones:
            in_zone.setdefault(zone, []).append(number)
    return WatchedLakes(
        ids=tuple(row.lake for row in rows), in_zone=in_zone, without_zones=without_zones,
        latitude_deg=np.array([row.latitude for row in rows], float),
        longitude_deg=np.array([row.longitude for row in rows], float),
    )  # fmt: skip


def _within(moment: datetime | None, now: datetime, span: timedelta) -> bool:
    return moment is not None and moment <= now < moment + span
