"""Since the last message: only what can sensibly be compared is."""

from dataclasses import replace
from datetime import timedelta

import pytest

from bitewatch.brief.payload import render_payload
from bitewatch.weather.following import Standing


@pytest.fixture
def since(briefed, lake_day):
    """The line of a day against another, which was told before it."""

    def make(before, now):
        told = render_payload(briefed(before))["lakes"][0]
        return next(one.lines for one in briefed(replace(now, told_before=told)).sections if one.key == "since")[0]

    return make


def test_danger_gusts_and_waves_of_the_same_trip(since, lake_day, with_columns, trip_hours):
    calm = lake_day(hourly=with_columns(at=trip_hours, wind_speed_ms=4.0, wind_gust_ms=6.0))
    rough = lake_day(hourly=with_columns(at=trip_hours, wind_speed_ms=13.0, wind_gust_ms=20.0))
    worse = since(calm, rough)
    assert "danger now: wind to 29 mph, gusts 45 mph" in worse
    assert "wind to 29 mph, was 9 mph; gusts to 45 mph, was 13 mph; waves about 1" in worse
    better = since(rough, calm)
    assert "no danger from wind any more" in better
    assert "waves under half a foot, were about 1 ft" in better


def test_steps_that_are_too_small_are_not_told(since, lake_day, with_columns, trip_hours):
    first, second = (
        lake_day(hourly=with_columns(at=trip_hours, wind_speed_ms=wind, wind_gust_ms=gust))
        for wind, gust in ((4.0, 6.0), (6.4, 9.4))
    )
    assert since(first, second) == "Against the earlier brief for this day: nothing that matters has changed."


def test_other_hours_or_days_are_not_compared_hour_by_hour(since, lake_day, with_columns, trip_hours):
    rough = with_columns(at=trip_hours, wind_speed_ms=13.0, wind_gust_ms=20.0)
    morning, evening = lake_day(hourly=rough), lake_day(trip="18:00-21:00")
    line = since(morning, evening)
    assert line.startswith("Against the earlier brief for this day, of other trip hours: ")
    for word in ("wind", "gusts", "waves", "danger", "crappie", "bluegill"):
        assert word not in line
    yesterday = lake_day(day=morning.day - timedelta(days=1), hourly=rough)
    line = since(yesterday, lake_day(hourly=rough))
    assert line.startswith("Against the brief for Mon Jul 20: crappie in the weeds, were high over the weeds")
    assert "wind" not in line


def test_fronts_that_are_followed(since, lake_day, front):
    def day(*fronts):
        return replace(lake_day(), known_fronts=fronts)

    told = day(front(8))
    assert "nothing that matters" in since(told, day(front(9.9)))
    assert "is now expected Tue Jul 21 between about 5 and 10 PM, was Tue Jul 21 between about 11 AM and 4 PM" in since(
        told, day(front(14))
    )
    assert "expected Wed Jul 22" in since(told, day(front(30)))  # by its id, however far
    assert "the cold front announced for Tue Jul 21 about 1 PM is no longer seen" in since(
        told, day(front(8, standing=Standing.GONE))
    )
    assert "nothing that matters" in since(told, day(front(-100, id=1)))  # not seen is not gone
    assert "new: cold front" in since(told, day(front(8), front(30, id=8)))
    seen = front(8, standing=Standing.CONFIRMED, observed_onset=front(1).onset)
    assert "a station saw the cold front pass Tue Jul 21 about 6 AM" in since(told, day(seen))
    assert "nothing that matters" in since(day(seen), day(seen))


def test_another_source(since, lake_day):
    day = lake_day()
    assert day.weather is not None
    switched = replace(day, weather=replace(day.weather, source="other", switched_from="made-up"))
    assert since(day, switched).endswith("; weather now from other, in place of made-up.") or since(
        day, switched
    ).endswith(": weather now from other, in place of made-up.")


def test_what_the_last_version_of_the_program_kept_is_understood(briefed, lake_day):
    told = render_payload(briefed(lake_day()))["lakes"][0]
    for name in ("official", "dangers"):
        del told[name]
    told["fronts"] = [{name: one[name] for name in ("kind", "onset", "strength")} for one in told["fronts"]]
    brief = briefed(lake_day(told_before=told))
    (line,) = next(one.lines for one in brief.sections if one.key == "since")
    assert line == "Against the earlier brief for this day: nothing that matters has changed."
