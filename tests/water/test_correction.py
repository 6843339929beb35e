"""Readings and the model's error.

The check values are regression values of this project's covariance [own]; beside them stand analytic limits, and the
conditional normal distribution worked out another way: from the inverse of the whole joint covariance.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.water.correction import (
    MOST_READINGS,
    Moments,
    ReadingErrors,
    change_sd_c,
    condition,
    condition_causally,
)

PRIOR = 0.31**2 + 0.03**2 + 0.85**2


def moments(at, start_sd_c=0.0, season=2026):
    at = np.asarray(at, float)
    return Moments(
        at=at, start_sd_c=np.broadcast_to(start_sd_c, at.shape).astype(float),
        season=np.broadcast_to(season, at.shape).astype(int),
    )  # fmt: skip


def logs(at, error_c, start_sd_c=0.0, season=2026, scatter_c=0.65):
    at = np.asarray(at, float)
    error, start, scatter = (np.broadcast_to(x, at.shape).astype(float) for x in (error_c, start_sd_c, scatter_c))
    return ReadingErrors(
        at=at, error_c=error, start_sd_c=start, season=np.broadcast_to(season, at.shape).astype(int), scatter_c=scatter
    )


NONE = logs([], [])


def by_hand(asked, told, widen=1.0):
    """Mean and covariance at the moments asked for, from the precision matrix of moments and readings together."""
    at = [*asked.at, *told.at]
    start, season = [*asked.start_sd_c, *told.start_sd_c], [*asked.season, *told.season]
    own = [*[1e-5] * asked.at.size, *told.scatter_c]  # a hair of scatter, so that like moments can be told apart
    joint = np.empty((len(at), len(at)))
    for i, a in enumerate(at):
        for j, b in enumerate(at):
            joint[i, j] = (0.31 * widen) ** 2 + (0.85 * widen) ** 2 * math.exp(-abs(a - b) / 11.2)
            joint[i, j] += (0.03 * widen) ** 2 if abs(a - b) < 183 else 0.0
            joint[i, j] += start[i] * start[j] if season[i] == season[j] else 0.0
            joint[i, j] += own[i] ** 2 if i == j else 0.0
    precision, n = np.linalg.inv(joint), asked.at.size
    covariance = np.linalg.inv(precision[:n, :n])
    return -covariance @ precision[:n, n:] @ told.error_c, covariance


days = st.floats(0.0, 500.0).map(lambda at: round(at, 2))
one_log = st.tuples(days, st.floats(-4.0, 4.0), st.floats(0.0, 3.0), st.integers(0, 1), st.floats(0.3, 1.5))
some_logs = st.lists(one_log, min_size=1, max_size=12)


def of_rows(rows):
    at, error, start, season, scatter = (np.array(column) for column in zip(*rows, strict=True))
    return logs(at, error, start, season, scatter)


# check values [own]


def test_without_readings_nothing_is_added():
    told = condition(moments([0.0, 50.0]), NONE)
    np.testing.assert_array_equal(told.correction_c, 0.0)
    np.testing.assert_allclose(told.sd_c, 0.905, atol=5e-4)


def test_one_reading_of_one_degree():
    told = condition(moments([0, 1, 7, 14, 60]), logs([0], [1]))
    np.testing.assert_allclose(told.correction_c, [0.660, 0.610, 0.389, 0.245, 0.081], atol=5e-4)
    np.testing.assert_allclose(told.sd_c, [0.528, 0.598, 0.794, 0.863, 0.901], atol=5e-4)


def test_three_readings_of_one_degree():
    told = condition(moments([15, 21]), logs([0, 7, 14], 1))
    np.testing.assert_allclose(told.correction_c, [0.725, 0.482], atol=5e-4)
    np.testing.assert_allclose(told.sd_c, [0.576, 0.785], atol=5e-4)


# another way to the same distribution


@given(some_logs, st.lists(days, min_size=1, max_size=4, unique=True), st.floats(1.0, 3.0), st.floats(0.0, 3.0))
@settings(max_examples=40, deadline=None)
def test_it_is_the_conditional_normal_distribution(rows, at, widen, start):
    asked, told = moments(at, start, 1), of_rows(rows)
    found = condition(asked, told, widen=widen)
    mean, covariance = by_hand(asked, told, widen)
    np.testing.assert_allclose(found.correction_c, mean, atol=1e-4)
    np.testing.assert_allclose(found.sd_c, np.sqrt(np.diag(covariance)), atol=1e-4)


@given(some_logs, days, days, st.floats(1.0, 3.0), st.floats(0.0, 3.0), st.integers(0, 1))
@settings(max_examples=40, deadline=None)
def test_the_spread_of_a_change_is_that_of_the_pair(rows, now, before, widen, start, season):
    told = of_rows(rows)
    pair = moments([now, before], [start, 0.5 * start], [1, season])
    _, covariance = by_hand(pair, told, widen)
    change = change_sd_c(moments([now], start, 1), moments([before], 0.5 * start, season), told, widen=widen)
    expected = covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]
    assert change[0] ** 2 == pytest.approx(expected, abs=1e-5)


# limits


def test_the_weather_is_forgotten_and_the_lake_is_not():
    """Years later only what is lasting is left of a reading: 0.31^2 of all the variance that it showed."""
    told = condition(moments([5000.0]), logs([0], [1]))
    assert told.correction_c[0] == pytest.approx(0.31**2 / (PRIOR + 0.65**2))
    assert told.sd_c[0] ** 2 == pytest.approx(PRIOR - 0.31**4 / (PRIOR + 0.65**2))


def test_the_year_counts_for_half_a_year():
    near, far = condition(moments([182.9, 183.0]), logs([0], [1])).correction_c
    assert near - far == pytest.approx(0.03**2 / (PRIOR + 0.65**2), rel=1e-3)


def test_a_thermometer_that_shows_anything_corrects_nothing():
    told = condition(moments([0.0, 3.0]), logs([0], [5], scatter_c=1e6))
    np.testing.assert_allclose(told.correction_c, 0.0, atol=1e-9)
    np.testing.assert_allclose(told.sd_c, math.sqrt(PRIOR))


def test_through_a_thermometer_that_is_never_wrong():
    told = condition(moments([0.0, 9.0]), logs([0, 9], [1.5, -0.5], scatter_c=0.0))
    np.testing.assert_allclose(told.correction_c, [1.5, -0.5])
    np.testing.assert_allclose(told.sd_c, 0.0, atol=1e-6)


@pytest.mark.parametrize("count", [1, 4, 25])
def test_many_thermometers_at_once_are_one_with_less_scatter(count):
    told = condition(moments([0.0]), logs([0.0] * count, 1.0))
    assert told.correction_c[0] == pytest.approx(PRIOR / (PRIOR + 0.65**2 / count))


def test_what_is_wider_is_the_same_in_other_units():
    """With the model's error doubled, a thermometer is as good as one of half the scatter, and all spreads double."""
    asked = moments([0.0, 5.0, 40.0])
    wide = condition(asked, logs([0, 3], [1, -2]), widen=2.0)
    fine = condition(asked, logs([0, 3], [1, -2], scatter_c=0.325))
    np.testing.assert_allclose(wide.correction_c, fine.correction_c)
    np.testing.assert_allclose(wide.sd_c, 2.0 * fine.sd_c)


