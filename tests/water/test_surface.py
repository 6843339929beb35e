"""The seasons of one lake: where each starts, how wide the start is, and what is told of it."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.errors import Refused
from bitewatch.water.forcing import forcing
from bitewatch.water.slab import Basin, march
from bitewatch.water.surface import season_of, surface
from bitewatch.weather.daily import DAILY_COLUMNS, Daily

POND = Basin(area_km2=1.0, mean_depth_m=5.0, secchi_m=2.0)
HALF_A_YEAR = np.timedelta64(183, "D")
GAP = ("2026-06-01", "2026-06-08")


def weather(first, last, *, south=False, warmer=0.0, swing=15.0, without=()):
    """A year's wave of weather as at 43 degrees, both days included, without air between two days."""
    day = np.arange(np.datetime64(first, "D"), np.datetime64(last, "D") + 1)
    northern = day + HALF_A_YEAR if south else day
    turn = 2 * np.pi * ((northern - northern.astype("datetime64[Y]")).astype(float) + 1.0) / 365.25
    air = 8.0 + warmer - swing * np.cos(turn - 0.34)
    columns = {
        "shortwave_wm2": 185.0 - 120.0 * np.cos(turn + 0.17), "air_temp_c": air,
        "vapour_hpa": 0.7 * 6.112 * np.exp(17.62 * air / (243.12 + air)), "wind_speed_ms": np.full(day.size, 4.0),
        "pressure_hpa": np.full(day.size, 1015.0),
    }  # fmt: skip
    if without:
        columns["air_temp_c"] = np.where(
            (day >= np.datetime64(without[0])) & (day < np.datetime64(without[1])), np.nan, air
        )
    return Daily(day=day, columns=columns)


def lake(daily, **more):
    return surface(daily, **({"basin": POND, "latitude": 43.0, "elevation_m": 300.0} | more))


def on(found, day):
    at = int((np.datetime64(day) - found.day[0]).astype(int))
    return found.model_c[at], found.start_sd_c[at]


def first_known(found):
    return str(found.day[np.isfinite(found.model_c)][0])


def marched(daily, first, last, start_c, *, latitude=43.0, basin=POND):
    """What one start on one day comes to, straight from the march."""
    given_air = forcing(daily.within(np.datetime64(first), np.datetime64(last)), latitude=latitude, elevation_m=300.0)
    columns = {name: getattr(given_air, name) for name in DAILY_COLUMNS}
    return march(latitude=latitude, day=given_air.day, **columns, basin=basin, start_c=start_c)


def test_seasons_turn_in_spring():
    days = np.array(["2026-03-31", "2026-04-01", "2026-10-01", "1969-12-31"], "datetime64[D]")
    assert season_of(days, 43.0).tolist() == [2025, 2026, 2026, 1969]
    assert season_of(days, -43.0).tolist() == [2025, 2025, 2026, 1969]


@pytest.mark.parametrize("first", ["2026-04-01", "2026-04-10", "2026-04-20"])
def test_a_season_starts_at_four_degrees_in_april(first):
    daily = weather(first, "2026-07-31")
    found = lake(daily)
    assert first_known(found) == first
    cold, middle, warm = (marched(daily, first, "2026-07-31", start) for start in (1.0, 4.0, 7.0))
    np.testing.assert_array_equal(found.model_c, middle)
    np.testing.assert_array_equal(found.start_sd_c, 0.5 * np.abs(warm - cold))
    assert found.notes == ()


def test_the_doubt_about_the_start_washes_out():
    found = lake(weather("2026-04-01", "2026-07-31"))
    assert 2.0 < on(found, "2026-04-01")[1] < 3.0
    assert on(found, "2026-05-20")[1] < 0.1
    assert (np.diff(found.start_sd_c) <= 1e-9).all()


def test_it_starts_with_the_ice_out():
    daily = weather("2026-03-01", "2026-07-31")
    found = lake(daily, ice_out=date(2026, 4, 25))
    assert np.isnan(
        found.model_c[(found.day >= np.datetime64("2026-04-01")) & (found.day < np.datetime64("2026-04-25"))]
    ).all()
    np.testing.assert_array_equal(found.model_c[-98:], marched(daily, "2026-04-25", "2026-07-31", 4.0))
    assert 2.0 < on(found, "2026-04-25")[1] < 3.0


