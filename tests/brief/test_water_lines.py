"""The water in sentences: no finer than it is known, and nothing of what is not known."""

from dataclasses import replace

import numpy as np
import pytest

from bitewatch.brief.cautions import BoatLimits
from bitewatch.brief.compose import compose
from bitewatch.presentation.technique import techniques
from bitewatch.units import UnitSystem
from bitewatch.water.degree_days import DaysAhead
from bitewatch.water.lake_water import WaterHours
from bitewatch.water.oxygen import Known, OxygenMargin
from bitewatch.water.season import Season, SeasonLine, SeasonStage


@pytest.fixture
def water(briefed, lake_day):
    """The lines about the water of a day on which that is known of it."""

    def make(value=23.0, sd=0.6, change=-1.1, change_sd=0.5, lake=None, **seen):
        day = lake_day() if lake is None else lake_day(lake)
        assert day.outlook is not None
        shape = day.outlook.hourly.time.shape
        hours = WaterHours(
            value_c=np.full(shape, value), sd_c=np.full(shape, sd), change_3d_c=np.full(shape, change),
            change_sd_c=np.full(shape, change_sd),
        )  # fmt: skip
        told = replace(day.outlook.water, **({"hours": hours, "ahead": None, "season": Season(), "doubts": ()} | seen))
        brief = briefed(replace(day, outlook=replace(day.outlook, water=told)))
        return next((section.lines for section in brief.sections if section.key == "water"), ())

    return make


def test_warmth_change_and_spread(water):
    line = water()[0]
    assert line.startswith("Water 73 °F at the start, give or take 1 °F, down 2 °F since Saturday (give or take ")
    assert water(change=2.3)[0].count("up 4 °F since Saturday") == 1


def test_light_that_is_not_known_all_day_is_not_told_as_dark(lake_day, hours, lake, briefed):
    def light(columns):
        told = lake_day(lake("thrennick"), hourly=replace(hours, columns=hours.columns | columns))
        lines = next(section.lines for section in briefed(told).sections if section.key == "water")
        return next(line for line in lines if line.startswith("Light at the weed tops"))

    unknown = np.full(hours.time.shape, np.nan)
    assert "bright from about 9 AM to about 5 PM" in light({})
    assert "never bright" in light({"shortwave_wm2": np.zeros(hours.time.shape)})
    assert light({"shortwave_wm2": unknown, "cloud_pct": unknown}).endswith("at the start, later not known.")


@pytest.mark.parametrize(("change", "change_sd"), [(0.1, 0.5), (-0.3, 0.8), (0.0, 0.0)])
def test_a_small_change_is_told_as_little(water, change, change_sd):
    assert ", little changed since Saturday" in water(change=change, change_sd=change_sd)[0]


@pytest.mark.parametrize(
    ("days", "words"),
    [(6.2, ", 6 days ahead of normal (single years lie 4 either side of it)"), (-1.2, ", 1 day behind normal"),
     (0.3, ", on the day of normal")],
)  # fmt: skip
def test_days_ahead_of_normal(water, days, words):
    assert words in water(ahead=DaysAhead(days=days, sd_days=4.2, seasons=11))[0]


def test_what_is_not_known_is_not_told(water):
    lines = water(
        value=np.nan, sd=np.nan, change=np.nan, change_sd=np.nan, thermocline_m=np.nan, layered=None,
        oxygen=OxygenMargin(margin_m=np.nan, known=Known.MISSING, words=""),
    )  # fmt: skip
    text = " ".join(lines)
    assert "nan" not in text.lower()
    for word in ("Water 7", "thermocline", "xygen"):
        assert word not in text


def test_layers_and_oxygen(water):
    lines = water(
        layered=True, mixed_m=3.0, thermocline_m=5.0, thermocline_range_m=(3.65, 6.35),
        oxygen=OxygenMargin(margin_m=-0.9, known=Known.GUESSED, words="a guess"),
    )  # fmt: skip
    assert "Mixed to about 10 ft, thermocline likely at 12-21 ft." in lines
    assert "Oxygen ends 3 ft above the weed edge (a guess from the layers)." in lines
    assert "The lake is too shallow to layer." in water(layered=False, thermocline_m=np.nan)


def test_the_season_with_its_source_but_ice_stands_with_the_cautions(water):
    season = Season(
        may_freeze=True,
        lines=(
            SeasonLine(stage=SeasonStage.DIE_BACK, words="weeds are dying back", source="common practice"),
            SeasonLine(stage=SeasonStage.ICE_UP, words="ice may be forming", source="own model"),
        ),
    )
    lines = water(season=season)
    assert "Weeds are dying back (common practice)." in lines
    assert not any("ice may" in line.lower() for line in lines)


def test_out_of_the_season_of_the_rules_the_doubt_is_said(water):
    lines = water(season=Season(outside="the water is colder than in the season that the rules are of"))
    assert lines[-1].endswith("the call leans on the rules only by half.")


def test_a_lake_whose_season_is_over_gets_no_call_and_the_ice_is_told(lake_day):
    ice = SeasonLine(stage=SeasonStage.ICE, words="the lake is at the freezing point", source="own model")
    season = Season(over=True, lines=(ice,))
    day = replace(lake_day(hourly=None), season=season, no_call="its season is over")
    brief = compose(
        [day], table=techniques(), limits=BoatLimits(max_wave_m=0.3, max_wind_ms=8.0), units=UnitSystem.US
    )  # fmt: skip
    assert any("its season is over" in line for line in brief.headline)
    assert brief.facts["lakes"][0]["season_over"] == "the lake is at the freezing point"
    cautions = next(section.lines for section in brief.sections if section.key == "cautions")
    assert any(line.startswith("DANGER: The lake is at the freezing point") for line in cautions)
