from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from bitewatch.brief.cautions import BoatLimits, cautions, rough_from
from bitewatch.brief.words import Words
from bitewatch.units import MS_PER_MPH, UnitSystem, c_from_f
from bitewatch.water.season import Season, SeasonLine, SeasonStage

NO_SEASON = Season()
WORDS = Words(UnitSystem.US, ZoneInfo("America/New_York"))
MILD = {
    "wind_speed_ms": 3.0, "wind_gust_ms": 4.0, "cape_jkg": 100.0, "air_temp_c": 22.0, "dew_point_c": 12.0,
    "humidity_pct": 53.0,
}  # fmt: skip


@pytest.fixture
def heeded(with_columns, trip_hours, lake, lake_day, limits):
    """Cautions of a mild morning under a low sun, with some columns of its trip hours and things about the lake set
    otherwise; the water is as told, in degF, else not known."""

    def make(*, lake_id="thrennick", limits=limits, profile=None, water_f=np.nan, water_sd_f=0.0, sun_deg=25.0,
             season=NO_SEASON, words=WORDS, **columns):  # fmt: skip
        day = lake_day(lake(lake_id, **(profile or {})), hourly=with_columns(at=trip_hours, **MILD | columns))
        outlook = day.outlook
        same = np.ones(outlook.hourly.time.shape)
        hours = replace(outlook.water.hours, value_c=same * c_from_f(water_f), sd_c=same * water_sd_f / 1.8)
        sun = replace(outlook.sun, elevation_deg=same * sun_deg)
        outlook = replace(outlook, water=replace(outlook.water, hours=hours, raw=hours), sun=sun)
        return cautions(replace(day, outlook=outlook, season=season), limits, words)

    return make


def test_nothing_to_heed_on_a_mild_morning(heeded):
    assert heeded() == ()


def test_wind_over_the_limit_is_a_danger(heeded):
    (found,) = heeded(wind_speed_ms=9.0, wind_gust_ms=14.0)
    assert found.danger
    assert found.short == "wind to 20 mph, gusts 31 mph, waves about 0.5 ft where they run longest, over your boat's " \
        "limit from the start"  # fmt: skip


def test_wind_at_the_limit_is_none(heeded):
    assert heeded(wind_speed_ms=8.0, wind_gust_ms=9.0, limits=BoatLimits(max_wave_m=5, max_wind_ms=8.0)) == ()


def test_waves_alone_are_a_danger(heeded):
    (found,) = heeded(wind_speed_ms=6.0, wind_gust_ms=7.0, limits=BoatLimits(max_wave_m=0.1, max_wind_ms=8.0))
    assert found.danger
    assert "over your boat's limit" in found.text


@pytest.mark.parametrize(
    ("wind_ms", "wave_m", "preset", "whose"),
    [(9.0, 5.0, "wind", "the preset limit for small boats"), (9.0, 5.0, "wave", "your boat's limit"),
     (6.0, 0.1, "wave", "the preset limit for small boats"), (6.0, 0.1, "wind", "your boat's limit")],
)  # fmt: skip
def test_nobody_is_told_that_a_limit_is_theirs_which_they_never_set(heeded, wind_ms, wave_m, preset, whose):
    limits = BoatLimits(
        max_wave_m=wave_m, max_wind_ms=8.0, wave_is_preset=preset == "wave", wind_is_preset=preset == "wind"
    )
    (found,) = heeded(wind_speed_ms=wind_ms, wind_gust_ms=wind_ms, limits=limits)
    assert f"over {whose}" in found.text


def test_gusts_alone_are_a_danger(heeded):
    (found,) = heeded(wind_speed_ms=3.0, wind_gust_ms=12.5)
    assert found.danger
    assert "gusts 28 mph" in found.short


