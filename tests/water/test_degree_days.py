import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.water.degree_days import BASE_C, DaysAhead, days_ahead, growing_degree_days, season_sums

DAYS = np.arange(366.0)
NORMAL = 0.05 * DAYS**2


#: worked examples of agricultural weather services in degF: simple form 70/50; modified form with base 50 and cap 86
@pytest.mark.parametrize(
    ("warmest", "coldest", "cap", "told"),
    [(70, 50, None, 10), (90, 56, 86, 21), (70, 40, 86, 10), (45, 35, None, 0), (45, 35, 86, 0), (70, 40, None, 5)],
)
def test_degree_days_of_single_days(warmest, coldest, cap, told):
    assert growing_degree_days(warmest, coldest, 50, cap=cap) == told


@given(st.floats(-20, 45), st.floats(0, 20), st.floats(0, 25), st.none() | st.floats(25, 40))
def test_degree_days_know_no_unit(coldest, apart, base, cap):
    in_c = growing_degree_days(coldest + apart, coldest, base, cap=cap)
    in_f = growing_degree_days(
        32 + 1.8 * (coldest + apart), 32 + 1.8 * coldest, 32 + 1.8 * base, cap=None if cap is None else 32 + 1.8 * cap
    )
    assert in_f == pytest.approx(1.8 * in_c, abs=1e-9)
    assert in_c >= 0


def test_degree_days_of_an_unknown_day_are_not_known():
    assert np.isnan(growing_degree_days([np.nan, 70.0], [50.0, np.nan], 50)).all()


#: given check values: normal 0.05 d^2, day 100: a sum of 605 is ten days ahead, one of 451.25 five behind
@pytest.mark.parametrize(("total", "ahead"), [(605.0, 10.0), (451.25, -5.0), (500.0, 0.0)])
def test_days_ahead(total, ahead):
    assert days_ahead(total, 100, np.tile(NORMAL, (10, 1))) == DaysAhead(days=ahead, sd_days=0.0, seasons=10)


@given(st.integers(-40, 40), st.integers(100, 250))
def test_a_season_that_runs_early_by_some_days_is_ahead_by_them(early, at):
    assert days_ahead(NORMAL[at + early], at, np.tile(NORMAL, (12, 1))).days == pytest.approx(early, abs=1e-9)


def test_the_spread_is_that_of_past_seasons_on_the_same_day():
    """Straight curves shifted by known days: the mean curve is the middle one, the spread that of the shifts."""
    shifts = np.arange(-5.0, 6.0)
    curves = np.maximum(10.0 * (DAYS + shifts[:, None]), 0.0)
    told = days_ahead(10.0 * 103.0, 100, curves)
    assert told.days == pytest.approx(3.0)
    assert told.sd_days == pytest.approx(np.std(shifts, ddof=1))
    assert told.seasons == 11


def test_too_few_seasons_tell_no_normal():
    assert days_ahead(605.0, 100, np.tile(NORMAL, (9, 1))) is None
    assert days_ahead(605.0, 100, np.empty((0, 366))) is None
    short = np.tile(NORMAL, (10, 1))
    short[0, 60:] = np.nan
    assert days_ahead(605.0, 100, short) is None


def test_one_season_with_a_gap_does_not_end_the_normal_there():
    curves = np.tile(NORMAL, (11, 1))
    curves[0, 103:] = np.nan
    assert days_ahead(605.0, 100, curves).seasons == 10


@pytest.mark.parametrize("total", [0.0, np.nan, NORMAL[-1] + 1.0])
def test_beyond_the_ends_nothing_is_told(total):
    assert days_ahead(total, 100, np.tile(NORMAL, (10, 1))) is None


def test_where_the_normal_hardly_rises_no_dates_are_told():
    """In late autumn a few degree days would be weeks."""
    ended = np.tile(np.minimum(NORMAL, NORMAL[180]), (10, 1))
    assert days_ahead(NORMAL[178], 179, ended) is not None
    assert days_ahead(NORMAL[178], 220, ended) is None
    assert days_ahead(1.0, 0, ended) is None


def test_sums_run_by_season_and_stop_at_a_gap():
    surface = np.array([8.0, 12.0, 14.0, 9.0, 11.0, np.nan, 15.0])
    season = np.array([2024, 2024, 2024, 2025, 2025, 2025, 2025])
    sums = season_sums(surface, season, np.array([2, 3, 4, 0, 1, 2, 3]))
    assert list(sums) == [2024, 2025]
    assert sums[2024][:5].tolist() == [0.0, 0.0, 0.0, 12.0 - BASE_C, 6.0]
    assert sums[2025][:2].tolist() == [0.0, 1.0]
    assert np.isnan(sums[2025][2:]).all()
    assert np.isnan(sums[2024][5:]).all()


def test_a_season_known_from_june_on_has_no_sum():
    assert season_sums(np.array([20.0]), np.array([2025]), np.array([61])) == {}
    assert season_sums(np.array([np.nan]), np.array([2025]), np.array([0])) == {}
