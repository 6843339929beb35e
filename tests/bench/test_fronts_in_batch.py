"""A short version of the bench of fronts: the alarms of a batch are those of each cell alone, bit for bit."""

import runpy
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bitewatch.weather.hourly import Hourly
from bitewatch.weather.signs import BLOCK_HOURS

CELLS = 300


@pytest.mark.shows
def test_a_batch_has_the_alarms_of_each_cell_alone(
    new_york: Callable[[str], Hourly], capsys: pytest.CaptureFixture[str]
) -> None:
    bench = runpy.run_path(str(Path(__file__).with_name("bench_fronts.py")))
    hourly = bench["batch"]([new_york(station) for station in ("EWR", "JFK", "LGA")], CELLS)
    together = bench["measure"](hourly, 3)
    assert together.station_hours > 2 * BLOCK_HOURS  # more than one block, and the last one not full
    assert together.station_hours % BLOCK_HOURS
    alone_s = 0.0
    for number in range(CELLS):
        alone = bench["measure"](bench["cell"](hourly, number), 1)
        alone_s += alone.seconds
        assert np.array_equal(alone.score, together.score[number], equal_nan=True)
        assert np.array_equal(alone.passage, together.passage[number])
    assert together.passage.sum() > CELLS
    ratio = alone_s / together.seconds
    with capsys.disabled():
        print("\n\n" + "\n".join([*bench["lines"](together, 3), f"one by one: {ratio:.0f} times as long"]))
    assert ratio > 2
