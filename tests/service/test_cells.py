"""In which cell a lake lies is remembered for a week, for all lakes at the same point."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Connection, func, select

from bitewatch.service.cells import (
    BELIEVED_FOR,
    also_of,
    forget_cell,
    known_cell,
    place_of,
    remember_cell,
    remember_none,
)
from bitewatch.settings import load_settings
from bitewatch.store.migrate import open_store
from bitewatch.weather.archive import cells_of, earlier, keep, newest
from bitewatch.weather.hourly import Hourly
from bitewatch.weather.sources.base import Cell, Issue, Place, Received
from bitewatch.weather.sources.hourly_csv import hourly_from_csv
from bitewatch.weather.tables import cell as cells
from bitewatch.weather.tables import issue as issues
from bitewatch.weather.tables import payload

NOW = datetime(2026, 7, 20, 12, tzinfo=UTC)
GRID = "nws"
NORTH = Place(lake="north", latitude=41.5, longitude=-74.0, elevation_m=250.0)
CELL = Cell(key="nws:ABC/3,4", latitude=41.5, longitude=-74.0, elevation_m=251.5, route={"office": "ABC", "x": 3})
OTHER = Cell(key="nws:ABC/5,4", latitude=41.6, longitude=-74.0)


@pytest.fixture
def connection(tmp_path: Path) -> Iterator[Connection]:
    store = open_store(tmp_path / "data", now=NOW)
    with store.write() as connection:
        yield connection
    store.close()


@pytest.fixture
def hourly(demo: Path) -> Hourly:
    return hourly_from_csv((demo / "weather" / "invented-hours.csv").read_bytes())[0]


def received(body: bytes, *, hour: int = 0) -> Received:
    return Received(source=GRID, url_key="asked", fetched_at=NOW + timedelta(hours=hour), body=body)


def issue_of(cell: Cell, hourly: Hourly, *, hour: int = 0, part: int = 0) -> Issue:
    return Issue(
        cell=cell.key, source=GRID, model="grid", reference_time=NOW, retrieved_at=NOW + timedelta(hours=hour),
        part=part, hourly=hourly, grid_latitude=41.55, grid_elevation_m=240.0,
    )  # fmt: skip


def test_a_lake_is_asked_for_where_it_lies(demo: Path, tmp_path: Path) -> None:
    lake = load_settings(demo, tmp_path).lake("thrennick")
    place = place_of(lake)
    assert place.lake == "thrennick"
    assert (place.latitude, place.longitude, place.elevation_m) == (lake.latitude, lake.longitude, lake.elevation_m)


def test_a_cell_is_remembered_whole_and_for_all_lakes_at_the_point(connection: Connection) -> None:
    assert known_cell(connection, GRID, NORTH, NOW) is None
    remember_cell(connection, GRID, NORTH, CELL, NOW)
    assert known_cell(connection, GRID, NORTH, NOW) == CELL
    neighbour = Place(lake="south", latitude=41.50001, longitude=-74.0, elevation_m=250.3)
    assert known_cell(connection, GRID, neighbour, NOW) == CELL
    higher = Place(lake="high", latitude=41.5, longitude=-74.0, elevation_m=400.0)
    assert known_cell(connection, GRID, higher, NOW) is None
    assert known_cell(connection, "another grid", NORTH, NOW) is None


def test_it_is_believed_for_a_week_and_then_asked_for_anew(connection: Connection) -> None:
    remember_cell(connection, GRID, NORTH, CELL, NOW)
    week = NOW + timedelta(days=7)
    assert timedelta(days=7) == BELIEVED_FOR
    assert known_cell(connection, GRID, NORTH, week - timedelta(seconds=1)) == CELL
    assert known_cell(connection, GRID, NORTH, week) is None
    remember_cell(connection, GRID, NORTH, OTHER, week)
    assert known_cell(connection, GRID, NORTH, week + timedelta(days=6)) == OTHER
    assert set(connection.execute(select(cells.c.key)).scalars()) == {CELL.key, OTHER.key}  # the archive names both


def test_a_cell_that_is_remembered_again_is_as_it_was_told_last(connection: Connection) -> None:
    remember_cell(connection, GRID, NORTH, CELL, NOW)
    moved = Cell(key=CELL.key, latitude=41.7, longitude=-74.1, route={"office": "XYZ"})
    remember_cell(connection, GRID, NORTH, moved, NOW + timedelta(days=1))
    assert known_cell(connection, GRID, NORTH, NOW + timedelta(days=1)) == moved
    assert connection.scalar(select(func.count()).select_from(cells)) == 1


def test_why_a_place_has_no_cell_is_remembered_as_long_and_a_cell_goes_before_it(connection: Connection) -> None:
    remember_none(connection, GRID, NORTH, "nws: nothing outside the United States", NOW)
    assert known_cell(connection, GRID, NORTH, NOW) == "nws: nothing outside the United States"
    assert known_cell(connection, GRID, NORTH, NOW + timedelta(days=7)) is None
    remember_cell(connection, GRID, NORTH, CELL, NOW)
    assert known_cell(connection, GRID, NORTH, NOW) == CELL
    remember_none(connection, GRID, NORTH, "gone", NOW)
    assert known_cell(connection, GRID, NORTH, NOW) == "gone"


def test_a_cell_that_has_moved_is_forgotten_for_all_its_places_and_no_other(connection: Connection) -> None:
    east = Place(lake="east", latitude=41.5, longitude=-73.9)
    west = Place(lake="west", latitude=41.5, longitude=-74.9)
    remember_cell(connection, GRID, NORTH, CELL, NOW)
    remember_cell(connection, GRID, east, CELL, NOW)
    remember_cell(connection, GRID, west, OTHER, NOW)
    forget_cell(connection, CELL.key)
    assert known_cell(connection, GRID, NORTH, NOW) is None
    assert known_cell(connection, GRID, east, NOW) is None
    assert known_cell(connection, GRID, west, NOW) == OTHER


def test_what_came_for_a_place_is_the_first_issue_of_its_cell(connection: Connection, hourly: Hourly) -> None:
    for place, cell in ((NORTH, CELL), (Place(lake="east", latitude=41.5, longitude=-73.9), OTHER)):
        remember_cell(connection, GRID, place, cell, NOW)
    keep(connection, received(b"old"), [issue_of(CELL, hourly)])
    keep(connection, received(b"new", hour=1), [issue_of(CELL, hourly, hour=1)])
    also_of(connection, CELL.key, OTHER.key)
    asked, settled = newest(connection, CELL.key), newest(connection, OTHER.key)
    assert asked is not None
    assert settled is not None
    assert (settled.payload_id, settled.part) == (asked.payload_id, asked.part)
    assert (settled.retrieved_at, settled.model) == (NOW + timedelta(hours=1), "grid")
    assert len(earlier(connection, OTHER.key, NOW, NOW + timedelta(days=1))) == 1  # only the newest
    copied = connection.execute(select(issues).where(issues.c.cell == OTHER.key)).one()
    assert (copied.grid_latitude, copied.grid_elevation_m) == (41.55, 240.0)
    assert connection.scalar(select(func.count()).select_from(payload)) == 2  # its bytes are kept once
    assert [one.key for one in cells_of(connection, asked.payload_id)] == [CELL.key]  # it is read as it was asked


def test_a_cell_without_an_issue_has_none_to_share(connection: Connection) -> None:
    also_of(connection, CELL.key, OTHER.key)
    assert newest(connection, OTHER.key) is None
