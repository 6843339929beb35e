import math
import tomllib

import pytest

from bitewatch.declared import declare
from bitewatch.errors import ConfigRefused
from bitewatch.lake.profile import Species
from bitewatch.position.rulebook import Rule, default_book, merge

COMPLETE = """
[[rule]]
id = "pollen-slick"
name = "Pollen on the water"
group = "water"
when = { day_of_year = [120, 130, 150, 160] }
crappie = { high = 0.1, edge = 0, tight = -0.1 }
bluegill = { high = 0.2, edge = 0, tight = -0.2 }
reason = "Under pollen fish come up."
source = ["own"]
evidence = "my own log"
"""


def changed(text):
    return merge(default_book(), tomllib.loads(text), file="rules.toml")


def faults(text):
    with pytest.raises(ConfigRefused) as refused:
        changed(text)
    assert {fault.file for fault in refused.value.faults} == {"rules.toml"}
    return {fault.key: fault.right for fault in refused.value.faults}


def test_the_book_has_28_rules_with_numbers_everywhere():
    book = default_book()
    assert len(book.rule) == len(set(book.ids)) == 28
    pushes = [push for rule in book.rule for species in Species for push in rule.pushes(species)]
    assert len(pushes) == 28 * 6
    assert all(map(math.isfinite, pushes))
    assert not any(math.isnan(limit) for rule in book.rule for limits in rule.when.values() for limit in limits)
    assert [rule.id for rule in book.rule if not rule.when] == ["baseline"]


def test_pressure_is_held_small_enough_for_a_logbook_to_overturn():
    for rule_id in ("pressure-falling", "pressure-rising"):
        rule = default_book().rule[default_book().ids.index(rule_id)]
        assert max(abs(push) for species in Species for push in rule.pushes(species)) <= 0.1


def test_an_empty_file_changes_nothing():
    assert changed("") == default_book()
    assert changed("").hash == default_book().hash


def test_a_known_id_changes_only_the_keys_given():
    book = changed('[[rule]]\nid = "ripple-by-day"\ncrappie = { high = 0.5, edge = 0, tight = -0.5 }')
    before, after = (b.rule[b.ids.index("ripple-by-day")] for b in (default_book(), book))
    assert after.pushes(Species.CRAPPIE) == (0.5, 0.0, -0.5)
    assert after.model_copy(update={"crappie": before.crappie}) == before
    assert book.ids == default_book().ids


def test_off_leaves_rules_out():
    book = changed('off = ["baseline", "calm-evening-hatch"]')
    assert set(default_book().ids) - set(book.ids) == {"baseline", "calm-evening-hatch"}


def test_a_new_id_adds_a_rule():
    book = changed(COMPLETE)
    assert book.ids == (*default_book().ids, "pollen-slick")
    assert book.rule[-1].pushes(Species.BLUEGILL) == (0.2, 0.0, -0.2)


@pytest.mark.parametrize(
    "change",
    [
        'off = ["baseline"]',
        '[[rule]]\nid = "ripple-by-day"\ncrappie = { high = 0.26, edge = 0.1, tight = -0.35 }',
        '[[rule]]\nid = "ripple-by-day"\ngroup = "wind"',
        '[[rule]]\nid = "ripple-by-day"\nwhen = { wind_speed_ms = [2, 4, 7, 9] }',
        COMPLETE,
    ],
)
def test_whatever_can_change_a_forecast_changes_the_hash(change):
    assert changed(change).hash != default_book().hash


def test_words_and_order_do_not_change_the_hash():
    said = '[[rule]]\nid = "ripple-by-day"\nreason = "Ripple hides us."\nsource = ["own"]\nevidence = "mine"'
    book = default_book()
    assert changed(said).hash == book.hash
    assert book.model_copy(update={"rule": book.rule[::-1]}).hash == book.hash


def test_a_lake_switches_rules_off_and_hears_of_slips():
    book = default_book()
    assert "calm-evening-hatch" not in book.without(("calm-evening-hatch",)).ids
    with pytest.raises(ConfigRefused) as refused:
        book.without(("calm-evening-hatch", "baselin"), file="lakes/pine.toml", key="rules_off")
    (fault,) = refused.value.faults
    assert str(fault) == 'lakes/pine.toml: rules_off[2] = "baselin": no rule has this id; did you mean baseline?'


def test_a_book_without_rules_is_refused():
    with pytest.raises(ConfigRefused, match="at least one rule"):
        default_book().without(default_book().ids)


