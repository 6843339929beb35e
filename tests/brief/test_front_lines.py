"""Fronts in the brief: with their range, inside the trip or not, and what became of them."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from bitewatch.brief import front_lines
from bitewatch.brief.compose import compose
from bitewatch.brief.pictures.depth_strip import depth_strip
from bitewatch.brief.words import Words
from bitewatch.units import UnitSystem
from bitewatch.weather.following import Standing
from bitewatch.weather.fronts import FrontKind

ZONE = ZoneInfo("America/New_York")


def lines(brief, key):
    return next((one.lines for one in brief.sections if one.key == key), ())


@pytest.fixture
def with_fronts(lake_day):
    """The lake's day with these fronts known of it."""

    def make(*fronts, **more):
        return replace(lake_day(**more), known_fronts=fronts)

    return make


def test_a_front_inside_the_trip_is_told_as_inside_the_trip(briefed, with_fronts, front):
    brief = briefed(with_fronts(front(2.5)))  # 8 AM
    assert brief.headline[1] == "Cold front during the trip, between about 6 and 10 AM, moderate."
    assert brief.headline[1] in lines(brief, "changes")
    assert not [line for line in lines(brief, "changes") if line.startswith(("Next cold", "No cold front"))]
    assert "For about a day behind a cold front more likely in the weeds." in lines(brief, "changes")


def test_a_front_whose_range_only_touches_the_trip_may_pass_in_it(briefed, with_fronts, front):
    (_, told, _) = briefed(with_fronts(front(-1.5, early=3, late=3))).headline
    assert told == "A cold front may pass during the trip, between about 1 and 7 AM, moderate."
    assert len(briefed(with_fronts(front(-3.5))).headline) == 2


def test_a_sharp_range_is_one_hour(briefed, with_fronts, front):
    assert "during the trip, about 8 AM, " in briefed(with_fronts(front(2.5, early=0.9, late=0.9))).headline[1]


def test_confirmed_with_when_the_station_saw_it(briefed, with_fronts, front):
    seen = front(2.5, standing=Standing.CONFIRMED, observed_onset=datetime(2026, 7, 21, 6, tzinfo=UTC))
    why = lines(briefed(with_fronts(seen)), "why")
    assert "Last cold front: Tue Jul 21 about 2 AM, moderate, as a station saw it pass." in why
    assert "during the trip" not in " ".join(briefed(with_fronts(seen)).headline)
    inside = front(1, standing=Standing.CONFIRMED, observed_onset=datetime(2026, 7, 21, 12, tzinfo=UTC))
    assert briefed(with_fronts(inside)).headline[1].startswith("A cold front has passed during the trip, about 8 AM")


def test_a_second_surge_belongs_to_its_front(briefed, with_fronts, front):
    told = front(10, surge_at=datetime(2026, 7, 22, 3, tzinfo=UTC))
    (line,) = [one for one in lines(briefed(with_fronts(told)), "changes") if one.startswith("Next")]
    assert line == (
        "Next cold front: Tue Jul 21 between about 1 and 6 PM, moderate, with a second surge about 11 PM."
    )  # fmt: skip


@pytest.mark.parametrize(
    ("standing", "told"),
    [(Standing.GONE, "is no longer seen"), (Standing.WITHDRAWN, "did not come, by a station's hours")],
)
def test_gone_ones(briefed, with_fronts, front, standing, told):
    brief = briefed(with_fronts(front(2.5, standing=standing)))
    assert f"The cold front announced for Tue Jul 21 about 8 AM {told}." in lines(brief, "why")
    assert "No cold front in the five days before." in lines(brief, "why")
    assert len(brief.headline) == 2
    assert depth_strip(with_fronts(front(2.5, standing=standing)), Words(UnitSystem.US, ZONE)).fronts == ()


def test_before_the_trip_it_is_still_to_come_or_past(briefed, with_fronts, front):
    (to_come,) = [
        one for one in lines(briefed(with_fronts(front(-1, early=0, late=0))), "why") if "front before" in one
    ]
    assert to_come == "Cold front before the trip: Tue Jul 21 about 4 AM, moderate."
    past = lines(briefed(with_fronts(front(-40))), "why")
    assert [one for one in past if one.startswith("Last cold front: Sun Jul 19 between about 11 AM and 4 PM")]
    assert "No cold front in the five days before." in lines(briefed(with_fronts(front(-121))), "why")


