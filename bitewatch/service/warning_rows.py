"""What one reading of a feed changes in the store: warnings kept, replaced and gone, and what is told of them."""

import json
import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, bindparam, select, update
from sqlalchemy.dialects.sqlite import insert

from bitewatch.store.events import Event, record
from bitewatch.weather.tables import feed as feeds
from bitewatch.weather.tables import warning, warning_at
from bitewatch.weather.warnings import (
    REPLACES,
    FeedRead,
    Unread,
    end_of,
    from_json,
    in_force,
    kind,
    stands_above,
    to_json,
    touching,
)
from bitewatch.weather.warnings import Warning as OfficialWarning

log = logging.getLogger(__name__)

MINDED_FOR = timedelta(days=3)  #: after a feed carried it last: what it took the place of does not come back [own]
LONGEST_LINE = 300  #: characters of a reason; the texts themselves stand whole in the table of warnings


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedLakes:
    """The lakes that warnings are looked for, side by side."""

    ids: tuple[str, ...]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    in_zone: Mapping[str, Sequence[int]]  #: code of an area, in capitals -> which of them lie in it
    without_zones: bool  #: True if no zone is known for some of them

    def touched_by(self, one: OfficialWarning) -> frozenset[str]:
        """The lakes that a warning is for."""
        hit = touching(one, self.latitude_deg, self.longitude_deg, self.in_zone)
        return frozenset(self.ids[number] for number in np.flatnonzero(hit))

    def may_be_touched_by(self, unread: Unread) -> bool:
        """False if it is known that none of them is concerned."""
        if unread.zones is None or self.without_zones:
            return True
        return any(zone.upper() in self.in_zone for zone in unread.zones)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A warning that stands in the store."""

    warning: OfficialWarning
    gone_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """What a feed carries and what is remembered of it, weighed against each other."""

    carried: Mapping[str, OfficialWarning]
    known: Mapping[str, Kept]
    standing: Mapping[str, OfficialWarning]  #: in force or coming
    touched: Mapping[str, frozenset[str]]  #: id of what is carried or stands -> lakes
    trouble: str  #: why it was not read whole, as far as the lakes are concerned

    @property
    def everything(self) -> dict[str, OfficialWarning]:
        """All that is known or carried."""
        return {**{key: kept.warning for key, kept in self.known.items()}, **self.carried}


def settle(connection: Connection, name: str, found: FeedRead, lakes: WatchedLakes, now: datetime) -> bool:
    """Write down what came out of a feed; True if it was read whole, as far as the lakes are concerned.

    Only what is for one of the lakes is kept, and what takes the place of it. Where the feed was not read whole,
    nothing is gone because it did not come. A lake is told of a warning once, and of its end once; an update follows on
    what it takes the place of, and is not told as an end and a beginning.
    """
    known = _known(connection, name, now)
    carried: dict[str, OfficialWarning] = {}
    for one in found.warnings:
        carried.setdefault(one.id, one)
    unread = [each.why for each in found.unread if lakes.may_be_touched_by(each)]
    if len(unread) < len(found.unread):
        elsewhere = len(found.unread) - len(unread)
        log.info("%s: could not be read, and is for no lake of ours: %d, as %s", name, elsewhere, found.unread[0].why)
    trouble = _line("; ".join(dict.fromkeys(unread)))
    everything = {**{key: kept.warning for key, kept in known.items()}, **carried}
    standing = {
        one.id: one
        for one in in_force(everything.values(), now)
        if one.id in carried or (trouble and known[one.id].gone_at is None)
    }
    touched = {key: lakes.touched_by(everything[key]) for key in {**carried, **standing}}
    settled = Settled(carried=carried, known=known, standing=standing, touched=touched, trouble=trouble)
    _write_warnings(connection, name, settled, now)
    _tell(connection, name, settled, now)
    _write_feed(connection, name, settled, now)
    return not trouble


@lru_cache(maxsize=1024)
def warning_from(told: str) -> OfficialWarning:
    """A warning out of its row; many lakes share one."""
    return from_json(json.loads(told))


def _known(connection: Connection, name: str, now: datetime) -> dict[str, Kept]:
    rows = connection.execute(select(warning.c.id, warning.c.told, warning.c.gone_at).where(_minded(name, now)))
    return {row.id: Kept(warning=warning_from(row.told), gone_at=row.gone_at) for row in rows}


def _minded(name: str, now: datetime) -> ColumnElement[bool]:
    return (warning.c.feed == name) & (warning.c.gone_at.is_(None) | (warning.c.last_seen_at >= now - MINDED_FOR))


def _write_warnings(connection: Connection, name: str, settled: Settled, now: datetime) -> None:
    messages = {
        one.message_id for key, one in settled.everything.items() if key in settled.known or settled.touched[key]
    }
    rows = []
    for key, one in settled.carried.items():
        stands, kept = key in settled.standing, settled.known.get(key)
        if kept or (stands and settled.touched[key]) or not messages.isdisjoint(replaced_by(one)):
            gone_at = None if stands else (kept and kept.gone_at) or now
            rows.append(
                {
                    "feed": name, "id": key, "first_seen_at": now, "last_seen_at": now, "gone_at": gone_at,
                    "told": json.dumps(to_json(one), sort_keys=True),
                }
            )  # fmt: skip
    if rows:
        statement = insert(warning)
        again = {column: statement.excluded[column] for column in ("last_seen_at", "gone_at", "told")}
        connection.execute(statement.on_conflict_do_update(index_elements=["feed", "id"], set_=again), rows)
    for key, kept in settled.known.items():
        if key not in settled.carried and key not in settled.standing and kept.gone_at is None:
            here = (warning.c.feed == name) & (warning.c.id == key)
            connection.execute(update(warning).where(here).values(gone_at=now))


def _tell(connection: Connection, name: str, settled: Settled, now: datetime) -> None:
    everything, standing = settled.everything, settled.standing
    at = select(warning_at.c.id, warning_at.c.lake, warning_at.c.ended_at).join(
        warning, (warning.c.feed == warning_at.c.feed) & (warning.c.id == warning_at.c.id)
    )  # fmt: skip
    rows = connection.execute(
        at.where((warning_at.c.feed == name) & (_minded(name, now) | warning_at.c.ended_at.is_(None)))
    )
    told = {(row.id, row.lake): row.ended_at for row in rows}
    held_at = {(lake, everything[key].message_id) for key, lake in told if key in everything}
    follows = {
        (lake, replaced)
        for key, one in standing.items()
        for replaced in replaced_by(one)
        for lake in settled.touched[key]
    }
    begun = [
        (one, lake)
        for key, one in standing.items()
        for lake in sorted(settled.touched[key])
        if told.get((key, lake), now) is not None  # None: told of, and not ended since
    ]
    over = [
        pair
        for pair, ended_at in told.items()
        if ended_at is None and not (pair[0] in standing and pair[1] in settled.touched[pair[0]])
    ]
    if begun:
        issued = [
            {"feed": name, "id": one.id, "lake": lake, "issued_at": now, "ended_at": None} for one, lake in begun
        ]  # fmt: skip
        again = insert(warning_at).on_conflict_do_update(
            index_elements=["feed", "id", "lake"], set_={"ended_at": None}
        )  # fmt: skip
        connection.execute(again, issued)
    if over:
        here = (
            (warning_at.c.feed == name) & (warning_at.c.id == bindparam("key")) & (warning_at.c.lake == bindparam("at"))
        )
        ends = update(warning_at).where(here).values(ended_at=now)
        connection.execute(ends, [{"key": key, "at": lake} for key, lake in over])
    for one, lake in begun:
        updates = sorted(message for message in replaced_by(one) if (lake, message) in held_at)
        record(
            connection, Event.WARNING_ISSUED, at=now, subject=lake, reason=_line(f"{one.event}: {one.headline}"),
            details=_details(one) | {"updates": updates, "again": (one.id, lake) in told},
        )  # fmt: skip
    for key, lake in over:
        ended = everything.get(key)
        if ended is not None and (lake, ended.message_id) not in follows:
            reason = _line(f"{ended.event}: {_why_ended(ended, settled, now)}")
            record(connection, Event.WARNING_ENDED, at=now, subject=lake, reason=reason, details=_details(ended))


def _why_ended(one: OfficialWarning, settled: Settled, now: datetime) -> str:
    types = {
        other.message_type for other in settled.everything.values() if one.message_id in replaced_by(other)
    }  # fmt: skip
    if "Cancel" in types:
        return "its authority has taken it back"
    if types:
        return "its authority has changed it, and it is no longer for this lake or over"
    if one.is_over or end_of(one) <= now:
        return "its time is over"
    if one.id in settled.standing:
        return "it is not for this lake any more"
    return "the feed no longer carries it"


def replaced_by(one: OfficialWarning) -> tuple[str, ...]:
    """The messages that it takes the place of."""
    return one.references if one.message_type in REPLACES else ()


def _details(one: OfficialWarning) -> dict[str, Any]:
    return {
        "feed": one.feed, "id": one.id, "kind": kind(one).value, "severity": one.severity,
        "stands_above": stands_above(one), "onset": one.onset.isoformat(), "ends": end_of(one).isoformat(),
    }  # fmt: skip


def _write_feed(connection: Connection, name: str, settled: Settled, now: datetime) -> None:
    before = connection.execute(select(feeds).where(feeds.c.name == name)).first()
    row: dict[str, Any] = {"name": name, "trouble": settled.trouble or None}
    if not settled.trouble:
        row |= {"read_at": now} | _unplaced(settled.standing.values())
    new = {"only_by_zone": 0, "without_place": 0} | row
    connection.execute(insert(feeds).values(new).on_conflict_do_update(index_elements=["name"], set_=row))
    was_in_trouble = before is not None and before.trouble is not None
    subject = f"warnings of {name}"
    if settled.trouble and not was_in_trouble:
        record(connection, Event.SOURCE_DOWN, at=now, subject=subject, reason=settled.trouble)
    elif was_in_trouble and not settled.trouble:
        record(connection, Event.SOURCE_BACK, at=now, subject=subject, reason="official warnings are read whole again")


def _unplaced(standing: Iterable[OfficialWarning]) -> dict[str, int]:
    without_shape = [one for one in standing if not one.polygons and not one.circles]
    by_zone = sum(bool(one.zones) for one in without_shape)
    return {"only_by_zone": by_zone, "without_place": len(without_shape) - by_zone}


def _line(text: str) -> str:
    """In one line and without marks that hide or turn text, for a list of what happened."""
    words = "".join(sign if sign.isprintable() else " " for sign in text).split()
    return " ".join(words).strip(": ")[:LONGEST_LINE]
