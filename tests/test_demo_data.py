"""The demonstration's files agree with each other, with the lake model and with what stands of them in their heads."""

import json
import math
from datetime import UTC, date, datetime
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely

from bitewatch.lake.outline import read_outline
from bitewatch.settings import load_settings
from bitewatch.water.day_course import day_course_c
from bitewatch.water.degree_days import days_ahead
from bitewatch.water.lake_water import day_in_season, lake_water
from bitewatch.water.layers import SPREAD_M, measured_thermocline_m
from bitewatch.water.radiation import extraterrestrial_wm2
from bitewatch.water.readings import readings_from_csv
from bitewatch.water.seen import sums_of_seasons
from bitewatch.weather.daily import Daily, daily_means, solar_days, solar_shift_h
from bitewatch.weather.humidity import saturation_vapour_hpa
from bitewatch.weather.sources.hourly_csv import hourly_from_csv

DEMO = Path(__file__).parents[1] / "config_demo"
DAYS, HOURS = (DEMO / "weather" / f"invented-{name}.csv" for name in ("days", "hours"))
LAKES = ("thrennick", "umberfold", "skarrow")
SEASONS = range(2015, 2027)
END = datetime(2027, 1, 1, tzinfo=UTC)
M_PER_DEGREE = 40_075_017 / 360  # of a meridian, nearly

each_lake = pytest.mark.parametrize("name", LAKES)


@cache
def lakes():
    return load_settings(DEMO, DEMO.parent / "no-data").lakes


@cache
def air(file: Path) -> Daily:
    """The daily means of a file; the lakes share their sun's clock."""
    hourly, notes = hourly_from_csv(file.read_bytes())
    daily, derived = daily_means(hourly, latitude=41.318, longitude=-74.215)
    assert not notes
    assert not derived
    return daily


@cache
def water(name: str):
    return lake_water(lakes()[name], air(DAYS), (), forecast_from=END)


def model_c(name: str, day: date) -> float:
    found = water(name)
    return float(found.surface.model_c[found.day == np.datetime64(day)][0])


@cache
def readings(name: str):
    """The readings of a lake, and by how much each is warmer than the model at its hour. [degC]"""
    lake = lakes()[name]
    text = (DEMO / "readings" / f"{name}.csv").read_text()
    found, faults = readings_from_csv(text, zone=lake.zone_info, now=END)
    assert not faults
    off = []
    for one in found:
        solar_h = one.at.hour + one.at.minute / 60 + solar_shift_h(lake.longitude)
        assert 0 <= solar_h < 24  # the same day by the sun's clock
        off.append(one.temp_c - model_c(name, one.at.date()) - float(day_course_c(solar_h)))
    return found, np.array(off)


@pytest.mark.parametrize("file", sorted(path for path in DEMO.rglob("*") if path.is_file()), ids=lambda path: path.name)
def test_every_file_says_that_it_is_invented(file):
    assert "invented" in file.read_text()[:600].lower()


@each_lake
def test_every_lake_names_files_that_are_there(name):
    assert lakes()[name].outline == f"outlines/{name}.geojson"
    assert (DEMO / "readings" / f"{name}.csv").is_file()
    assert len(lakes()) == len(LAKES)


def test_days_are_twelve_whole_seasons_in_a_small_file():
    assert DAYS.stat().st_size < 150_000
    rows = [line.split(",")[0] for line in DAYS.read_text().splitlines() if line[0].isdigit()]
    whole = [np.arange(f"{year}-04-01", f"{year}-11-01", dtype="datetime64[D]").astype(str) for year in SEASONS]
    assert rows == np.concatenate(whole).tolist()


def test_days_of_the_hours_are_their_means():
    days, hours = air(DAYS), air(HOURS)
    known = np.isfinite([hours[name] for name in hours.columns]).all(axis=0)
    assert hours.day[known].tolist() == [date(2026, 7, n) for n in range(8, 25)]
    here = np.isin(days.day, hours.day[known])
    for name in ("pressure_hpa", "air_temp_c", "wind_speed_ms", "shortwave_wm2"):
        np.testing.assert_allclose(days[name][here], hours[name][known], atol=0.0501, err_msg=name)  # one decimal
    # vapour as the dew point tells it, which is what was rounded: 0.05 degC are 0.3 %
    np.testing.assert_allclose(days["vapour_hpa"][here], hours["vapour_hpa"][known], rtol=0.004)


