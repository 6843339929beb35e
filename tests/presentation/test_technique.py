import math
from itertools import product

import pytest

from bitewatch.declared import declare
from bitewatch.errors import ConfigRefused
from bitewatch.lake.profile import SpotKind
from bitewatch.position.engine import Position
from bitewatch.position.pace import Pace
from bitewatch.position.rulebook import default_book
from bitewatch.position.variables import VARIABLES
from bitewatch.presentation.technique import Situation, Techniques, fitting, modifiers, techniques

TABLE = techniques()
NAN = math.nan


def test_every_position_pace_and_wind_on_every_lake_yields_a_technique():
    """The whole grid, with each lake's state known and unknown; 60 m/s is more than any rule takes for a wind."""
    counted = 0
    for position, pace, weeds, place, spawning in product(
        Position, Pace, (True, False, None), (*SpotKind, None), (True, False)
    ):
        for wind in (0, 0.9, 1, 1.9, 2, 2.1, 3, 3.1, 4, 4.1, 5, 5.1, 6, 6.1, 6.9, 7, 7.1, 12, 25, 60, NAN):
            for tops, edge in ((0.0, 0.2), (0.8, 2.0), (1.8, 3.6), (2.6, 6.3), (9.0, 19.0)):
                for secchi, light in ((NAN, NAN), (0.5, -2.0), (2.9, 1.5), (6.0, 2.5)):
                    now = Situation(
                        tops_m=tops, edge_m=edge, secchi_m=secchi, wind_speed_ms=wind, light_at_tops=light,
                        weeds=weeds, place=place, spawning=spawning,
                    )  # fmt: skip
                    rows = fitting(TABLE, position, pace, now)
                    assert rows
                    assert {row.position for row in rows} == {position}
                    assert all(pace in row.pace for row in rows)
                    counted += 1
    assert counted == 3 * 3 * 3 * 8 * 2 * 21 * 5 * 4


def test_what_the_table_names_exists():
    ids = [row.id for row in TABLE.technique]
    assert len(set(ids)) == len(ids) >= 15
    for row in TABLE.technique:
        assert row.needs.rule is None or row.needs.rule in default_book().ids
        assert row.wind_min_ms < row.wind_max_ms
        assert row.source
        assert row.why
        assert "common practice" in row.source or "read)" in row.source or "own" in row.source
    assert set(TABLE.toss_up.search) <= set(ids)
    assert {name for row in TABLE.modifier for name in row.below} <= set(VARIABLES)
    table = TABLE.model_dump(by_alias=True)
    with pytest.raises(ConfigRefused, match="search names dynamite, which is no technique"):
        declare(Techniques, table | {"toss_up": table["toss_up"] | {"search": ["dynamite"]}}, file="x")


def test_every_technique_can_be_reached():
    reached = set()
    rules = {row.needs.rule: 1.0 for row in TABLE.technique if row.needs.rule}
    for position, pace, weeds, spawning, wind in product(Position, Pace, (True, False), (True, False), (0, 2, 5, 8)):
        now = Situation(
            tops_m=1.8, edge_m=4.0, secchi_m=4.0, light_at_tops=2.0, wind_speed_ms=wind, weeds=weeds,
            place=SpotKind.SHALLOW_COVER, spawning=spawning, rules=rules,
        )  # fmt: skip
        reached |= {row.id for row in fitting(TABLE, position, pace, now)}
    assert reached == {row.id for row in TABLE.technique}


def ids(position, pace, **known):
    return [row.id for row in fitting(TABLE, position, pace, Situation(**({"tops_m": 1.8, "edge_m": 4.0} | known)))]


def test_best_first():
    for position, pace in product(Position, Pace):
        ranks = [row.rank for row in fitting(TABLE, position, pace, Situation(tops_m=1.8, edge_m=4.0))]
        assert ranks == sorted(ranks)


def test_a_rule_that_is_half_on_opens_its_technique():
    assert "surface-hatch-jig" not in ids(Position.HIGH, Pace.ACTIVE, rules={"calm-evening-hatch": 0.49})
    assert "surface-hatch-jig" in ids(Position.HIGH, Pace.ACTIVE, rules={"calm-evening-hatch": 0.5})


def test_only_the_spawn_rows_while_they_nest_in_cover():
    assert ids(Position.TIGHT, Pace.SLOW, spawning=True) == ["spawn-cover-float"]
    assert "spawn-cover-float" not in ids(Position.TIGHT, Pace.SLOW, spawning=False)
    assert "spawn-cover-float" not in ids(Position.EDGE, Pace.SLOW, spawning=True)


def test_what_is_not_known_closes_nothing():
    known_false = set(ids(Position.HIGH, Pace.SLOW, secchi_m=1.0, wind_speed_ms=9.0))
    unknown = set(ids(Position.HIGH, Pace.SLOW))
    assert known_false < unknown


def test_wind_limits_hold_at_both_ends():
    assert "edge-troll" in ids(Position.EDGE, Pace.ACTIVE, wind_speed_ms=1.0)
    assert "edge-troll" in ids(Position.EDGE, Pace.ACTIVE, wind_speed_ms=5.0)
    assert "edge-troll" not in ids(Position.EDGE, Pace.ACTIVE, wind_speed_ms=5.01)


@pytest.mark.parametrize(
    ("water", "secchi", "expected"),
    [
        (11.9, 3.0, ["cold-water-modifier"]),
        (12.0, 1.1, ["stained-water-modifier"]),
        (5.0, 0.9, ["cold-water-modifier", "stained-water-modifier"]),
        (NAN, NAN, []),
    ],
)
def test_modifiers(water, secchi, expected):
    now = Situation(tops_m=1.8, edge_m=4.0, water_temp_c=water, secchi_m=secchi)
    assert [row.id for row in modifiers(TABLE, now)] == expected


def test_the_table_speaks_of_no_code_word_and_names_tops_by_their_mark():
    for row in TABLE.technique:
        for text in (row.name, row.how, row.pause, row.weight):
            assert "_" not in text
            assert "weed tops" not in text  # {tops}: on a rock lake it is the top of the rock
