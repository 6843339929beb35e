import numpy as np
import pytest

from bitewatch.position.conditions import Conditions
from bitewatch.position.variables import VARIABLES

#: a late July day on which hardly anything happens
QUIET = {
    "front_strength": 0.0, "hours_since_front": 200.0, "front_strength_ahead": 0.0, "hours_to_front": 200.0,
    "pressure_change_6h_hpa": 0.0, "stable_days": 1.0, "water_temp_c": 23.0, "water_temp_change_3d_c": 0.0,
    "day_of_year": 212.0, "sun_elevation_deg": 45.0, "sun_rising": 1.0, "light_at_tops": 1.6, "wind_speed_ms": 1.0,
    "onshore_wind_ms": 0.0, "secchi_m": 2.5, "weed_cover": 0.5, "oxygen_margin_m": 5.0, "rain_24h_mm": 0.0,
    "air_minus_water_c": 0.0,
}  # fmt: skip


@pytest.fixture
def quiet():
    """Makes conditions of that day, with what is named set otherwise; arrays broadcast."""

    def make(**changed):
        shape = np.broadcast_shapes((1,), *(np.shape(value) for value in changed.values()))
        values = {
            name: np.broadcast_to(np.asarray(value, float), shape) for name, value in {**QUIET, **changed}.items()
        }
        time = np.datetime64("2026-07-31T00", "s") + np.arange(shape[-1]) * np.timedelta64(3600, "s")
        return Conditions(time=time, values=values)

    return make


@pytest.fixture
def anything():
    """Makes random conditions over the plausible range of every variable, some of them missing."""

    def make(shape, *, seed, missing=0.05):
        draw = np.random.default_rng(seed)
        values = {}
        for name, known in VARIABLES.items():
            values[name] = draw.uniform(known.lowest, known.highest, shape)
            values[name][draw.random(shape) < missing] = np.nan
        time = np.datetime64("2026-07-31T00", "s") + np.arange(shape[-1]) * np.timedelta64(3600, "s")
        return Conditions(time=time, values=values)

    return make
