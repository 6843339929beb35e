"""The turn: what changed, from what to what, when, why, and what to re-rig."""

import json
from dataclasses import replace
from datetime import timedelta

import pytest
from jsonschema import Draft202012Validator

from bitewatch.brief.lake_day import Freshness
from bitewatch.brief.payload import fitted, payload_schema, render_payload
from bitewatch.brief.standing_call import told_view
from bitewatch.brief.text import render_text
from bitewatch.brief.turn_message import TURN_FORM, compose_turn
from bitewatch.position.turn import FrontAhead
from bitewatch.presentation.technique import techniques
from bitewatch.units import UnitSystem
from bitewatch.weather.following import Standing


def lines(brief, key):
    return next((one.lines for one in brief.sections if one.key == key), ())


@pytest.fixture
def turned(lake_day, told_high, turn_of):
    """A call that turned, of a day known otherwise."""

    def make(**more):
        day = replace(lake_day(), **more)
        return turn_of((day, told_high(day)))

    return make


def test_what_from_what_when_bait_and_place_stand_first(turned):
    brief = turned()
    assert brief.headline == (
        "Lake Thrennick: crappie now in the weeds, not high over the weeds, from 5:30 AM; bait 14-16 ft down, Orchard "
        "Point (point).",
    )
    assert brief.subject == "Turn: crappie now in the weeds, Lake Thrennick, Tue Jul 21"
    assert (brief.form, brief.danger, brief.strip) == (TURN_FORM, False, None)
    assert lines(brief, "changed") == ("5:30-8:30 AM: crappie in the weeds; you were told high over the weeds.",)
    assert lines(brief, "stays") == ("8:30-11:00 AM: still in the weeds.",)


def test_the_text_is_short(turned):
    assert len(render_text(turned()).split()) < 300


def test_only_what_is_left_of_the_trip(lake_day, told_high, turn_of):
    """At 6:30 the first hour is over."""
    day = replace(lake_day(), now=lake_day().start + timedelta(hours=1))
    brief = turn_of((day, told_high(day)))
    assert lines(brief, "changed") == ("6:30-8:30 AM: crappie in the weeds; you were told high over the weeds.",)
    assert "not high over the weeds, from now on; " in brief.headline[0]


def test_why_with_the_range_of_the_front_and_who_says_so(turned, front):
    why = lines(turned(known_fronts=(front(-8),)), "why")
    assert why[0] == (
        "Cold front between Mon Jul 20 about 7 PM and Tue Jul 21 about 12 AM, moderate, says made-up."
    )  # fmt: skip
    assert any(line.startswith("First day after a cold front: ") for line in why)


def test_what_to_re_rig(turned):
    rig = lines(turned(), "rig")
    assert rig[0] == (
        "5:30-8:30 AM: re-rig: tube or tiny jig dropped in holes, bait 14-16 ft down, instead of slip float drifted "
        "over the weed tops, 6-7 ft down."
    )
    assert rig[1].startswith("Straight down within a foot or two")
    assert len(rig) == 2


def test_another_depth_and_a_rig_that_the_table_does_not_know(lake_day, turn_of, told_high):
    day = lake_day()
    told = told_high(day)
    last = replace(told.windows[1], bait_top_m=3.0, bait_bottom_m=3.6)
    first = replace(told.windows[0], technique="no-longer-there")
    rig = lines(turn_of((day, replace(told, windows=(first, last)))), "rig")
    assert rig[0].endswith(" instead of what you were told, 6-7 ft down.")
    assert rig[2] == "8:30-11:00 AM: same rig, bait 14-16 ft down instead of 10-12 ft."


def test_a_front_that_comes_earlier(lake_day, turn_of, front):
    day = replace(lake_day(), known_fronts=(front(2.5),))
    told = replace(told_view(day), fronts=(FrontAhead(id=7, onset=front(7.5).onset, strength=0.8),))
    brief = turn_of((day, told))
    assert brief.headline[0] == (
        "Lake Thrennick: cold front about 5 hours earlier: now Tue Jul 21 between about 6 and 10 AM, moderate; "
        "announced for Tue Jul 21 about 1 PM."
    )
    assert brief.headline[1].startswith("The call stays: crappie in the weeds; bait 14-16 ft down, Orchard Point")
    assert brief.subject == "Turn: cold front earlier than told, Lake Thrennick, Tue Jul 21"
    assert lines(brief, "rig") == ("No need to re-rig.",)
    assert lines(brief, "changed") == ()
    assert lines(brief, "stays") == ("5:30-11:00 AM: still in the weeds.",)


