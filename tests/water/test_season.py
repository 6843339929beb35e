from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.declared import declare
from bitewatch.lake.profile import DepthProfile, Species
from bitewatch.position.rulebook import default_book
from bitewatch.water import season
from bitewatch.water.season import SPAWNING, Season, SeasonStage, mixes_with, northern_day, season_at, spawning_days

TURNING = (SeasonStage.TURNOVER, SeasonStage.TURNED_OVER)
YEAR = np.arange("2026-01-01", "2027-01-01", dtype="datetime64[D]")
NOT_KNOWN = np.zeros(0, "datetime64[D]")


def year_c(coldest=0.0, warmest=25.0, *, latest=205):
    """A year of water: a wave with its crest on a day of the year, floored at the freezing point."""
    wave = np.cos(2 * np.pi * (np.arange(365) + 1 - latest) / 365)
    return np.maximum(0.0, 0.5 * (coldest + warmest) + 0.5 * (warmest - coldest) * wave)


@pytest.fixture
def told():
    """The season on a day, of a wave of a year or of one temperature held for weeks."""

    def make(on, surface=None, *, sd=0.5, latitude=45.0, layered=True, **more):
        on = date.fromisoformat(on)
        series = year_c() if surface is None else np.broadcast_to(np.asarray(surface, float), YEAR.shape)
        return season_at(
            on, day=YEAR, surface_c=series, sd_c=np.full(YEAR.shape, sd), latitude=latitude, layered=layered, **more
        )

    return make


def stages(said):
    return [line.stage for line in said.lines]


def half_on(rule, variable):
    """Where a rule's limits stand at one half, on both sides."""
    (found,) = [one for one in default_book().rule if one.id == rule]
    a, b, c, d = found.when[variable]
    return (a + b) / 2, (c + d) / 2


@pytest.mark.parametrize(
    ("species", "rule"), [(Species.CRAPPIE, "crappie-spawning"), (Species.BLUEGILL, "bluegill-spawning")]
)
def test_windows_are_those_of_the_rules(species, rule):
    known = SPAWNING[species]
    assert (known.first_day, known.last_day) == half_on(rule, "day_of_year")
    begins, ends = half_on(rule, "water_temp_c")
    assert known.ends_c == ends
    assert known.begins_c == pytest.approx(begins, abs=0.5)  # 16 and 20 degC by the agency's onset, told in degF


def test_die_back_is_that_of_the_rule():
    assert half_on("autumn-weed-dieback", "day_of_year")[0] == season.DIE_BACK_DAY
    assert half_on("autumn-weed-dieback", "water_temp_c")[1] == season.DIE_BACK_C


def test_a_year_goes_through_its_stages_in_order(told):
    seen = list(dict.fromkeys(stage for day in YEAR[1:] for stage in stages(told(str(day), year_c(-6.0, 25.0)))))
    assert seen == [
        SeasonStage.ICE, SeasonStage.BEFORE_SPAWNING, SeasonStage.ICE_UP, SeasonStage.CRAPPIE_SPAWNING,
        SeasonStage.BLUEGILL_SPAWNING, SeasonStage.SUMMER, SeasonStage.COOLING, SeasonStage.DIE_BACK,
        SeasonStage.TURNOVER, SeasonStage.TURNED_OVER,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("on", "surface", "stage"),
    [
        ("2026-05-20", 18.0, [SeasonStage.CRAPPIE_SPAWNING]),
        ("2026-05-20", 21.0, [SeasonStage.CRAPPIE_SPAWNING, SeasonStage.BLUEGILL_SPAWNING]),
        ("2026-06-30", 25.0, [SeasonStage.BLUEGILL_SPAWNING]),
        ("2026-04-05", 18.0, [SeasonStage.BEFORE_SPAWNING]),  # the calendar holds it
        ("2026-05-20", 12.0, [SeasonStage.BEFORE_SPAWNING]),
        ("2026-07-25", 21.0, [SeasonStage.SUMMER]),
        ("2026-08-20", 25.0, [SeasonStage.SUMMER]),
    ],
)
def test_stages_by_water_and_calendar(told, on, surface, stage):
    assert stages(told(on, surface)) == stage


def test_near_a_limit_it_only_may_be(told):
    (line,) = told("2026-05-20", 16.4, sd=0.9).lines
    assert line.words == "crappie may be spawning, by the water and the calendar"
    (line,) = told("2026-05-20", 16.4, sd=0.2).lines
    assert "should" in line.words
    (line,) = told("2026-05-20", 15.6, sd=0.9).lines
    assert "may" in line.words


