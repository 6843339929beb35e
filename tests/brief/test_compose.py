import re
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from bitewatch.brief.facts import instant_text, lake_facts
from bitewatch.brief.text import render_text
from bitewatch.lake.profile import Species
from bitewatch.position.variables import VARIABLES
from bitewatch.presentation.technique import techniques
from bitewatch.units import UnitSystem

SECTIONS = ["why", "water", "where", "how", "others", "changes", "since", "next", "cautions", "doubts", "source"]


def section(brief, key):
    return next(one.lines for one in brief.sections if one.key == key)


def test_first_two_lines(briefed, lake_day):
    """Position, depth, place, start and danger."""
    first, second = briefed(lake_day()).headline
    assert re.fullmatch(
        r"Lake Thrennick: crappie in the weeds, bait \d+-\d+ ft down, Orchard Point \(point\), from 5:30 AM\.", first
    )
    assert second == "No danger seen in this forecast; official warnings unavailable, check before you launch."


def test_a_danger_stands_first(briefed, lake_day, with_columns):
    brief = briefed(lake_day(hourly=with_columns(wind_speed_ms=13.0)))
    assert brief.danger
    assert brief.headline[0].startswith("DANGER: wind to 29 mph")
    assert brief.headline[1].startswith("Lake Thrennick: ")
    assert brief.subject.startswith("DANGER, see inside: ")
    assert render_text(brief).startswith("DANGER: ")
    assert section(brief, "cautions")[1].startswith("DANGER: ")


def test_every_section_in_its_order(briefed, lake_day):
    brief = briefed(lake_day())
    assert [one.key for one in brief.sections] == SECTIONS
    assert all(one.lines and all(one.lines) for one in brief.sections)


def test_windows_stand_in_the_order_of_the_clock(briefed, lake_day, lake):
    for lines in (section(briefed(lake_day(trip=trip)), "how") for trip in ("05:30-11:00", "09:30-19:00")):
        starts = []
        for line in lines:
            clock = re.match(r"(\d+):(\d\d)(?: ([AP])M)?-(\d+):\d\d ([AP])M: ", line)
            if clock:
                half = clock[3] or clock[5]
                starts.append((int(clock[1]) % 12 + 12 * (half == "P")) * 60 + int(clock[2]))
        assert len(starts) in (2, 3)
        assert starts == sorted(starts)


def test_several_lakes_open_with_which_to_run_and_why(briefed, lake_day, lake):
    brief = briefed(*(lake_day(lake(name)) for name in ("thrennick", "umberfold", "skarrow")))
    assert brief.headline[0].startswith("Run Skarrow Lake: crappie on the rock, bait ")
    assert brief.sections[0].key == "lakes"
    lines = brief.sections[0].lines
    assert [line.split(" ", 1)[0] for line in lines] == ["Run", "Then", "Then"]
    assert all("fishable all trip (wind to " in line and "waves" in line for line in lines)
    assert [one.key for one in brief.sections if one.key.startswith("instead")] == [
        "instead-thrennick", "instead-umberfold"
    ]  # fmt: skip
    assert brief.facts["run"] == "skarrow"
    assert [one["lake"] for one in brief.facts["lakes"]] == ["skarrow", "thrennick", "umberfold"]


def test_another_lakes_danger_is_told_first_there(briefed, lake_day, lake, with_columns, trip_hours):
    stormy = lake_day(lake("umberfold"), hourly=with_columns(at=trip_hours, cape_jkg=2500.0))
    brief = briefed(lake_day(lake("thrennick")), stormy)
    (line,) = [one for one in section(brief, "instead-umberfold") if "DANGER" in one]
    assert section(brief, "instead-umberfold")[0] == line
    assert not brief.danger


def test_no_weather_at_all(briefed, lake_day):
    brief = briefed(lake_day(hourly=None))
    assert brief.headline == (
        "No call for Lake Thrennick, Tue Jul 21: no weather: nobody answers.",
        "Dangers cannot be seen without a forecast; official warnings unavailable, check before you launch.",
    )
    assert brief.subject == "Lake Thrennick, Tue Jul 21: no call"
    assert [one.key for one in brief.sections] == ["since", "cautions", "doubts"]
    assert brief.strip is None


