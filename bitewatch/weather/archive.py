"""The archive of issues: what every source said, as it came, and when it said it.

Nothing is changed; a body that comes again is not kept again, only confirmed. What goes when it is old, goes in
`bitewatch.weather.archive_room`.
"""

import gzip
import hashlib
import json
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import nan
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select, update

from bitewatch.errors import PayloadRefused, StoreRefused
from bitewatch.store.events import Event, record
from bitewatch.weather.sources.base import Cell, Issue, Received
from bitewatch.weather.tables import cell as cells
from bitewatch.weather.tables import issue, payload


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPayload:
    """One payload out of the archive, its bytes those that came."""

    payload_id: int
    source: str
    url_key: str
    fetched_at: datetime  #: when these bytes first came
    confirmed_at: datetime  #: when the source last said the very same
    expires_at: datetime | None
    etag: str | None
    last_modified: str | None
    content_type: str
    reference_time: datetime | None
    body: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredIssue:
    """One issue out of the archive; ``source.read(received, cells_of(...))[part]`` gives its hours again."""

    cell: str  #: the cell's key
    source: str
    model: str
    reference_time: datetime | None
    retrieved_at: datetime
    part: int  #: which location of the payload
    payload_id: int
    confirmed_at: datetime  #: when, as far as the question looks, it was last known to be what the source says
    body_sha256: str


def keep(connection: Connection, received: Received, issues: Sequence[Issue], *, told: bool = True) -> int:
    """Keep an accepted payload and its issues; hands back the id of the payload.

    A body that is the newest one again is confirmed, and nothing else happens. ``told`` is False for what is not a
    forecast: no event is written.
    """
    again = _confirm(connection, received, set_aside=None)
    if again is not None:
        return again
    payload_id = _append(connection, received, set_aside=None)
    if issues:
        connection.execute(
            insert(issue),
            [
                {
                    "cell": one.cell, "source": one.source, "model": one.model, "reference_time": one.reference_time,
                    "retrieved_at": one.retrieved_at, "payload_id": payload_id, "part": one.part,
                    "grid_latitude": one.grid_latitude, "grid_longitude": one.grid_longitude,
                    "grid_elevation_m": one.grid_elevation_m,
                }
                for one in issues
            ],
        )  # fmt: skip
    if not told:
        return payload_id
    cells = sorted({one.cell for one in issues})
    record(
        connection, Event.FORECAST_ARRIVED, at=received.fetched_at, subject=received.url_key,
        reason=f"{received.source} issued something new for {len(cells)} {'cell' if len(cells) == 1 else 'cells'}",
        details={"payload": payload_id, "cells": cells, "notes": [note for one in issues for note in one.notes]},
    )  # fmt: skip
    return payload_id


def set_aside(connection: Connection, received: Received, reason: PayloadRefused) -> int:
    """Keep a payload that must not be used, with the reason; hands back its id."""
    again = _confirm(connection, received, set_aside=str(reason))
    if again is not None:
        return again
    payload_id = _append(connection, received, set_aside=str(reason))
    record(
        connection, Event.FORECAST_SET_ASIDE, at=received.fetched_at, subject=received.url_key, reason=str(reason),
        details={"payload": payload_id, "why": reason.reason},
    )  # fmt: skip
    return payload_id


def confirm(connection: Connection, payload_id: int, received: Received) -> None:
    """The source has said the same again: only when, until when that is good, and how to ask again, are new."""
    connection.execute(
        update(payload)
        .where(payload.c.id == payload_id)
        .values(
            confirmed_at=received.fetched_at, expires_at=received.expires_at,
            etag=received.etag, last_modified=received.last_modified,
        )
    )  # fmt: skip


def set_aside_until(connection: Connection, url_key: str, now: datetime) -> tuple[str, datetime] | None:
    """Why the newest payload of a question is set aside, and its expiry if that is ahead; None in every other case."""
    newest_of_all = select(payload.c.set_aside, payload.c.expires_at).where(payload.c.url_key == url_key)
    row = connection.execute(newest_of_all.order_by(payload.c.id.desc()).limit(1)).first()
    if row is None or row.set_aside is None or row.expires_at is None or row.expires_at <= now:
        return None
    return row.set_aside, row.expires_at


def newest_references(connection: Connection, source: str, cells: Iterable[str]) -> dict[str, datetime]:
    """The newest reference time at hand for each of some cells of a source; cells without one are left out."""
    rows = connection.execute(
        select(issue.c.cell, func.max(issue.c.reference_time).label("newest"))
        .where(issue.c.cell.in_(set(cells)), issue.c.source == source, issue.c.reference_time.is_not(None))
        .group_by(issue.c.cell)
    )
    return {row.cell: row.newest for row in rows}


def latest(connection: Connection, url_key: str) -> StoredPayload | None:
    """The newest payload of a question that may be used."""
    row = connection.execute(_usable(url_key)).first()
    return None if row is None else _stored(row)


def as_of(connection: Connection, cell: str, at: datetime) -> StoredIssue | None:
    """What was known of a cell at some moment: its newest issue by then; nothing that came later is looked at.

    Where the archive has been thinned, the newest of those that are left.
    """
    row = connection.execute(_newest_first(cell).where(issue.c.retrieved_at <= at).limit(1)).first()
    return None if row is None else _stored_issue(row, at)


def newest(connection: Connection, cell: str) -> StoredIssue | None:
    """The newest issue of a cell, as it is known now."""
    row = connection.execute(_newest_first(cell).limit(1)).first()
    return None if row is None else _stored_issue(row, None)


