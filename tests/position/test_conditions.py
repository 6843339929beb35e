from types import SimpleNamespace

import numpy as np
import pytest

from bitewatch.position.conditions import Conditions, make_conditions, onshore_wind
from bitewatch.position.variables import VARIABLES
from bitewatch.weather.hourly import from_points

HOURS = 100


def air(**columns):
    time = np.datetime64("2026-07-01T00", "s") + np.arange(HOURS) * np.timedelta64(3600, "s")
    plain = {
        "pressure_hpa": 1010.0, "air_temp_c": 20.0, "wind_speed_ms": 4.0, "wind_from_deg": 180.0, "precip_mm": 0.5,
        "shortwave_wm2": 600.0,
    }  # fmt: skip
    return from_points(
        time,
        {name: np.broadcast_to(np.asarray(value, float), HOURS).copy() for name, value in {**plain, **columns}.items()},
    )


def conditions(hourly=None, **changed):
    given = {
        "hourly": hourly or air(),
        "fronts": SimpleNamespace(
            front_strength=np.full(HOURS, 0.7), hours_since_front=np.arange(HOURS, dtype=float),
            front_strength_ahead=np.zeros(HOURS), hours_to_front=np.full(HOURS, np.nan),
        ),
        "stable_days": np.full(HOURS, 2.5),
        "sun": SimpleNamespace(elevation_deg=np.linspace(-20, 60, HOURS), rising=np.arange(HOURS) % 24 < 12),
        "day_of_year": np.full(HOURS, 182),
        "water_temp_c": 22.0, "water_temp_change_3d_c": -0.5,
        "secchi_m": 2.5, "weed_cover": 0.6, "weed_tops_m": 1.8, "open_water_bearing_deg": 180.0,
        "oxygen_margin_m": None,
    }  # fmt: skip
    return make_conditions(**{**given, **changed})


def test_every_variable_is_there_in_one_shape():
    made = conditions()
    assert set(made.values) == set(VARIABLES)
    assert {values.shape for values in made.values.values()} == {made.shape} == {(HOURS,)}


def test_what_is_handed_in_is_handed_on():
    made = conditions()
    assert made["front_strength"][3] == 0.7
    assert made["hours_since_front"][3] == 3.0
    assert np.isnan(made["hours_to_front"]).all()
    assert made["stable_days"][0] == 2.5
    assert made["sun_rising"][[0, 11, 12, 24]].tolist() == [1.0, 1.0, 0.0, 1.0]
    assert made["day_of_year"][0] == 182.0
    assert made["light_at_tops"][0] == pytest.approx(1.9094, abs=5e-5)
    assert made["air_minus_water_c"][0] == -2.0
    assert made["water_temp_change_3d_c"][0] == -0.5
    assert np.isnan(made["oxygen_margin_m"]).all()


def test_pressure_change_looks_back_six_hours():
    change = conditions(air(pressure_hpa=1000.0 + np.arange(HOURS) ** 2 / 10))["pressure_change_6h_hpa"]
    assert np.isnan(change[:6]).all()
    assert change[6] == pytest.approx(3.6)  # 36 / 10
    assert change[10] == pytest.approx(8.4)  # (100 - 16) / 10


def test_rain_is_the_sum_of_exactly_24_hours():
    rain = np.zeros(HOURS)
    rain[30], rain[60] = 7.0, np.nan
    total = conditions(air(precip_mm=rain))["rain_24h_mm"]
    assert np.isnan(total[:23]).all()
    assert total[[23, 29, 30, 53, 54]].tolist() == [0.0, 0.0, 7.0, 7.0, 0.0]
    assert np.isnan(total[60:84]).all()
    assert total[84] == 0.0
    assert conditions()["rain_24h_mm"][50] == pytest.approx(12.0)


@pytest.mark.parametrize(
    ("wind_from_deg", "expected"), [(180, 4.0), (240, 2.0), (120, 2.0), (270, 0.0), (0, 0.0), (300, 0.0)]
)
def test_onshore_wind_is_the_part_that_blows_onto_the_spot(wind_from_deg, expected):
    blows = onshore_wind(np.full(8, 4.0), np.full(8, float(wind_from_deg)), 180.0)
    assert np.isnan(blows[:5]).all()
    assert blows[5:] == pytest.approx(expected, abs=1e-12)


def test_onshore_wind_takes_six_hours_to_forget_a_shift():
    blows = onshore_wind(np.full(20, 6.0), np.where(np.arange(20) < 10, 180.0, 0.0), 180.0)
    assert blows[9:17].tolist() == pytest.approx([6, 5, 4, 3, 2, 1, 0, 0], abs=1e-12)


def test_a_calm_needs_no_direction_but_a_wind_does():
    speed, direction = np.full(12, 6.0), np.full(12, 180.0)
    speed[5], direction[5] = 0.2, np.nan
    assert onshore_wind(speed, direction, 180.0)[5] == pytest.approx(5.0)
    speed[5] = 0.4
    assert np.isnan(onshore_wind(speed, direction, 180.0)[5:11]).all()
    assert np.isnan(onshore_wind(np.zeros(12), np.full(12, np.nan), np.nan)).all()


def test_spots_differ_and_share_the_air():
    made = conditions(open_water_bearing_deg=[[180.0], [np.nan], [0.0]], weed_cover=[[0.6], [0.1], [np.nan]])
    assert made.shape == (3, HOURS)
    assert made["onshore_wind_ms"][0, -1] == pytest.approx(4.0)
    assert np.isnan(made["onshore_wind_ms"][1]).all()
    assert made["onshore_wind_ms"][2, -1] == pytest.approx(0.0, abs=1e-12)
    assert made["weed_cover"][:2, 0].tolist() == [0.6, 0.1]


def test_many_lakes_get_the_bits_that_each_gets_alone():
    draw = np.random.default_rng(3)
    speed, direction = draw.uniform(0, 12, (50, 37)), draw.uniform(0, 360, (50, 37))
    bearing = draw.uniform(0, 360, (50, 1))
    together = onshore_wind(speed, direction, bearing)
    for lane in range(50):
        assert np.array_equal(together[lane], onshore_wind(speed[lane], direction[lane], bearing[lane]), equal_nan=True)


@pytest.mark.parametrize(
    "name",
    ["water_temp_c", "water_temp_change_3d_c", "secchi_m", "weed_cover", "weed_tops_m", "open_water_bearing_deg"],
)
def test_none_is_missing(name):
    follows = {
        "water_temp_c": {"water_temp_c", "air_minus_water_c"},
        "water_temp_change_3d_c": {"water_temp_change_3d_c"},
        "secchi_m": {"secchi_m", "light_at_tops"},
        "weed_cover": {"weed_cover"},
        "weed_tops_m": {"light_at_tops"},
        "open_water_bearing_deg": {"onshore_wind_ms"},
    }[name]
    known, made = (conditions(**changed) for changed in ({}, {name: None}))
    lost = {v for v in VARIABLES if np.isnan(made[v][-1]) and not np.isnan(known[v][-1])}
    assert lost == follows


def test_a_table_that_is_not_whole_is_refused(quiet):
    made = quiet()
    with pytest.raises(ValueError, match="values must be"):
        Conditions(time=made.time, values={"water_temp_c": made["water_temp_c"]})
    with pytest.raises(ValueError, match="hours on its last axis"):
        Conditions(time=made.time, values={**made.values, "secchi_m": np.ones(2)})
