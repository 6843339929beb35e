"""Official warnings in the store: feeds read when due, warnings kept that are for a lake, and what was told of them."""

import json
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Protocol

import numpy as np
from sqlalchemy import Connection, select
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
from bitewatch.weather.warnings import FeedRead, FeedState, Unread, WarningsSeen, seen_here


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
            known = _lakes(connection)
            read_at = {row.name: row.read_at for row in connection.execute(select(feeds))}
        for feed in self._feeds:
            last = read_at.get(feed.name)
            is_fresh = last is not None and last > newest and _within(last, now, feed.every)
            if not is_fresh and not _within(self._failed_at.get(feed.name), now, feed.every):
                self._read(feed, known, now)

    def seen(self, connection: Connection, lake: Lake, *, now: datetime, until: datetime) -> WarningsSeen:
        """What is known of the warnings at a lake between now and a later moment."""
        here = connection.execute(select(warned_lake).where(warned_lake.c.lake == lake.id)).first()
        zones = lake.warning_zones if here is None else json.loads(here.zones)
        rows = {row.name: row for row in connection.execute(select(feeds))} if self._feeds else {}
        states = []
        for feed in self._feeds:
            row = rows.get(feed.name)
            if row is None:
                states.append(FeedState(name=feed.name, read_at=None))
                continue
            knew = here is not None and _is_at(here, lake) and row.read_at is not None and row.read_at >= here.since
            states.append(
                FeedState(
                    name=feed.name, read_at=row.read_at if knew else None, trouble=row.trouble or "",
                    only_by_zone=row.only_by_zone, without_place=row.without_place,
                )
            )  # fmt: skip
        told = connection.execute(
            select(warning.c.told)
            .join(warning_at, (warning_at.c.feed == warning.c.feed) & (warning_at.c.id == warning.c.id))
            .where(warning_at.c.lake == lake.id, warning_at.c.ended_at.is_(None), warning.c.gone_at.is_(None))
            .where(warning.c.feed.in_([feed.name for feed in self._feeds]))
        ).scalars()
        return seen_here(states, map(warning_from, told), has_zones=bool(zones), now=now, until=until)

    def _remember(self, lakes: Sequence[Lake], now: datetime) -> datetime:
        """Write down lakes that are new, or moved, or whose zones have changed; when that last happened."""
        with self._store.read() as connection:
            known = {row.lake: row for row in connection.execute(select(warned_lake))}
            zones = _zones_of_all(connection, lakes)
        rows = []
        for lake in lakes:
            before, codes = known.get(lake.id), json.dumps(zones[lake.id])
            if before is None or not _is_at(before, lake) or before.zones != codes:
                place = {"latitude": lake.latitude, "longitude": lake.longitude}
                rows.append({"lake": lake.id, **place, "zones": codes, "since": now})
        if rows:
            statement = insert(warned_lake)
            changed = {name: statement.excluded[name] for name in rows[0] if name != "lake"}
            with self._store.write() as connection:
                connection.execute(statement.on_conflict_do_update(index_elements=["lake"], set_=changed), rows)
        return max([row.since for row in known.values()] + [now] * bool(rows), default=now)

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


def _lakes(connection: Connection) -> WatchedLakes:
    rows = connection.execute(select(warned_lake).order_by(warned_lake.c.lake)).all()
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


def _is_at(row: Any, lake: Lake) -> bool:
    return (row.latitude, row.longitude) == (lake.latitude, lake.longitude)


def _within(moment: datetime | None, now: datetime, span: timedelta) -> bool:
    return moment is not None and moment <= now < moment + span
