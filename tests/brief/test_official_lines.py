"""Official warnings stand above the call, word for word; what is not known of them is never "none"."""

import json
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from bitewatch.brief.choice import choose
from bitewatch.brief.lake_day import NO_FEED
from bitewatch.brief.official_lines import TITLE_LENGTH, bars
from bitewatch.brief.page import render_page
from bitewatch.brief.payload import fitted, payload_schema, render_payload
from bitewatch.brief.text import render_text
from bitewatch.brief.words import Words
from bitewatch.delivery.frozen import MAX_WEBHOOK_BYTES
from bitewatch.units import UnitSystem
from bitewatch.weather.warnings import WarningsSeen, WarningsState

MOST = 19_000


def lines(brief, key):
    return next((one.lines for one in brief.sections if one.key == key), ())


def test_in_force_inside_the_trip_it_stands_above_the_call(briefed, lake_day, warning, some):
    brief = briefed(lake_day(official=some(warning())))
    assert brief.headline[0] == (
        "OFFICIAL WARNING: Severe Thunderstorm Warning until 7 AM, until 7:00 AM (Example Agency)."
    )  # fmt: skip
    assert brief.headline[1].startswith("Lake Thrennick: crappie in the weeds")
    assert brief.danger
    assert brief.alerts == 1
    assert brief.subject.startswith("OFFICIAL WARNING, see inside: ")
    assert brief.sections[0].key == "official"
    assert "No danger seen" not in render_text(brief)


def test_above_a_danger_too(briefed, lake_day, warning, some, with_columns):
    brief = briefed(lake_day(hourly=with_columns(wind_speed_ms=13.0), official=some(warning())))
    assert [line.partition(":")[0] for line in brief.headline] == ["OFFICIAL WARNING", "DANGER", "Lake Thrennick"]
    assert render_page(brief).count('role="alert"') == 2


def test_word_for_word_with_its_own_breaks_and_its_link(briefed, lake_day, warning, some):
    section = briefed(lake_day(official=some(warning()))).sections[0]
    assert section.verbatim
    assert section.lines[0] == (
        "Severe Thunderstorm Warning, 4:00 AM to 7:00 AM (Example Agency)\n\nSevere Thunderstorm Warning until 7 AM\n\n"
        "A storm.\n\nHAZARD...Wind  60 mph.\n\nLeave the\nwater.\n\nhttps://agency.invalid/w/1"
    )
    assert section.lines[1] == "Official warnings, as of 4:00 AM (alerts)."


def test_the_most_severe_first_and_how_many_more(briefed, lake_day, warning, some):
    fog = warning(id="w2", event="Dense Fog Advisory", headline="Dense Fog Advisory until 9 AM", severity="Moderate")
    brief = briefed(lake_day(official=some(fog, warning())))
    assert brief.headline[0].endswith("(Example Agency). And 1 more official warning, see below.")
    assert [line.split(",")[0] for line in lines(brief, "official")][:2] == [
        "Severe Thunderstorm Warning", "Dense Fog Advisory"
    ]  # fmt: skip


def test_outside_the_trip_it_is_told_after_and_is_no_alert(briefed, lake_day, warning, some):
    later = warning(event="Heat Advisory", headline="", onset=warning().onset + timedelta(hours=20), ends=None)
    brief = briefed(lake_day(official=some(later)))
    assert (brief.danger, brief.alerts) == (False, 0)
    assert brief.headline[1] == (
        "No danger seen in this forecast; no official warning for the trip hours as of 4:00 AM, but for other hours of "
        "the day, see below."
    )
    assert lines(brief, "official")[0].startswith(
        "Outside your trip hours: Heat Advisory, from Wed Jul 22 12:00 AM, no end given (Example Agency)\n\nA storm."
    )


@pytest.mark.parametrize(
    ("begins", "ends", "inside"), [(-3, 1.5, 0), (-3, 1.6, 1), (7, 9, 1), (7.1, 9, 0), (0, None, 1)]
)
def test_inside_the_trip_hours_or_not(briefed, lake_day, warning, some, begins, ends, inside):
    """Launch is at 5:30, haul-out at 11:00, and it is 4:00."""
    now = warning().sent
    until = None if ends is None else now + timedelta(hours=ends)
    brief = briefed(lake_day(official=some(warning(onset=now + timedelta(hours=begins), ends=until))))
    assert brief.alerts == inside
    if ends is None:
        assert ", no end given (" in brief.headline[0]


