"""The archive of issues: what every source said, as it came, and when it said it.

Nothing is changed or taken away; a body that comes again is not kept again, only confirmed.
"""

import gzip
import hashlib
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from bitewatch.errors import PayloadRefused, StoreRefused
from bitewatch.store.events import Event, record
from bitewatch.weather.sources.base import Issue, Received
from bitewatch.weather.tables import issue, payload


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPayload:
    """One payload out of the archive, its bytes those that came."""

    payload_id: int
    source: str
    url_key: str
    fetched_at: datetime  #: when these bytes first came
    confirmed_at: datetime  #: when, as far as the question looks, they were last known to be what the source says
    expires_at: datetime | None
    etag: str | None
    last_modified: str | None
    content_type: str
    body: bytes


def keep(connection: Connection, received: Received, issues: Sequence[Issue]) -> int:
    """Keep an accepted payload and its issues; hands back the id of the payload.

    A body that is the newest one again is confirmed, and nothing else happens.
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


def latest(connection: Connection, url_key: str) -> StoredPayload | None:
    """The newest payload of a question that may be used."""
    row = connection.execute(_usable(url_key)).first()
    return None if row is None else _stored(row)


def as_of(connection: Connection, url_key: str, at: datetime) -> StoredPayload | None:
    """The newest usable payload that had come by some moment; nothing that came later is looked at."""
    row = connection.execute(_usable(url_key).where(payload.c.fetched_at <= at)).first()
    return None if row is None else _stored(row, at)


def received_from(stored: StoredPayload) -> Received:
    """A payload out of the archive as its source reads it, retrieved when it was last confirmed."""
    return Received(
        source=stored.source, url_key=stored.url_key, fetched_at=stored.confirmed_at, body=stored.body,
        content_type=stored.content_type, expires_at=stored.expires_at, etag=stored.etag,
        last_modified=stored.last_modified,
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
    connection.execute(
        update(payload)
        .where(payload.c.id == newest.id)
        .values(
            confirmed_at=received.fetched_at, expires_at=received.expires_at,
            etag=received.etag, last_modified=received.last_modified,
        )
    )  # fmt: skip
    return int(newest.id)


def _append(connection: Connection, received: Received, *, set_aside: str | None) -> int:
    added = connection.execute(
        insert(payload).values(
            source=received.source, url_key=received.url_key, fetched_at=received.fetched_at,
            confirmed_at=received.fetched_at, expires_at=received.expires_at, etag=received.etag,
            last_modified=received.last_modified, content_type=received.content_type,
            body_sha256=_sha256(received.body), body_gz=gzip.compress(received.body, mtime=0), set_aside=set_aside,
        )
    )  # fmt: skip
    assert added.inserted_primary_key is not None
    return int(added.inserted_primary_key[0])


def _stored(row: Row[Any], at: datetime | None = None) -> StoredPayload:
    body = _unpacked(row.body_gz)
    if body is None or _sha256(body) != row.body_sha256:
        raise StoreRefused(f"payload {row.id} of {row.url_key} is damaged")
    known_by_then = at is None or row.confirmed_at <= at
    return StoredPayload(
        payload_id=row.id, source=row.source, url_key=row.url_key, fetched_at=row.fetched_at,
        confirmed_at=row.confirmed_at if known_by_then else row.fetched_at, expires_at=row.expires_at, etag=row.etag,
        last_modified=row.last_modified, content_type=row.content_type or "", body=body,
    )  # fmt: skip


def _unpacked(body_gz: bytes) -> bytes | None:
    """The body as it came; None if it cannot be read any more."""
    try:
        return gzip.decompress(body_gz)
    except (OSError, EOFError, zlib.error):
        return None


def _sha256(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()
