"""The breaker: five failures in a row rest a host, longer each time; a door stays shut for whom it was shown to."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from bitewatch.weather.sources.breaker import FAILURES, FIRST_REST, LONGEST_REST, MOST_ASKED, HostStanding

NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
ME = "bitewatch/1.0 (mail@club.example)"


def failed(times: int, standing: HostStanding | None = None, now: datetime = NOW) -> HostStanding:
    standing = standing or HostStanding()
    for _ in range(times):
        standing = standing.after_failure(now)
    return standing


def test_four_failures_in_a_row_change_nothing_and_the_fifth_rests_the_host() -> None:
    assert failed(4).rests_until(NOW) is None
    assert failed(5).rests_until(NOW) == NOW + timedelta(minutes=10)
    assert failed(5).rests_until(NOW + timedelta(minutes=10)) is None


def test_each_rest_that_did_not_help_is_followed_by_one_twice_as_long_up_to_two_hours() -> None:
    standing, now, rests = failed(4), NOW, []
    for _ in range(7):
        standing = standing.after_failure(now)
        until = standing.rests_until(now)
        assert until is not None
        rests.append((until - now).total_seconds() / 60)
        now = until
    assert rests == [10, 20, 40, 80, 120, 120, 120]


def test_a_success_forgives_everything() -> None:
    assert failed(4, failed(9).after_success()).rests_until(NOW) is None


def test_a_wait_that_the_host_asks_for_counts_from_the_first_failure_and_never_shortens_a_rest() -> None:
    assert HostStanding().after_failure(NOW, 30.0).rests_until(NOW) == NOW + timedelta(seconds=30)
    assert failed(4).after_failure(NOW, 30.0).rests_until(NOW) == NOW + timedelta(minutes=10)
    assert failed(4).after_failure(NOW, 6 * 3600.0).rests_until(NOW) == NOW + timedelta(hours=6)


def test_a_rest_written_under_a_clock_that_was_years_ahead_does_not_last() -> None:
    later = NOW + timedelta(days=3650)
    assert failed(5, now=later).rests_until(NOW) is None


def test_who_was_shown_the_door_does_not_come_back_and_someone_else_may() -> None:
    standing = HostStanding().stop(ME, "weather.example: answered 403")
    assert standing.why_stopped(ME) == "weather.example: answered 403"
    for other in ("bitewatch/1.0 (other@club.example)", "bitewatch/1.1 (mail@club.example)", ""):
        assert standing.why_stopped(other) is None


@given(st.text(max_size=30), st.text(max_size=30))
def test_a_stop_is_for_exactly_who_was_stopped(contact: str, other: str) -> None:
    me, them = f"bitewatch/1 ({contact})", f"bitewatch/1 ({other})"
    standing = HostStanding().stop(me, "no")
    assert standing.why_stopped(me) == "no"
    if ")" not in contact + other:
        assert (standing.why_stopped(them) is None) == (contact != other)


@pytest.mark.parametrize("failures", [10_000])
def test_failing_for_ever_never_overflows(failures: int) -> None:
    assert failed(failures).rests_until(NOW) == NOW + LONGEST_REST


class Breaker(RuleBasedStateMachine):
    """Whatever happens, in whatever order, against what the rules say in plain words."""

    def __init__(self) -> None:
        super().__init__()
        self.now = NOW
        self.standing = HostStanding()
        self.in_a_row = 0
        self.asked_for = self.rested = NOW

    def may_ask(self) -> bool:
        return self.standing.rests_until(self.now) is None

    @rule(minutes=st.integers(0, 300))
    def time_passes(self, minutes: int) -> None:
        self.now += timedelta(minutes=minutes)

    @precondition(lambda self: self.may_ask())
    @rule(wait_s=st.none() | st.floats(0, 6 * 3600))
    def fails(self, wait_s: float | None) -> None:
        self.standing = self.standing.after_failure(self.now, wait_s)
        self.in_a_row += 1
        self.asked_for = self.now + timedelta(seconds=wait_s or 0)
        self.rested = self.now + (FIRST_REST if self.in_a_row >= FAILURES else timedelta(0))

    @precondition(lambda self: self.may_ask())
    @rule()
    def answers(self) -> None:
        self.standing = self.standing.after_success()
        self.in_a_row, self.asked_for, self.rested = 0, self.now, self.now

    @invariant()
    def it_is_left_alone_as_long_as_it_asks_and_as_long_as_it_needs(self) -> None:
        if self.now < max(self.asked_for, self.rested):
            assert not self.may_ask()

    @invariant()
    def it_is_never_left_alone_without_a_reason(self) -> None:
        until = self.standing.rests_until(self.now)
        if until is not None:
            assert self.in_a_row > 0
            assert until <= self.now + MOST_ASKED
            assert until <= max(self.asked_for, self.now + LONGEST_REST)
        if self.in_a_row < FAILURES and self.now >= self.asked_for:
            assert self.may_ask()


TestBreaker = Breaker.TestCase