def test_an_ice_out_in_march_begins_the_new_season_and_leaves_the_old_one_as_it_was():
    daily = weather("2025-04-01", "2026-07-31")
    found, other = lake(daily, ice_out=date(2026, 3, 18)), lake(daily)
    assert np.isfinite(found.model_c).all()
    before = found.day < np.datetime64("2026-03-18")
    np.testing.assert_array_equal(found.model_c[before], other.model_c[before])
    np.testing.assert_array_equal(found.model_c[~before], marched(daily, "2026-03-18", "2026-07-31", 4.0))


def test_an_ice_out_of_another_year_is_no_start_of_this_one():
    daily = weather("2026-04-01", "2026-07-31")
    np.testing.assert_array_equal(lake(daily, ice_out=date(2025, 4, 25)).model_c, lake(daily).model_c)
    before_the_table = weather("2026-04-10", "2026-07-31")
    np.testing.assert_array_equal(
        lake(before_the_table, ice_out=date(2026, 4, 2)).model_c, lake(before_the_table).model_c
    )


def test_in_the_south_the_ice_may_go_in_september():
    found = lake(weather("2026-08-01", "2027-01-31", south=True), latitude=-43.0, ice_out=date(2026, 9, 20))
    assert on(found, "2026-09-20")[0] == pytest.approx(4.0, abs=0.2)
    assert on(found, "2026-10-01")[1] < on(found, "2026-09-20")[1]


def test_while_the_ice_is_there_nothing_is_told():
    with pytest.raises(Refused, match="ice-out of 2026-04-28"):
        lake(weather("2026-04-01", "2026-04-20"), ice_out=date(2026, 4, 28))


def test_a_warm_country_has_no_ice():
    daily = weather("2026-03-01", "2026-07-31", warmer=12.0, swing=8.0)
    found = lake(daily, latitude=36.0)
    of_march = daily["air_temp_c"][1:31].mean()  # the thirty days before 1 April
    assert of_march > 10.0
    start = found.model_c[31:] - marched(daily, "2026-04-01", "2026-07-31", of_march, latitude=36.0)
    np.testing.assert_allclose(start, 0.0, atol=1e-9)
    cold = lake(weather("2026-03-01", "2026-07-31", warmer=-6.0))
    assert on(cold, "2026-04-01")[0] < 4.5  # cold air before it is the air over ice


def test_nine_days_before_are_not_enough_to_tell_a_warm_country():
    known = [
        lake(weather(first, "2026-07-31", warmer=12.0, swing=8.0), latitude=36.0)
        for first in ("2026-03-23", "2026-03-22")
    ]
    assert on(known[0], "2026-04-01")[0] < 6.0
    assert on(known[1], "2026-04-01")[0] > 10.0


def test_where_no_ice_is_the_water_goes_on_from_one_season_into_the_next():
    found, icy = (
        lake(weather("2025-01-01", "2026-12-31", warmer=14.0, swing=6.0), latitude=latitude)
        for latitude in (30.0, 43.0)
    )
    turn = int((np.datetime64("2026-04-01") - found.day[0]).astype(int))
    assert found.season[turn - 1] + 1 == found.season[turn]
    assert np.abs(np.diff(found.model_c[turn - 5 : turn + 5])).max() < 0.5
    assert found.start_sd_c[turn] < 0.1 < 1.0 < icy.start_sd_c[turn]


def test_a_table_that_begins_under_ice_has_nothing_to_doubt():
    assert lake(weather("2025-01-01", "2026-12-31")).notes == ()
    (told,) = lake(weather("2025-11-01", "2026-12-31")).notes
    assert told.startswith("no weather is known before 2025-11-01")


def test_a_table_that_begins_in_july_starts_from_the_air_and_says_so():
    daily = weather("2026-07-01", "2026-08-31")
    found, whole = lake(daily), lake(weather("2026-04-01", "2026-08-31"))
    of_week = daily["air_temp_c"][:7].mean()
    np.testing.assert_allclose(found.model_c, marched(daily, "2026-07-01", "2026-08-31", of_week), atol=1e-9)
    assert found.start_sd_c[0] > 3.0
    assert on(found, "2026-08-15")[0] == pytest.approx(on(whole, "2026-08-15")[0], abs=0.1)
    assert found.notes == ("no weather is known before 2026-07-01: the water started from the air, with a wide spread",)


