from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.errors import Refused
from bitewatch.lake.local_time import datetime_to_np, np_to_datetime
from bitewatch.presentation.trip import TripHours, wall_time

CHICAGO = ZoneInfo("America/Chicago")
HOUR = np.timedelta64(3600, "s")


def hours(start, count):
    return datetime_to_np(start) + np.arange(count) * HOUR


@pytest.mark.parametrize("text", ["05:30-11:00", " 5:30 - 11:00 "])
def test_parse(text):
    assert TripHours.parse(text) == TripHours(time(5, 30), time(11))
    assert str(TripHours.parse(text)) == "05:30-11:00"


@pytest.mark.parametrize(
    "text", ["", "5-11", "05:30", "05:30-24:00", "05:60-11:00", "05.30-11.00", "05:30-11:00-12:00", "05:30–11:00"]
)  # fmt: skip
def test_no_trip_hours(text):
    with pytest.raises(Refused, match=r"write (them as 05:30-11:00|HH:MM, such as 04:30)"):
        TripHours.parse(text)


@pytest.mark.parametrize("text", ["04:00-22:01", "12:00-12:00", "11:00-05:30"])
def test_nobody_fishes_for_more_than_18_hours(text):
    with pytest.raises(Refused, match="longer than 18 hours"):
        TripHours.parse(text)
    assert wall_time("22:00") == time(22)


def test_over_midnight():
    start, end = TripHours.parse("20:00-02:00").instants(date(2026, 7, 21), CHICAGO)
    assert (start, end) == (datetime(2026, 7, 22, 1, tzinfo=UTC), datetime(2026, 7, 22, 7, tzinfo=UTC))


def test_on_the_days_when_clocks_change():
    short = TripHours.parse("01:00-04:00").instants(date(2026, 3, 8), CHICAGO)
    long = TripHours.parse("01:00-04:00").instants(date(2026, 11, 1), CHICAGO)
    assert [(end - start).total_seconds() / 3600 for start, end in (short, long)] == [2.0, 4.0]


def test_an_hour_stands_for_the_half_hours_around_it():
    axis = hours(datetime(2026, 7, 21, tzinfo=UTC), 48)  # 05:30-11:00 in Chicago is 10:30-16:00 UTC
    inside = TripHours.parse("05:30-11:00").on(axis, date(2026, 7, 21), CHICAGO)
    assert [np_to_datetime(instant).hour for instant in axis[inside]] == [11, 12, 13, 14, 15, 16]


@given(
    start=st.times(), minutes=st.integers(1, 18 * 60), first=st.integers(-40, 40), count=st.integers(0, 90)
)  # fmt: skip
def test_either_the_whole_trip_or_nothing(start, minutes, first, count):
    start = start.replace(second=0, microsecond=0)
    end_minute = (start.hour * 60 + start.minute + minutes) % 1440
    trip = TripHours(start, time(*divmod(end_minute, 60)))
    axis = hours(datetime(2026, 7, 21, tzinfo=UTC), 200)[60 + first :][:count]
    inside = trip.on(axis, date(2026, 7, 24), CHICAGO)
    launch, haul_out = (datetime_to_np(instant) for instant in trip.instants(date(2026, 7, 24), CHICAGO))
    half = HOUR // 2
    chosen = axis[inside]
    if chosen.size:
        assert chosen[0] - half <= launch < chosen[0] + half
        assert chosen[-1] - half < haul_out <= chosen[-1] + half
    else:
        assert not count or axis[0] - half > launch or axis[-1] + half < haul_out