def test_a_wrong_start_is_found_by_one_reading_and_fades_as_the_model_says():
    """Where the start is all the doubt, a reading on a day with 200 left of it tells of a day with 50: a quarter."""
    told = condition(moments([100.0], start_sd_c=50.0), logs([60.0], [4.0], start_sd_c=200.0))
    assert told.correction_c[0] == pytest.approx(1.0, abs=1e-3)
    assert told.sd_c[0] < 1.0


def test_the_start_of_one_season_tells_nothing_of_the_next():
    other = condition(moments([400.0], start_sd_c=50.0, season=2027), logs([60.0], [4.0], start_sd_c=200.0))
    assert abs(other.correction_c[0]) < 1e-4
    assert other.sd_c[0] == pytest.approx(math.hypot(50.0, math.sqrt(PRIOR)), rel=1e-6)


# what it is not


def test_it_is_no_plain_mean_of_errors():
    told = condition(moments([14.0, 60.0]), logs([0, 7, 14], [3.0, 3.0, 0.0]))
    assert told.correction_c[0] < 1.2  # the mean is 2; the newest reading says 0
    assert 0.0 < told.correction_c[1] < 0.5


def test_the_newest_reading_weighs_most_and_all_together_less_than_a_mean():
    weight = [
        float(condition(moments([30.0]), logs([0, 7, 14, 21, 28], np.eye(5)[n])).correction_c[0]) for n in range(5)
    ]
    assert weight[4] > 2 * weight[3] > 2 * max(weight[:3])
    assert sum(weight) < 0.9