def test_a_late_start_in_frost_is_just_above_freezing():
    daily = weather("2026-01-05", "2026-01-31")
    deep = Basin(area_km2=1.0, mean_depth_m=20.0, secchi_m=2.0)  # does not cool to 0 on the first day
    found = lake(daily, basin=deep)
    assert found.model_c[0] > 0.0
    np.testing.assert_array_equal(found.model_c, marched(daily, "2026-01-05", "2026-01-31", 0.5, basin=deep))


@pytest.mark.parametrize(
    ("first", "south", "late"),
    [("2026-04-20", False, False), ("2026-04-21", False, True), ("2026-10-20", True, False), ("2026-10-21", True, True),
     ("2026-04-10", True, True)],
)  # fmt: skip
def test_after_the_twentieth_of_spring_s_month_it_is_too_late_for_four_degrees(first, south, late):
    found = lake(weather(first, str(np.datetime64(first) + 60), south=south), latitude=-43.0 if south else 43.0)
    assert bool(found.notes) == late
    assert (found.start_sd_c[0] > 3.0) == late


@pytest.mark.parametrize("last", ["2026-06-08", "2026-06-10", "2026-07-31"])
def test_behind_a_gap_of_air_it_starts_anew_however_few_days_are_left(last):
    found, whole = lake(weather("2026-04-01", last, without=GAP)), lake(weather("2026-04-01", last))
    missing = (found.day >= np.datetime64(GAP[0])) & (found.day < np.datetime64(GAP[1]))
    assert np.isnan(found.model_c[missing]).all()
    assert np.isfinite(found.model_c[~missing]).all()
    before = found.day < np.datetime64(GAP[0])
    np.testing.assert_array_equal(found.model_c[before], whole.model_c[before])
    assert on(found, "2026-06-08")[1] > 2.5
    assert "no air temperature for more than 3 days before 2026-06-08" in found.notes[-1]


def test_a_gap_of_three_days_is_bridged():
    found = lake(weather("2026-04-01", "2026-07-31", without=("2026-06-01", "2026-06-04")))
    assert np.isfinite(found.model_c).all()
    assert found.notes == ("air temperature of 3 days not given: from the days around",)


@pytest.mark.parametrize(("latitude", "spring"), [(43.0, "04-01"), (-43.0, "10-01")])
def test_each_season_starts_afresh_and_is_what_it_would_be_alone(latitude, spring):
    south = latitude < 0
    daily = weather(f"2023-{spring}", "2026-12-31", south=south)
    found = lake(daily, latitude=latitude)
    assert np.isfinite(found.model_c).all()
    year_before = np.datetime64(f"2024-{spring}") - 60
    alone = lake(daily.within(year_before, np.datetime64("2025-03-31")), latitude=latitude)
    inside = (found.day >= np.datetime64(f"2024-{spring}")) & (found.day <= np.datetime64("2025-03-31"))
    np.testing.assert_array_equal(found.model_c[inside], alone.model_c[60:])
    np.testing.assert_array_equal(found.start_sd_c[inside], alone.start_sd_c[60:])
    assert on(found, f"2025-{spring}")[1] > 2.0 > 0.01 > on(found, str(np.datetime64(f"2025-{spring}") - 1))[1]


def test_the_south_has_the_same_season_half_a_year_later():
    north = lake(weather("2026-04-02", "2026-09-30"))
    south = lake(weather("2025-10-01", "2026-03-31", south=True), latitude=-43.0)
    np.testing.assert_allclose(south.model_c, north.model_c, atol=0.5)  # the sun is nearer in the southern summer
    assert abs(int(south.model_c.argmax()) - int(north.model_c.argmax())) <= 1
    assert south.widen == north.widen == 1.0


def test_60_north_in_december_and_the_polar_night():
    for latitude in (60.0, 75.0):
        found = lake(weather("2025-12-01", "2026-01-15", warmer=-8.0), latitude=latitude)
        assert (found.model_c >= 0.0).all()
        assert found.model_c.max() < 1.0
        assert found.widen == 1.5


