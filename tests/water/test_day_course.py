import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.water.day_course import day_course_c

FINE = np.arange(0.0, 24.0, 0.01)


#: one buoy at 0.5 m over one summer [own]: 0.31 degC under the mean of the day at 06-07 h, 0.30 over it at 16 h
@pytest.mark.parametrize(("hour", "above_c"), [(6.5, -0.31), (16.0, 0.30)])
def test_the_extremes_of_the_buoy(hour, above_c):
    assert day_course_c(hour) == pytest.approx(above_c)


def test_the_extremes_stand_nowhere_else():
    course = day_course_c(FINE)
    assert FINE[course.argmin()] == pytest.approx(6.5)
    assert FINE[course.argmax()] == pytest.approx(16.0)


def test_half_way_in_time_is_half_way_in_warmth():
    """A half cosine is odd about its middle: 11:15 between lowest and highest, 23:15 between highest and lowest."""
    np.testing.assert_allclose(day_course_c([11.25, 23.25]), (0.30 - 0.31) / 2)


def test_a_reading_at_every_hour_leaves_the_mean_of_the_day():
    assert abs(day_course_c(np.arange(24.0)).mean()) < 0.01


def test_its_range_is_that_of_high_summer():
    """Median daily range of the same buoy in July and August: 0.64 degC (1.18 in June: not reached)."""
    assert np.ptp(day_course_c(FINE)) == pytest.approx(0.64, abs=0.05)


def test_it_has_no_step_not_even_over_midnight():
    course = day_course_c(np.append(FINE, 24.0))
    steepest = 0.61 / 2 * np.pi / 9.5  # per hour, in the middle of the rise
    assert np.abs(np.diff(course)).max() <= steepest * 0.01 * 1.001


@given(st.floats(-100.0, 100.0), st.integers(-5, 5))
def test_every_day_is_the_same(hour, days):
    assert day_course_c(hour + 24.0 * days) == pytest.approx(float(day_course_c(hour)), abs=1e-9)


def test_any_shape():
    hours = FINE.reshape(4, 6, 100)
    np.testing.assert_array_equal(day_course_c(hours), day_course_c(FINE).reshape(hours.shape))
    assert day_course_c(12.0).shape == ()
