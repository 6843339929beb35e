"""Hours from a CSV file on this machine: a station's log, an export, an invented week."""

import csv
import io
import math
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np

from bitewatch.errors import PayloadRefused, SourceRefused, SourceUnavailable
from bitewatch.weather.hourly import COLUMNS, CORE_COLUMNS, HOUR, Floats, Hourly, Times, from_points
from bitewatch.weather.sources.acceptance import Reason, believed
from bitewatch.weather.sources.base import Asking, Cell, Issue, Place, Received

MAX_BYTES = 32 * 1024 * 1024  #: some fifty years of hours
LONGEST = np.timedelta64(50 * 366, "D")  #: between first and last hour; beyond it a year is mistyped
MISSING_MARKS = frozenset({"", "m", "na", "n/a", "nan", "null", "none", "-"})  #: in use at stations and in exports
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class HourlyCsv:
    """A file for each lake, or one for all."""

    name = "hourly-csv"
    grid = "hourly-csv"
    attribution = ""
    terms = "a file on this machine"
    commercial_ok = True
    is_file = True
    gives = frozenset(COLUMNS)
    has_past = True
    cells_per_question = 1
    every = timedelta(0)  #: reading a file costs nobody anything
    stalls_after = timedelta(days=36_525)  #: a file may end in the past

    def __init__(self, folder: Path, file: str):
        self._folder = folder
        self._file = file

    def covers(self, place: Place) -> bool:  # noqa: ARG002 - the file tells
        """True: only the file tells what it lacks."""
        return True

    def cell(self, place: Place, asking: Asking, *, now: datetime) -> Cell:  # noqa: ARG002 - known without asking
        """The file as the settings name it; lakes that share a file share its cell."""
        key = f"{self.name}:{self._file.replace('{lake}', place.lake)}"
        return Cell(key=key, latitude=place.latitude, longitude=place.longitude)

    def settle(self, place: Place, asked: Cell, issue: Issue) -> Cell:  # noqa: ARG002 - a file does not move
        """The same file."""
        return asked

    def newest_run_at(self, asking: Asking, *, now: datetime) -> None:
        """None: a file has no runs."""

    def fetch(self, cells: Sequence[Cell], asking: Asking, *, now: datetime) -> tuple[Issue, ...]:
        """The one issue of the lake's file.

        Raises
        ------
        SourceUnavailable
            If there is no such file, or it cannot be read.
        SourceRefused
            If it is too large to be a table of hours.
        """
        (cell,) = cells
        try:
            with (self._folder / cell.key.removeprefix(f"{self.name}:")).open("rb") as file:
                body = file.read(MAX_BYTES + 1)
        except OSError as error:
            raise SourceUnavailable(f"{cell.key}: the file cannot be read: {error.strerror}") from error
        if len(body) > MAX_BYTES:
            raise SourceRefused(f"{cell.key}: the file is larger than {MAX_BYTES // 2**20} MiB; shorten it")
        received = Received(source=self.name, url_key=cell.key, fetched_at=now, body=body, content_type="text/csv")
        return asking.from_file(received, partial(self.read, cells=cells))

    def read(self, received: Received, cells: Sequence[Cell]) -> tuple[Issue, ...]:
        """The one issue of the file.

        Raises
        ------
        PayloadRefused
            If it holds no usable hour.
        """
        (cell,) = cells
        hourly, notes = hourly_from_csv(received.body)
        issue = Issue(
            cell=cell.key, source=self.name, model="file", reference_time=None,
            retrieved_at=received.fetched_at, part=0, hourly=hourly, notes=notes,
        )  # fmt: skip
        return (issue,)


def hourly_from_csv(body: bytes, *, days_as_written: bool = False) -> tuple[Hourly, tuple[str, ...]]:
    """The hourly table of a CSV file, and notes on what in it was left out.

    The first line names the columns: ``time`` (ISO 8601; UTC unless it carries an offset) and any of `COLUMNS`, in any
    order. Lines that begin with ``#`` are remarks. An observation off the hour counts for the nearest hour. With
    ``days_as_written`` a table with one row a day is of the dates that are written, each row at noon.

    Raises
    ------
    PayloadRefused
        If the file is not such a table, or no row of it can be used.
    """
    header, rows = _table(body)
    known = [name for name in header if name in COLUMNS]
    notes = []
    if unknown := [name for name in header if name and name not in COLUMNS and name != "time"]:
        notes.append(f"unknown columns left out: {', '.join(unknown)[:200]}")
    if absent := [name for name in CORE_COLUMNS if name not in known]:
        notes.append(f"no column {', '.join(absent)}")
    whole = [row for row in rows if len(row) == len(header)]
    notes += _note(len(rows) - len(whole), "rows without a cell for every column left out")
    cells = dict(zip(header, zip(*whole, strict=True), strict=True)) if whole else dict.fromkeys(header, ())
    seconds = np.array([_seconds(cell) for cell in cells["time"]])
    if days_as_written and _is_daily(seconds):  # each of the date as written, whatever the hour and the offset
        seconds = np.array([_noon(cell) for cell in cells["time"]])
    timed = ~np.isnan(seconds)
    notes += _note(np.count_nonzero(~timed), "rows without a readable time left out")
    columns = {}
    for name in known:
        columns[name], strange = _numbers(cells[name])
        notes += _note(strange, f"values of {name} that are not numbers left out")
    time, chosen, snap_notes = _snapped(seconds, np.flatnonzero(timed))
    columns, range_notes = believed({name: values[chosen] for name, values in columns.items()})
    if not any(np.isfinite(values).any() for values in columns.values()):
        raise PayloadRefused(Reason.NO_HOURS, "; ".join((*notes, *range_notes)))
    if time[-1] - time[0] > LONGEST:
        raise PayloadRefused(Reason.WRONG_HOURS, f"from {time[0]}Z to {time[-1]}Z; is a year mistyped?")
    return from_points(time, columns), (*notes, *snap_notes, *range_notes)


