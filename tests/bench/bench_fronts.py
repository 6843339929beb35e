"""How many station-hours a second the detector of fronts does on one core.

Run by hand: ``python tests/bench/bench_fronts.py [CELLS]``. Cells are windows of 16 days out of the hours of three
airports in 2013, gaps and all; their hours are in memory before the clock starts. The time is that of the thread, so
that what else the machine does counts for less, and BLAS is not used.
"""

import platform
import runpy
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bitewatch.weather.fronts import passages
from bitewatch.weather.hourly import COLUMNS, Floats, Hourly
from bitewatch.weather.signs import cold_front_signs

HOURS = 16 * 24
LATITUDE = 40.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One bench, done."""

    station_hours: int
    seconds: float  #: median of the runs
    score: Floats
    passage: NDArray[np.bool_]

    @property
    def per_second(self) -> float:
        return self.station_hours / self.seconds


def batch(stations: Sequence[Hourly], cells: int) -> Hourly:
    """Many cells of one span of hours: windows that begin at different hours of the stations' year, in turn."""
    last = min(station.time.size for station in stations) - HOURS
    parts = [(stations[n % len(stations)], 37 * n % last) for n in range(cells)]
    columns = {name: np.stack([hourly[name][at : at + HOURS] for hourly, at in parts]) for name in COLUMNS}
    return Hourly(time=stations[0].time[:HOURS], columns=columns)


def cell(hourly: Hourly, number: int) -> Hourly:
    """One cell of many."""
    return Hourly(time=hourly.time, columns={name: values[number] for name, values in hourly.columns.items()})


def measure(hourly: Hourly, runs: int) -> Figure:
    """Signs, score and alarms of all cells."""
    seconds = []
    for _ in range(runs):
        began = time.thread_time()
        score = cold_front_signs(hourly, latitude=LATITUDE).score
        passage = passages(score)
        seconds.append(time.thread_time() - began)
    return Figure(station_hours=score.size, seconds=float(np.median(seconds)), score=score, passage=passage)


def lines(figure: Figure, runs: int) -> list[str]:
    """The figure and the machine, in words."""
    return [
        f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}",
        f"{figure.station_hours:,} station-hours, median of {runs} runs on one core: {figure.seconds * 1000:.0f} ms",
        f"{figure.per_second / 1e6:.2f} million station-hours a second, {int(figure.passage.sum()):,} alarms",
    ]


def main() -> None:
    """The bench, with as many cells as the command line says."""
    new_york_2013 = runpy.run_path(str(Path(__file__).parents[1] / "conftest.py"))["new_york_2013"]
    cells = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    hourly = batch([new_york_2013(station) for station in ("EWR", "JFK", "LGA")], cells)
    measure(hourly, 2)
    print("\n".join(lines(measure(hourly, 9), 9)))


if __name__ == "__main__":
    main()
