"""Twenty made-up days, two species: what the engine must say, to four decimals, and which rules it must fire."""

import csv
from pathlib import Path

import numpy as np
import pytest

from bitewatch.position import engine
from bitewatch.position.conditions import Conditions
from bitewatch.position.rulebook import default_book
from bitewatch.position.variables import VARIABLES
from bitewatch.water.light import light_at_tops

with (Path(__file__).parents[1] / "data" / "archetypes.csv").open(encoding="utf-8", newline="") as _file:
    ROWS = list(csv.DictReader(_file))


def _column(name):
    return np.array([float(row[name]) for row in ROWS])


@pytest.fixture(scope="module")
def days():
    """All rows as if they were hours of one place, with the light worked out from sunshine, clarity and depth."""
    light = light_at_tops(_column("shortwave_wm2"), _column("secchi_m"), _column("weed_top_depth_m"))
    values = {name: light if name == "light_at_tops" else _column(name) for name in VARIABLES}
    time = np.datetime64("2000-01-01T00", "s") + np.arange(len(ROWS)) * np.timedelta64(3600, "s")
    return Conditions(time=time, values=values)


def test_light_at_tops(days):
    assert [f"{light:.4f}" for light in days["light_at_tops"]] == [row["light_at_tops"] for row in ROWS]


@pytest.mark.parametrize("place", range(len(ROWS)), ids=[f"{row['day'][:2]}-{row['species']}" for row in ROWS])
def test_archetype(days, place):
    book, row = default_book(), ROWS[place]
    activation = engine.activation(book, days)[:, place : place + 1]
    probability = engine.probabilities(engine.scores(book, activation, row["species"]), book)[:, 0]
    assert [f"{p:.4f}" for p in probability] == [row["high"], row["edge"], row["tight"]]
    firing = [
        f"{rule.id}={holds:.2f}"
        for rule, holds in zip(book.rule, activation[:, 0], strict=True)
        if holds >= 0.15 and rule.id != "baseline"
    ]
    assert firing == row["rules_firing"].split()


def test_there_are_forty_rows():
    assert len(ROWS) == 40
