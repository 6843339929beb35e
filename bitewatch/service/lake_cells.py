"""In which cells a lake was asked for, also where that has expired since: for looking back."""

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import Connection, select

from bitewatch.lake.profile import Lake
from bitewatch.service.cells import place_of
from bitewatch.service.refresh import Refresher
from bitewatch.weather.sources.base import Cell, Source
from bitewatch.weather.tables import place_cell


def lake_cells(
    connection: Connection, refresher: Refresher, lake: Lake, sources: Iterable[Source], now: datetime
) -> frozenset[str]:
    """Keys of the cells of a lake, one for each of some sources that was ever asked."""
    place = place_of(lake)
    at_place = select(place_cell.c.source, place_cell.c.cell).where(
        place_cell.c.place == place.point, place_cell.c.cell.is_not(None)
    )
    known = {str(grid): str(cell) for grid, cell in connection.execute(at_place)}
    found = set()
    for source in sources:
        of_file = refresher.cell(source, place, now) if source.is_file else None
        if isinstance(of_file, Cell):
            found.add(of_file.key)
        elif source.grid in known:
            found.add(known[source.grid])
    return frozenset(found)
