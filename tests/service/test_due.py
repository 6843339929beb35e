"""A brief is owed once on every local date that exists, from its wall time on, and never at another time."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from bitewatch.presentation.trip import TripHours
from bitewatch.service.due import DueBrief, Held, due_brief, why_held
from bitewatch.service.subscriptions import DAYS, Subscription

LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)
CHICAGO = ZoneInfo("America/Chicago")
TICK = timedelta(minutes=5)


def subscribed(at: time, **changes: Any) -> Subscription:
    given: dict[str, Any] = {
        "id": "s", "endpoint": "e", "channel": "file", "address": "a", "lakes": ("north",), "at": at,
        "speaks_of": "today", "trip_hours": TripHours(time(5, 30), time(11, 0)), "days": DAYS,
        "created_at": LONG_AGO, "ended_at": None,
    }  # fmt: skip
    return Subscription(**{**given, **changes})


@pytest.mark.parametrize(
    ("zone", "day", "wall", "due"),
    [  # instants by the tz database; IANA 2025b
        ("America/Chicago", "2026-03-08", "02:30", "2026-03-08T08:00"),  # gap
        ("America/Chicago", "2026-11-01", "01:30", "2026-11-01T06:30"),  # fold: the first
        ("Europe/Berlin", "2026-03-29", "02:30", "2026-03-29T01:00"),
        ("Europe/Berlin", "2026-10-25", "02:30", "2026-10-25T00:30"),
        ("America/Havana", "2025-03-09", "00:00", "2025-03-09T05:00"),  # gap at midnight
        ("America/Santiago", "2025-09-07", "00:30", "2025-09-07T04:00"),
        ("Australia/Lord_Howe", "2025-10-05", "02:15", "2025-10-04T15:30"),  # a gap of half an hour
        ("Australia/Lord_Howe", "2026-04-05", "01:45", "2026-04-04T14:45"),
        ("America/St_Johns", "2026-03-08", "02:30", "2026-03-08T05:30"),
    ],
)
def test_owed_from_the_due_instant_on_and_not_a_second_before(zone: str, day: str, wall: str, due: str) -> None:
    one, tz = subscribed(time.fromisoformat(wall)), ZoneInfo(zone)
    at = datetime.fromisoformat(due).replace(tzinfo=UTC)
    the_day_before = ("s", date.fromisoformat(day) - timedelta(days=1))
    assert due_brief(one, tz, now=at - timedelta(seconds=1), decided={the_day_before}) is None
    owed = due_brief(one, tz, now=at, decided=set())
    assert owed is not None
    assert (owed.local_date, owed.due) == (date.fromisoformat(day), at)
    assert due_brief(one, tz, now=at, decided={("s", owed.local_date)}) is None


def test_a_date_that_does_not_exist_owes_nothing() -> None:
    one, apia = subscribed(time(6)), ZoneInfo("Pacific/Apia")
    dates = set()
    now = datetime(2011, 12, 28, tzinfo=UTC)
    while now < datetime(2012, 1, 2, tzinfo=UTC):
        owed = due_brief(one, apia, now=now, decided=set())
        dates |= {owed.local_date} if owed else set()
        now += TICK
    assert date(2011, 12, 30) not in dates
    assert {date(2011, 12, 29), date(2011, 12, 31)} <= dates


@pytest.mark.parametrize(
    ("zone", "start"),
    [
        ("America/Chicago", "2025-08-01"), ("America/New_York", "2025-08-01"), ("America/St_Johns", "2025-08-01"),
        ("America/Havana", "2025-02-01"), ("America/Santiago", "2025-03-01"), ("Europe/Berlin", "2025-08-01"),
        ("Africa/Cairo", "2025-03-01"), ("Africa/Casablanca", "2025-01-01"), ("Antarctica/Troll", "2025-02-01"),
        ("Australia/Lord_Howe", "2025-08-01"), ("Pacific/Apia", "2011-06-01"), ("Asia/Kolkata", "2025-08-01"),
    ],
)  # fmt: skip
def test_400_days_of_ticks_owe_one_brief_for_each_local_date(zone: str, start: str) -> None:
    tz = ZoneInfo(zone)
    first = datetime.fromisoformat(start).replace(tzinfo=UTC)
    ticks = [first + k * TICK for k in range(400 * 288)]
    midnight = next(k for k in range(288) if ticks[k].astimezone(tz).date() < ticks[k + 1].astimezone(tz).date())
    del ticks[: midnight + 1]
    local = [tick.astimezone(tz) for tick in ticks]
    minutes = np.array([wall.hour * 60 + wall.minute for wall in local])
    for at in (time(0, 0), time(0, 30), time(1, 30), time(2, 30), time(5, 30)):
        wanted = at.hour * 60 + at.minute
        # what a person with a wall clock would do, without the code under test: the first look at or past the time
        expected: dict[date, datetime] = {}
        for k in np.flatnonzero((minutes >= wanted) & (minutes < wanted + 130)):
            expected.setdefault(local[k].date(), ticks[k])
        one = subscribed(at)
        decided: set[tuple[str, date]] = set()
        sent: list[tuple[date, datetime]] = []
        # no gap is longer than two hours: later ticks of a date meet a decision, and some are tried below
        for k in np.flatnonzero((minutes >= wanted - 60) & (minutes < wanted + 130)):
            owed = due_brief(one, tz, now=ticks[k], decided=decided)
            if owed is not None:
                decided.add(("s", owed.local_date))
                sent.append((owed.local_date, ticks[k]))
        assert sent == list(expected.items())
        assert len(sent) >= 398
        for day, tick in sent[:: len(sent) // 7]:
            assert due_brief(one, tz, now=tick + timedelta(hours=6), decided=decided) is None, day


@pytest.mark.parametrize(
    ("speaks_of", "days", "sent_on"),
    [
        ("today", ("sat", "sun"), ["2026-07-25", "2026-07-26"]),
        ("tomorrow", ("sat", "sun"), ["2026-07-24", "2026-07-25"]),
        ("tomorrow", ("mon",), ["2026-07-26"]),
        ("today", DAYS, [f"2026-07-{day}" for day in range(20, 27)]),
    ],
)
def test_days_are_those_that_the_reader_fishes(speaks_of: str, days: tuple[str, ...], sent_on: list[str]) -> None:
    one = subscribed(time(4, 30), speaks_of=speaks_of, days=days)
    noons = [datetime(2026, 7, 20, 17, tzinfo=UTC) + timedelta(days=k) for k in range(7)]  # a week from Monday
    owed = [found for noon in noons if (found := due_brief(one, CHICAGO, now=noon, decided=set()))]
    assert [found.local_date.isoformat() for found in owed] == sent_on
    ahead = timedelta(days=1 if speaks_of == "tomorrow" else 0)
    assert all(found.day == found.local_date + ahead for found in owed)


def test_a_wall_time_before_the_subscription_was_made_owes_nothing() -> None:
    made = datetime(2026, 7, 20, 14, 0, tzinfo=UTC)  # 09:00 in Chicago
    one = subscribed(time(4, 30), created_at=made)
    assert due_brief(one, CHICAGO, now=made + timedelta(hours=1), decided=set()) is None
    tomorrow = due_brief(one, CHICAGO, now=made + timedelta(hours=20), decided=set())
    assert tomorrow is not None
    assert tomorrow.local_date == date(2026, 7, 21)


def test_owed_until_the_end_of_the_local_date_and_no_catching_up() -> None:
    one = subscribed(time(4, 30))
    last = datetime(2026, 7, 21, 4, 59, 59, tzinfo=UTC)  # 23:59:59 on the 20th
    owed = due_brief(one, CHICAGO, now=last, decided=set())
    assert owed is not None
    assert owed.local_date == date(2026, 7, 20)
    assert owed.expires_at == last + timedelta(seconds=1)
    assert due_brief(one, CHICAGO, now=owed.expires_at, decided=set()) is None


@pytest.mark.parametrize(
    ("late", "said"),
    [
        (timedelta(0), None), (timedelta(minutes=14, seconds=59), None), (timedelta(minutes=15), "15 minutes"),
        (timedelta(minutes=119), "119 minutes"), (timedelta(hours=2), "2 hours"), (timedelta(hours=7.9), "7 hours"),
    ],
)  # fmt: skip
def test_lateness_in_words(late: timedelta, said: str | None) -> None:
    due = datetime(2026, 7, 20, 9, 30, tzinfo=UTC)
    day = date(2026, 7, 20)
    owed = DueBrief(subscription=subscribed(time(4, 30)), local_date=day, day=day, due=due, expires_at=due)
    assert owed.notices(due + late) == (() if said is None else (f"This brief is {said} late.",))


def held(one: Subscription, wall: str, **changes: Any) -> Held | None:
    """Why a turn would be held at a wall time in Chicago, on a Monday in July."""
    given: dict[str, Any] = {"urgent": False, "sent_today": 0, "most_a_day": 3, "quiet_hours": "21:00-04:00"}
    now = datetime.fromisoformat(f"2026-07-20T{wall}").replace(tzinfo=CHICAGO)
    return why_held(one, CHICAGO, now=now, **{**given, **changes})


@pytest.mark.parametrize(
    ("wall", "quiet_hours", "is_quiet"),
    [
        ("20:59:59", "21:00-04:00", False), ("21:00", "21:00-04:00", True), ("23:59:59", "21:00-04:00", True),
        ("00:00", "21:00-04:00", True), ("03:59:59", "21:00-04:00", True), ("04:00", "21:00-04:00", False),
        ("12:00", "21:00-04:00", False), ("12:59", "13:00-15:00", False), ("13:00", "13:00-15:00", True),
        ("14:59", "13:00-15:00", True), ("15:00", "13:00-15:00", False), ("23:00", "13:00-15:00", False),
        ("22:00", "20:00-00:00", True), ("00:00", "20:00-00:00", False), ("23:00", "", False),
    ],
)  # fmt: skip
def test_quiet_hours_by_the_wall_clock_also_across_midnight(wall: str, quiet_hours: str, is_quiet: bool) -> None:
    noon = subscribed(time(17, 30))
    assert held(noon, wall, quiet_hours=quiet_hours) is (Held.QUIET if is_quiet else None)


def test_quiet_hours_are_those_of_the_lakes_zone() -> None:
    now = datetime(2026, 7, 21, 2, 30, tzinfo=UTC)  # 21:30 in Chicago, 19:30 in Los Angeles, 04:30 in Berlin
    found = [
        why_held(
            subscribed(time(12)), ZoneInfo(zone), now=now, urgent=False, sent_today=0, most_a_day=3,
            quiet_hours="21:00-04:00",
        )
        for zone in ("America/Chicago", "America/Los_Angeles", "Europe/Berlin")
    ]  # fmt: skip
    assert found == [Held.QUIET, None, None]


@pytest.mark.parametrize(
    ("own", "at_13", "at_22"),
    [(None, None, Held.QUIET), ("", None, None), ("13:00-14:00", Held.QUIET, None)],
)
def test_a_reader_may_have_quiet_hours_of_their_own_or_none(
    own: str | None, at_13: Held | None, at_22: Held | None
) -> None:
    one = subscribed(time(17, 30), quiet=own)
    assert (held(one, "13:00"), held(one, "22:00")) == (at_13, at_22)


@pytest.mark.parametrize(
    ("sent", "most", "is_held"), [(0, 3, False), (2, 3, False), (3, 3, True), (4, 3, True), (0, 0, True)]
)
def test_no_more_turns_a_day_than_the_settings_allow(sent: int, most: int, is_held: bool) -> None:
    found = held(subscribed(time(17, 30)), "12:00", sent_today=sent, most_a_day=most)
    assert found is (Held.ENOUGH if is_held else None)


@pytest.mark.parametrize(
    ("at", "wall", "changes", "is_near"),
    [
        (time(17, 30), "15:59:59", {}, False), (time(17, 30), "16:00", {}, True), (time(17, 30), "17:30", {}, True),
        (time(17, 30), "17:30:01", {}, False),
        (time(0, 45), "23:15", {}, True), (time(0, 45), "23:14", {}, False),  # tomorrow's
        (time(17, 30), "17:00", {"days": ("tue",)}, False),  # no brief today
        (time(17, 30), "17:00", {"days": ("tue",), "speaks_of": "tomorrow"}, True),
        (time(17, 30), "17:00", {"days": ("mon",), "speaks_of": "tomorrow"}, False),
        (time(0, 45), "23:30", {"days": ("tue",)}, True), (time(0, 45), "23:30", {"days": ("mon",)}, False),
    ],
)  # fmt: skip
def test_a_brief_within_ninety_minutes_tells_instead(
    at: time, wall: str, changes: dict[str, Any], is_near: bool
) -> None:
    one = subscribed(at, quiet="", **changes)
    assert held(one, wall) is (Held.BRIEF_NEAR if is_near else None)


def test_ninety_minutes_are_counted_by_the_sun_where_a_clock_jumps() -> None:
    one = subscribed(time(3, 30), quiet="")
    due = datetime(2026, 3, 8, 8, 30, tzinfo=UTC)  # 03:30 in Chicago; from 02:00 the clock jumped to 03:00
    found = [
        why_held(
            one, CHICAGO, now=due - timedelta(minutes=before), urgent=False, sent_today=0, most_a_day=3, quiet_hours=""
        )
        for before in (90, 91)
    ]
    assert found == [Held.BRIEF_NEAR, None]


def test_what_is_urgent_is_never_held() -> None:
    everything = {"sent_today": 9, "most_a_day": 0, "quiet_hours": "21:00-04:00"}
    one = subscribed(time(23, 0))
    assert held(one, "22:30", **everything) is Held.QUIET
    assert held(subscribed(time(23, 0), quiet=""), "22:30", **everything) is Held.BRIEF_NEAR
    assert held(subscribed(time(5, 0), quiet=""), "22:30", **everything) is Held.ENOUGH
    assert held(one, "22:30", urgent=True, **everything) is None