def test_one_lake_without_weather_does_not_stop_the_others(briefed, lake_day, lake):
    brief = briefed(lake_day(lake("umberfold"), hourly=None), lake_day(lake("thrennick")))
    assert brief.headline[0].startswith("Run Lake Thrennick: ")
    assert brief.sections[0].lines[1] == "Leave Umberfold Pond: no call: no weather: nobody answers."


def test_what_is_missing_is_said(briefed, lake_day, lake, with_columns):
    doubts = " ".join(section(briefed(lake_day(lake(), hourly=with_columns(precip_mm=np.nan))), "doubts"))
    for said in (
        "weed edge and Secchi depth not entered", "weed tops not entered", "area not entered: waves are not known",
        "no water temperature entered", "Missing: ", "rain of the last day", "light at the weed tops", "weed cover",
        "clarity of the water", "Rules silent for that:", "no published study followed these fish",
    ):  # fmt: skip
        assert said.lower() in doubts.lower()


def test_first_brief_then_nothing_then_changes(briefed, lake_day, with_columns):
    first = lake_day()
    assert section(briefed(first), "since")[0].startswith("This is the first brief of this lake")
    told = lake_facts(first)
    assert section(briefed(lake_day(told_before=told)), "since") == (
        "Against the earlier brief for this day: nothing that matters has changed.",
    )
    windier = lake_day(hourly=with_columns(wind_speed_ms=14.0), told_before=told)
    assert "wind to 31 mph, was 17 mph" in section(briefed(windier), "since")[0]
    gone = lake_day(hourly=None, told_before=told)
    assert section(briefed(gone), "since") == (
        "Against the earlier brief for this day: there was a call, now there is none.",
    )
    back = lake_day(told_before=lake_facts(gone))
    assert section(briefed(back), "since") == ("Against the earlier brief for this day: there was no call.",)


def test_a_front_that_moved_appeared_or_vanished_since(briefed, lake_day):
    told = lake_facts(lake_day())
    front = told["fronts"][-1]
    outlook = lake_day().outlook
    assert outlook is not None
    onset = outlook.fronts[-1].onset

    def since(fronts):
        return section(briefed(lake_day(told_before=told | {"fronts": fronts})), "since")[0]

    assert "nothing that matters" in since([front | {"onset": instant_text(onset + timedelta(hours=1))}])

    def at(hours):
        return front | {
            name: instant_text(datetime.fromisoformat(front[name]) + timedelta(hours=hours))
            for name in ("onset", "earliest", "latest")
        }

    assert (
        "the cold front is now expected between Mon Jul 20 about 8 PM and Tue Jul 21 about 2 AM, was Mon Jul 20 "
        "between about 3 and 9 PM" in since([at(-5)])
    )
    same_range = front | {"onset": instant_text(onset - timedelta(hours=2))}
    assert "expected Mon Jul 20 about 11 PM, was Mon Jul 20 about 9 PM" in since([same_range])
    assert "new: cold front between Mon Jul 20 about 8 PM and Tue Jul 21 about 2 AM, strong" in since([])
    assert "the cold front of Thu Jul 23 between about 8 AM and 2 PM is no longer seen" in since([front, at(60)])
    old_form = {name: front[name] for name in ("kind", "onset", "strength")}  # as issue 2 kept it
    assert "nothing that matters" in since([old_form])


def test_against_another_day(briefed, lake_day):
    told = lake_facts(lake_day(day=lake_day().day - timedelta(days=1)))
    (line,) = section(briefed(lake_day(told_before=told)), "since")
    assert line.startswith("Against the brief for Mon Jul 20: crappie ")
    assert "in the weeds, were " in line


