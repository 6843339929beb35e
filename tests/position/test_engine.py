import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from bitewatch.lake.profile import Species
from bitewatch.position import engine
from bitewatch.position.rulebook import Group, default_book

BOOK = default_book()
AT = {rule_id: place for place, rule_id in enumerate(BOOK.ids)}
numbers = st.integers(-500, 500).map(lambda tenths: tenths / 10)


@st.composite
def limits(draw):
    a, b, c, d = sorted(draw(st.lists(numbers, min_size=4, max_size=4)))
    if draw(st.booleans()):
        a = b = -math.inf
    if a > -math.inf and draw(st.booleans()):
        c = d = math.inf
    return a, b, c, d


@given(numbers, limits())
def test_a_trapezoid_is_full_inside_nothing_outside_and_between_between(x, abcd):
    a, b, c, d = abcd
    (holds,) = engine.trapezoid(np.array([x]), abcd)
    assert 0.0 <= holds <= 1.0
    if b <= x <= c:
        assert holds == 1.0
    if x < a or x > d:
        assert holds == 0.0


@given(limits(), st.lists(numbers, min_size=2, max_size=9))
def test_a_trapezoid_rises_then_falls(abcd, xs):
    _, b, c, _ = abcd
    holds = engine.trapezoid(np.array(sorted(xs)), abcd)
    left, right = holds[np.array(sorted(xs)) <= b], holds[np.array(sorted(xs)) >= c]
    assert (np.diff(left) >= 0).all()
    assert (np.diff(right) <= 0).all()


def test_a_trapezoid_at_its_corners_and_half_ways():
    holds = engine.trapezoid(np.array([2.0, 3.0, 4.0, 7.0, 8.0, 9.0, np.nan]), (2.0, 4.0, 7.0, 9.0))
    assert holds.tolist()[:-1] == [0.0, 0.5, 1.0, 1.0, 0.5, 0.0]
    assert np.isnan(holds[-1])


def test_a_step_includes_its_value():
    holds = engine.trapezoid(np.array([3.9, 4.0, 9.0, 9.1, np.nan]), (4.0, 4.0, 9.0, 9.0))
    assert holds.tolist()[:-1] == [0.0, 1.0, 1.0, 0.0]
    assert np.isnan(holds[-1])


def test_soft_limits_multiply(quiet):
    holds = engine.activation(BOOK, quiet(stable_days=2.5, water_temp_c=27.5))
    assert holds[AT["stable-warm-spell"], 0] == pytest.approx(0.5 * 0.5)
    assert holds[AT["baseline"], 0] == 1.0


def test_a_missing_variable_silences_the_rules_that_need_it_and_no_other(quiet):
    known, lacking = quiet(wind_speed_ms=5.0), quiet(wind_speed_ms=np.nan)
    before, after = (engine.activation(BOOK, conditions) for conditions in (known, lacking))
    needs = {rule.id for rule in BOOK.rule if "wind_speed_ms" in rule.when}
    assert {rule_id for rule_id in BOOK.ids if before[AT[rule_id], 0] != after[AT[rule_id], 0]} == {"ripple-by-day"}
    assert all(after[AT[rule_id], 0] == 0.0 for rule_id in needs)
    assert not engine.silent(BOOK, known).any()


def test_silent_names_only_rules_that_could_have_spoken(quiet):
    quiets = engine.silent(BOOK, quiet(wind_speed_ms=[3.0, np.nan], sun_elevation_deg=40.0, light_at_tops=1.85))
    assert not quiets[:, 0].any()
    # the sun is too high for a hatch and no wind blows onto the spot: these do not hold whatever the wind
    assert {rule_id for rule_id in BOOK.ids if quiets[AT[rule_id], 1]} == {"ripple-by-day", "calm-under-high-sun"}


def test_all_missing_leaves_the_baseline(quiet):
    nothing = quiet(**dict.fromkeys(quiet().values, np.nan))
    holds = engine.activation(BOOK, nothing)
    assert {rule_id for rule_id in BOOK.ids if holds[AT[rule_id], 0]} == {"baseline"}
    assert engine.silent(BOOK, nothing)[:, 0].sum() == len(BOOK.rule) - 1
    # softmax of 0.75 x (0.05, 0.10, -0.15), worked by hand
    odds = np.exp([0.0375, 0.075, -0.1125])
    p = engine.probabilities(engine.scores(BOOK, holds, Species.CRAPPIE), BOOK)[:, 0]
    assert p == pytest.approx(0.02 + 0.94 * odds / odds.sum())


