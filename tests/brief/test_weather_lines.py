"""How old the weather is, where it comes from, and who must be named for it."""

from dataclasses import replace
from datetime import timedelta

import pytest

from bitewatch.brief.lake_day import Freshness
from bitewatch.brief.page import render_page
from bitewatch.brief.text import render_text


@pytest.fixture
def seen(lake_day):
    """The lake's day with its weather known otherwise."""

    def make(hours_old=1.0, **changed):
        day = lake_day()
        return replace(
            day, weather=replace(day.weather, retrieved_at=day.now - timedelta(hours=hours_old), **changed)
        )  # fmt: skip

    return make


def lines(brief, key):
    return next((one.lines for one in brief.sections if one.key == key), ())


def test_an_old_forecast_says_so_in_the_first_lines_and_in_the_doubts(briefed, seen):
    brief = briefed(seen(9.2, freshness=Freshness.USABLE))
    assert brief.headline[-1].endswith("check before you launch. The forecast is 9 hours old.")
    assert "The forecast is 9 hours old." in lines(brief, "doubts")
    assert lines(brief, "source")[0].endswith("received Mon Jul 20 6:48 PM.")
    fresh = briefed(seen(5.9))
    assert "hours old" not in render_text(fresh)
    assert lines(fresh, "source")[0].endswith("received Mon Jul 20 10:06 PM.")
    assert lines(briefed(seen()), "source")[0].endswith("received 3:00 AM.")


def test_an_old_forecast_is_told_under_a_danger_too(briefed, seen, limits):
    day = seen(9.0, freshness=Freshness.USABLE)
    brief = briefed(day, limits=replace(limits, max_wind_ms=1.0))
    assert brief.headline[0].startswith("DANGER: ")
    assert brief.headline[-1].endswith("The forecast is 9 hours old.")


def test_a_switch_is_a_notice(briefed, seen):
    brief = briefed(seen(source="met-norway", switched_from="open-meteo"), notices=("It is late.",))
    assert lines(brief, "notice") == ("It is late.", "Weather now from met-norway, in place of open-meteo.")
    assert lines(briefed(seen()), "notice") == ()
    assert brief.facts["lakes"][0]["weather"]["switched_from"] == "open-meteo"


def test_what_filled_the_past_is_a_doubt(briefed, seen):
    filled = ("12 past hours are measured at KXYZ, without their pressure", "gusts from nws")
    doubts = lines(briefed(seen(filled=filled)), "doubts")
    assert "12 past hours are measured at KXYZ, without their pressure." in doubts
    assert "Gusts from nws." in doubts


def test_every_source_is_named_once(briefed, seen, lake_day, lake):
    both = seen(attribution="Forecast by A · Stations by B")
    other = replace(lake_day(lake("umberfold")), weather=replace(both.weather, attribution="Stations by B"))
    brief = briefed(both, other)
    assert brief.attributions == ("Forecast by A", "Stations by B")
    for line in brief.attributions:
        assert render_text(brief).count(line) == 1
        assert render_page(brief).count(line) == 1