def test_three_states(briefed, lake_day, warning, some):
    none = briefed(lake_day(official=some(state=WarningsState.NONE)))
    assert lines(none, "cautions")[0] == "No official warnings for this place, as of 4:00 AM."
    assert none.headline[1].endswith("; no official warnings as of 4:00 AM.")
    stale = some(state=WarningsState.UNAVAILABLE, why="the feed did not answer")
    told = briefed(lake_day(official=stale))
    assert lines(told, "cautions")[0] == (
        "Official warnings: unavailable: last read 4:00 AM; the feed did not answer. Look at your weather service "
        "before you launch."
    )
    never = briefed(lake_day(official=NO_FEED))
    assert "unavailable: no feed of official warnings is set up." in lines(never, "cautions")[0]
    for brief in (told, never):
        assert "o official warning" not in " ".join([*brief.headline, *lines(brief, "cautions")])


def test_known_ones_are_still_shown_when_the_feed_is_stale(briefed, lake_day, warning, some):
    stale = some(warning(), state=WarningsState.UNAVAILABLE, why="the feed did not answer")
    brief = briefed(lake_day(official=stale))
    assert brief.alerts == 1
    assert "unavailable: last read 4:00 AM; the feed did not answer. There may be newer ones." in lines(
        brief, "official"
    )[-1]  # fmt: skip


def test_without_any_weather_a_warning_still_stands_first(briefed, lake_day, warning, some):
    brief = briefed(lake_day(hourly=None, official=some(warning())))
    assert [line.partition(":")[0] for line in brief.headline] == [
        "OFFICIAL WARNING", "No call for Lake Thrennick, Tue Jul 21"
    ]  # fmt: skip


# which lake


@pytest.mark.parametrize(
    ("event", "severity", "bars_it"),
    [
        ("Severe Thunderstorm Warning", "Severe", True), ("Dense Fog Advisory", "Minor", True),
        ("Small Craft Advisory", "Minor", True), ("Heat Advisory", "Moderate", True),
        ("Gale Warning", "Moderate", True),
        ("Amtliche Warnung vor Gewitter", "Moderate", True), ("Something New", "Unknown", True), ("", "", True),
        ("Flood Advisory", "Minor", False), ("Frost Advisory", "Minor", False),
        ("Flood Warning", "Severe", True), ("Freeze Warning", "Unknown", True),
    ],
)  # fmt: skip
def test_what_bars_a_lake_from_being_called_fishable(lake, lake_day, limits, warning, some, event, severity, bars_it):
    one = warning(event=event, headline="", severity=severity)
    assert bars(one) is bars_it
    under, free = lake_day(official=some(one)), lake_day(lake("umberfold"))
    words = Words(UnitSystem.US, under.lake.zone_info)
    (choice,) = [choice for choice in choose([under, free], limits, words) if choice.lake_day is under]
    assert choice.fishable is (not bars_it)
    assert choice.why.startswith("official warning: ") is bars_it
    assert ("fishable" in choice.why) is not bars_it


def test_a_lake_under_a_warning_comes_after_one_that_is_not(lake, lake_day, limits, warning, some, briefed):
    under, free = (
        lake_day(official=some(warning())),
        lake_day(lake("umberfold"), official=some(state=WarningsState.NONE)),
    )
    brief = briefed(under, free)
    assert brief.facts["run"] == "umberfold"
    assert (brief.danger, brief.headline[0].startswith("Run Umberfold Pond")) == (False, True)
    assert lines(brief, "instead-thrennick")[0].startswith("OFFICIAL WARNING: Severe Thunderstorm Warning until 7 AM")
    assert lines(brief, "instead-thrennick")[1] == "Official warnings, as of 4:00 AM (alerts)."
    unknown = briefed(free, lake_day(lake("umberfold", id="twin"), official=NO_FEED))
    assert lines(unknown, "instead-twin")[0].startswith("Official warnings: unavailable")


# for programs


def test_the_facts(briefed, lake_day, warning, some):
    (one,) = render_payload(briefed(lake_day(official=some(warning()))))["lakes"]
    assert one["official"]["state"] == "some"
    (told,) = one["official"]["warnings"]
    assert (told["event"], told["ends"], told["web"], told["in_trip"]) == (
        "Severe Thunderstorm Warning", "2026-07-21T11:00:00Z", "https://agency.invalid/w/1", True,
    )  # fmt: skip
    assert one["fishable"] is False


