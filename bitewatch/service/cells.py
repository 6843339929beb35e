"""In which cell of each source a lake lies, remembered in the store."""

import json
from datetime import datetime, timedelta

from sqlalchemy import Connection, delete, select
from sqlalchemy import insert as sql_insert
from sqlalchemy.dialects.sqlite import insert

from bitewatch.lake.profile import Lake
from bitewatch.weather.sources.base import Cell, Place
from bitewatch.weather.tables import cell as cells
from bitewatch.weather.tables import issue, place_cell

BELIEVED_FOR = timedelta(days=7)  #: providers move their grids without notice [own]


def place_of(lake: Lake) -> Place:
    """Where a lake's weather is asked for."""
    return Place(lake=lake.id, latitude=lake.latitude, longitude=lake.longitude, elevation_m=lake.elevation_m)


def known_cell(connection: Connection, grid: str, place: Place, now: datetime) -> Cell | str | None:
    """The cell of a place, why it has none, or None where neither is known any more."""
    row = connection.execute(
        select(place_cell.c.why_none, cells)
        .select_from(place_cell.outerjoin(cells, cells.c.key == place_cell.c.cell))
        .where(place_cell.c.source == grid, place_cell.c.place == place.point, place_cell.c.until > now)
    ).first()
    if row is None:
        return None
    if row.key is None:
        return str(row.why_none)
    return Cell(
        key=row.key, latitude=row.latitude, longitude=row.longitude, elevation_m=row.elevation_m,
        route=json.loads(row.route),
    )  # fmt: skip


def remember_cell(connection: Connection, grid: str, place: Place, found: Cell, now: datetime) -> None:
    """Write down in which cell a place lies."""
    row = {
        "key": found.key, "source": found.key.partition(":")[0], "latitude": found.latitude,
        "longitude": found.longitude, "elevation_m": found.elevation_m,
        "route": json.dumps(dict(found.route), sort_keys=True),
    }  # fmt: skip
    connection.execute(insert(cells).values(row).on_conflict_do_update(index_elements=[cells.c.key], set_=row))
    _place(connection, grid, place, now, cell=found.key, why_none=None)


def also_of(connection: Connection, asked: str, settled: str) -> None:
    """The newest issue of one cell is one of another as well: it was asked for before that cell was known."""
    copied = [column.name for column in issue.c if column.name not in ("id", "cell")]
    row = connection.execute(
        select(*(issue.c[name] for name in copied)).where(issue.c.cell == asked).order_by(issue.c.id.desc()).limit(1)
    ).first()
    if row is not None:
        connection.execute(sql_insert(issue).values(cell=settled, **row._mapping))


def remember_none(connection: Connection, grid: str, place: Place, why: str, now: datetime) -> None:
    """Write down that a source has nothing for a place."""
    _place(connection, grid, place, now, cell=None, why_none=why)


def forget_cell(connection: Connection, cell_key: str) -> None:
    """The cell has moved: its places are asked for anew."""
    connection.execute(delete(place_cell).where(place_cell.c.cell == cell_key))


def _place(
    connection: Connection, grid: str, place: Place, now: datetime, *, cell: str | None, why_none: str | None
) -> None:
    row = {
        "source": grid, "place": place.point, "cell": cell, "why_none": why_none, "until": now + BELIEVED_FOR,
    }  # fmt: skip
    same = [place_cell.c.source, place_cell.c.place]
    connection.execute(insert(place_cell).values(row).on_conflict_do_update(index_elements=same, set_=row))