@pytest.mark.parametrize(
    ("standing", "told_of"), [(Standing.GONE, "is no longer seen"), (Standing.WITHDRAWN, "did not")]
)
def test_a_front_that_is_gone(lake_day, turn_of, told_high, front, standing, told_of):
    day = replace(lake_day(), known_fronts=(front(2.5, standing=standing),))
    told = replace(told_high(day), fronts=(FrontAhead(id=7, onset=front(2.5).onset, strength=0.8),))
    brief = turn_of((day, told))
    assert brief.headline[0].startswith(
        f"Lake Thrennick: the cold front announced for Tue Jul 21 about 8 AM {told_of}"
    )  # fmt: skip
    assert brief.headline[1].startswith("Crappie now in the weeds, not high over the weeds, from 5:30 AM; bait")
    assert lines(brief, "why")[0] == "Last told of by made-up."
    assert brief.subject.startswith("Turn: cold front no longer seen, ")


def test_a_new_official_warning(lake_day, turn_of, warning, some):
    fog = warning(id="w2", event="Dense Fog Advisory", headline="Dense Fog Advisory until 9", severity="Minor")
    told = told_view(lake_day(official=some(warning())))
    brief = turn_of((lake_day(official=some(warning(), fog)), told))
    assert brief.headline[0].startswith("OFFICIAL WARNING: Dense Fog Advisory until 9, until 7:00 AM")  # the new one
    assert brief.headline[0].endswith("And 1 more official warning, see below.")
    assert brief.headline[1] == "Lake Thrennick: new official warning inside your trip hours: Dense Fog Advisory."
    assert brief.headline[2].startswith("The call stays: crappie in the weeds")
    assert (brief.danger, brief.alerts) == (True, 1)
    assert brief.subject == "OFFICIAL WARNING: Dense Fog Advisory, Lake Thrennick, Tue Jul 21"
    assert "A storm.\n\nHAZARD...Wind  60 mph." in lines(brief, "official")[0]


def test_a_danger_stands_above_a_turn(lake_day, turn_of, told_high, with_columns):
    day = lake_day(hourly=with_columns(wind_speed_ms=13.0))
    brief = turn_of((day, told_high(day)))
    assert brief.headline[0].startswith("DANGER: wind to 29 mph")
    assert brief.subject.startswith("DANGER, see inside: Turn: ")
    assert lines(brief, "cautions")[1].startswith("DANGER: ")


def test_doubts_of_the_weather(turned, lake_day):
    seen = replace(
        lake_day().weather, freshness=Freshness.USABLE, retrieved_at=lake_day().now - timedelta(hours=9),
        switched_from="other", filled=("gusts from nws",),
    )  # fmt: skip
    brief = turned(weather=seen)
    assert brief.headline[-1].endswith(" The forecast is 9 hours old.")
    doubts = lines(brief, "doubts")
    assert doubts[:3] == (
        "Weather now from made-up, in place of other.", "The forecast is 9 hours old.", "Gusts from nws."
    )  # fmt: skip
    assert lines(brief, "source")[-1] == "Weather by nobody at all"


def test_several_lakes_in_one_message(lake_day, lake, turn_of, told_high):
    first, second = lake_day(), lake_day(lake("skarrow"))
    brief = turn_of((first, told_high(first)), (second, told_high(second)))
    assert brief.headline[0].startswith("Lake Thrennick: ")
    also = lines(brief, "also-skarrow")
    assert also[0].startswith("Skarrow Lake: crappie now on the rock, not high over the rock")
    assert any("re-rig: " in line for line in also)
    assert [one["lake"] for one in brief.facts["lakes"]] == ["thrennick", "skarrow"]
    assert [one["lake"] for one in brief.facts["turn"]["lakes"]] == ["thrennick", "skarrow"]


def test_for_programs(turned):
    payload = render_payload(turned())
    Draft202012Validator(payload_schema()).validate(json.loads(json.dumps(payload)))
    (one,) = payload["turn"]["lakes"]
    assert (payload["form"], payload["turn"]["seq"], one["verdict"]) == ("bitewatch.turn/1", 0, "turned")
    assert one["changed"][0] == "2026-07-21T10:00:00Z"
    assert one["told"][0]["position"] == "high"
    assert fitted(payload, 19_000)["left_out"] == []
    validator = Draft202012Validator(payload_schema())
    assert not validator.is_valid(payload | {"turn": None})
    assert not validator.is_valid(payload | {"form": "bitewatch.brief/1"})


def test_of_no_lake(limits):
    with pytest.raises(ValueError, match="at least one lake"):
        compose_turn([], table=techniques(), limits=limits, units=UnitSystem.US, seq=0)