def test_from_when_it_is_rough(with_columns, trip_hours, lake, lake_day, limits):
    late = slice(trip_hours.start + 3, trip_hours.stop)
    day = lake_day(hourly=with_columns(at=late, wind_speed_ms=12.0))
    assert day.outlook is not None
    assert rough_from(day.outlook, limits) == late.start
    (found,) = [one for one in cautions(day, limits, WORDS) if "limit" in one.short]
    assert "from about 9 AM" in found.short
    assert rough_from(lake_day(hourly=with_columns(wind_speed_ms=1.0)).outlook, limits) is None


@pytest.mark.parametrize(("cape", "told"), [(999.0, 0), (1000.0, 1), (np.nan, 0)])
def test_storms(heeded, cape, told):
    found = heeded(cape_jkg=cape)
    assert len(found) == told
    for one in found:
        assert one.danger
        assert "no source gives one" in one.text


#: weather.gov, "Cold Water Hazards and Safety": caution below 70 degF; 50-60 degF is at once life-threatening
@pytest.mark.parametrize(("water_f", "danger"), [(70.5, None), (69.5, False), (60.5, False), (59.5, True), (40, True)])
def test_cold_water(heeded, water_f, danger):
    found = heeded(water_f=water_f)
    assert [one.danger for one in found] == ([] if danger is None else [danger])


def test_cold_water_is_judged_by_its_colder_end(heeded):
    (found,) = heeded(water_f=62.0, water_sd_f=3.0)
    assert found.danger
    assert found.text.startswith("water of 62 °F, perhaps only 59 °F, can take your breath within a minute")
    assert heeded(water_f=62.0, water_sd_f=1.0)[0].danger is False
    assert [one.kind for one in heeded(water_f=71.0, water_sd_f=1.5)] == ["cold water"]


def test_unknown_water_is_neither_cold_nor_warm(heeded):
    assert heeded(water_f=np.nan) == ()


#: NWS heat index chart: 90-103 extreme caution, 103-124 danger, from 125 extreme danger; the index is the chart's entry
@pytest.mark.parametrize(
    ("air_f", "humidity", "level", "danger"),
    [
        (80, 40, None, False), (88, 60, "extreme caution", False), (90, 70, "danger", True), (96, 65, "danger", True),
        (100, 55, "danger", True), (104, 55, "extreme danger", True),
    ],
)  # fmt: skip
def test_heat(heeded, air_f, humidity, level, danger):
    found = heeded(air_temp_c=c_from_f(float(air_f)), humidity_pct=humidity)
    assert len(found) == (level is not None)
    for one in found:
        assert f"({level} on the US weather service's heat chart)" in one.text
        assert "up to 15 °F more in full sun" in one.text
        assert one.danger is danger


def test_heat_in_metric_words(heeded):
    (found,) = heeded(air_temp_c=35.0, humidity_pct=50.0, words=Words(UnitSystem.METRIC, WORDS.zone))
    assert "up to 8 °C more in full sun" in found.text  # 15 degF
    assert "°F" not in found.text


def test_fog_in_damp_still_air(heeded):
    (found,) = heeded(air_temp_c=15.0, dew_point_c=14.5, wind_speed_ms=1.0, wind_gust_ms=2.0)
    assert (found.short, found.danger) == ("fog possible", False)
    assert heeded(air_temp_c=15.0, dew_point_c=14.5, wind_speed_ms=3.0) == ()


#: own rule: air ten degrees colder than the water, and light wind
@pytest.mark.parametrize(("air_c", "wind_ms", "told"), [(9.5, 3.0, True), (10.5, 3.0, False), (9.5, 6.0, False)])
def test_steam_fog_over_warm_water(heeded, air_c, wind_ms, told):
    found = heeded(water_f=68.5, air_temp_c=air_c, dew_point_c=air_c - 4.0, wind_speed_ms=wind_ms)  # 20.3 degC
    assert ["fog possible" in one.short for one in found if one.kind == "fog"] == ([True] if told else [])
    for one in found:
        if one.kind == "fog":
            assert one.text.startswith("air much colder than the water about 6 AM")