@pytest.mark.parametrize("how_many", [1, 3, 60])
@pytest.mark.parametrize("long", [10, 30_000])
def test_long_texts_never_cost_the_message(briefed, lake_day, lake, warning, some, how_many, long):
    text = "Wörter\n" * (long // 7)
    many = [
        warning(id=f"w{i}", description=text, instruction=text, headline=text, event=text, web=f"https://a.invalid/{i}")
        for i in range(how_many)
    ]
    brief = briefed(lake_day(official=some(*many)), lake_day(lake("umberfold"), official=some(*many)))
    payload = fitted(render_payload(brief), MOST)
    assert len(json.dumps(payload, ensure_ascii=False).encode()) < MAX_WEBHOOK_BYTES
    Draft202012Validator(payload_schema()).validate(json.loads(json.dumps(payload)))
    assert payload["danger"]
    assert len(payload["headline"][0]) < 2 * TITLE_LENGTH
    if how_many < 60:
        told = payload["lakes"][0]["official"]["warnings"]
        assert [one["web"] for one in told] == [f"https://a.invalid/{i}" for i in range(how_many)]
    if long > 10 or how_many == 60:
        assert payload["left_out"][0] == "texts of official warnings"


# hostile texts

HOSTILE = [
    "<script>alert(1)</script>", "</p></td></tr><img src=x onerror=alert(1)>", "{{ 7 * 7 }}{% raw %}", "&lt;b&gt;",
    "{{ cycler.__init__.__globals__ }}", "' onload=\"x", "\u202egnihton\u202c", "\u2066a\u2069\u200f",
    "\x00\x07\x1b[31m",
    "\r\nBcc: x", "\u2028a\u2029b", "javascript:alert(1)", "cid:depth-strip src=\"cid:x\"",
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_text_is_only_a_text(briefed, lake_day, warning, some, text):
    fields = ("event", "headline", "description", "instruction", "web", "sender_name", "severity", "feed", "id")
    hostile = warning(**dict.fromkeys(fields, text))
    plain = render_page(briefed(lake_day(official=some(warning()))))
    brief = briefed(lake_day(official=some(hostile)))
    html = render_page(brief)
    for tag in ("<p", "<td", "<img", "<script", "<h2"):
        assert html.count(tag) == plain.count(tag)
    assert html.count("49") == plain.count("49")  # seven times seven
    for rendering in (render_text(brief), html, brief.subject, " ".join(brief.headline)):
        assert not set(rendering) & set("\u202e\u202c\u2066\u2069\x00\x07\x1b\u2028\u2029")
    assert brief.headline[0].startswith("OFFICIAL WARNING: ")
    assert "\n" not in brief.headline[0]


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_whatever_it_says_the_brief_is_made(data, lake_day, briefed, warning, some):
    words = st.text(max_size=60)
    texts = {
        name: data.draw(words)
        for name in ("event", "headline", "description", "instruction", "web", "sender_name", "severity", "feed")
    }
    state = data.draw(st.sampled_from([WarningsState.SOME, WarningsState.UNAVAILABLE]))
    official = some(warning(**texts), warning(id="w2"), state=state, why=data.draw(words))
    brief = briefed(lake_day(official=official))
    assert brief.alerts == 1
    Draft202012Validator(payload_schema()).validate(json.loads(json.dumps(render_payload(brief))))
    assert render_text(brief).startswith("OFFICIAL WARNING: ")
    assert render_page(brief).count("<p") == len(brief.headline) + sum(len(one.lines) for one in brief.sections)


def test_the_same_day_again_tells_what_became_of_them(briefed, lake_day, warning, some):
    before = render_payload(briefed(lake_day(official=some(warning()))))["lakes"][0]

    def since(official):
        return lines(briefed(lake_day(official=official, told_before=before)), "since")[0]

    assert "nothing that matters" in since(some(warning()))
    assert "new official warning: Dense Fog Advisory" in since(
        some(warning(), warning(id="w2", event="Dense Fog Advisory"))
    )
    assert "updated official warning: Severe Thunderstorm Warning" in since(some(warning(id="w2", references=("w1",))))
    assert "no longer in force for the trip: Severe Thunderstorm Warning" in since(some(state=WarningsState.NONE))
    assert "nothing that matters" in since(WarningsSeen(state=WarningsState.UNAVAILABLE, why="down"))


def test_a_turned_clock_of_the_reader(briefed, lake_day, warning, some):
    metric = briefed(replace(lake_day(official=some(warning()))), units=UnitSystem.METRIC)
    assert ", until 07:00 (Example Agency)." in metric.headline[0]
