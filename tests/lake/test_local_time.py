from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.lake.local_time import (
    datetime_to_np,
    first_instant,
    local_days,
    local_instant,
    np_to_datetime,
)

#: gaps and folds of the IANA time zone database, release 2025b
VECTORS = [
    ("America/Chicago", "2026-03-08T02:30", "2026-03-08T08:00"),  # gap
    ("America/Chicago", "2026-11-01T01:30", "2026-11-01T06:30"),  # fold, the first
    ("Europe/Berlin", "2026-03-29T02:30", "2026-03-29T01:00"),
    ("Europe/Berlin", "2026-10-25T02:30", "2026-10-25T00:30"),
    ("America/Havana", "2025-03-09T00:00", "2025-03-09T05:00"),  # gap at midnight
    ("America/Santiago", "2025-09-07T00:30", "2025-09-07T04:00"),
    ("Australia/Lord_Howe", "2025-10-05T02:15", "2025-10-04T15:30"),  # a gap of half an hour
    ("Australia/Lord_Howe", "2026-04-05T01:45", "2026-04-04T14:45"),
    ("America/St_Johns", "2026-03-08T02:30", "2026-03-08T05:30"),
]


@pytest.mark.parametrize(("zone", "wall", "instant"), VECTORS)
def test_gaps_and_folds(zone, wall, instant):
    local = datetime.fromisoformat(wall)
    found = local_instant(local.date(), local.time(), ZoneInfo(zone))
    assert found == datetime.fromisoformat(instant).replace(tzinfo=UTC)


def test_a_day_that_was_skipped():
    apia = ZoneInfo("Pacific/Apia")
    for hour in range(24):
        assert local_instant(date(2011, 12, 30), time(hour), apia) is None
    assert first_instant(date(2011, 12, 30), apia) == datetime(2011, 12, 30, 10, tzinfo=UTC)
    assert first_instant(date(2011, 12, 31), apia) == datetime(2011, 12, 30, 10, tzinfo=UTC)


_zones = st.sampled_from(sorted(available_timezones()))
_minutes = st.builds(
    datetime.combine,
    st.dates(date(1971, 1, 1), date(2037, 12, 1)),
    st.builds(time, st.integers(0, 23), st.integers(0, 59)),
)


def _check(zone, wall):
    found = local_instant(wall.date(), wall.time(), zone)
    if found is None:
        assert local_instant(wall.date(), time(0), zone) is None
        assert local_instant(wall.date(), time(23, 59), zone) is None
        return
    assert found.utcoffset() == timedelta(0)
    local = found.astimezone(zone).replace(tzinfo=None)
    second_before = (found - timedelta(seconds=1)).astimezone(zone).replace(tzinfo=None)
    assert local.date() == wall.date()
    if local == wall:  # the clock shows it, and has not shown it before
        earlier = [found - timedelta(minutes=m) for m in range(15, 181, 15)]
        assert wall not in [instant.astimezone(zone).replace(tzinfo=None) for instant in earlier]
    else:  # the clock skips it: this is the first instant behind the gap
        assert second_before < wall < local


@given(zone=_zones, wall=_minutes)
def test_any_wall_time_in_any_zone(zone, wall):
    _check(ZoneInfo(zone), wall)


@given(zone=_zones, year=st.integers(1972, 2036), minutes=st.integers(-200, 200), data=st.data())
def test_wall_times_near_a_change(zone, year, minutes, data):
    zone = ZoneInfo(zone)
    first = datetime(year, 1, 1, tzinfo=UTC)
    offsets = [(first + timedelta(days=k)).astimezone(zone).utcoffset() for k in range(367)]
    changes = [k for k in range(366) if offsets[k] != offsets[k + 1]]
    if changes:
        day = first + timedelta(days=data.draw(st.sampled_from(changes)))
        near = next(
            day + timedelta(minutes=15 * k)
            for k in range(97)
            if (day + timedelta(minutes=15 * (k + 1))).astimezone(zone).utcoffset() != day.astimezone(zone).utcoffset()
        )
        _check(zone, near.astimezone(zone).replace(tzinfo=None, fold=0) + timedelta(minutes=minutes))


@given(zone=_zones, start=_minutes, hours=st.integers(0, 400))
def test_local_days_is_the_date_of_every_hour(zone, start, hours):
    zone = ZoneInfo(zone)
    first = datetime_to_np(start.replace(minute=0, tzinfo=UTC))
    times = first + np.arange(hours) * np.timedelta64(3600, "s")
    expected = [np_to_datetime(instant).astimezone(zone).date() for instant in times]
    assert local_days(times, zone).tolist() == expected


def test_a_local_day_has_23_or_25_hours_when_it_has_them():
    chicago = ZoneInfo("America/Chicago")
    hours = datetime_to_np(datetime(2026, 1, 1, tzinfo=UTC)) + np.arange(8760) * np.timedelta64(3600, "s")
    days, counts = np.unique(local_days(hours, chicago), return_counts=True)
    lengths = dict(zip(days.tolist(), counts.tolist(), strict=True))
    assert lengths[date(2026, 3, 8)] == 23
    assert lengths[date(2026, 11, 1)] == 25
    assert lengths[date(2026, 7, 1)] == 24
