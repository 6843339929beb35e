import csv
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from bitewatch.declared import declare, read_toml
from bitewatch.lake.profile import Lake, Species, SpotKind
from bitewatch.lake.weeds import weed_depths
from bitewatch.position import engine
from bitewatch.position.call import Call, call
from bitewatch.position.conditions import Conditions
from bitewatch.position.engine import Position
from bitewatch.position.pace import PACES, Pace
from bitewatch.position.rulebook import default_book
from bitewatch.position.variables import VARIABLES
from bitewatch.presentation.plan import plan
from bitewatch.presentation.technique import techniques
from bitewatch.water.light import light_at_tops

LEAST = {"id": "x", "name": "Invented Lake", "latitude": 45.1, "longitude": -93.2}
ROWS = list(csv.DictReader((Path(__file__).parents[1] / "data" / "archetypes.csv").read_text("utf-8").splitlines()))
HOURS = 6
TRIP = slice(0, HOURS)


@pytest.fixture(scope="module")
def lakes(demo):
    """The lakes of the demonstration, and one of which only name and place are known."""
    found = {
        path.stem: declare(Lake, read_toml(path, shown_as=path.name) | {"id": path.stem}, file=path.name)
        for path in sorted((demo / "lakes").glob("*.toml"))
    }
    return found | {"unknown": declare(Lake, LEAST, file="x")}


def conditions(lake, **values):
    shape = (max(1, len(lake.spot)), HOURS)
    time = np.datetime64("2026-07-21T10", "s") + np.arange(HOURS) * np.timedelta64(3600, "s")
    full = {name: np.broadcast_to(np.asarray(values.get(name, np.nan), float), shape) for name in VARIABLES}
    return Conditions(time=time, values=full)


def a_call(probability, pace, hours, *, species=Species.CRAPPIE, activation=None):
    """A call that says this at every spot, whatever the rules think; probability is (3,), (3, T) or (3, spots, T)."""
    book = default_book()
    spots = hours.shape[0]
    given = np.asarray(probability, float)
    given = given.reshape(3, *(1,) * (3 - given.ndim), *given.shape[1:]) if given.ndim < 3 else given
    return Call(
        species=species, book=book, time=hours.time,
        probability=np.broadcast_to(given, (3, spots, HOURS)),
        pace=np.broadcast_to(np.int8(PACES.index(pace)), (spots, HOURS)),
        activation=np.zeros((len(book.rule), spots, HOURS)) if activation is None else activation,
        silent=np.zeros((len(book.rule), spots, HOURS), bool),
    )  # fmt: skip


def made(lake, said, hours):
    return plan(lake=lake, depths=weed_depths(lake), table=techniques(), call=said, conditions=hours, trip=TRIP)


SURE = {Position.HIGH: (0.8, 0.15, 0.05), Position.EDGE: (0.15, 0.8, 0.05), Position.TIGHT: (0.05, 0.15, 0.8)}


@pytest.mark.parametrize("name", ["thrennick", "umberfold", "skarrow", "unknown"])
def test_every_lake_position_pace_and_wind_yields_a_technique(lakes, name):
    lake = lakes[name]
    for position, pace, wind in product(Position, Pace, (0.0, 1.5, 3.5, 5.5, 7.0, 9.0, 20.0, np.nan)):
        hours = conditions(lake, wind_speed_ms=wind, secchi_m=lake.secchi_m or np.nan)
        windows = made(lake, a_call(SURE[position], pace, hours), hours)
        assert len(windows) in (2, 3)
        for window in windows:
            assert (window.position, window.pace, window.toss_up) == (position, pace, None)
            for offer in (window.main, window.then):
                assert offer is None or 0 <= offer.bait.top_m < offer.bait.bottom_m
            row = window.main.technique
            assert row.position is position
            assert pace in row.pace
            assert np.isnan(wind) or row.wind_min_ms <= wind <= row.wind_max_ms