def test_a_spring_of_early_warmth_moves_spawning_by_few_days():
    """Siefert 1968: 4.5 degC colder, three days later. Water alone would move it by three weeks here; the calendar
    holds the early side."""
    begins = [
        int(np.flatnonzero(spawning_days(Species.CRAPPIE, YEAR, surface, 45.0))[0]) + 1
        for surface in (year_c(4.0, 29.0), year_c(8.5, 33.5))
    ]
    crossed = [int(np.flatnonzero(surface >= 16.0)[0]) + 1 for surface in (year_c(4.0, 29.0), year_c(8.5, 33.5))]
    assert crossed[0] - crossed[1] > 15
    assert begins[0] - begins[1] < crossed[0] - crossed[1]
    assert min(begins) >= 100


def test_south_of_the_equator_it_is_half_a_year_later(told):
    assert northern_day(date(2026, 11, 19), -38.0) == northern_day(date(2026, 5, 20), 38.0)
    said = told("2026-11-19", 18.0, latitude=-38.0)
    assert stages(said) == [SeasonStage.CRAPPIE_SPAWNING]
    assert "northern hemisphere" in said.outside
    assert said.trust == 0.5
    assert stages(told("2026-05-20", 18.0, latitude=-38.0)) != [SeasonStage.CRAPPIE_SPAWNING]


@pytest.mark.parametrize("latitude", [0.0, 12.0, -15.0, 23.4])
def test_the_tropics_are_not_of_the_rules(told, latitude):
    said = told("2026-05-20", 28.0, latitude=latitude)
    assert "tropics" in said.outside
    assert (said.over, said.may_freeze) == (False, False)


def test_inside_the_season_the_rules_are_trusted(told):
    said = told("2026-07-10", 24.0)
    assert (said.outside, said.trust) == ("", 1.0)


@pytest.mark.parametrize("on", ["2026-04-20", "2026-11-10"])
def test_cold_water_is_outside_the_season_of_the_rules(told, on):
    assert told(on, 7.0).trust == 0.5
    assert told(on, 9.0).trust == 1.0


def test_one_cool_day_is_no_autumn(told):
    surface = np.full(365, 25.0)
    surface[241] = 21.0
    assert stages(told("2026-08-30", surface)) == [SeasonStage.SUMMER]


def test_cooling_is_told_from_two_degrees_under_the_warmest_week(told):
    surface = np.full(365, 25.0)
    surface[235:] = 23.5
    assert stages(told("2026-08-30", surface)) == [SeasonStage.SUMMER]
    surface[235:] = 22.5
    assert stages(told("2026-08-30", surface)) == [SeasonStage.COOLING]
    surface[100:104] = 40.0  # three wild days in spring make no week
    surface[104:235], surface[235:] = 24.0, 22.5
    assert SeasonStage.COOLING in stages(told("2026-08-30", surface))


def test_a_lake_turns_over_when_its_surface_is_as_heavy_as_its_deep_water(told):
    """Tables of EOS-80 at zero salinity (from memory), in kg/m3: 6 degC 999.943, 8 degC 999.851, 9 degC 999.783: over a
    bottom of 6 degC, water of 8 is within the 0.1 that keeps layers apart, and water of 9 is not."""
    assert mixes_with(np.array([10.0, 9.0, 8.0, 4.0, 1.0]), 6.0).tolist() == [False, False, True, True, True]
    assert _turnover_words(told("2026-10-20", 12.0)) == ""
    assert [told(on, surface).turned_over for on, surface in (("2026-10-25", 9.0), ("2026-11-05", 5.5))] == [
        False,
        True,
    ]
    assert "may be turning over" in _turnover_words(told("2026-10-25", 9.0))
    assert "should have turned over" in _turnover_words(told("2026-11-05", 5.5))
    assert _turnover_words(told("2026-11-05", 5.5, layered=False)) == ""
    assert _turnover_words(told("2026-11-05", 5.5, layered=None)) == ""


def test_a_turnover_is_told_with_its_length_and_before_it_that_it_is_still_to_come(told):
    surface = np.full(365, 24.0)
    surface[260:280], surface[280:] = 14.0, 8.5
    (cooling,) = [line for line in told("2026-09-25", surface).lines if line.stage is SeasonStage.COOLING]
    assert cooling.words.endswith("has not turned over yet")
    cooling, *_ = told("2026-09-25", surface, layered=False).lines
    assert cooling.words == "the lake is cooling for the autumn"
    assert _turnover_words(told("2026-10-08", surface)) == "the lake may be turning over"
    assert _turnover_words(told("2026-10-13", surface)) == "the lake may be turning over, for about 5 days now"


def _turnover_words(said):
    return " ".join(line.words for line in said.lines if line.stage in TURNING)


def test_a_probe_tells_how_cold_the_deep_water_is(told):
    def probe(on, deepest):
        table = {"on": date.fromisoformat(on), "depth_m": [0, 10, 20], "water_temp_c": [24.0, 15.0, deepest]}
        return declare(DepthProfile, table, file="x")

    assert "should have" in _turnover_words(told("2026-10-10", 11.5, profiles=(probe("2026-08-01", 12.0),)))
    assert _turnover_words(told("2026-10-10", 11.5, profiles=(probe("2025-08-01", 12.0),))) == ""  # of another year
    assert _turnover_words(told("2026-10-10", 11.5, profiles=(probe("2026-11-01", 12.0),))) == ""  # not known yet
    (line,) = [
        one for one in told("2026-10-10", 11.5, profiles=(probe("2026-08-01", 12.0),)).lines if one.stage in TURNING
    ]
    assert "your profile" in line.source