def test_next_days_one_line_each(briefed, lake_day):
    lines = section(briefed(lake_day()), "next")
    assert [line[:10] for line in lines] == ["Wed Jul 22", "Thu Jul 23", "Fri Jul 24", "Sat Jul 25"]
    last = lake_day(day=lake_day().day + timedelta(days=4))
    assert section(briefed(last), "next") == ("These hours end before the next trip could be told.",)


def test_the_headline_says_which_dangers_it_is_blind_to(briefed, lake_day):
    day = lake_day()
    blind = replace(day, outlook=replace(day.outlook, unseen=("gusts", "storms")))
    assert "gusts and storms cannot be seen in it" in briefed(blind).headline[1]
    assert "cannot be seen" not in briefed(day).headline[1]


def test_notices_stand_first(briefed, lake_day):
    brief = briefed(lake_day(), notices=("This brief is 40 minutes late.",))
    assert (brief.sections[0].key, brief.sections[0].lines) == ("notice", ("This brief is 40 minutes late.",))
    assert "notice" not in [section.key for section in briefed(lake_day()).sections]


@pytest.mark.parametrize("units", UnitSystem)
def test_the_readers_units_and_no_others(briefed, lake_day, lake, units):
    brief = briefed(*(lake_day(lake(name)) for name in ("thrennick", "umberfold", "skarrow")), units=units)
    made_from = {one.how for one in techniques().technique}  # the trade's ounces stay what they are
    lines = [line for one in brief.sections for line in one.lines if not any(how in line for how in made_from)]
    for line in [*brief.headline, *lines]:
        if units is UnitSystem.US:
            assert not re.search(r"\d (m|°C|m/s)\b", line)
        else:
            assert not re.search(r"\d (ft|°F|mph)\b", line)


#: a code word where a position stands
BARE = re.compile(
    r"\b(?:(?:crappie|bluegill|them|with|between|or|were|now|down,|:) (?:high|edge|tight)\b(?! over the (?:weeds|rock))"
    r"|tight\b)"
)
FORBIDDEN = re.compile(
    r"[★☆*_]|\d ?%|\b\d+/10\b|/100|\b(?:best|prime|major|minor|rating|score|stars?)\b", re.IGNORECASE
)


@pytest.mark.parametrize("name", ["thrennick", "umberfold", "skarrow", None])
def test_the_reader_never_sees_a_code_word(briefed, lake_day, lake, name):
    """No bare position, no id with underscores, no rule or technique id, no star, no rating, no ranking."""
    ids = [row.id for row in techniques().technique if row.id.count("-")] + [one for one in VARIABLES if "_" in one]
    for ahead in range(-3, 4):
        day = lake_day(lake(name), day=lake_day().day + timedelta(days=ahead))
        brief = briefed(day)
        lines = [*brief.headline, brief.subject, *(line for one in brief.sections for line in one.lines)]
        assert not [line for line in lines if BARE.search(line) or FORBIDDEN.search(line)]
        assert not [(one, line) for one in ids for line in lines if one in line]


def test_the_other_species_follows(briefed, lake_day, lake):
    lines = section(briefed(lake_day(lake("thrennick"))), "others")
    assert lines
    assert all(line.startswith("Bluegill, ") for line in lines)
    only = briefed(lake_day(lake("thrennick", species=["bluegill"])))
    assert "bluegill" in only.headline[0]
    assert "others" not in [one.key for one in only.sections]
    assert only.facts["lakes"][0]["calls"][0]["species"] == Species.BLUEGILL.value


def test_of_no_lake(briefed):
    with pytest.raises(ValueError, match="at least one lake"):
        briefed()


def test_a_guessed_depth_comes_with_its_range_and_an_entered_one_without(briefed, lake_day, lake):
    guessed = section(briefed(lake_day(lake(secchi_ft=6.0))), "doubts")[0]
    assert re.match(r"Weed edge \d+ ft, likely \d+-\d+ ft; weed tops \d+ ft, likely \d+-\d+ ft; ", guessed)
    assert "likely" not in " ".join(section(briefed(lake_day(lake("thrennick"))), "doubts"))