@pytest.mark.parametrize("latitude", [0.0, 10.0, -15.0])
def test_near_the_equator_there_is_no_four_degrees(latitude):
    found = lake(weather("2026-01-01", "2026-12-31", warmer=18.0, swing=1.0), latitude=latitude)
    assert found.model_c.min() > 15.0
    assert found.notes[-1] == (
        "no ice goes out so near the equator: the water started from the air, with a wide spread"
    )
    assert found.widen == 1.5


@pytest.mark.parametrize(
    ("sizes", "latitude", "assumed", "widen", "told"),
    [
        ({}, 43.0, (), 1.0, None),
        ({"area_km2": 100.0, "mean_depth_m": 25.0}, 55.0, (), 1.0, None),
        ({"area_km2": 101.0}, 43.0, (), 1.5, "an area over 100 km2 is outside"),
        ({"mean_depth_m": 26.0}, 43.0, (), 1.5, "a mean depth over 25 m is outside"),
        ({}, 56.0, (), 1.5, "a latitude of 56 is outside"),
        ({"area_km2": 500.0, "mean_depth_m": 60.0}, 34.0, (), 1.5, "25 m and a latitude of 34 is outside"),
        ({}, 43.0, ("area",), 1.1, "area not entered"),
        ({}, 43.0, ("area", "mean depth", "Secchi depth"), 1.331, "area, mean depth, Secchi depth not entered"),
        ({"area_km2": 101.0}, 43.0, ("Secchi depth",), 1.65, "Secchi depth not entered"),
    ],
)
def test_outside_what_is_known_the_spread_is_wider_and_that_is_told(sizes, latitude, assumed, widen, told):
    basin = Basin(**({"area_km2": 1.0, "mean_depth_m": 5.0, "secchi_m": 2.0} | sizes))
    found = lake(weather("2026-04-01", "2026-05-31"), basin=basin, latitude=latitude, assumed=assumed)
    assert found.widen == pytest.approx(widen)
    assert bool(found.notes) == (told is not None)
    if told:
        assert any(told in note for note in found.notes)


def test_what_stood_in_for_the_air_is_told_too():
    daily = weather("2026-04-01", "2026-07-31")
    week = np.where(np.arange(daily.day.size) // 7 == 5, np.nan, daily["shortwave_wm2"])
    found = lake(Daily(day=daily.day, columns={**daily.columns, "shortwave_wm2": week}))
    assert found.notes == ("sunshine of 7 days not given: from the clearness of the days around",)
    np.testing.assert_allclose(found.model_c, lake(daily).model_c, atol=0.1)


@pytest.mark.parametrize("column", [name for name in DAILY_COLUMNS if name != "pressure_hpa"])
def test_without_what_it_needs_the_water_is_refused(column):
    daily = weather("2026-04-01", "2026-07-31")
    with pytest.raises(Refused, match="cannot be worked out"):
        lake(Daily(day=daily.day, columns={**daily.columns, column: np.full(daily.day.size, np.nan)}))


@given(
    st.floats(-85, 85), st.dates(date(2025, 1, 1), date(2026, 12, 31)), st.integers(1, 500), st.floats(-25, 25),
    st.one_of(st.none(), st.dates(date(2025, 1, 1), date(2027, 12, 31))), st.integers(0, 2**32 - 1),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_wherever_air_is_known_there_is_a_temperature_with_its_spread(latitude, first, days, warmer, ice_out, seed):
    begun = np.datetime64(first)
    daily = weather(begun, begun + days - 1, warmer=warmer)
    holes = np.random.default_rng(seed).random(days) < 0.1
    holes[0] = False
    daily = Daily(day=daily.day, columns={**daily.columns, "air_temp_c": np.where(holes, np.nan, daily["air_temp_c"])})
    try:
        found = lake(daily, latitude=latitude, ice_out=ice_out)
    except Refused:
        assert ice_out is not None
        return
    known = np.isfinite(found.model_c)
    np.testing.assert_array_equal(known, np.isfinite(found.start_sd_c))
    assert (found.model_c[known] >= 0.0).all()
    assert (found.start_sd_c[known] >= 0.0).all()
    assert (found.start_sd_c[known] <= 4.0).all()
    if ice_out is None:
        assert known[~holes].all()