def test_warm_water_spares_the_fish(heeded):
    (found,) = heeded(water_f=80.5, water_sd_f=2.0)
    assert not found.danger
    assert "common practice, from memory" in found.text
    assert heeded(water_f=79, water_sd_f=4.0) == ()


#: EPA scale: 6 and 7 are high, from 8 very high; the index by height of the sun, from tests/weather/test_ultraviolet.py
@pytest.mark.parametrize(("sun_deg", "told"), [(20.0, None), (45.0, None), (52.0, "7, high"), (60.0, "9, very high")])
def test_strong_sun(heeded, sun_deg, told):
    found = heeded(sun_deg=sun_deg)
    assert len(found) == (told is not None)
    for one in found:
        assert told in one.text
        assert "under a clear sky" in one.text
        assert not one.danger


def test_the_sun_does_not_drown_a_danger(heeded):
    assert [one.kind for one in heeded(sun_deg=60.0, water_f=81)] == ["warm water", "sun"]
    assert [one.kind for one in heeded(sun_deg=60.0, cape_jkg=2500.0)] == ["storms", "sun"]


def test_ice_is_a_danger(heeded, lake_day):
    line = SeasonLine(
        stage=SeasonStage.ICE_UP, words="ice may be forming; ice of unknown thickness is a danger", source="x"
    )
    (found,) = heeded(season=Season(lines=(line,), may_freeze=True))
    assert (found.kind, found.short, found.text, found.danger) == ("ice", "ice may be on the lake", line.words, True)
    frozen = Season(lines=(replace(line, stage=SeasonStage.ICE),), over=True)
    (found,) = cautions(replace(lake_day(hourly=None), season=frozen), BoatLimits(max_wave_m=1, max_wind_ms=9), WORDS)
    assert (found.short, found.danger) == ("ice on the lake", True)


def test_deep_fish_are_not_caught_to_release(heeded):
    found = heeded(lake_id="skarrow", profile={"spot": [{"name": "Ledge", "kind": "rock", "depth_ft": 45}]})
    assert [one.short for one in found] == ["deep fish do not survive release"]


def test_danger_stands_first(heeded):
    found = heeded(wind_speed_ms=12.0, cape_jkg=2500.0, water_f=81)
    assert [one.danger for one in found] == [True, True, False]


def test_without_weather_nothing_is_said(lake_day, limits):
    assert cautions(lake_day(hourly=None), limits, WORDS) == ()


def test_missing_hours_are_no_danger_and_no_error(heeded):
    """What cannot be seen is told under "not known", see tests/service/test_evaluate.py."""
    nothing = dict.fromkeys(("wind_gust_ms", "cape_jkg", "dew_point_c", "humidity_pct"), np.nan)
    assert heeded(**nothing) == ()


def test_limits_hold_in_the_unit_they_were_written_in(heeded):
    limit = BoatLimits(max_wave_m=5.0, max_wind_ms=18 * MS_PER_MPH)
    assert heeded(wind_speed_ms=17.9 * MS_PER_MPH, wind_gust_ms=18 * MS_PER_MPH, limits=limit) == ()
    assert heeded(wind_speed_ms=18.1 * MS_PER_MPH, wind_gust_ms=19 * MS_PER_MPH, limits=limit)[0].danger


def test_a_rock_lake_is_spoken_to_as_one(lake_day, lake, limits):
    day = lake_day(lake("skarrow"))
    deep = replace(day, lake=day.lake)
    for one in cautions(deep, limits, WORDS):
        assert "weeds" not in one.text


def test_what_is_too_unsure_to_tell_is_still_a_danger(heeded):
    """At ice-out the spread is three degrees and more: the water is cold all the same."""
    (found,) = [one for one in heeded(water_f=39.0, water_sd_f=7.0) if one.kind == "cold water"]
    assert found.danger
    assert not [one for one in heeded(water_f=75.0, water_sd_f=12.0) if one.kind == "cold water"]  # nor cry wolf
