"""The march of the lake model: its steady states, what must hold of any lake, and lanes that keep to themselves."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.water.slab import FLOOR_SHARE, HEAT_PER_M, Basin, march, mixing_depth_m, wind_depth_m

COLUMNS = ("shortwave_wm2", "air_temp_c", "vapour_hpa", "wind_speed_ms", "pressure_hpa")
AIR = {"shortwave_wm2": 230.0, "air_temp_c": 20.0, "vapour_hpa": 15.0, "wind_speed_ms": 4.0, "pressure_hpa": 970.0}
POND = Basin(area_km2=1.0, mean_depth_m=5.0, secchi_m=2.0)
BROAD = Basin(area_km2=39.6, mean_depth_m=12.8, secchi_m=2.4)
TINY = Basin(area_km2=0.02, mean_depth_m=4.0, secchi_m=2.0)


def held(days, basin=POND, *, start_c=4.0, latitude=45.0, **changed):
    """The same day, 15 July, over and over."""
    columns = {name: np.broadcast_to((AIR | changed)[name], days) for name in COLUMNS}
    day = np.full(days, "2026-07-15", "datetime64[D]")
    return march(latitude=latitude, day=day, **columns, basin=basin, start_c=start_c)


def least_depth_m(basin):
    return np.minimum(FLOOR_SHARE * wind_depth_m(basin.area_km2), 0.9 * basin.mean_depth_m)


#: regression values of the fitted model, worked out by other code than this [own]
@pytest.mark.parametrize(
    ("basin", "after_5", "after_20", "after_400", "depth_m"),
    [
        (POND, 9.572, 20.193, 22.246, 4.500),
        (BROAD, 6.591, 13.526, 21.716, 10.804),
        (TINY, 11.327, 22.148, 22.842, 3.018),
    ],
)
def test_towards_a_steady_state(basin, after_5, after_20, after_400, depth_m):
    temp = held(400, basin)
    assert temp[[4, 19, 399]] == pytest.approx([after_5, after_20, after_400], abs=5.1e-4)
    layer = mixing_depth_m(temp[399], basin.mean_depth_m, least_depth_m(basin))
    assert float(layer) == pytest.approx(depth_m, abs=5.1e-4)


def test_single_days():
    # regression values of the fitted model [own]
    assert held(1, start_c=15.0)[0] == pytest.approx(15.7952, abs=5.1e-5)
    cooling = held(3, start_c=20.0, air_temp_c=10.0, vapour_hpa=8.0)
    assert cooling == pytest.approx([19.1652, 18.4544, 17.8460], abs=5.1e-5)


@pytest.mark.parametrize(("longest_run_m", "depth_m"), [(1000.0, 5.794), (5000.0, 9.951), (1128.379, 6.034)])
def test_how_deep_the_wind_reaches(longest_run_m, depth_m):
    # M. Hanna 1990, Can. J. Fish. Aquat. Sci. 47 (from memory), worked out by hand; a round lake with that diameter
    area_km2 = np.pi * (longest_run_m / 2000.0) ** 2
    assert float(wind_depth_m(area_km2)) == pytest.approx(depth_m, abs=5.1e-4)


def test_the_whole_of_a_cold_lake_and_the_wind_s_share_of_a_warm_one():
    depth, least = np.array(20.0), np.array(6.0)
    temp = np.linspace(0.0, 30.0, 61)
    layer = mixing_depth_m(temp, depth, least)
    assert (layer[temp <= 4.0] == 20.0).all()
    assert (np.diff(layer) <= 0.0).all()
    assert layer[-1] == 6.0


def test_a_steady_state_neither_gains_nor_loses_heat():
    end = held(3000)
    assert abs(end[-1] - end[-2]) * HEAT_PER_M * 4.5 < 1e-6  # W/m2


def test_twice_the_water_takes_twice_the_heat():
    deep, deeper = (
        held(1, Basin(area_km2=1.0, mean_depth_m=depth, secchi_m=2.0), start_c=3.0)[0] - 3.0 for depth in (200.0, 400.0)
    )
    assert deep / deeper == pytest.approx(2.0, rel=0.01)


warmer = st.sampled_from([("shortwave_wm2", 20.0), ("air_temp_c", 2.0), ("vapour_hpa", 2.0)])


@given(
    warmer, st.floats(60, 250), st.floats(0, 30), st.floats(0.3, 0.9), st.floats(0, 12), st.floats(0, 30),
    st.floats(-2, 2), st.floats(0.8, 30), st.floats(0.3, 8),
)  # fmt: skip
@settings(max_examples=60)
def test_warmer_damper_or_sunnier_air_never_leaves_a_lake_colder(
    more, sun, air, damp, wind, begun, size, depth, secchi
):
    name, by = more
    basin = Basin(area_km2=10.0**size, mean_depth_m=depth, secchi_m=secchi)
    given_air = {
        "shortwave_wm2": sun, "air_temp_c": air, "wind_speed_ms": wind,
        "vapour_hpa": damp * 6.112 * np.exp(17.62 * air / (243.12 + air)),
    }  # fmt: skip
    plain, other = (
        held(1, basin, start_c=begun, **changed)[0] for changed in (given_air, given_air | {name: given_air[name] + by})
    )
    # more sunshine also means fewer clouds, which send less heat: the sun wins
    assert other >= plain - 1e-9


def front(days, at):
    """Cold, dry, windy air with clouds from one day on."""
    before = np.arange(days) < at
    return {
        "air_temp_c": np.where(before, 24.0, 12.0), "vapour_hpa": np.where(before, 19.0, 8.0),
        "wind_speed_ms": np.where(before, 3.0, 6.0), "shortwave_wm2": np.where(before, 260.0, 120.0),
    }  # fmt: skip


@pytest.mark.parametrize("days_after", [1, 2, 3, 5])
def test_under_the_same_front_a_shallow_lake_cools_faster_than_a_deep_one(days_after):
    cooled = []
    for depth in (1.0, 2.0, 4.0, 8.0):
        temp = held(120, Basin(area_km2=5.0, mean_depth_m=depth, secchi_m=2.0), start_c=20.0, **front(120, 110))
        cooled.append(temp[109] - temp[109 + days_after])
    assert (np.diff(cooled) < 0).all()
    assert min(cooled) > 0


def test_a_lake_never_freezes_and_the_polar_night_has_a_temperature():
    day = np.arange("2025-10-01", "2026-03-01", dtype="datetime64[D]")
    temp = march(
        latitude=75.0, day=day, shortwave_wm2=0.0, air_temp_c=-30.0, vapour_hpa=0.3, wind_speed_ms=5.0,
        pressure_hpa=np.full(day.size, 1010.0), basin=POND, start_c=8.0,
    )  # fmt: skip
    assert (temp >= 0.0).all()
    assert temp[-1] == 0.0


def test_60_north_in_december():
    day = np.arange("2025-12-01", "2026-01-01", dtype="datetime64[D]")
    temp = march(
        latitude=60.0, day=day, shortwave_wm2=8.0, air_temp_c=np.full(day.size, -5.0), vapour_hpa=3.5,
        wind_speed_ms=4.0, pressure_hpa=1005.0, basin=POND, start_c=6.0,
    )  # fmt: skip
    assert (np.diff(temp) <= 0.0).all()
    assert 0.0 <= temp[-1] < 1.0


def some_lakes(seed, lanes, days):
    rng = np.random.default_rng(seed)
    columns = dict(zip(
        COLUMNS,
        (rng.uniform(*span, (lanes, days)) for span in ((0, 330), (-25, 32), (0.5, 28), (0, 12), (850, 1030))),
        strict=True,
    ))  # fmt: skip
    basin = Basin(
        area_km2=10 ** rng.uniform(-2.5, 2.5, lanes), mean_depth_m=rng.uniform(0.5, 40, lanes),
        secchi_m=rng.uniform(0.2, 9, lanes),
    )  # fmt: skip
    return {
        "latitude": rng.uniform(-75, 75, lanes), "basin": basin, "start_c": rng.uniform(0, 28, lanes),
        "start": rng.integers(0, days, lanes), **columns,
    }  # fmt: skip


def one_of(lakes, lane, *, numbers):
    """One lane of a batch, as plain numbers and shape (D,), or as a batch of one."""
    pick = (lambda values: values[lane].item()) if numbers else (lambda values: values[[lane]])
    basin = lakes["basin"]
    return {
        **{name: pick(lakes[name]) for name in ("latitude", "start_c", "start")},
        **{name: lakes[name][lane] if numbers else lakes[name][[lane]] for name in COLUMNS},
        "basin": Basin(area_km2=pick(basin.area_km2), mean_depth_m=pick(basin.mean_depth_m),
                       secchi_m=pick(basin.secchi_m)),
    }  # fmt: skip


def days_of(count):
    return np.datetime64("2026-02-20", "D") + np.arange(count)


@given(st.integers(0, 2**32 - 1), st.integers(1, 19), st.integers(1, 40))
@settings(max_examples=25, deadline=None)
def test_a_lake_in_a_batch_gets_the_very_bits_it_gets_alone(seed, lanes, days):
    lakes = some_lakes(seed, lanes, days)
    together = march(day=days_of(days), **lakes)
    assert together.shape == (lanes, days)
    for lane in range(lanes):
        alone = march(day=days_of(days), **one_of(lakes, lane, numbers=True))
        np.testing.assert_array_equal(together[lane], alone)
        np.testing.assert_array_equal(together[[lane]], march(day=days_of(days), **one_of(lakes, lane, numbers=False)))


def test_leading_axes_weather_shared_by_lakes_and_the_layout_in_memory_change_no_bit():
    lakes = some_lakes(7, 6, 30)
    together = march(day=days_of(30), **lakes)
    squared = {
        name: np.asfortranarray(values.reshape(2, 3, *values.shape[1:]))
        for name, values in lakes.items() if name != "basin"
    }  # fmt: skip
    basin = lakes["basin"]
    sizes = {name: getattr(basin, name).reshape(2, 3) for name in ("area_km2", "mean_depth_m", "secchi_m")}
    told = march(day=days_of(30), **squared, basin=Basin(**sizes))
    np.testing.assert_array_equal(told, together.reshape(2, 3, 30))
    one_air = {name: lakes[name][0] for name in COLUMNS}
    shared = march(day=days_of(30), **(lakes | one_air))
    copied = {name: np.broadcast_to(values, (6, 30)).copy() for name, values in one_air.items()}
    np.testing.assert_array_equal(shared, march(day=days_of(30), **(lakes | copied)))


def test_before_its_start_a_lane_is_unknown_and_then_it_goes_as_if_the_table_began_there():
    lakes = some_lakes(3, 4, 50) | {"start": np.array([0, 7, 49, 50])}
    together = march(day=days_of(50), **lakes)
    for lane, start in enumerate([0, 7, 49]):
        assert np.isnan(together[lane, :start]).all()
        cut = one_of(lakes, lane, numbers=True) | {name: lakes[name][lane, start:] for name in COLUMNS} | {"start": 0}
        np.testing.assert_array_equal(together[lane, start:], march(day=days_of(50)[start:], **cut))
    assert np.isnan(together[3]).all()


def test_what_is_missing_in_one_lane_or_before_its_start_stays_there():
    lakes = some_lakes(4, 3, 40) | {"start": np.array([0, 0, 10])}
    whole = march(day=days_of(40), **lakes)
    holed = {name: lakes[name].copy() for name in COLUMNS}
    for name in COLUMNS:
        holed[name][2, :10] = np.nan
    holed["air_temp_c"][1, 20] = np.nan
    told = march(day=days_of(40), **(lakes | holed))
    np.testing.assert_array_equal(told[[0, 2]], whole[[0, 2]])
    np.testing.assert_array_equal(told[1, :20], whole[1, :20])
    assert np.isnan(told[1, 20:]).all()


@pytest.mark.parametrize("size", ["area_km2", "mean_depth_m", "secchi_m"])
@pytest.mark.parametrize("wrong", [0.0, -1.0, np.nan, np.array([1.0, 0.0])])
def test_a_basin_without_size_is_refused_by_name(size, wrong):
    sizes = {"area_km2": 1.0, "mean_depth_m": 5.0, "secchi_m": 2.0} | {size: wrong}
    with pytest.raises(ValueError, match=f"{size} must be above 0"):
        Basin(**sizes)