def test_unknown_ids():
    assert faults('off = ["ripple-by-dey"]') == {"off[1]": "no rule has this id; did you mean ripple-by-day?"}
    right = faults('[[rule]]\nid = "ripple-by-dey"\ngroup = "wind"')["rule[1].id"]
    assert right.startswith(
        "no rule has this id; did you mean ripple-by-day? A new rule also needs name, when, crappie"
    )
    assert "group" not in right
    assert faults('[[rule]]\nid = "zzz"')["rule[1].id"].startswith("no rule has this id. A new rule also needs")


def test_a_rule_without_an_id_is_refused():
    assert faults('[[rule]]\ngroup = "wind"')["rule[1].id"].startswith("is required")


def test_the_same_id_twice():
    assert faults(COMPLETE + COMPLETE) == {"rule[2].id": "stands twice in this file"}


def test_unknown_keys_anywhere():
    assert "did you mean off?" in faults('of = ["baseline"]')["of"]
    found = faults('[[rule]]\nid = "baseline"\nwalleye = { high = 0.1, edge = 0, tight = 0 }')
    assert "known are bluegill, crappie" in found["rule[1].walleye"]
    assert "unknown key" in faults('[[rule]]\nid = "baseline"\ncrappie = { hihg = 1 }')["rule[1].crappie.hihg"]


def test_unknown_variable_group_and_source():
    found = faults(
        '[[rule]]\nid = "baseline"\nwhen = { water_temp_f = [50, 60, inf, inf] }\ngroup = "moon"\nsource = ["x"]'
    )
    assert found["rule[1].when.water_temp_f"].startswith("unknown variable; did you mean water_temp_c?")
    assert found["rule[1].group"].startswith("must be one of 'base', 'front'")
    assert found["rule[1].source[1]"].startswith('unknown source; write "own"')


@pytest.mark.parametrize(
    ("limits", "right"),
    [
        ("[1, 2, 3]", "[1, 2, 3] must have four numbers"),
        ("[1, 2, 3, 4, 5]", "[1, 2, 3, 4, 5] must have four numbers"),
        ("[1, 3, 2, 4]", "[1, 3, 2, 4] must rise from left to right"),
        ("[nan, 2, 3, 4]", "[nan, 2, 3, 4] must not hold nan"),
        ("[-inf, 2, 3, 4]", "[-inf, 2, 3, 4] must be open on a side with both numbers"),
        ("[1, 2, 3, inf]", "[1, 2, 3, inf] must be open on a side with both numbers"),
        ("[inf, inf, inf, inf]", "[inf, inf, inf, inf] never holds"),
        ("[-inf, -inf, -inf, -inf]", "[-inf, -inf, -inf, -inf] never holds"),
        ("[-inf, -inf, inf, inf]", "[-inf, -inf, inf, inf] always holds"),
        ("[54, 59, 79, 84]", "54 must lie between -1 and 40 degC; is it in another unit?"),
    ],
)
def test_limits_that_make_no_sense(limits, right):
    found = faults(f'[[rule]]\nid = "baseline"\nwhen = {{ water_temp_c = {limits} }}')
    assert found["rule[1].when.water_temp_c"].startswith(right)


def test_a_limit_must_be_a_number():
    found = faults('[[rule]]\nid = "baseline"\nwhen = { water_temp_c = [1, "2", 3, true] }')
    assert {key: right[:16] for key, right in found.items()} == {
        "rule[1].when.water_temp_c[2]": "must be a number",
        "rule[1].when.water_temp_c[4]": "must be a number",
    }


@pytest.mark.parametrize("push", ["nan", "inf", "3.1", "-3.1", '"0.1"', "true"])
def test_a_push_is_a_finite_number_of_a_sane_size(push):
    found = faults(f'[[rule]]\nid = "baseline"\nbluegill = {{ high = {push}, edge = 0, tight = 0 }}')
    assert set(found) == {"rule[1].bluegill.high"}


def test_a_push_left_out_is_refused_and_not_taken_for_nothing():
    found = faults('[[rule]]\nid = "baseline"\nbluegill = { high = 0.1, edge = 0 }')
    assert found["rule[1].bluegill.tight"].startswith("is required")


def test_all_faults_are_told_at_once():
    found = faults(
        'off = ["nobody"]\n[[rule]]\nid = "baseline"\ngroup = "x"\n[[rule]]\nid = "ripple-by-day"\nname = ""'
    )
    assert set(found) == {"off[1]", "rule[1].group", "rule[2].name"}


def test_a_step_is_a_rule_too():
    table = tomllib.loads(COMPLETE)["rule"][0] | {"when": {"wind_speed_ms": [4, 4, 9, 9]}}
    assert declare(Rule, table, file="rules.toml").when["wind_speed_ms"] == (4.0, 4.0, 9.0, 9.0)
