"""What a brief sees of the water: the model where weather carries it, else a reading, and never more than is known."""

from dataclasses import replace
from datetime import UTC, date, datetime, time

import numpy as np
import pytest

from bitewatch.declared import declare
from bitewatch.lake.profile import Lake
from bitewatch.water.oxygen import Known
from bitewatch.water.reading import Reading
from bitewatch.water.seen import WaterKnown, see_water
from bitewatch.weather.daily import DAILY_COLUMNS, Daily
from bitewatch.weather.hourly import from_points

DAY, NOW = date(2026, 7, 20), datetime(2026, 7, 20, 9, tzinfo=UTC)


def lake(**profile):
    given = {
        "id": "x", "name": "Invented Lake", "latitude": 45.0, "longitude": -90.0, "area_km2": 1.0, "mean_depth_m": 5.0,
        "max_depth_m": 14.0, "secchi_m": 2.0, "elevation_m": 365.0,
    } | profile  # fmt: skip
    return declare(Lake, {name: value for name, value in given.items() if value is not None}, file="x")


def hourly(days=10, **columns):
    count = 24 * days
    time = np.datetime64("2026-07-14T00:00:00", "s") + np.arange(count) * np.timedelta64(3600, "s")
    given = {
        "air_temp_c": 21.0, "dew_point_c": 13.0, "wind_speed_ms": 3.0, "pressure_hpa": 1015.0, "shortwave_wm2": 240.0
    } | columns  # fmt: skip
    return from_points(time, {name: np.broadcast_to(value, count).astype(float) for name, value in given.items()})


def season(first="2026-04-01", last="2026-07-15"):
    day = np.arange(first, last, dtype="datetime64[D]")
    warmth = 20.0 - 12.0 * np.cos(2 * np.pi * (np.arange(day.size) + 15) / 365.0)
    given = {
        "shortwave_wm2": 230.0,
        "air_temp_c": warmth,
        "vapour_hpa": 13.0,
        "wind_speed_ms": 4.0,
        "pressure_hpa": 1014,
    }
    return Daily(
        day=day, columns={name: np.broadcast_to(given[name], day.size).astype(float) for name in DAILY_COLUMNS}
    )


def seen(profile=None, table=None, day=DAY, now=NOW, edge_m=4.0, **known):
    told = WaterKnown(**({"days": (season(),)} | known))
    return see_water(profile or lake(), table or hourly(), told, edge_m=edge_m, day=day, now=now, until=now)


def test_with_the_season_s_weather_it_is_known_at_every_hour():
    found = seen()
    assert found.model is not None
    assert np.isfinite(found.hours.value_c).all()
    assert np.isfinite(found.hours.change_sd_c).all()
    assert 0.8 < found.hours.sd_c[6 * 24] < 1.0
    assert "no water temperature entered: what is told of it is the model's alone" in found.doubts


def test_hours_alone_start_late_and_are_told_only_once_they_are_sure_enough():
    found = seen(days=())
    assert np.isnan(found.hours.value_c[:20]).all()  # four degrees of doubt tell nothing
    assert np.isfinite(found.hours.value_c[-1])
    assert found.hours.sd_c[-1] > seen().hours.sd_c[-1]
    assert any("no weather is known before" in doubt for doubt in found.doubts)


def test_a_reading_makes_a_late_start_good():
    at = datetime(2026, 7, 18, 18, tzinfo=UTC)
    reading = Reading(at=at, temp_c=22.0, source="typed", known_at=at)
    bare, told = seen(days=()), seen(days=(), readings=(reading,))
    assert told.hours.sd_c[6 * 24] < 0.6 * bare.hours.sd_c[6 * 24]
    assert abs(told.hours.value_c[4 * 24 + 18] - 22.0) < 0.7


def test_without_what_the_model_needs_the_reading_is_held_and_that_is_said():
    profile = lake(water_temp_c=23.0, water_temp_on=date(2026, 7, 16))
    found = seen(profile, hourly(dew_point_c=np.nan), days=())
    assert found.model is None
    assert found.hours.value_c[-30] == 23.0
    assert np.isnan(found.hours.change_3d_c).all()
    assert found.ahead is None
    assert "the water cannot be worked out: no dew_point_c, and no humidity_pct to take it from" in found.doubts
    assert "the water temperature is the reading of 2026-07-16 alone" in found.doubts


@pytest.mark.parametrize(
    ("profile", "doubt"),
    [
        ({"water_temp_c": 23.0}, "the water temperature entered has no day; taken as of this trip"),
        (
            {"water_temp_c": 23.0, "water_temp_on": date(2026, 7, 21)},
            "the water temperature entered is of a later hour than the launch and not used",
        ),
    ],
)
def test_a_reading_without_a_day_and_one_of_a_later_day(profile, doubt):
    found = seen(lake(**profile))
    assert doubt in found.doubts
    assert found.model is not None
    assert len(found.model.used) == (0 if "water_temp_on" in profile else 1)


def test_an_undated_reading_that_the_lake_cannot_have_is_not_believed():
    found = seen(lake(water_temp_c=4.0))
    assert found.hours.value_c[6 * 24] > 15.0
    assert any("what this lake can have then" in doubt for doubt in found.doubts)


def test_days_ahead_need_ten_seasons_before():
    curve = np.concatenate([np.zeros(30), np.cumsum(np.full(336, 8.0))])
    few = seen(before=dict.fromkeys(range(2017, 2026), curve))
    enough = seen(before={year: curve + 0.001 * year for year in range(2016, 2026)})
    assert few.ahead is None
    assert enough.ahead is not None
    assert enough.ahead.seasons == 10
    own = {2026: curve} | dict.fromkeys(range(2017, 2026), curve)
    assert seen(before=own).ahead is None  # a season is not held against itself


