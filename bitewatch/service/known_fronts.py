"""The fronts known of a lake, read from the store and written down: their rows, what issues told, and the events."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update

from bitewatch.service.tables import watched
from bitewatch.store.events import Event, record
from bitewatch.store.metadata import INSTANT_TEXT
from bitewatch.weather.following import Change, KnownFront, Sighting, Standing
from bitewatch.weather.fronts import FrontKind
from bitewatch.weather.tables import front as front_table
from bitewatch.weather.tables import sighting as sighting_table


def load(connection: Connection, lake_id: str, since: datetime) -> tuple[KnownFront, ...]:
    """The fronts of a lake whose onset is not before ``since``, in order of time, gone and withdrawn ones too."""
    wanted = (front_table.c.lake == lake_id) & (front_table.c.onset >= since)
    rows = connection.execute(select(front_table).where(wanted).order_by(front_table.c.onset, front_table.c.id)).all()
    told: dict[int, list[Sighting]] = {row.id: [] for row in rows}
    for row in connection.execute(
        select(sighting_table)
        .where(sighting_table.c.front.in_(told))
        .order_by(sighting_table.c.seen_at, sighting_table.c.id)
    ):
        told[row.front].append(
            Sighting(
                source=row.source, model=row.model, seen_at=row.seen_at, onset=row.onset, strength=row.strength
            )
        )  # fmt: skip
    return tuple(_front(row, told[row.id]) for row in rows)


def save(
    connection: Connection, lake_id: str, fronts: Sequence[KnownFront], changes: Sequence[Change], *, now: datetime
) -> tuple[KnownFront, ...]:
    """Write down what became of a lake's fronts, in the transaction of ``connection``.

    Parameters
    ----------
    fronts
        As `load` gave them and `bitewatch.weather.following` changed them; new ones have no id.
    changes
        Each is written as an event of the lake.

    Returns
    -------
    tuple of KnownFront
        The same fronts, all with their ids.
    """
    saved: dict[KnownFront, KnownFront] = {}
    ids = [front.id for front in fronts if front.id is not None]
    stored = {row.id: row for row in connection.execute(select(front_table).where(front_table.c.id.in_(ids)))}
    for front in fronts:
        values = _values(lake_id, front)
        if front.id is None:
            made = connection.execute(insert(front_table).values(values).returning(front_table.c.id))
            saved[front] = replace(front, id=made.scalar_one())
        else:
            saved[front] = front
            if any(getattr(stored[front.id], name) != value for name, value in values.items()):
                connection.execute(update(front_table).where(front_table.c.id == front.id).values(values))
    _write_sightings(connection, saved.values())
    for change in changes:
        record(
            connection, Event(change.what.value), at=now, subject=lake_id, reason=change.reason,
            details=_details(change, saved[change.front]),
        )  # fmt: skip
    return tuple(saved[front] for front in fronts)


def set_aside(connection: Connection, lake_id: str, name: str) -> None:
    """Keep the fronts of a lake under another name, and watch nothing that was told of them."""
    connection.execute(update(front_table).where(front_table.c.lake == lake_id).values(lake=name))
    connection.execute(delete(watched).where(watched.c.lake == lake_id))


def _write_sightings(connection: Connection, fronts: Iterable[KnownFront]) -> None:
    told = [(front.id, one) for front in fronts for one in front.sightings]
    columns = sighting_table.c
    stored = {
        tuple(row)
        for row in connection.execute(
            select(columns.front, columns.source, columns.seen_at).where(columns.front.in_({of for of, _ in told}))
        )
    }
    rows = [
        {
            "front": of, "source": one.source, "model": one.model, "seen_at": one.seen_at, "onset": one.onset,
            "strength": one.strength,
        }
        for of, one in told
        if (of, one.source, one.seen_at.replace(microsecond=0)) not in stored
    ]  # fmt: skip
    if rows:
        connection.execute(insert(sighting_table), rows)


def _front(row: Row[Any], told: Sequence[Sighting]) -> KnownFront:
    return KnownFront(
        id=row.id, kind=FrontKind(row.kind), onset=row.onset, earliest=row.earliest, latest=row.latest,
        strength=row.strength, surge_at=row.surge_at, told_onset=row.told_onset, source=row.source,
        found_at=row.found_at, seen_at=row.seen_at, misses=row.misses, missed_in=row.missed_in,
        standing=Standing(row.state), observed_onset=row.observed_onset, sightings=tuple(told),
    )  # fmt: skip


def _values(lake_id: str, front: KnownFront) -> dict[str, Any]:
    return {
        "lake": lake_id, "kind": front.kind.value, "onset": front.onset, "earliest": front.earliest,
        "latest": front.latest, "strength": front.strength, "surge_at": front.surge_at, "told_onset": front.told_onset,
        "source": front.source, "found_at": front.found_at, "seen_at": front.seen_at, "misses": front.misses,
        "missed_in": front.missed_in, "state": front.standing.value, "observed_onset": front.observed_onset,
    }  # fmt: skip


def _details(change: Change, front: KnownFront) -> dict[str, Any]:
    return {
        "front": front.id, "kind": front.kind.value, "standing": front.standing.value, "onset": _text(front.onset),
        "earliest": _text(front.earliest), "latest": _text(front.latest), "surge_at": _text(front.surge_at),
        "strength": round(front.strength, 3), "source": front.source, "before": _text(change.before),
    }  # fmt: skip


def _text(instant: datetime | None) -> str | None:
    return None if instant is None else instant.strftime(INSTANT_TEXT)
