"""Spans of time as the grids of the NWS write them."""

from contextlib import suppress
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.errors import PayloadRefused
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.iso_intervals import LONGEST_H, each_hour, instant, interval

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FIVE = np.datetime64("2026-06-01T05:00:00", "s")
HOUR = np.timedelta64(3600, "s")


# durations that are seen in recorded grids (documentation of the service, and as recorded from 2021 to 2026)
@pytest.mark.parametrize(
    ("duration", "hours"), [("PT1H", 1), ("PT11H", 11), ("P1D", 24), ("P1DT6H", 30), ("P6DT23H", 167), ("P16D", 384)]
)
def test_durations_of_recorded_grids(duration: str, hours: int) -> None:
    assert interval(f"2026-06-01T05:00:00+00:00/{duration}") == (FIVE, hours)


def test_the_start_is_taken_to_utc() -> None:
    for start in ("2026-06-01T05:00:00Z", "2026-06-01T00:00:00-05:00", "2026-06-01T10:30:00+05:30"):
        assert interval(f"{start}/PT1H") == (FIVE, 1)


@pytest.mark.parametrize("duration", ["PT0H", "P0D", "P17D", "P16DT1H", "PT385H"])
def test_empty_and_endless_spans_are_refused(duration: str) -> None:
    with pytest.raises(PayloadRefused) as refused:
        interval(f"2026-06-01T05:00:00Z/{duration}")
    assert refused.value.reason == Reason.WRONG_HOURS


@pytest.mark.parametrize(
    "text",
    [*(f"2026-06-01T05:00:00Z/{wrong}" for wrong in ("", "PT1.5H", "PT30M", "P1W", "-PT1H", "PT1H/PT1H", "PT١H")),
     *(f"{wrong}/PT1H" for wrong in ("", "2026-06-01", "2026-06-01T05:00", "2026-13-01T05:00Z", "2101-01-01T00:00Z")),
     "2026-06-01T05:00:00+25:00/PT1H", "2026-06-01T05:00:00Z", "", None, 5, []],
)  # fmt: skip
def test_anything_else_is_no_span(text: object) -> None:
    with pytest.raises(PayloadRefused) as refused:
        interval(text)
    assert refused.value.reason == Reason.WRONG_SHAPE


def test_a_span_begins_on_a_whole_hour() -> None:
    for start in (
        "2026-06-01T05:30:00Z",
        "2026-06-01T05:00:01Z",
        "2026-06-01T05:00:00.5Z",
        "2026-06-01T05:00:00+05:45",
    ):
        with pytest.raises(PayloadRefused, match="whole hours"):
            interval(f"{start}/PT1H")


@given(st.text(max_size=60))
def test_any_text_is_a_span_or_refused(text: str) -> None:
    with suppress(PayloadRefused):
        _, hours = interval(text)
        assert 0 < hours <= LONGEST_H


@given(st.integers(86_400, 4_102_000_000), st.integers(-14 * 4, 14 * 4))
def test_an_instant_is_the_same_in_every_offset(seconds: int, quarters: int) -> None:
    sign, minutes = "-" if quarters < 0 else "+", 15 * abs(quarters)
    local = EPOCH + timedelta(seconds=seconds, minutes=15 * quarters)
    assert instant(f"{local:%Y-%m-%dT%H:%M:%S}{sign}{minutes // 60:02}:{minutes % 60:02}").timestamp() == seconds


runs = st.lists(st.tuples(st.integers(1, 40), st.integers(0, 3), st.floats(-50, 50)), min_size=1, max_size=8)


@given(runs)
def test_expansion_sums_to_the_right_number_of_hours(rows: list[tuple[int, int, float]]) -> None:
    hours = np.array([long for long, _, _ in rows])
    gaps = np.array([gap for _, gap, _ in rows])
    values = np.array([value for _, _, value in rows])
    starts = FIVE + (np.cumsum(hours + gaps) - hours) * HOUR
    time, expanded = each_hour(starts, hours, values)
    assert time.size == expanded.size == hours.sum()
    assert (np.diff(time) >= HOUR).all()
    assert time[0] == starts[0]
    assert time[-1] + HOUR == starts[-1] + hours[-1] * HOUR
    spans = zip(starts, hours, values, strict=True)
    slow = {start + n * HOUR: value for start, long, value in spans for n in range(long)}
    assert dict(zip(time, expanded, strict=True)) == slow


@given(runs, st.randoms(use_true_random=False))
def test_spans_out_of_order_are_refused(rows: list[tuple[int, int, float]], random: object) -> None:
    hours = np.array([long for long, _, _ in rows])
    starts = FIVE + (np.cumsum(hours) - hours) * HOUR
    order = np.arange(len(rows))
    random.shuffle(order)  # type: ignore[attr-defined]
    if (order == np.arange(len(rows))).all():
        starts[-1:] -= HOUR  # then the last one overlaps, unless it is alone
    if len(rows) == 1:
        assert each_hour(starts, hours, np.zeros(1))[0].size == hours.sum()
        return
    with pytest.raises(PayloadRefused) as refused:
        each_hour(starts[order], hours[order], np.zeros(len(rows)))
    assert refused.value.reason == Reason.WRONG_HOURS


def test_no_spans_are_no_hours_and_a_century_is_refused() -> None:
    nothing = np.array([], "datetime64[s]")
    assert each_hour(nothing, np.array([], int), np.array([]))[0].size == 0
    far = np.array([FIVE, FIVE + 17 * 24 * HOUR])
    with pytest.raises(PayloadRefused):
        each_hour(far, np.array([1, 1]), np.zeros(2))