def archetype(row):
    """A row as six equal hours on the lake that the row describes."""
    lake = declare(
        Lake, LEAST | {
            "secchi_m": float(row["secchi_m"]), "weed_tops_m": float(row["weed_top_depth_m"]),
            "weed_cover": float(row["weed_cover"]),
        }, file="x",
    )  # fmt: skip
    values = {name: float(row[name]) for name in VARIABLES}
    light = light_at_tops(float(row["shortwave_wm2"]), lake.secchi_m, lake.weed_tops_m)  # the row's own is rounded
    return lake, conditions(lake, **values | {"light_at_tops": light})


def test_the_twenty_archetype_days_yield_at_least_eight_techniques():
    told = {}
    for row in ROWS:
        lake, hours = archetype(row)
        windows = made(lake, call(default_book(), hours, Species(row["species"])), hours)
        first = windows[0]
        names = ("high", "edge", "tight")
        assert [f"{p:.4f}" for p in first.probability] == [row[name] for name in names]
        likeliest = max(names, key=lambda name: float(row[name]))
        assert first.position.value == likeliest
        told[row["day"][:2], row["species"]] = first.main.technique.id
    print(f"techniques on the twenty archetype days: {sorted(set(told.values()))}")
    assert len(told) == 40
    assert len(set(told.values())) >= 8


def test_the_dark_and_the_clear_lake_get_different_depths_and_techniques(lakes):
    dark, clear = lakes["umberfold"], lakes["thrennick"]
    for position in Position:
        firsts = []
        for lake in (dark, clear):
            hours = conditions(
                lake, wind_speed_ms=1.0, secchi_m=lake.secchi_m, water_temp_c=24.0, light_at_tops=1.7
            )  # fmt: skip
            firsts.append(made(lake, a_call(SURE[position], Pace.STEADY, hours), hours)[0])
        in_dark, in_clear = firsts
        assert in_clear.main.bait.top_m > 1.2 * in_dark.main.bait.top_m
        assert in_clear.fish.bottom_m > 1.2 * in_dark.fish.bottom_m
        assert [row.id for row in in_dark.modifiers] == ["stained-water-modifier"]
        assert in_clear.modifiers == ()
    day_14, day_16 = (
        next(row for row in ROWS if row["day"].startswith(day) and row["species"] == "crappie") for day in ("14", "16")
    )
    plans = []
    for row in (day_14, day_16):  # the same fourth day of a stable spell, on a dark and on a clear lake
        lake, hours = archetype(row)
        plans.append(made(lake, call(default_book(), hours, Species.CRAPPIE), hours)[0])
    assert plans[0].main.technique.id != plans[1].main.technique.id
    assert plans[1].main.bait.bottom_m > plans[0].main.bait.bottom_m + 0.5


@pytest.mark.parametrize("position", [Position.HIGH, Position.EDGE])
def test_weed_tops_a_metre_deeper_move_the_bait(lakes, position):
    baits = []
    for tops in (2.0, 3.0):
        lake = lakes["thrennick"].model_copy(update={"weed_tops_m": tops})
        hours = conditions(lake, wind_speed_ms=4.5, secchi_m=lake.secchi_m)
        baits.append(made(lake, a_call(SURE[position], Pace.STEADY, hours), hours)[0].main.bait)
    assert baits[1].top_m > baits[0].top_m + 0.2
    assert baits[1].bottom_m > baits[0].bottom_m + 0.2


def test_windows_stand_in_the_order_of_the_clock_and_turn_where_the_call_does(lakes):
    lake = lakes["thrennick"]
    hours = conditions(lake, wind_speed_ms=3.0)
    by_hour = np.array([SURE[Position.HIGH]] * 2 + [SURE[Position.TIGHT]] * 4).T
    windows = made(lake, a_call(by_hour, Pace.STEADY, hours), hours)
    assert [(window.hours.start, window.hours.stop) for window in windows] == [(0, 2), (2, 6)]
    assert [window.position for window in windows] == [Position.HIGH, Position.TIGHT]


