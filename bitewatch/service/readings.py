"""Thermometer readings in the store: added, listed, undone; nothing that was read is ever deleted."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from bitewatch.errors import Refused
from bitewatch.service.tables import reading as readings
from bitewatch.store.events import Event, record
from bitewatch.water.reading import Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptReading:
    """A reading with its number, by which it can be undone."""

    id: int
    lake: str
    reading: Reading
    note: str
    undone_at: datetime | None


def add_readings(
    connection: Connection, lake: str, taken: Sequence[Reading], *, now: datetime, note: str = ""
) -> list[int]:  # fmt: skip
    """Keep readings of a lake; one that its source has told of before is not kept again. Hands back their numbers.

    Of a gauge a value that was corrected since stands beside the first one, which is undone.
    """
    added = []
    for one in taken:
        same = (readings.c.lake == lake) & (readings.c.at == one.at) & (readings.c.source == one.source)
        before = connection.execute(select(readings).where(same, readings.c.undone_at.is_(None))).all()
        if any((row.temp_c, row.depth_m) == (one.temp_c, one.depth_m) for row in before):
            continue
        if one.source != "typed":
            connection.execute(update(readings).where(same, readings.c.undone_at.is_(None)).values(undone_at=now))
        row = {
            "lake": lake, "at": one.at, "temp_c": one.temp_c, "depth_m": one.depth_m,
            "hour_known": int(one.hour_known), "source": one.source, "note": note or None, "known_at": one.known_at,
        }  # fmt: skip
        made = connection.execute(insert(readings).values(**row))
        assert made.inserted_primary_key is not None
        added.append(int(made.inserted_primary_key[0]))
    if added:
        what = "a reading" if len(added) == 1 else f"{len(added)} readings"
        record(
            connection, Event.READING_ADDED, at=now, subject=lake,
            reason=f"{what} of the water, {taken[0].source}", details={"readings": added},
        )  # fmt: skip
    return added


def undo_reading(connection: Connection, number: int, *, now: datetime) -> KeptReading:
    """Count a reading for nothing from now on; it stays in the store.

    Raises
    ------
    Refused
        If there is none of that number, or it was undone before.
    """
    row = connection.execute(select(readings).where(readings.c.id == number)).first()
    if row is None or row.undone_at is not None:
        raise Refused(f"no reading {number}" if row is None else f"reading {number} was undone before")
    connection.execute(update(readings).where(readings.c.id == number).values(undone_at=now))
    record(
        connection, Event.READING_UNDONE, at=now, subject=row.lake, reason=f"reading {number} was taken back",
        details={"readings": [number]},
    )  # fmt: skip
    return _kept(row)


def kept_readings(connection: Connection, lake: str) -> list[KeptReading]:
    """Every reading of a lake that counts, the oldest first."""
    mine = (readings.c.lake == lake) & readings.c.undone_at.is_(None)
    return [_kept(row) for row in connection.execute(select(readings).where(mine).order_by(readings.c.at)).all()]


def _kept(row: Row[Any]) -> KeptReading:
    return KeptReading(
        id=row.id, lake=row.lake, note=row.note or "", undone_at=row.undone_at,
        reading=Reading(
            at=row.at, temp_c=row.temp_c, depth_m=row.depth_m, hour_known=bool(row.hour_known), source=row.source,
            known_at=row.known_at,
        ),
    )  # fmt: skip
