import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from bitewatch.presentation.windows import cut_windows

HIGH, TIGHT = (0.8, 0.15, 0.05), (0.1, 0.2, 0.7)


def cut(rows, pace=None):
    probability = np.array(rows).T
    codes = np.zeros(len(rows), np.int8) if pace is None else np.array(pace, np.int8)
    return [(window.start, window.stop) for window in cut_windows(probability, codes)]


def test_where_the_call_turns():
    assert cut([HIGH] * 4 + [TIGHT] * 2) == [(0, 4), (4, 6)]
    assert cut([HIGH] * 2 + [TIGHT] * 4) == [(0, 2), (2, 6)]


def test_where_the_pace_turns():
    assert cut([HIGH] * 6, pace=[2, 2, 1, 1, 1, 1]) == [(0, 2), (2, 6)]


def test_a_call_that_goes_on_is_halved():
    assert cut([HIGH] * 6) == [(0, 3), (3, 6)]


def test_a_third_window_only_where_it_is_worth_it():
    assert cut([HIGH] * 2 + [TIGHT] * 2 + [HIGH] * 2) == [(0, 2), (2, 4), (4, 6)]
    nearly = (0.75, 0.2, 0.05)
    assert len(cut([HIGH] * 2 + [nearly] * 2 + [HIGH] * 2)) == 2


@given(probability=arrays(float, st.tuples(st.just(3), st.integers(1, 18)), elements=st.floats(0, 1)), data=st.data())
def test_all_hours_in_the_order_of_the_clock_in_two_or_three_windows(probability, data):
    hours = probability.shape[-1]
    pace = data.draw(arrays(np.int8, hours, elements=st.integers(0, 2)))
    windows = cut_windows(probability, pace)
    assert len(windows) == 1 if hours == 1 else len(windows) in (2, 3)
    assert [k for window in windows for k in range(window.start, window.stop)] == list(range(hours))
    assert min(window.stop - window.start for window in windows) >= (2 if hours >= 4 else 1)


@pytest.mark.parametrize("hours", [1, 2, 3, 4, 18])
def test_the_same_call_gives_the_same_windows(hours):
    assert cut([HIGH] * hours) == cut([HIGH] * hours)
    assert cut([HIGH] * hours)[-1][1] == hours
