import numpy as np
import pytest

from bitewatch.lake.profile import Species
from bitewatch.position import engine
from bitewatch.position.call import call, calls, is_toss_up, reasons
from bitewatch.position.engine import Position
from bitewatch.position.pace import PACES, Pace
from bitewatch.position.rulebook import default_book

BOOK = default_book()


def test_a_call_is_what_the_engine_says(anything):
    conditions = anything((5, 24), seed=4)
    said = call(BOOK, conditions, Species.BLUEGILL)
    holds = engine.activation(BOOK, conditions)
    assert np.array_equal(said.activation, holds)
    assert np.array_equal(said.probability, engine.probabilities(engine.scores(BOOK, holds, Species.BLUEGILL), BOOK))
    assert np.array_equal(said.silent, engine.silent(BOOK, conditions))
    assert said.pace.shape == (5, 24)
    lane = said.lane(3)
    assert np.array_equal(lane.probability, said.probability[:, 3])
    assert np.array_equal(lane.pace, said.pace[3])
    assert np.array_equal(lane.silent, said.silent[:, 3])


def test_species_called_together_are_as_called_alone(anything):
    conditions = anything((5, 24), seed=9)
    together = calls(BOOK, conditions, Species)
    assert list(together) == list(Species)
    for species in Species:
        assert np.array_equal(together[species].probability, call(BOOK, conditions, species).probability)
    assert not np.array_equal(*(said.probability for said in together.values()))


def test_the_day_after_a_front_is_slow_and_tight_because_of_the_front(quiet):
    said = call(BOOK, quiet(front_strength=0.9, hours_since_front=12.0, water_temp_change_3d_c=-2.0), Species.CRAPPIE)
    assert np.argmax(said.probability[:, 0]) == list(Position).index(Position.TIGHT)
    assert PACES[said.pace[0]] is Pace.SLOW
    first, second, *_ = reasons(said, Position.TIGHT, np.array([0]))
    assert (first.rule_id, second.rule_id) == ("cold-front-day-one", "cooling-water")
    assert first.name == "First day after a cold front"
    assert "sharp front" in first.sentence
    # tight 1.1 against the mean of -1.0 and -0.1, shrunk by 0.75; no cap is reached
    assert first.push == pytest.approx(0.75 * (1.1 + 0.55))


def test_reasons_stand_in_order_and_those_against_come_last(anything):
    said = call(BOOK, anything((24,), seed=5), Species.CRAPPIE)
    for position in Position:
        given = reasons(said, position, np.ones(24, bool))
        pushes = [reason.push for reason in given]
        assert pushes == sorted(pushes, reverse=True)
        assert 0.0 not in pushes
        assert {reason.rule_id for reason in given} <= set(BOOK.ids)


def test_reasons_add_up_to_the_log_odds_of_the_position(anything):
    said = call(BOOK, anything((24,), seed=6), Species.BLUEGILL)
    mask = np.arange(24) % 3 == 0
    score = engine.scores(BOOK, said.activation, Species.BLUEGILL)[:, mask].mean(axis=1)
    for place, position in enumerate(Position):
        total = sum(reason.push for reason in reasons(said, position, mask))
        assert total == pytest.approx(score[place] - (score.sum() - score[place]) / 2)


def test_a_mask_and_the_hours_it_marks_are_the_same(anything):
    said = call(BOOK, anything((24,), seed=7), Species.CRAPPIE)
    mask = np.arange(24) > 20
    assert reasons(said, Position.EDGE, mask) == reasons(said, Position.EDGE, np.flatnonzero(mask))


def test_reasons_need_one_place_and_some_hours(anything):
    said = call(BOOK, anything((2, 24), seed=8), Species.CRAPPIE)
    with pytest.raises(ValueError, match="choose it with lane"):
        reasons(said, Position.HIGH, np.ones(24, bool))
    with pytest.raises(ValueError, match="no hours"):
        reasons(said.lane(0), Position.HIGH, np.zeros(24, bool))


def test_a_toss_up_is_two_within_a_tenth():
    p = np.array([[0.45, 0.46, 0.30, 1 / 3], [0.35, 0.35, 0.38, 1 / 3], [0.20, 0.19, 0.32, 1 / 3]])
    assert is_toss_up(p).tolist() == [True, False, True, True]
