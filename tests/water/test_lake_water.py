"""The water of one lake: model, readings and layers together, by the day and by the hour."""

from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import pytest

from bitewatch.declared import declare
from bitewatch.lake.profile import Lake
from bitewatch.water.day_course import day_course_c
from bitewatch.water.lake_water import basin_of, day_in_season, lake_water, typed_reading
from bitewatch.water.reading import Reading
from bitewatch.weather.daily import DAILY_COLUMNS, Daily

LATER = datetime(2027, 1, 1, tzinfo=UTC)


def lake(**profile):
    given = {
        "id": "x", "name": "Invented Lake", "latitude": 45.0, "longitude": -90.0, "area_km2": 1.0, "mean_depth_m": 5.0,
        "max_depth_m": 14.0, "secchi_m": 2.0, "elevation_m": 365.0,
    }  # fmt: skip
    return declare(Lake, {name: value for name, value in (given | profile).items() if value is not None}, file="x")


def weather(first="2026-04-01", days=183, **columns):
    day = np.datetime64(first, "D") + np.arange(days)
    warmth = 20.0 - 12.0 * np.cos(2 * np.pi * (np.arange(days) + 15) / 365.0)
    given = {
        "shortwave_wm2": 230.0,
        "air_temp_c": warmth,
        "vapour_hpa": 13.0,
        "wind_speed_ms": 4.0,
        "pressure_hpa": 1014.0,
    }
    values = {name: np.broadcast_to((given | columns)[name], days).astype(float) for name in DAILY_COLUMNS}
    return Daily(day=day, columns=values)


def reading(at, temp_c, **more):
    return Reading(at=at, temp_c=temp_c, source="typed", known_at=at, **more)


NOON = datetime(2026, 7, 15, 18, tzinfo=UTC)  # by the sun at 90 W


def hours(first, count=24):
    return np.datetime64(first, "s") + np.arange(count) * np.timedelta64(3600, "s")


def test_without_readings_it_is_the_model_with_the_spread_of_its_fit():
    water = lake_water(lake(), weather(), [], forecast_from=LATER)
    surface, sd = water.daily()
    np.testing.assert_array_equal(surface, water.surface.model_c)
    assert sd[100] == pytest.approx(np.sqrt(0.31**2 + 0.03**2 + 0.85**2), abs=0.002)  # fitted [own]
    assert sd[2] > 2.0  # a start at 4 degC may be wrong by three degrees, and that washes out


def test_a_reading_corrects_what_comes_after_it_and_less_and_less():
    bare = lake_water(lake(), weather(), [], forecast_from=LATER)
    model = bare.at_hours(np.array(["2026-07-15T18:00:00"], "datetime64[s]")).value_c[0]
    water = lake_water(lake(), weather(), [reading(NOON, model + 1.0)], forecast_from=LATER)
    at = np.array(["2026-07-15T18:00", "2026-07-22T18:00", "2026-09-13T18:00"], "datetime64[s]")
    told = water.at_hours(at).value_c - bare.at_hours(at).value_c
    np.testing.assert_allclose(told, [0.660, 0.389, 0.081], atol=0.004)  # of the covariance [own]
    assert water.at_hours(at).sd_c[0] == pytest.approx(0.528, abs=0.004)
    assert len(water.used) == 1


def test_as_known_then_no_day_knows_a_later_reading():
    bare = lake_water(lake(), weather(), [], forecast_from=LATER)
    water = lake_water(lake(), weather(), [reading(NOON, 28.0)], forecast_from=LATER)
    then, _ = water.daily_as_known()
    before = water.day < np.datetime64("2026-07-15")
    np.testing.assert_array_equal(then[before], bare.surface.model_c[before])
    assert (np.abs(then - bare.surface.model_c)[~before] > 0.01)[:40].all()
    cut = lake_water(lake(), weather(), [], forecast_from=LATER).daily_as_known()[0]
    np.testing.assert_array_equal(cut[before], then[before])


@pytest.mark.parametrize("zone", ["America/Chicago", "America/New_York", "America/Denver"])
@pytest.mark.parametrize("wall", [time(0, 0), time(0, 30), time(1, 0), time(12, 0), time(23, 59)])
def test_no_day_knows_a_reading_of_the_day_after_by_the_lake_s_clock(zone, wall):
    place = lake(zone=zone)
    told = reading(datetime.combine(date(2026, 7, 15), wall, tzinfo=place.zone_info).astimezone(UTC), 28.0)
    water = lake_water(place, weather(), [told], forecast_from=LATER)
    moved = water.day[np.abs(water.daily_as_known()[0] - water.surface.model_c) > 0.01]
    assert str(moved[0]) in ("2026-07-15", "2026-07-16")  # the sun's day may begin later than the clock's
    assert wall != time(12, 0) or str(moved[0]) == "2026-07-15"


def test_the_spread_of_a_season_s_last_day_is_its_own():
    water = lake_water(lake(), weather(days=400), [], forecast_from=LATER + timedelta(days=400))
    last = int((np.datetime64("2027-03-31") - water.day[0]).astype(int))
    for _, sd in (water.daily(), water.daily_as_known()):
        assert sd[last] == pytest.approx(sd[last - 1], abs=0.02)
        assert sd[last + 1] > 2.0
    told = water.at_hours(hours("2027-03-31T06:00:00")).sd_c
    assert np.ptp(told) < 0.02


def test_within_the_day_it_follows_the_sun():
    water = lake_water(lake(), weather(air_temp_c=20.0), [], forecast_from=LATER)
    told = water.at_hours(hours("2026-08-20T06:00:00"))  # midnight by the sun
    course = told.value_c - day_course_c(np.arange(24.0))
    assert np.ptp(course) < 0.1
    assert int(told.value_c.argmax()) == 16


