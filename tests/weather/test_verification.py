"""Foretold fronts against those that passed: worked by hand, and what must hold whatever came."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from statistics import median

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.weather.fronts import SAME_PASSAGE
from bitewatch.weather.verification import (
    ENOUGH_HITS,
    LEAD_DAYS,
    Foretold,
    How,
    LeadDay,
    Passage,
    Span,
    common,
    half_width_h,
    joined,
    shifted,
    verify,
)

T0 = datetime(2026, 6, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)
ALWAYS = Span(start=T0 - timedelta(days=400), end=T0 + timedelta(days=400))


def said(hour: float, strength: float = 0.5, lead: int = 0, front: int = 1) -> Foretold:
    onset = T0 + hour * HOUR
    return Foretold(
        front=front, lead_days=lead, onset=onset, strength=strength, seen_at=onset - timedelta(days=lead)
    )  # fmt: skip


def came(hour: float, how: How = How.ARCHIVE) -> Passage:
    return Passage(onset=T0 + hour * HOUR, strength=0.5, how=how)


def same_day(
    foretold: Sequence[Foretold], passages: Sequence[Passage], judged: Sequence[Span] = (ALWAYS,)
) -> LeadDay:  # fmt: skip
    return verify(foretold, passages, [judged] * 7)[0]


def counts(row: LeadDay) -> tuple[int, int, int, int, int]:
    return row.hits, row.misses, row.false_alarms, row.duplicates, row.unjudged


def test_a_table_worked_by_hand() -> None:
    # passages at 0, 100, 200 and 300 h; foretold 2 h late, 5 h early, 8 h late, and one that never came
    row = same_day([said(2), said(95), said(208), said(400)], [came(0), came(100), came(200), came(300)])
    assert counts(row) == (3, 1, 1, 0, 0)
    assert (row.pod, row.far, row.csi) == (3 / 4, 1 / 4, 3 / 5)
    assert row.error_h == median([2, -5, 8])
    # ten and ninety per cent of -5, 2, 8, and eighty of 2, 5, 8, by linear interpolation
    assert (row.error_low_h, row.error_high_h) == pytest.approx((-5 + 0.2 * 7, 2 + 0.8 * 6))
    assert row.off_by_h == pytest.approx(5 + 0.6 * 3)


def test_finleys_tornadoes() -> None:
    # the classic 2 x 2 table of 1884: 28 hits, 23 misses, 72 false alarms; POD 0.549, FAR 0.720, CSI 0.228 as printed
    # in D. S. Wilks, Statistical Methods in the Atmospheric Sciences (from memory)
    foretold = [said(100 * n) for n in range(28)] + [said(100 * n + 50) for n in range(72)]
    passages = [came(100 * n) for n in (*range(28), *range(200, 223))]
    row = same_day(foretold, passages, [Span(start=T0 - timedelta(days=1), end=T0 + timedelta(days=4000))])
    assert counts(row) == (28, 23, 72, 0, 0)
    assert (row.pod, row.far, row.csi) == pytest.approx((0.549, 0.720, 0.228), abs=5e-4)


@pytest.mark.parametrize(("off", "hits"), [(8, 1), (-8, 1), (9, 0), (-9, 0)])
def test_nine_hours_off_is_another_front(off: int, hits: int) -> None:
    assert counts(same_day([said(off)], [came(0)])) == (hits, 1 - hits, 1 - hits, 0, 0)


def test_pairs_are_one_to_one_the_nearest_first_then_the_stronger_then_the_earlier() -> None:
    assert counts(same_day([said(-3), said(2)], [came(0)])) == (1, 0, 0, 1, 0)
    assert same_day([said(-3), said(2)], [came(0)]).error_h == 2
    assert same_day([said(-2, 0.9), said(2, 0.3)], [came(0)]).error_h == -2
    assert same_day([said(-2, 0.3), said(2, 0.9)], [came(0)]).error_h == 2
    assert same_day([said(2), said(-2)], [came(0)]).error_h == -2
    # the second one takes the passage that the first one left
    assert counts(same_day([said(1), said(8)], [came(0), came(15)])) == (2, 0, 0, 0, 0)


def test_only_judged_hours_count() -> None:
    judged = [Span(start=T0 - 20 * HOUR, end=T0 + 20 * HOUR)]
    row = same_day([said(1), said(99), said(22), said(15), said(51)], [came(0), came(50), came(80)], judged)
    # 1 is a hit, 15 false; 99 and 22 are foretold for hours that nobody judges, and 51 for a passage there
    assert counts(row) == (1, 0, 1, 0, 3)
    assert counts(same_day([said(1)], [came(0)], ())) == (0, 0, 0, 0, 1)


def test_each_lead_is_judged_by_itself() -> None:
    table = verify([said(0, lead=0), said(4, lead=2)], [came(0)], [[ALWAYS]] * 6 + [[]])
    assert [row.lead_days for row in table] == list(LEAD_DAYS)
    assert [row.hits for row in table] == [1, 0, 1, 0, 0, 0, 0]
    assert [row.misses for row in table] == [0, 1, 0, 1, 1, 1, 0]  # six days ahead nothing is judged
    assert table[2].error_h == 4


def test_where_there_is_nothing_nothing_is_told() -> None:
    for row in verify([], [], [[ALWAYS]] * 7):
        assert counts(row) == (0, 0, 0, 0, 0)
        assert {row.pod, row.far, row.csi, row.error_h, row.error_low_h, row.error_high_h, row.off_by_h} == {None}
    missed = same_day([], [came(0)])
    assert (missed.pod, missed.far, missed.csi, missed.error_h) == (0.0, None, 0.0, None)
    false = same_day([said(0)], [])
    assert (false.pod, false.far, false.csi) == (None, 1.0, 0.0)
    with pytest.raises(ValueError, match="for 7 days of lead, not 2"):
        verify([], [], [[]] * 2)


HOURS = st.integers(-200, 200)
STRENGTHS = st.floats(0, 1)


@given(
    st.lists(st.tuples(HOURS, STRENGTHS), max_size=12), st.lists(HOURS, max_size=12),
    st.lists(st.tuples(HOURS, st.integers(0, 150)), max_size=3), st.integers(-50, 50),
)  # fmt: skip
def test_whatever_came_the_counts_add_up(
    foretold: list[tuple[int, float]], passages: list[int], spans: list[tuple[int, int]], later: int
) -> None:
    judged = joined(Span(start=T0 + start * HOUR, end=T0 + (start + long) * HOUR) for start, long in spans)
    ahead = [said(hour, strength) for hour, strength in foretold]
    row = same_day(ahead, [came(hour) for hour in passages], judged)
    inside = [hour for hour in passages if any(one.start <= T0 + hour * HOUR <= one.end for one in judged)]
    assert row.hits + row.misses == len(inside)
    assert row.hits + row.false_alarms + row.duplicates + row.unjudged == len(foretold)
    for error in (row.error_h, row.error_low_h, row.error_high_h, row.off_by_h):
        assert (error is None) == (row.hits == 0)
        assert error is None or abs(error) < SAME_PASSAGE / HOUR
    moved = same_day(
        [said(hour + later, strength) for hour, strength in reversed(foretold)],
        [came(hour + later) for hour in reversed(passages)], shifted(judged, later * HOUR),
    )  # fmt: skip
    assert moved == row  # the order in which they are given does not matter


def test_the_width_is_what_four_hits_of_five_show_once_there_are_enough() -> None:
    errors = [(-1) ** n * (n % 9) for n in range(ENOUGH_HITS)]
    foretold = [said(100 * n + error, lead=1) for n, error in enumerate(errors)]
    judged = [[Span(start=T0 - timedelta(days=1), end=T0 + timedelta(days=4000))]] * 7
    table = verify(foretold, [came(100 * n) for n in range(ENOUGH_HITS)], judged)
    width = float(np.percentile(np.abs(errors), 80))
    assert [half_width_h(table, lead_h, 3.0) for lead_h in (24, 47.9)] == [width, width]
    assert [half_width_h(table, lead_h, 3.0) for lead_h in (-5, 0, 23.9, 48, 500)] == [3.0] * 5
    fewer = verify(foretold[1:], [came(100 * n) for n in range(ENOUGH_HITS)], judged)
    assert half_width_h(fewer, 30, 3.0) == 3.0
    with pytest.raises(ValueError, match="no table"):
        half_width_h([], 30, 3.0)


@settings(max_examples=40)
@given(*[st.lists(st.tuples(HOURS, st.integers(0, 60)), max_size=5)] * 2)
def test_spans_are_the_hours_that_they_say(some: list[tuple[int, int]], others: list[tuple[int, int]]) -> None:
    def spans(pairs: list[tuple[int, int]]) -> list[Span]:
        return [Span(start=T0 + start * HOUR, end=T0 + (start + long) * HOUR) for start, long in pairs]

    def hours(of: Sequence[Span]) -> set[int]:
        return {
            hour
            for hour in range(-300, 400)
            if any(one.start <= T0 + hour * HOUR <= one.end for one in of)
        }  # fmt: skip

    whole = joined(spans(some))
    assert hours(whole) == hours(spans(some))
    assert all(first.end < second.start for first, second in pairwise(whole))
    assert hours(common(spans(some), spans(others))) == hours(spans(some)) & hours(spans(others))
    assert hours(shifted(whole, 5 * HOUR)) == {hour + 5 for hour in hours(whole)}