def test_the_last_day_of_the_hours_has_their_sun():
    hourly, _ = hourly_from_csv(HOURS.read_bytes())
    last = solar_days(hourly.time, -74.215) == np.datetime64("2026-07-25")
    assert last.sum() == 18  # the rest of it is evening and night
    day = air(DAYS).day == np.datetime64("2026-07-25")
    assert air(DAYS)["shortwave_wm2"][day][0] == pytest.approx(hourly["shortwave_wm2"][last].sum() / 24, abs=5)
    assert air(DAYS)["air_temp_c"][day][0] == pytest.approx(np.mean(hourly["air_temp_c"][last]), abs=1)


def test_no_step_where_the_hours_begin_and_end():
    days = air(DAYS)
    for name in ("pressure_hpa", "air_temp_c", "vapour_hpa"):
        steps = np.diff(days[name])
        usual = np.nanstd(steps)
        for first in ("2026-07-07", "2026-07-25"):
            assert abs(steps[days.day[:-1] == np.datetime64(first)][0]) < 2 * usual, (name, first)


def test_days_are_possible_weather():
    days = air(DAYS)
    told = np.isfinite(days["air_temp_c"])
    of_year = (days.day - days.day.astype("datetime64[Y]")).astype(int) + 1
    share = days["shortwave_wm2"][told] / extraterrestrial_wm2(41.3, of_year[told])
    assert 0.05 < share.min() < 0.3
    assert 0.6 < share.max() < 0.82  # a clear day: 0.75 and a little for height (FAO-56, equation 37, from memory)
    assert (days["vapour_hpa"][told] <= saturation_vapour_hpa(days["air_temp_c"][told])).all()
    assert days["vapour_hpa"][told].max() < saturation_vapour_hpa(25.5)
    assert days["wind_speed_ms"][told].min() > 0
    months = days.day.astype("datetime64[M]").astype(int) % 12 + 1
    # what a valley of that latitude and nearness to the sea has (common knowledge, two degrees of room to either side)
    for month, usual in ((4, 9.5), (5, 15.5), (6, 20.5), (7, 23.0), (8, 22.0), (9, 18.0), (10, 11.5)):
        assert np.nanmean(days["air_temp_c"][months == month]) == pytest.approx(usual, abs=2), month


def test_weather_has_a_memory_of_days_and_seasons_differ():
    days = air(DAYS)
    seasons = np.array([
        days["air_temp_c"][(days.day >= np.datetime64(f"{year}-04-01")) & (days.day <= np.datetime64(f"{year}-10-31"))]
        for year in SEASONS
    ])  # fmt: skip
    normal = np.convolve(np.pad(seasons.mean(axis=0), 15, mode="edge"), np.full(31, 1 / 31), "valid")
    off = seasons - normal
    tomorrow, next_week = (np.mean(off[:, :-lag] * off[:, lag:]) / np.mean(off**2) for lag in (1, 7))
    assert 0.5 < tomorrow < 0.85
    assert next_week < 0.3
    assert np.ptp(seasons[:, :61].mean(axis=1)) > 2  # April and May


@each_lake
def test_spring_of_this_season_is_a_few_days_ahead(name):
    found = water(name)
    sums = sums_of_seasons(found)
    past = np.array([curve for year, curve in sums.items() if year != 2026])
    assert len(past) == 11
    for day in ("2026-05-20", "2026-06-01", "2026-07-20"):
        at = int(day_in_season(np.array([day], "datetime64[D]"), lakes()[name].latitude)[0])
        ahead = days_ahead(float(sums[2026][at]), at, past)
        assert ahead is not None
        assert 2.5 < ahead.days < 9, day