def _table(body: bytes) -> tuple[list[str], list[list[str]]]:
    """The header and the rows of a CSV text, blank lines and remarks left out."""
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise PayloadRefused(Reason.NOT_TEXT, f"byte {error.start}") from error
    lines = (line for line in io.StringIO(text, newline="") if line.strip() and not line.startswith("#"))
    try:
        header, *rows = [[cell.strip() for cell in row] for row in csv.reader(lines, strict=True)] or [[]]
    except csv.Error as error:
        raise PayloadRefused(Reason.NOT_CSV, str(error)) from error
    if "time" not in header:
        raise PayloadRefused(
            Reason.NOT_CSV, "the first line must name the columns, separated by commas, one of them time"
        )
    if twice := {name for name in header if name and header.count(name) > 1}:
        raise PayloadRefused(Reason.NOT_CSV, f"the column {min(twice)} stands twice")
    if not set(COLUMNS) & set(header):
        raise PayloadRefused(Reason.NOT_CSV, f"no known column; known are {', '.join(COLUMNS)}")
    return header, rows


def _seconds(cell: str) -> float:
    """Seconds since 1970 of an ISO time, UTC unless it says otherwise; NaN if it is none."""
    try:
        time = datetime.fromisoformat(cell)
        return ((time if time.tzinfo else time.replace(tzinfo=UTC)) - EPOCH).total_seconds()
    except (ValueError, OverflowError):
        return np.nan


def _is_daily(seconds: Floats) -> bool:
    known = np.sort(seconds[~np.isnan(seconds)])
    return known.size > 1 and bool(np.median(np.diff(known)) >= 20 * 3600)


def _noon(cell: str) -> float:
    """Noon UTC of the date that is written; NaN if there is none."""
    try:
        written = datetime.fromisoformat(cell)
        return (datetime(written.year, written.month, written.day, 12, tzinfo=UTC) - EPOCH).total_seconds()
    except (ValueError, OverflowError):
        return np.nan


def _numbers(cells: Iterable[str]) -> tuple[Floats, int]:
    """The values of cells, NaN where missing, and how many were neither a number nor marked as missing."""
    values = [_number(cell) for cell in cells]
    unread = (cell for cell, value in zip(cells, values, strict=True) if math.isnan(value))
    return np.array(values, dtype=float), sum(cell.lower() not in MISSING_MARKS for cell in unread)


def _number(cell: str) -> float:
    if not cell or "_" in cell:  # float() takes 1_000
        return np.nan
    try:
        value = float(cell)
    except ValueError:
        return np.nan
    return value if math.isfinite(value) else np.nan


def _snapped(seconds: Floats, rows: np.ndarray) -> tuple[Times, np.ndarray, list[str]]:
    """Whole hours in order, the row that speaks for each (the nearest; of equals the last), and notes."""
    hour = np.floor_divide(seconds[rows] + 1800.0, 3600.0).astype(np.int64)
    off = np.abs(seconds[rows] - hour * 3600.0)
    order = np.lexsort((np.arange(rows.size), -off, hour))
    last = np.append(np.diff(hour[order]) != 0, True) if rows.size else np.zeros(0, bool)
    chosen = rows[order[last]]
    moved = np.count_nonzero(off[order[last]])
    notes = _note(moved, "rows off the hour moved to the nearest hour")
    notes += _note(
        rows.size - chosen.size, "rows left out because another one is nearer to the same hour, or later in the file"
    )
    return (hour[order[last]] * int(HOUR.astype(int))).astype("datetime64[s]"), chosen, notes


def _note(count: int | np.integer, what: str) -> list[str]:
    return [f"{what}: {count}"] if count else []
