"""Quotas: no window ever holds more than its limit, whatever is asked when."""

from collections import defaultdict
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.weather.sources.quota import (
    LIMITS,
    OPEN_METEO_FREE,
    WINDOWS,
    Ledger,
    Limits,
    Window,
    named_window_end,
    open_meteo_customer,
    spend,
    wait_until,
    window_end,
    window_start,
)

NOW = datetime(2026, 6, 1, 2, 30, 20, tzinfo=UTC)
#: what the provider allows an address (weighted calls; open-meteo.com, terms, read in 2026)
OPEN_METEO_ALLOWS: dict[Window, float] = {"minute": 600, "hour": 5000, "day": 10_000, "month": 300_000}


@pytest.mark.parametrize(
    ("window", "start", "end"),
    [
        ("minute", "2026-12-31T23:59", "2027-01-01T00:00"),
        ("hour", "2026-12-31T23:00", "2027-01-01T00:00"),
        ("day", "2026-12-31T00:00", "2027-01-01T00:00"),
        ("month", "2026-12-01T00:00", "2027-01-01T00:00"),
    ],
)
def test_windows_are_those_of_the_clock_in_utc(window: Window, start: str, end: str) -> None:
    now = datetime(2027, 1, 1, 1, 59, 30, 5, tzinfo=UTC).astimezone() - timedelta(hours=2)
    assert window_start(window, now) == datetime.fromisoformat(start + "Z")
    assert window_end(window, now) == datetime.fromisoformat(end + "Z")


@pytest.mark.parametrize(("month", "days"), [("2026-02", 28), ("2028-02", 29), ("2026-04", 30), ("2026-07", 31)])
def test_a_month_is_as_long_as_it_is(month: str, days: int) -> None:
    first = datetime.fromisoformat(f"{month}-01T00:00Z")
    for moment in (first, first + timedelta(days=days, microseconds=-1)):
        assert window_end("month", moment) - window_start("month", moment) == timedelta(days=days)


@pytest.mark.parametrize("words", ["", "Too many concurrent requests", "minute", "hourlyish x"])
def test_words_that_name_no_window_have_no_end(words: str) -> None:
    assert named_window_end(words, NOW) is None


def test_a_full_window_waits_for_its_end_and_for_the_longest_that_is_full() -> None:
    limits = Limits(windows={"minute": 10, "hour": 12})
    ledger = spend({}, 10, NOW)
    assert wait_until(ledger, limits, 1, NOW) == datetime(2026, 6, 1, 2, 31, tzinfo=UTC)
    assert wait_until(ledger, limits, 3, NOW) == datetime(2026, 6, 1, 3, 0, tzinfo=UTC)
    assert wait_until(ledger, limits, 2, NOW + timedelta(minutes=1)) is None
    assert wait_until(ledger, limits, 9, NOW + timedelta(hours=1)) is None


def test_tenths_fill_a_window_to_the_brim() -> None:
    ledger: Ledger = {}
    for _ in range(10):  # ten times 0.1 is a little less than 1, and seven times 1.1 a little more than 7.7
        ledger = spend(ledger, 0.1, NOW)
    assert wait_until(ledger, Limits(windows={"day": 1.0}), 0.1, NOW) is not None
    for _ in range(7):
        assert wait_until(ledger, Limits(windows={"day": 8.7}), 1.1, NOW) is None
        ledger = spend(ledger, 1.1, NOW)


def test_a_question_too_heavy_for_any_window_is_a_mistake_that_is_told() -> None:
    with pytest.raises(ValueError, match="weight 11 can never be asked: at most 10 a minute"):
        wait_until({}, Limits(windows={"minute": 10}), 11, NOW)


def test_our_ceilings_lie_under_those_of_the_provider() -> None:
    assert set(OPEN_METEO_FREE.windows) == set(OPEN_METEO_ALLOWS) == set(WINDOWS)
    for window, allowed in OPEN_METEO_ALLOWS.items():
        assert OPEN_METEO_FREE.windows[window] <= 0.8 * allowed
    assert open_meteo_customer().windows == {"month": 800_000}
    assert open_meteo_customer(5_000_000).windows == {"month": 4_000_000}
    assert 1 / LIMITS["met-norway"].spacing_s <= 20 / 4  # 20 a second are for all installations together


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 4000), st.floats(0, 120), st.integers(1, 40)), max_size=30),
    st.fixed_dictionaries({}, optional={window: st.floats(120, 1000) for window in WINDOWS}),
)
def test_no_window_is_ever_overspent_and_no_wait_is_in_vain(
    steps: list[tuple[float, float, int]], windows: dict[Window, float]
) -> None:
    ledger: Ledger = {}
    limits, now = Limits(windows=windows), NOW
    by_window: dict[tuple[Window, datetime], float] = defaultdict(float)
    for wait_s, weight, times in steps:
        now += timedelta(seconds=wait_s)
        for _ in range(times):
            until = wait_until(ledger, limits, weight, now)
            if until is not None:
                assert now < until
                assert any(by_window[w, window_start(w, now)] + weight > windows[w] for w in windows)
                break
            ledger = spend(ledger, weight, now)
            for window in WINDOWS:
                by_window[window, window_start(window, now)] += weight
    for (window, _), weight in by_window.items():
        assert weight <= windows.get(window, float("inf")) + 1e-3