@pytest.mark.parametrize("species", Species)
def test_one_front_is_not_counted_five_times(species):
    everything = np.ones((len(BOOK.rule), 1))
    for group in Group:
        alone = everything * np.array([[rule.group == group] for rule in BOOK.rule])
        cap = BOOK.engine.caps.of(group)
        score = engine.scores(BOOK, alone, species)
        assert (np.abs(score) <= 0.75 * cap + 1e-12).all()
    light = everything * np.array([[rule.id in ("dusk-and-dawn", "calm-evening-hatch")] for rule in BOOK.rule])
    if species is Species.CRAPPIE:  # tight: -0.85 - 0.65 = -1.5, capped at -1.4, shrunk
        assert engine.scores(BOOK, light, species)[2, 0] == pytest.approx(-1.05)


def test_the_base_group_has_no_cap():
    assert BOOK.engine.caps.of(Group.BASE) == math.inf
    assert BOOK.engine.caps.of(Group.THERMAL) == 1.2


@given(hnp.arrays(float, (3, 4), elements=st.floats(-30, 30)))
def test_probabilities_sum_to_one_and_none_is_under_the_floor(scores):
    p = engine.probabilities(scores, BOOK)
    assert p.sum(axis=0) == pytest.approx(1.0, abs=1e-12)
    assert (p >= 0.02).all()
    assert (p <= 0.96 + 1e-12).all()


def test_even_scores_are_even_odds_whatever_their_size():
    for size in (0.0, 700.0, -1e6):
        assert engine.probabilities(np.full((3, 1), size), BOOK)[:, 0] == pytest.approx(1 / 3)


@pytest.mark.parametrize("species", Species)
def test_contributions_sum_to_the_scores(anything, species):
    holds = engine.activation(BOOK, anything((40, 24), seed=1))
    holds[:, 0] = 1.0  # every cap is reached somewhere
    moved = engine.contributions(BOOK, holds, species)
    assert moved.shape == (28, 3, 40, 24)
    np.testing.assert_allclose(moved.sum(axis=0), engine.scores(BOOK, holds, species), rtol=0, atol=1e-12)


def test_a_cap_is_shared_in_proportion():
    both = np.array([[rule.id in ("dusk-and-dawn", "calm-evening-hatch")] for rule in BOOK.rule], float)
    moved = engine.contributions(BOOK, both, Species.CRAPPIE)[:, 2, 0]
    assert moved[AT["dusk-and-dawn"]] == pytest.approx(-1.05 * 0.85 / 1.5)
    assert moved[AT["calm-evening-hatch"]] == pytest.approx(-1.05 * 0.65 / 1.5)


def test_a_rule_that_is_switched_off_counts_for_nothing(quiet):
    conditions = quiet(sun_elevation_deg=[0.0, 45.0])
    book = BOOK.without(["dusk-and-dawn"])
    assert engine.activation_of(BOOK, engine.activation(BOOK, conditions), "dusk-and-dawn").tolist() == [1.0, 0.0]
    assert engine.activation_of(book, engine.activation(book, conditions), "dusk-and-dawn").tolist() == [0.0, 0.0]


@pytest.mark.parametrize("shape", [(1, 1), (7, 5), (64, 24), (3, 11, 17)])
def test_a_lake_in_a_batch_gets_the_very_bits_it_gets_alone(anything, shape):
    together = anything(shape, seed=2)
    holds = engine.activation(BOOK, together)
    scores = engine.scores(BOOK, holds, Species.CRAPPIE)
    probability, quiets = engine.probabilities(scores, BOOK), engine.silent(BOOK, together)
    assert not np.isnan(probability).any()
    for lane in np.ndindex(shape[:-1]):
        alone = type(together)(time=together.time, values={name: v[lane].copy() for name, v in together.values.items()})
        lone = engine.activation(BOOK, alone)
        assert np.array_equal(holds[(slice(None), *lane)], lone)
        lone_p = engine.probabilities(engine.scores(BOOK, lone, Species.CRAPPIE), BOOK)
        assert np.array_equal(probability[(slice(None), *lane)], lone_p)
        assert np.array_equal(quiets[(slice(None), *lane)], engine.silent(BOOK, alone))