def test_warm_fronts_have_words_of_their_own_and_are_no_cold_ones(briefed, with_fronts, front):
    warm, cold = front(2.5, id=1, kind=FrontKind.WARM), front(30, id=2)
    brief = briefed(with_fronts(warm, cold))
    assert "Warm front during the trip, between about 6 and 10 AM: milder air behind it; no rule rests on it." in lines(
        brief, "changes"
    )
    assert len(brief.headline) == 2
    assert front_lines.cold(with_fronts(warm, cold)) == (cold,)
    assert len(depth_strip(with_fronts(warm, cold), Words(UnitSystem.US, ZONE)).fronts) == 1
    only_warm = briefed(with_fronts(warm))
    assert "No cold front in the five days before." in lines(only_warm, "why")
    early = briefed(with_fronts(front(-10, kind=FrontKind.WARM)))
    assert [one for one in lines(early, "why") if one.startswith("A warm front passed before the trip, Mon Jul 20")]
    next_days = lines(briefed(with_fronts(front(29, kind=FrontKind.WARM), front(50))), "next")
    assert next_days[0].endswith(", warm front between about 8 AM and 1 PM.")
    assert next_days[1].endswith(", moderate cold front between about 5 and 10 AM.")


def test_without_any_that_are_followed_those_of_the_one_issue_are_told_with_doubt(lake_day):
    day = lake_day()
    known = front_lines.cold(day)[-1]
    assert known.onset == [front for front in day.outlook.fronts if front.kind is FrontKind.COLD][-1].onset
    assert (known.latest - known.onset, known.onset - known.earliest) == (front_lines.FRONT_DOUBT,) * 2
    assert (known.id, known.source) == (None, "made-up")
    assert front_lines.known(lake_day(hourly=None)) == ()


def test_what_was_found_stays_known_without_weather(briefed, with_fronts, front):
    brief = briefed(with_fronts(front(2.5), hourly=None))
    assert lines(brief, "fronts") == ("Cold front during the trip, between about 6 and 10 AM, moderate.",)
    assert brief.headline[0].startswith("No call for Lake Thrennick")
    assert brief.headline[1].startswith("Cold front during the trip")


def test_the_strip_and_its_words_carry_the_range(with_fronts, front):
    strip = depth_strip(with_fronts(front(2.5, early=1, late=3)), Words(UnitSystem.US, ZONE))
    assert strip.fronts == ((7.0, 8.0, 11.0),)
    assert strip.alt.endswith("; cold front Tue Jul 21 between about 7 and 11 AM.")
    seen = front(2.5, standing=Standing.CONFIRMED, observed_onset=datetime(2026, 7, 21, 13, tzinfo=UTC))
    assert depth_strip(with_fronts(seen), Words(UnitSystem.US, ZONE)).fronts == ((9.0, 9.0, 9.0),)


# the air line


def air(brief):
    (line,) = [one for one in lines(brief, "why") if one.startswith("Air ")]
    return line


def test_wind_before_and_behind_a_front_is_not_averaged(briefed, with_fronts, front, with_columns, trip_hours):
    middle = trip_hours.start + 2
    turned = with_columns(at=slice(middle, None), wind_from_deg=315.0)
    turned.columns["wind_from_deg"][:middle] = 225.0
    onset = front(0).onset + timedelta(hours=2.5)  # the third trip hour
    day = with_fronts(replace(front(0), onset=onset, earliest=onset, latest=onset), hourly=turned)
    assert ", wind 16-17 mph from SW, later NW. " in air(briefed(day))
    assert " from SW, later NW. " in air(briefed(with_fronts(hourly=turned)))  # first and last third
    steady = with_columns(wind_from_deg=230.0)
    assert " from SW. " in air(briefed(with_fronts(hourly=steady)))
    wobble = with_columns(at=slice(middle, None), wind_from_deg=250.0)
    wobble.columns["wind_from_deg"][:middle] = 225.0
    assert "later" not in air(briefed(with_fronts(hourly=wobble)))


#: trip hours -> which of sunrise (5:41 AM) and sunset (8:24 PM) are told
@pytest.mark.parametrize(
    ("trip", "told"),
    [
        ("05:30-11:00", ["Sunrise 5:41 AM"]), ("10:00-15:00", []), ("15:00-21:00", ["Sunset 8:24 PM"]),
        ("15:00-20:00", ["Sunset 8:24 PM"]), ("20:00-06:00", ["Sunset 8:24 PM", "Sunrise 5:42 AM"]),
        ("05:00-22:00", ["Sunrise 5:41 AM", "Sunset 8:24 PM"]), ("21:30-01:00", []),
    ],
)  # fmt: skip
def test_the_sun_of_the_trip(briefed, with_fronts, trip, told):
    line = air(briefed(with_fronts(trip=trip)))
    found = line.partition(" Sun")
    assert [one.strip() for one in (found[1] + found[2]).strip().split(".") if one] == told


def test_composition_needs_no_fronts_in_the_issue(lake_day, limits, front):
    """What the issue tells and what is known of it may differ; only what is known is told."""
    from bitewatch.presentation.technique import techniques

    day = replace(lake_day(), known_fronts=(front(30),))
    brief = compose([day], table=techniques(), limits=limits, units=UnitSystem.US)
    assert "Jul 20" not in " ".join(lines(brief, "why"))