def test_the_change_of_three_days_and_its_spread():
    cooled = np.where(np.arange(183) < 110, 24.0, 12.0)
    water = lake_water(lake(), weather(air_temp_c=cooled), [], forecast_from=LATER)
    told = water.at_hours(np.array(["2026-07-22T18:00"], "datetime64[s]"))  # three days after the change of air
    assert told.change_3d_c[0] < -1.5
    apart = 2 * 0.85**2 * (1 - np.exp(-3 / 11.2))  # what is lasting falls out of a difference
    assert told.change_sd_c[0] == pytest.approx(np.sqrt(apart), abs=0.02)


def test_a_shallow_lake_cools_faster_than_a_deep_one():
    cooled = np.where(np.arange(183) < 110, 24.0, 12.0)
    change = [
        lake_water(lake(mean_depth_m=mean, max_depth_m=most, area_km2=area), weather(air_temp_c=cooled), [],
                   forecast_from=LATER).at_hours(np.array(["2026-07-22T18:00"], "datetime64[s]")).change_3d_c[0]
        for mean, most, area in ((1.5, 4.0, 0.3), (14.0, 40.0, 20.0))
    ]  # fmt: skip
    assert change[0] < change[1] - 0.5


def test_the_forecast_widens_the_spread():
    water = lake_water(lake(), weather(), [], forecast_from=datetime(2026, 7, 15, 6, tzinfo=UTC))
    told = water.at_hours(np.array(["2026-07-15T06:00", "2026-07-22T06:00"], "datetime64[s]"))
    assert told.sd_c[1] == pytest.approx(np.hypot(told.sd_c[0], 7 * 0.15), abs=0.01)


def test_beyond_the_weather_nothing_is_known():
    water = lake_water(lake(), weather(days=60), [], forecast_from=LATER)
    told = water.at_hours(np.array(["2026-03-20T18:00", "2026-06-05T18:00"], "datetime64[s]"))
    assert np.isnan(told.value_c).all()
    assert np.isnan(told.sd_c).all()


@pytest.mark.parametrize(
    ("left_out", "assumed"),
    [({}, ()), ({"area_km2": None}, ("area",)), ({"mean_depth_m": None}, ()), ({"secchi_m": None}, ("Secchi depth",)),
     ({"mean_depth_m": None, "max_depth_m": None}, ("mean depth",))],
)  # fmt: skip
def test_what_the_profile_lacks_is_assumed_and_told(left_out, assumed):
    basin, names = basin_of(lake(**left_out))
    assert names == assumed
    assert min(basin.area_km2, basin.mean_depth_m, basin.secchi_m) > 0
    water = lake_water(lake(**left_out), weather(), [], forecast_from=LATER)
    assert water.surface.widen == pytest.approx(1.1 ** len(assumed))
    assert bool(assumed) == any("a middling lake is assumed" in note for note in water.notes)


def test_the_mean_depth_is_taken_from_the_greatest():
    assert basin_of(lake(mean_depth_m=None))[0].mean_depth_m == pytest.approx(0.4 * 14.0)


def test_days_of_the_season_start_in_spring():
    day = np.array(["2026-04-01", "2026-10-01", "2027-03-31"], "datetime64[D]")
    assert day_in_season(day, 45.0).tolist() == [0, 183, 364]
    assert day_in_season(day, -45.0).tolist() == [182, 0, 181]


def test_the_reading_of_the_profile_and_its_hour():
    now = datetime(2026, 7, 20, 9, 30, tzinfo=UTC)
    typed = typed_reading(lake(water_temp_f=77, water_temp_on=date(2026, 7, 18)), now)
    assert typed is not None
    assert (typed.at, typed.hour_known) == (datetime(2026, 7, 18, 17, tzinfo=UTC), False)
    exact = typed_reading(
        lake(water_temp_f=77, water_temp_on=date(2026, 7, 18), water_temp_at=time(15), water_temp_depth_ft=3), now
    )
    assert exact is not None
    assert (exact.at, exact.hour_known) == (datetime(2026, 7, 18, 20, tzinfo=UTC), True)
    assert exact.depth_m == pytest.approx(0.9144)
    today = typed_reading(lake(water_temp_f=77, water_temp_on=date(2026, 7, 20)), now)
    assert today is not None
    assert today.at == now  # it is not noon yet
    assert typed_reading(lake(), now) is None


def test_a_reading_from_below_the_mixed_layer_or_far_off_is_left_out_and_told():
    deep = reading(NOON, 18.0, depth_m=9.0)
    absurd = reading(NOON + timedelta(days=1), 2.0)
    early = reading(datetime(2026, 3, 1, tzinfo=UTC), 4.0)
    water = lake_water(lake(), weather(), [deep, absurd, early], forecast_from=LATER)
    assert water.used == ()
    assert len(water.unused) == 3
    told = " ".join(water.notes)
    for why in ("below the mixed layer", "below what this lake can have", "no weather of that day"):
        assert why in told


def test_the_forecast_s_spread_grows_in_the_curve_as_known_too():
    water = lake_water(lake(), weather(), [], forecast_from=datetime(2026, 7, 15, 6, tzinfo=UTC))
    _, sd = water.daily_as_known()
    now = int((np.datetime64("2026-07-15") - water.day[0]).astype(int))
    assert sd[now - 2] == pytest.approx(0.905, abs=0.01)
    assert sd[now + 9] == pytest.approx(np.hypot(0.905, 9.5 * 0.15), abs=0.04)