def test_what_a_probe_saw_goes_before_the_norm():
    profile = {
        "on": date(2026, 7, 10), "depth_m": [0, 3, 4, 8], "water_temp_c": [24, 23, 17, 12], "oxygen_mgl": [8, 8, 5, 1]
    }  # fmt: skip
    measured = seen(lake(profile=[profile]))
    assert (measured.thermocline_m, measured.layered) == (3.5, True)
    assert measured.oxygen.known is Known.MEASURED
    assert measured.oxygen.margin_m == pytest.approx(6.0 - 4.0)  # 3 mg/L lies half way from 5 to 1
    norm = seen()
    assert norm.thermocline_m != 3.5
    assert norm.oxygen.known is Known.GUESSED


def test_too_shallow_to_layer_and_depth_unknown():
    assert seen(lake(max_depth_m=5.0, mean_depth_m=2.0)).layered is False
    unknown = seen(lake(max_depth_m=None))
    assert unknown.layered is None
    assert np.isnan(unknown.oxygen.margin_m)  # no guess is made of a lake that may not layer


def test_what_failed_is_among_the_doubts():
    assert "days.csv: cannot be read" in seen(failures=("days.csv: cannot be read",)).doubts


def test_a_lake_at_60_north_in_december_is_over():
    table = hourly()
    winter = replace(table, time=table.time + np.timedelta64(150 * 86400, "s"), columns=dict(table.columns))
    winter.columns["air_temp_c"][:] = -12.0
    winter.columns["dew_point_c"][:] = -15.0
    winter.columns["shortwave_wm2"][:] = 5.0
    found = see_water(
        lake(latitude=60.0), winter, WaterKnown(), edge_m=4.0, day=date(2026, 12, 17),
        now=datetime(2026, 12, 17, 9, tzinfo=UTC), until=datetime(2026, 12, 17, 9, tzinfo=UTC),
    )  # fmt: skip
    assert found.season.over
    assert found.season.ice is not None


def test_no_reading_after_the_launch_is_looked_at():
    evening = lake(water_temp_c=23.0, water_temp_on=DAY, water_temp_at=time(20))
    later, known = datetime(2026, 8, 1, tzinfo=UTC), WaterKnown(days=(season(),))
    found = see_water(evening, hourly(days=20), known, edge_m=4.0, day=DAY, now=later, until=NOW)
    assert found.used == ()
    undated = see_water(lake(water_temp_c=23.0), hourly(days=20), known, edge_m=4.0, day=DAY, now=later, until=NOW)
    assert [one.at for one in undated.used] == [NOW]  # taken as of the trip, and that is said


def test_cold_water_has_no_layers_whatever_the_lake_has_in_summer():
    spring = Daily(
        day=np.arange("2026-04-01", "2026-04-21", dtype="datetime64[D]"),
        columns=dict.fromkeys(DAILY_COLUMNS, np.full(20, 5.0)) | {"shortwave_wm2": np.full(20, 100.0)},
    )
    table = hourly(air_temp_c=5.0, dew_point_c=1.0, shortwave_wm2=100.0)
    april = replace(table, time=table.time - np.timedelta64(95 * 86400, "s"))
    day, now = date(2026, 4, 16), datetime(2026, 4, 16, 9, tzinfo=UTC)
    found = see_water(lake(), april, WaterKnown(days=(spring,)), edge_m=4.0, day=day, now=now, until=now)
    assert found.mixed_through
    assert np.isnan(found.thermocline_m)


def test_a_lake_that_turned_over_has_no_layers_whatever_its_profile_saw():
    """Deep water of 11 degC in October mixes with a surface that has cooled to it, and its oxygen with it."""
    day = np.arange("2026-04-01", "2026-10-21", dtype="datetime64[D]")
    cooling = np.where(day < np.datetime64("2026-10-02"), 16.0, 2.0)
    air = Daily(
        day=day,
        columns={name: np.full(day.size, value) for name, value in zip(
            DAILY_COLUMNS, (150.0, 0.0, 6.5, 4.0, 1014.0), strict=True
        )} | {"air_temp_c": cooling},
    )  # fmt: skip
    probe = {"on": date(2026, 10, 1), "depth_m": [0.0, 6.0, 9.0, 12.0], "water_temp_c": [14.0, 14.0, 11.5, 11.5],
             "oxygen_mgl": [9.0, 8.0, 1.0, 0.5]}  # fmt: skip
    late = replace(hourly(air_temp_c=2.0, dew_point_c=-2.0, shortwave_wm2=80.0), time=hourly().time + 93 * 86400)
    found = {
        on: seen(
            lake(profile=[probe]), late, day=date(2026, 10, on), now=datetime(2026, 10, on, 9, tzinfo=UTC), days=(air,)
        )
        for on in (2, 18)
    }
    assert (found[2].layered, found[2].mixed_through, found[2].oxygen.known) == (True, False, Known.MEASURED)
    assert any("turned over" in line.words for line in found[18].season.lines)
    assert (found[18].layered, found[18].mixed_through, found[18].oxygen.known) == (False, True, Known.MISSING)
    assert np.isnan(found[18].thermocline_m)


def test_what_is_too_unsure_is_kept_for_what_is_dangerous():
    found = seen(days=())
    assert np.isnan(found.hours.value_c[5])
    assert np.isfinite(found.raw.value_c[5])