@each_lake
def test_readings_are_of_mornings_and_evenings_of_the_season(name):
    found, _ = readings(name)
    assert 12 <= len(found) <= 20
    zone = lakes()[name].zone_info
    walls = [one.at.astimezone(zone) for one in found]
    assert all(earlier < later for earlier, later in pairwise(walls))
    assert date(2026, 4, 1) < walls[0].date()
    assert walls[-1].date() <= date(2026, 10, 25)
    assert all(5 <= wall.hour < 20 for wall in walls)
    assert all(one.depth_m is not None and 0 < one.depth_m < 1 for one in found)


@each_lake
def test_readings_wander_around_the_model_as_they_do_on_lakes(name):
    _, off = readings(name)
    assert abs(off.mean()) < 1.0
    assert 0.6 < off.std() < 1.4  # 0.85 that wander with 0.65 of scatter: 1.07
    assert np.abs(off).max() < 3 * 1.12


@each_lake
def test_readings_and_profile_agree_on_the_day_before_the_front(name):
    lake = lakes()[name]
    assert lake.water_temp_on == date(2026, 7, 20)
    near = [one.temp_c for one in readings(name)[0] if abs((one.at.date() - lake.water_temp_on).days) <= 2]
    assert near
    assert near == pytest.approx([lake.water_temp_c] * len(near), abs=1.0)


@each_lake
def test_shores_have_the_area_and_the_form_that_they_should(name):
    lake = lakes()[name]
    text = (DEMO / lake.outline).read_text()
    rings = json.loads(text)["geometry"]["coordinates"]
    assert 30 <= len(rings[0]) - 1 <= 60
    assert len(rings) == (2 if name == "skarrow" else 1)  # its island
    for n, ring in enumerate(rings):  # RFC 7946, 3.1.6: closed, the outer one to the left, holes to the right
        assert ring[0] == ring[-1]
        assert shapely.LinearRing(ring).is_ccw == (n == 0)
    east = M_PER_DEGREE * math.cos(math.radians(lake.latitude))
    square_m = shapely.area(shapely.Polygon(rings[0], rings[1:])) * east * M_PER_DEGREE
    assert square_m / 1e6 == pytest.approx(lake.area_km2, rel=0.03)
    outline = read_outline(text, latitude=lake.latitude, longitude=lake.longitude)
    assert outline.area_km2 == pytest.approx(lake.area_km2, rel=0.03)


@each_lake
def test_every_spot_lies_in_the_water(name):
    lake = lakes()[name]
    rings = json.loads((DEMO / lake.outline).read_text())["geometry"]["coordinates"]
    shore = shapely.Polygon(rings[0], rings[1:])
    for spot in lake.spot:
        assert None not in (spot.latitude, spot.longitude), spot.name
        place = shapely.Point(spot.longitude, spot.latitude)
        assert shore.contains(place), spot.name
        off_m = shore.boundary.distance(place) * M_PER_DEGREE  # at most
        assert off_m < 90 or spot.kind == "sunken-island", spot.name


def test_the_probe_saw_what_the_model_tells():
    (seen,) = lakes()["thrennick"].profile
    assert not lakes()["umberfold"].profile
    assert not lakes()["skarrow"].profile
    assert date(2026, 7, 8) <= seen.on <= date(2026, 7, 20)
    assert all(above >= below for above, below in pairwise(seen.water_temp_c))
    assert all(above >= below for above, below in pairwise(seen.oxygen_mgl))
    assert seen.depth_m[-1] < lakes()["thrennick"].max_depth_m
    # no more than water in touch with the air holds: 8.3 mg/L at 25 degC and sea level (USGS tables, from memory)
    assert seen.oxygen_mgl[0] < 8.6
    assert seen.water_temp_c[0] == pytest.approx(model_c("thrennick", seen.on), abs=2)
    found = water("thrennick")
    norm_m = float(found.layers.thermocline_m[found.day == np.datetime64(seen.on)][0])
    assert measured_thermocline_m(seen) == pytest.approx(norm_m, abs=SPREAD_M)