def earlier(connection: Connection, cell: str, since: datetime, until: datetime) -> list[StoredIssue]:
    """The issues of a cell that came in a span, both ends included, the oldest first, as they were known at its end."""
    spanned = _newest_first(cell).where(issue.c.retrieved_at >= since, issue.c.retrieved_at <= until)
    return [_stored_issue(row, until) for row in reversed(connection.execute(spanned).all())]


def open_payload(connection: Connection, payload_id: int) -> StoredPayload:
    """A payload with its bytes.

    Raises
    ------
    StoreRefused
        If it is damaged, or not kept any more.
    """
    row = connection.execute(select(payload).where(payload.c.id == payload_id)).first()
    if row is None:
        raise StoreRefused(f"payload {payload_id} is not kept any more")
    return _stored(row)


def cells_of(connection: Connection, payload_id: int) -> tuple[Cell, ...]:
    """The cells that a payload was asked for, in the order of its parts: what its source needs to read it again.

    Cells of files are not written down, for a file is read without its place: theirs are NaN.
    """
    # a part may be an issue of two cells: of the one that was asked for, and of the one that it turned out to lie in
    first_of_part = select(func.min(issue.c.id)).where(issue.c.payload_id == payload_id).group_by(issue.c.part)
    rows = connection.execute(
        select(issue.c.cell, cells.c.latitude, cells.c.longitude, cells.c.elevation_m, cells.c.route)
        .select_from(issue.outerjoin(cells, cells.c.key == issue.c.cell))
        .where(issue.c.id.in_(first_of_part))
        .order_by(issue.c.part)
    )
    return tuple(
        Cell(
            key=row.cell, latitude=nan if row.latitude is None else row.latitude,
            longitude=nan if row.longitude is None else row.longitude, elevation_m=row.elevation_m,
            route=json.loads(row.route or "{}"),
        )
        for row in rows
    )  # fmt: skip


def received_from(stored: StoredPayload) -> Received:
    """A payload out of the archive as its source reads it, retrieved when it was last confirmed."""
    return Received(
        source=stored.source, url_key=stored.url_key, fetched_at=stored.confirmed_at, body=stored.body,
        content_type=stored.content_type, expires_at=stored.expires_at, etag=stored.etag,
        last_modified=stored.last_modified, reference_time=stored.reference_time,
    )  # fmt: skip


def _newest_first(cell: str) -> Any:
    """Only what was accepted has rows in ``issue``: whether a payload was set aside need not be asked."""
    wanted = (
        issue.c.cell, issue.c.source, issue.c.model, issue.c.reference_time, issue.c.retrieved_at, issue.c.part,
        issue.c.payload_id, payload.c.confirmed_at, payload.c.body_sha256,
    )  # fmt: skip
    return (
        select(*wanted)
        .join(payload, payload.c.id == issue.c.payload_id)
        .where(issue.c.cell == cell)
        .order_by(issue.c.retrieved_at.desc(), issue.c.id.desc())
    )


def _stored_issue(row: Row[Any], at: datetime | None) -> StoredIssue:
    known_by_then = at is None or row.confirmed_at <= at
    return StoredIssue(
        cell=row.cell, source=row.source, model=row.model, reference_time=row.reference_time,
        retrieved_at=row.retrieved_at, part=row.part, payload_id=row.payload_id, body_sha256=row.body_sha256,
        confirmed_at=row.confirmed_at if known_by_then else row.retrieved_at,
    )  # fmt: skip


def _usable(url_key: str) -> Any:
    here = (payload.c.url_key == url_key) & payload.c.set_aside.is_(None)
    return select(payload).where(here).order_by(payload.c.fetched_at.desc(), payload.c.id.desc()).limit(1)


def _confirm(connection: Connection, received: Received, *, set_aside: str | None) -> int | None:
    """The id of the newest payload of the question if it is the same, with the same verdict; now confirmed."""
    newest = connection.execute(
        select(payload.c.id, payload.c.body_sha256, payload.c.set_aside, payload.c.body_gz)
        .where(payload.c.url_key == received.url_key)
        .order_by(payload.c.id.desc())
        .limit(1)
    ).first()
    if newest is None or (newest.body_sha256, newest.set_aside) != (_sha256(received.body), set_aside):
        return None
    if _unpacked(newest.body_gz) != received.body:
        return None  # what was kept is damaged: keep it again, whole
    confirm(connection, newest.id, received)
    return int(newest.id)


def _append(connection: Connection, received: Received, *, set_aside: str | None) -> int:
    added = connection.execute(
        insert(payload).values(
            source=received.source, url_key=received.url_key, fetched_at=received.fetched_at,
            confirmed_at=received.fetched_at, expires_at=received.expires_at, etag=received.etag,
            last_modified=received.last_modified, content_type=received.content_type,
            body_sha256=_sha256(received.body), body_gz=gzip.compress(received.body, mtime=0), set_aside=set_aside,
            reference_time=received.reference_time,
        )
    )  # fmt: skip
    assert added.inserted_primary_key is not None
    return int(added.inserted_primary_key[0])


def _stored(row: Row[Any]) -> StoredPayload:
    body = _unpacked(row.body_gz)
    if body is None or _sha256(body) != row.body_sha256:
        raise StoreRefused(f"payload {row.id} of {row.url_key} is damaged")
    return StoredPayload(
        payload_id=row.id, source=row.source, url_key=row.url_key, fetched_at=row.fetched_at,
        confirmed_at=row.confirmed_at, expires_at=row.expires_at, etag=row.etag, last_modified=row.last_modified,
        content_type=row.content_type or "", reference_time=row.reference_time, body=body,
    )  # fmt: skip


def _unpacked(body_gz: bytes) -> bytes | None:
    """The body as it came; None if it cannot be read any more."""
    try:
        return gzip.decompress(body_gz)
    except (OSError, EOFError, zlib.error):
        return None


def _sha256(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()
