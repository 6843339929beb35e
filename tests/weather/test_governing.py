"""The governing front, by its definition; and fronts that are known though the table does not show them."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from bitewatch.weather.fronts import front_strength, passages
from bitewatch.weather.governing import AHEAD_H, BEFORE_H, NONE_H, front_variables, hours_in_sight, with_known
from bitewatch.weather.hourly import HOUR, Floats, from_points
from bitewatch.weather.spells import stable_days

SCORES = arrays(
    float,
    st.tuples(st.just(1), st.integers(1, 220)),
    elements=st.one_of(st.integers(-4, 12).map(lambda n: n / 4), st.just(np.nan)),
    fill=st.just(0.0),
)


def governing(score: Floats, passage: np.ndarray, now: int, hours: range, fade_h: float) -> tuple[float, float] | None:
    """The definition, word by word."""
    ages = [abs(t - now) for t in hours if 0 <= t < score.size and passage[t]]
    if not ages:
        return None
    side = 1 if hours[0] > now else -1
    age = max(ages, key=lambda age: (float(front_strength(score[now + side * age])) * np.exp(-age / fade_h), -age))
    return float(front_strength(score[now + side * age])), age


@given(SCORES)
@settings(deadline=None, max_examples=50)
def test_front_variables_are_those_of_the_definition(scores: Floats) -> None:
    score = scores[0]
    passage = passages(score)
    found = front_variables(score, passage)
    sight = hours_in_sight(score) > 0
    for now in range(score.size):
        past = governing(score, passage, now, range(now, now - 121, -1), 36.0)
        if past is None:
            clear = now >= 119 and sight[now - 119 : now + 1].all()
            past = (0.0, NONE_H) if clear else (np.nan, np.nan)
        assert (found.front_strength[now], found.hours_since_front[now]) == pytest.approx(past, nan_ok=True)
        ahead = governing(score, passage, now, range(now + 1, now + 49), 12.0)
        if ahead is None:
            clear = now + 48 < score.size and sight[now + 1 : now + 49].all()
            ahead = (0.0, NONE_H) if clear else (np.nan, np.nan)
        assert (found.front_strength_ahead[now], found.hours_to_front[now]) == pytest.approx(ahead, nan_ok=True)


def test_a_weak_second_surge_does_not_govern() -> None:
    score, passage = np.zeros(200), np.zeros(200, bool)
    score[[130, 148]], passage[[130, 148]] = (3.5, 1.7), True
    found = front_variables(score, passage)
    assert (found.front_strength[150], found.hours_since_front[150]) == (1.0, 20.0)
    assert (found.front_strength_ahead[129], found.hours_to_front[129]) == (1.0, 1.0)


def test_what_cannot_be_seen_is_missing() -> None:
    score = np.zeros(400)
    none = np.zeros(400, bool)
    whole = front_variables(score, none)
    assert np.isnan(whole.hours_since_front[:119]).all()
    assert (whole.hours_since_front[119:] == NONE_H).all()
    assert (whole.hours_to_front[:352] == NONE_H).all()
    assert np.isnan(whole.hours_to_front[352:]).all()
    short, long = score.copy(), score.copy()
    short[200:203], long[200:204] = np.nan, np.nan
    assert front_variables(short, none).hours_since_front[250] == NONE_H
    assert np.isnan(front_variables(long, none).hours_since_front[200:323]).all()
    assert front_variables(long, none).hours_since_front[323] == NONE_H
    seen = none.copy()
    seen[210], long[210] = True, 3.0
    assert front_variables(long, seen).hours_since_front[250] == 40.0
    assert hours_in_sight(np.full(5, np.nan)).tolist() == [0] * 5


START = datetime(2026, 7, 20, tzinfo=UTC)


def table(hours: int) -> tuple[np.ndarray, Floats, np.ndarray]:
    return np.datetime64("2026-07-20T00", "s") + np.arange(hours) * HOUR, np.zeros(hours), np.zeros(hours, bool)


def at(hour: float) -> datetime:
    return START + timedelta(hours=hour)


def test_a_known_front_counts_after_its_hours_left_the_table() -> None:
    told = with_known(*table(72), [(at(-30), 0.8), (at(-300), 1.0)])
    found = front_variables(told.score, told.passage).within(told.table)
    assert found.front_strength[[0, 71]] == pytest.approx([0.8, 0.8])
    assert found.hours_since_front[[0, 71]].tolist() == [30.0, 101.0]
    assert told.score.size == BEFORE_H + 72 + AHEAD_H


def test_a_known_front_counts_before_its_hours_enter_the_table() -> None:
    told = with_known(*table(72), [(at(90), 0.5), (at(121), 1.0)])
    found = front_variables(told.score, told.passage).within(told.table)
    assert np.isnan(found.hours_to_front[41])
    assert (found.hours_to_front[42], found.front_strength_ahead[42]) == (48.0, pytest.approx(0.5))
    assert found.hours_to_front[71] == 19.0


def test_what_the_table_shows_is_not_added_twice_and_has_the_hour_of_the_table() -> None:
    time, score, passage = table(72)
    score[40], passage[40] = 2.4, True
    for near in (32, 40, 48):
        told = with_known(time, score, passage, [(at(near), 1.0)])
        assert np.flatnonzero(told.passage[told.table]).tolist() == [40]
        assert np.array_equal(told.score[told.table], score)
    for apart in (31, 49):
        told = with_known(time, score, passage, [(at(apart), 1.0)])
        assert np.flatnonzero(told.passage[told.table]).tolist() == sorted([apart, 40])
        assert front_strength(told.score[told.table][apart]) == pytest.approx(1.0)
    assert not passage[31]  # what was handed in is left alone


def test_a_front_that_did_not_come_is_none() -> None:
    time, score, passage = table(72)
    score[40], passage[40] = 2.4, True
    for near, left in ((31, 1), (32, 0), (48, 0), (49, 1)):
        assert with_known(time, score, passage, [], [at(near)]).passage.sum() == left


def test_hours_that_nobody_saw_stay_unseen() -> None:
    """A front of 100 hours ago does not say that there was none before it, nor stand for the blind hours after it."""
    told = with_known(*table(200), [(at(-100), 1.0)])
    found = front_variables(told.score, told.passage).within(told.table)
    assert found.hours_since_front[[0, 20]].tolist() == [100.0, 120.0]
    assert np.isnan(found.hours_since_front[21:119]).all()
    assert (found.hours_since_front[119:] == NONE_H).all()


def test_a_spell_ends_at_a_known_front() -> None:
    time, score, passage = table(48)
    air = from_points(time, {"air_temp_c": np.full(48, 25.0)})
    assert stable_days(air, score, passage)[47] == 2.0
    told = with_known(time, score, passage, [(at(-1), 1.0)])
    until = slice(told.table.stop)
    assert stable_days(air, told.score[until], told.passage[until])[[23, 35]] == pytest.approx([1.0, 1.5])
    told = with_known(time, score, passage, [(at(34), 0.31), (at(40), 0.3)])
    days = stable_days(air, told.score[until], told.passage[until])
    assert days.shape == (48,)
    assert days[[34, 46]] == pytest.approx([0.0, 0.5])


def test_one_cell_at_a_time_is_known() -> None:
    time, score, passage = table(5)
    with pytest.raises(ValueError, match="one cell"):
        with_known(time, np.stack([score, score]), np.stack([passage, passage]), [])