def test_two_days_at_the_freezing_point_end_the_season(told):
    surface = np.full(365, 3.0)
    surface[330:] = 0.3
    assert not told("2026-11-27", surface).over  # one day
    said = told("2026-11-28", surface)
    assert said.over
    assert "danger" in said.ice.words
    surface[330] = np.nan
    assert not told("2026-11-28", surface).over


def test_no_ice_in_summer(told):
    said = told("2026-07-10", 0.1)
    assert (said.over, said.may_freeze) == (False, False)


def test_ice_that_cannot_be_ruled_out_is_a_caution(told):
    said = told("2026-11-20", 2.0, sd=0.9)
    assert (said.over, said.may_freeze) == (False, True)
    assert said.ice.words == "ice may be forming; ice of unknown thickness is a danger"
    assert told("2026-04-05", 2.0, sd=0.9).ice.words.startswith("ice may still be there")
    assert not told("2026-11-20", 4.0, sd=0.9).may_freeze
    assert told("2026-11-20", 4.0, sd=0.9).ice is None


def test_before_the_ice_is_out_there_is_no_season(told):
    said = told("2026-04-10", 4.0, ice_out=date(2026, 4, 22))
    assert (said.over, said.ice.source) == (True, "as entered")
    assert not told("2026-04-22", 4.0, ice_out=date(2026, 4, 22)).over
    assert not told("2026-12-10", 4.0, ice_out=date(2026, 4, 22)).over


def test_the_owners_word_that_the_ice_is_out_outweighs_the_model(told):
    assert told("2026-04-25", 0.2).over
    said = told("2026-04-25", 0.2, ice_out=date(2026, 4, 22))
    assert (said.over, said.may_freeze) == (False, False)
    assert told("2026-12-10", 0.2, ice_out=date(2026, 4, 22)).over


def test_far_north_in_december(told):
    assert told("2026-12-15", year_c(-10.0, 20.0), latitude=60.0).over


def test_water_that_is_not_known(told):
    def unknown(on, latitude):
        return season_at(on, day=NOT_KNOWN, surface_c=np.zeros(0), sd_c=np.zeros(0), latitude=latitude, layered=None)

    assert unknown(date(2026, 12, 15), 60.0).may_freeze
    assert unknown(date(2026, 6, 15), -45.0).may_freeze
    assert unknown(date(2026, 7, 15), 60.0) == Season()
    assert unknown(date(2026, 12, 15), 30.0) == Season()
    assert told("2026-07-15", np.full(365, np.nan)) == Season()


def test_what_was_known_last_week_is_not_known_today(told):
    surface = year_c()
    surface[190:] = np.nan
    assert stages(told("2026-07-12", surface)) == stages(told("2026-07-09"))
    assert told("2026-07-20", surface) == Season()


def test_later_days_are_not_looked_at(told):
    surface = year_c()
    later = surface.copy()
    later[250:] = 0.0
    assert told("2026-09-07", later) == told("2026-09-07", surface)


@given(
    on=st.integers(0, 364), latitude=st.floats(-90, 90), gaps=st.lists(st.integers(0, 364), max_size=300),
    layered=st.sampled_from([True, False, None]), warmest=st.floats(0, 33), sd=st.floats(0, 4),
)  # fmt: skip
def test_whatever_is_missing_words_are_words(on, latitude, gaps, layered, warmest, sd):
    surface = year_c(-8.0, warmest)
    surface[gaps] = np.nan
    spread = np.where(np.isfinite(surface), sd, np.nan)
    said = season_at(
        date(2026, 1, 1) + timedelta(days=on), day=YEAR, surface_c=surface, sd_c=spread, latitude=latitude,
        layered=layered,
    )  # fmt: skip
    for line in said.lines:
        assert line.words
        assert line.source
        assert "nan" not in f"{line.words} {line.source}"
    assert said.over <= (said.ice is not None)
    assert said.may_freeze <= (said.ice is not None)
    assert len(set(stages(said))) == len(said.lines)


def test_turning_over_is_counted_from_this_autumn_on():
    """Cold April days are no turnover of November."""
    day = np.arange("2026-04-01", "2026-11-21", dtype="datetime64[D]")
    surface = 4.0 + 20.0 * np.sin(np.pi * np.arange(day.size) / (day.size + 14))
    said = season_at(
        date(2026, 11, 20), day=day, surface_c=surface, sd_c=np.full(day.size, 0.9), latitude=45.0, layered=True
    )
    (line,) = [one for one in said.lines if one.stage in TURNING]
    days = [int(word) for word in line.words.split() if word.isdigit()]
    assert all(count < 40 for count in days)