# properties


@given(some_logs.flatmap(lambda rows: st.tuples(st.just(rows), st.permutations(rows))))
@settings(max_examples=30, deadline=None)
def test_the_order_in_which_readings_came_does_not_matter(both):
    asked = moments([0.0, 100.0, 400.0], 1.0, 1)
    first, second = (condition(asked, of_rows(rows)) for rows in both)
    np.testing.assert_allclose(first.correction_c, second.correction_c, atol=1e-9)
    np.testing.assert_allclose(first.sd_c, second.sd_c, atol=1e-9)


@given(some_logs, one_log)
@settings(max_examples=40, deadline=None)
def test_another_reading_never_makes_it_less_sure(rows, more):
    asked = moments(np.linspace(0.0, 500.0, 40), 1.0, 1)
    assert (condition(asked, of_rows([*rows, more])).sd_c <= condition(asked, of_rows(rows)).sd_c + 1e-9).all()


@given(some_logs)
@settings(max_examples=20, deadline=None)
def test_as_known_then_is_with_the_later_readings_cut_off(rows):
    told = of_rows(rows)
    at = np.sort(np.append(np.linspace(0.0, 500.0, 21), told.at[0]))  # one of them at the very hour of a reading
    asked = moments(at, 1.0, 1)
    found = condition_causally(asked, told, known_from=told.at)
    for n, moment in enumerate(at):
        alone = condition(moments([moment], 1.0, 1), told.kept(np.flatnonzero(told.at <= moment)))
        assert found.correction_c[n] == pytest.approx(alone.correction_c[0], abs=1e-9)
        assert found.sd_c[n] == pytest.approx(alone.sd_c[0], abs=1e-9)


def test_as_known_then_in_any_order_and_without_readings():
    told = logs([10.0, 40.0], [1.0, -2.0])
    mixed = condition_causally(moments([50.0, 5.0, 20.0]), told, known_from=told.at)
    in_order = condition_causally(moments([5.0, 20.0, 50.0]), told, known_from=told.at)
    np.testing.assert_allclose(mixed.correction_c, in_order.correction_c[[2, 0, 1]])
    assert mixed.correction_c[1] == 0.0
    np.testing.assert_array_equal(condition_causally(moments([5.0]), NONE, known_from=NONE.at).correction_c, 0.0)


def test_a_moment_is_told_the_same_alone_as_among_others():
    told = logs(np.arange(0.0, 60.0, 5.0), np.linspace(-1.0, 1.0, 12))
    asked = moments(np.arange(100.0))
    together = condition(asked, told).correction_c
    alone = [float(condition(moments([at]), told).correction_c[0]) for at in asked.at]
    np.testing.assert_allclose(together, alone, atol=1e-12)


# the newest forty


def test_only_the_newest_forty_are_looked_at_and_more_would_hardly_change_it():
    at = np.arange(120.0)
    wandering = np.sin(at / 9.0) + 0.3
    asked = moments([121.0])
    told = logs(at, wandering)
    found = condition(asked, told)
    newest = condition(asked, told.kept(slice(-MOST_READINGS, None)))
    np.testing.assert_array_equal(found.correction_c, newest.correction_c)
    mean, covariance = by_hand(asked, told)
    assert found.correction_c[0] == pytest.approx(mean[0], abs=0.05)
    assert found.sd_c[0] == pytest.approx(math.sqrt(covariance[0, 0]), abs=0.01)


def test_as_known_then_looks_at_the_newest_forty_of_that_day():
    told = logs(np.arange(120.0), np.sin(np.arange(120.0) / 9.0))
    found = condition_causally(moments([80.0]), told, known_from=told.at)
    np.testing.assert_allclose(
        found.correction_c, condition(moments([80.0]), told.kept(slice(41, 81))).correction_c, atol=1e-12
    )


# changes


def test_a_change_is_surer_than_what_it_leads_to():
    now, before = moments([3.0]), moments([0.0])
    assert change_sd_c(now, before, NONE)[0] == pytest.approx(math.sqrt(2 * 0.85**2 * (1 - math.exp(-3 / 11.2))))
    assert change_sd_c(now, now, NONE)[0] == 0.0
    assert change_sd_c(now, before, logs([3.0], [1.0]))[0] < change_sd_c(now, before, NONE)[0]
