"""Gaps in the air over a lake: what stands in for each column, what is told of it, and what cannot be had."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.errors import Refused
from bitewatch.water.forcing import at_height_hpa, forcing
from bitewatch.water.radiation import extraterrestrial_wm2
from bitewatch.weather.daily import DAILY_COLUMNS, Daily
from bitewatch.weather.humidity import saturation_vapour_hpa

NAN = np.nan


def of_year(day):
    return (day - day.astype("datetime64[Y]")).astype(float) + 1.0


def weather(days=60, first="2026-04-15", latitude=45.0, **changed):
    """Air that is always 70 % damp under a sky that always lets half of the sunshine through."""
    day = np.datetime64(first, "D") + np.arange(days)
    air = 12.0 + 6.0 * np.sin(np.arange(days) / 4.0)
    columns = {
        "shortwave_wm2": 0.5 * extraterrestrial_wm2(latitude, of_year(day)), "air_temp_c": air,
        "vapour_hpa": 0.7 * saturation_vapour_hpa(air), "wind_speed_ms": 3.0 + np.cos(np.arange(days)),
        "pressure_hpa": 1015.0 + np.sin(np.arange(days)),
    }  # fmt: skip
    return Daily(day=day, columns={name: np.array(changed.get(name, columns[name])) for name in DAILY_COLUMNS})


def without(daily, column, *gaps):
    values = daily[column].copy()
    for gap in gaps or (slice(None),):
        values[gap] = NAN
    return Daily(day=daily.day, columns={**daily.columns, column: values})


def at_45(daily, **more):
    return forcing(daily, **({"latitude": 45.0, "elevation_m": 0.0} | more))


def test_what_is_given_is_taken_as_it_is():
    daily = weather()
    told = at_45(daily)
    for name in DAILY_COLUMNS:
        np.testing.assert_array_equal(getattr(told, name), daily[name])
    assert told.notes == ()


@pytest.mark.parametrize(("height_m", "hpa"), [(0.0, 1013.25), (1000.0, 898.746), (2000.0, 794.952)])
def test_the_standard_atmosphere(height_m, hpa):
    # ICAO Doc 7488, table of the standard atmosphere (from memory)
    assert float(at_height_hpa(1013.25, height_m)) == pytest.approx(hpa, abs=0.01)


def test_pressure_is_that_at_the_height_of_the_lake():
    daily = weather()
    told = at_45(daily, elevation_m=1000.0)
    np.testing.assert_allclose(told.pressure_hpa, daily["pressure_hpa"] * 898.746 / 1013.25, atol=0.01)


def test_without_pressure_it_is_the_standard_atmosphere_and_only_a_table_without_any_tells_so():
    some = at_45(without(weather(), "pressure_hpa", slice(5, 30)), elevation_m=1000.0)
    assert some.pressure_hpa[5:30] == pytest.approx(898.746, abs=0.01)
    assert some.notes == ()
    none = at_45(without(weather(), "pressure_hpa"), elevation_m=1000.0)
    assert none.pressure_hpa == pytest.approx(898.746, abs=0.01)
    assert none.notes == ("air pressure not given: the standard atmosphere, which the water hardly feels",)


def test_a_lake_of_unknown_height_lies_at_sea_level_and_that_is_told():
    told = at_45(weather(), elevation_m=None)
    np.testing.assert_array_equal(told.pressure_hpa, weather()["pressure_hpa"])
    assert len(told.notes) == 1
    assert told.notes[0].startswith("elevation not entered")


@pytest.mark.parametrize(("days", "filled"), [(1, True), (3, True), (4, False), (9, False)])
def test_short_gaps_of_air_go_straight_across_and_long_ones_stay(days, filled):
    gap = slice(20, 20 + days)
    told = at_45(without(weather(air_temp_c=np.arange(60.0) / 3.0), "air_temp_c", gap))
    if filled:
        np.testing.assert_allclose(told.air_temp_c, np.arange(60.0) / 3.0)
        assert [note for note in told.notes if note.startswith("air temperature of")] == list(told.notes)
        assert f" {days} day" in told.notes[0]
    else:
        assert np.isnan(told.air_temp_c[gap]).all()
        assert np.isfinite(told.air_temp_c).sum() == 60 - days
        assert told.notes == ()


def test_there_is_nothing_to_go_across_to_at_the_ends():
    told = at_45(without(weather(), "air_temp_c", slice(0, 2), slice(58, 60)))
    assert np.flatnonzero(np.isnan(told.air_temp_c)).tolist() == [0, 1, 58, 59]


def test_a_short_gap_of_vapour_goes_straight_across():
    daily = weather()
    told = at_45(without(daily, "vapour_hpa", slice(30, 32)))
    np.testing.assert_allclose(
        told.vapour_hpa, np.interp(np.arange(60), np.r_[:30, 32:60], np.delete(daily["vapour_hpa"], [30, 31]))
    )
    assert told.notes == ("vapour pressure of 2 days not given: from the days around",)


def test_a_long_gap_of_vapour_keeps_the_dampness():
    daily = weather()
    told = at_45(without(daily, "vapour_hpa", slice(0, 2), slice(30, 45)))
    np.testing.assert_allclose(told.vapour_hpa, daily["vapour_hpa"], rtol=1e-12)
    assert told.notes == ("vapour pressure of 17 days not given: from its mean share of saturation",)


def test_a_week_without_radiation_keeps_the_sky():
    daily = weather()
    told = at_45(without(daily, "shortwave_wm2", slice(30, 37)))
    np.testing.assert_allclose(told.shortwave_wm2, daily["shortwave_wm2"], rtol=1e-12)
    assert told.notes == ("sunshine of 7 days not given: from the clearness of the days around",)


@pytest.mark.parametrize(("times", "clearness"), [(5.0, 0.8), (0.01, 0.1)])
def test_no_sky_is_clearer_or_darker_than_skies_are(times, clearness):
    daily = weather()
    sun = daily["shortwave_wm2"].copy()
    sun[20:45] *= times
    odd = Daily(day=daily.day, columns={**daily.columns, "shortwave_wm2": sun})
    told = at_45(without(odd, "shortwave_wm2", slice(30, 37)))
    above = extraterrestrial_wm2(45.0, of_year(daily.day))
    np.testing.assert_allclose(told.shortwave_wm2[30:37], clearness * above[30:37])
    np.testing.assert_array_equal(told.shortwave_wm2[:30], odd["shortwave_wm2"][:30])


@pytest.mark.parametrize(("times", "days", "refused"), [(0.0864, 60, True), (0.0864, 9, False), (0.3, 60, False)])
def test_sunshine_in_megajoules_is_questioned(times, days, refused):
    """1 W/m2 over a day is 0.0864 MJ/m2 (definition); a gloomy week is still weather."""
    daily = weather(days=days)
    gloomy = Daily(day=daily.day, columns={**daily.columns, "shortwave_wm2": daily["shortwave_wm2"] * times})
    if refused:
        with pytest.raises(Refused, match=r"shortwave_wm2 is 19 W/m2 in the mean.*is it in MJ/m2\?"):
            at_45(gloomy)
    else:
        np.testing.assert_array_equal(at_45(gloomy).shortwave_wm2, gloomy["shortwave_wm2"])


def test_calm_or_windy_days_that_are_missing_are_middling():
    daily = weather()
    told = at_45(without(daily, "wind_speed_ms", slice(10, 14)))
    assert told.wind_speed_ms[10:14] == pytest.approx(np.delete(daily["wind_speed_ms"], np.r_[10:14]).mean())
    assert told.notes == ("wind of 4 days not given: from its mean over the known days",)


@pytest.mark.parametrize(
    ("column", "needed"),
    [("air_temp_c", ["air_temp_c"]), ("vapour_hpa", ["dew_point_c", "humidity_pct"]),
     ("shortwave_wm2", ["shortwave_wm2", "cloud_pct"]), ("wind_speed_ms", ["wind_speed_ms"])],
)  # fmt: skip
def test_what_is_missing_throughout_is_refused_by_the_names_of_what_would_give_it(column, needed):
    with pytest.raises(Refused) as refused:
        at_45(without(weather(), column))
    assert all(name in str(refused.value) for name in needed)


def test_vapour_only_on_days_without_air_is_as_good_as_none():
    daily = without(weather(), "air_temp_c", slice(0, 30))
    with pytest.raises(Refused, match="dew_point_c"):
        at_45(without(daily, "vapour_hpa", slice(30, 60)))


def test_polar_night_is_dark_and_tells_nothing_of_the_sky_after_it():
    daily = weather(120, "2025-11-01", latitude=75.0)
    assert (daily["shortwave_wm2"] == 0.0).sum() > 60
    told = forcing(without(daily, "shortwave_wm2", slice(40, 110)), latitude=75.0, elevation_m=0.0)
    np.testing.assert_allclose(told.shortwave_wm2, daily["shortwave_wm2"], atol=1e-9)
    only_night = without(daily, "shortwave_wm2", slice(0, 40), slice(70, 120))
    told = forcing(only_night, latitude=75.0, elevation_m=0.0)
    above = extraterrestrial_wm2(75.0, of_year(daily.day))
    assert (told.shortwave_wm2 <= 0.8 * above + 1e-12).all()
    assert told.shortwave_wm2[-1] > 0.0


@given(st.integers(0, 2**32 - 1), st.floats(0.05, 0.6), st.floats(-90, 90))
@settings(max_examples=60, deadline=None)
def test_where_the_air_is_known_all_else_is_too(seed, share, latitude):
    rng = np.random.default_rng(seed)
    daily = weather(90, latitude=latitude)
    columns = {name: np.where(rng.random(90) < share, NAN, daily[name]) for name in DAILY_COLUMNS}
    told = forcing(Daily(day=daily.day, columns=columns), latitude=latitude, elevation_m=300.0)
    known = np.isfinite(told.air_temp_c)
    assert known.sum() >= np.isfinite(columns["air_temp_c"]).sum()
    for name in DAILY_COLUMNS:
        values = getattr(told, name)
        assert np.isfinite(values[known]).all()
        given_before = np.isfinite(columns[name])
        if name != "pressure_hpa":
            np.testing.assert_array_equal(values[given_before], columns[name][given_before])
    assert (told.shortwave_wm2 >= 0.0).all()
    assert (told.wind_speed_ms > 0.0).all()
