import numpy as np
import pytest

from bitewatch.position import engine
from bitewatch.position.pace import PACES, QUICKENING, SLOWING, Pace, pace
from bitewatch.position.rulebook import default_book

DAY_ONE = {"front_strength": 0.9, "hours_since_front": 12.0}
STABLE = {"stable_days": 5.0}
DUSK = {"sun_elevation_deg": 0.0}


def paces(conditions, book=None):
    book = book or default_book()
    return [PACES[code] for code in pace(book, engine.activation(book, conditions), conditions)]


def test_the_rules_it_asks_for_are_in_the_book():
    assert {*SLOWING, *QUICKENING} <= set(default_book().ids)


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        ({}, Pace.STEADY),
        (DUSK, Pace.ACTIVE),
        (STABLE, Pace.ACTIVE),
        ({"front_strength_ahead": 0.9, "hours_to_front": 4.0}, Pace.ACTIVE),
        (DAY_ONE, Pace.SLOW),
        ({"rain_24h_mm": 30.0, "air_minus_water_c": -9.0}, Pace.SLOW),
        ({"wind_speed_ms": 0.5, "sun_elevation_deg": 60.0, "light_at_tops": 2.2}, Pace.SLOW),
        ({"water_temp_c": 11.9}, Pace.SLOW),
        ({"water_temp_c": 12.0}, Pace.STEADY),
        ({"water_temp_c": np.nan}, Pace.STEADY),
        ({"stable_days": 2.49}, Pace.STEADY),  # activation just under a half
        ({"stable_days": 2.5}, Pace.ACTIVE),
    ],
)
def test_pace_of_a_day(quiet, day, expected):
    assert paces(quiet(**day)) == [expected]


@pytest.mark.parametrize("quick", [DUSK, STABLE])
@pytest.mark.parametrize("slow", [DAY_ONE, {"water_temp_c": 11.0}])
def test_what_slows_wins(quiet, quick, slow):
    assert paces(quiet(**{**quick, **slow})) == [Pace.SLOW]


def test_a_rule_switched_off_no_longer_slows(quiet):
    assert paces(quiet(**DAY_ONE), default_book().without(["cold-front-day-one"])) == [Pace.STEADY]


def test_lanes_and_hours(quiet):
    conditions = quiet(sun_elevation_deg=[45.0, 0.0], water_temp_c=[[23.0], [10.0]])
    book = default_book()
    codes = pace(book, engine.activation(book, conditions), conditions)
    assert codes.tolist() == [[1, 2], [0, 0]]