def test_a_toss_up_names_both_halves_and_starts_with_a_search_tool(lakes):
    lake = lakes["thrennick"]
    hours = conditions(lake, wind_speed_ms=3.0)
    first = made(lake, a_call((0.2, 0.45, 0.35), Pace.ACTIVE, hours), hours)[0]
    assert (first.position, first.toss_up) == (Position.EDGE, Position.TIGHT)
    assert first.main.technique.id in techniques().toss_up.search
    assert first.then is not None
    assert first.then.position is Position.TIGHT
    clear = made(lake, a_call((0.2, 0.5, 0.3), Pace.ACTIVE, hours), hours)[0]
    assert clear.toss_up is None


def test_the_likeliest_spot_comes_first_and_shallow_cover_last(lakes):
    lake = lakes["thrennick"]
    hours = conditions(lake, wind_speed_ms=3.0, onshore_wind_ms=np.array([[0.0], [2.5], [0.5]]))
    probability = np.empty((3, 3, HOURS))
    for spot, high in enumerate((0.5, 0.6, 0.7)):  # Bulrush Cove, the third, is shallow cover
        probability[:, spot] = np.array([high, 0.9 - high, 0.1])[:, None]
    first, second = made(lake, a_call(probability, Pace.STEADY, hours), hours)[:2]
    assert first.spot is not None
    assert first.spot.name == "Chimney Hump"
    assert first.spot_reason == "likeliest of your spots, with the wind onto it"
    assert second.spot is not None
    assert second.spot.name == "Orchard Point"
    assert second.spot_reason == "next in line, to rest the first place"


def test_level_spots_stand_in_the_order_of_the_profile(lakes):
    lake = lakes["thrennick"]
    hours = conditions(lake, wind_speed_ms=3.0)
    first = made(lake, a_call(SURE[Position.EDGE], Pace.STEADY, hours), hours)[0]
    assert first.spot is not None
    assert first.spot.name == "Orchard Point"
    assert "your own order" in first.spot_reason


@pytest.mark.parametrize("species", Species)
def test_while_they_nest_the_shallow_cover_comes_first(lakes, species):
    lake, book = lakes["thrennick"], default_book()
    hours = conditions(lake, wind_speed_ms=3.0)
    activation = np.zeros((len(book.rule), *hours.shape))
    activation[book.ids.index(f"{species.value}-spawning")] = 1.0
    said = a_call(SURE[Position.TIGHT], Pace.STEADY, hours, species=species, activation=activation)
    first = made(lake, said, hours)[0]
    assert first.spawning
    assert first.spot is not None
    assert first.spot.kind is SpotKind.SHALLOW_COVER
    assert first.main.technique.id == "spawn-cover-float"
    assert first.main.bait.bottom_m < first.spot.depth_m
    elsewhere = made(lake, a_call(SURE[Position.HIGH], Pace.STEADY, hours, activation=activation), hours)[0]
    assert not elsewhere.spawning


def test_rules_reach_the_techniques(lakes):
    """A calm evening hatch, full on, opens the surface technique; engine and plan read the same activation."""
    lake, book = lakes["unknown"], default_book()
    hours = conditions(lake, wind_speed_ms=0.5)
    activation = np.zeros((len(book.rule), *hours.shape))
    activation[book.ids.index("calm-evening-hatch")] = 1.0
    assert engine.activation_of(book, activation, "calm-evening-hatch").min() == 1.0
    first = made(lake, a_call(SURE[Position.HIGH], Pace.ACTIVE, hours, activation=activation), hours)[0]
    assert "surface-hatch-jig" in {offer.technique.id for offer in (first.main, first.then) if offer}


def test_in_a_toss_up_the_search_tool_goes_before_what_would_else_be_first(lakes):
    lake, book = lakes["unknown"].model_copy(update={"weed_edge_m": 4.0, "weed_cover": 0.5}), default_book()
    hours = conditions(lake, wind_speed_ms=3.0)
    activation = np.zeros((len(book.rule), *hours.shape))
    activation[book.ids.index("oxygen-squeeze")] = 1.0
    firsts = [
        made(lake, a_call(probability, Pace.ACTIVE, hours, activation=activation), hours)[0].main.technique.id
        for probability in ((0.1, 0.6, 0.3), (0.2, 0.42, 0.38))
    ]
    assert firsts == ["layer-top-vertical", "edge-troll"]
