"""The water model beside GLM on twelve of the years of GLM's example; `measure_water` does the same on all of them."""

import csv
import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from bitewatch.weather.daily import DAY
from tests.bench.glm_process import Example, Run, example, installed, run
from tests.bench.measure_water import by_the_calendar, ours_on, skill, skill_lines, speed, speed_lines

pytestmark = [
    pytest.mark.shows,
    pytest.mark.skipif(not installed(), reason="glm-py brings no GLM for this machine: wheels are for Linux on x86-64"),
]

FIRST, LAST = "1980-04-15", "1991-12-31"


@pytest.fixture(scope="module")
def of() -> Example:
    return example()


@pytest.fixture(scope="module")
def glm(of: Example) -> Run:
    ran = run(of, FIRST, LAST)
    assert ran.day.size > 4000  # not ended after the example's 730 days
    assert (np.diff(ran.day) == DAY).all()
    return ran


def test_a_thousand_times_as_fast(of: Example, glm: Run, capsys: pytest.CaptureFixture[str]) -> None:
    ours = speed(of)
    with capsys.disabled():
        print("\n\n" + "\n".join(speed_lines(glm, ours)))
    assert glm.cpu_s_per_lake_year >= 1000 * ours.cpu_s_per_lake_year
    assert ours.cpu_s <= 1.0  # ten thousand lakes, two hundred days


def test_the_surface_is_that_of_glm_without_fitting(of: Example, glm: Run, capsys: pytest.CaptureFixture[str]) -> None:
    ours = skill(glm.day, glm.surface_c, ours_on(of, glm.day))
    blind = skill(glm.day, glm.surface_c, by_the_calendar(glm.day, glm.surface_c))
    with capsys.disabled():
        print("\n\n" + "\n".join([*skill_lines("ours", ours), *skill_lines("the calendar", blind)]))
    assert ours.days == 12 * 153
    assert ours.rmse_c <= 0.8
    assert ours.same_sign >= 0.95
    assert blind.rmse_c > 1.2  # neither limit can be kept without the weather
    assert blind.same_sign < 0.9


def test_the_command_says_the_same(
    of: Example, glm: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:  # fmt: skip
    """From a daily file with the canonical columns and a lake's profile to the printed table."""
    weather, lake = tmp_path / "weather.csv", tmp_path / "lake.toml"
    write_weather(of, weather)
    write_lake(of, lake)
    done = bitewatch("water", str(weather), "--lake", str(lake), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    assert list(rows[0]) == ["date", "surface_temp_c", "sd_c", "mixed_depth_m", "thermocline_m"]
    told = {np.datetime64(row["date"]): float(row["surface_temp_c"]) for row in rows if row["surface_temp_c"]}
    printed = skill(glm.day, glm.surface_c, np.array([told.get(day, np.nan) for day in glm.day]))
    with capsys.disabled():
        print("\n\n" + "\n".join(skill_lines("bitewatch water", printed)))
    assert printed.days == 12 * 153
    assert printed.rmse_c <= 0.8
    assert printed.same_sign >= 0.95


def write_weather(of: Example, path: Path) -> None:
    columns = {
        "air_temp_c": "AirTemp", "humidity_pct": "RelHum", "wind_speed_ms": "WindSpeed", "shortwave_wm2": "ShortWave"
    }  # fmt: skip
    inside = (of.day >= np.datetime64(f"{FIRST[:4]}-01-01")) & (of.day <= np.datetime64(LAST))
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(["time", *columns])
        for n in np.flatnonzero(inside):
            table.writerow([f"{of.day[n]}T12:00:00Z", *(f"{of.columns[name][n]:.4f}" for name in columns.values())])


def write_lake(of: Example, path: Path) -> None:
    basin = of.basin
    typed = {
        "latitude": of.latitude, "longitude": of.longitude, "elevation_m": of.elevation_m,
        "area_km2": basin.area_km2, "mean_depth_m": basin.mean_depth_m, "max_depth_m": of.max_depth_m,
        "secchi_m": basin.secchi_m,
    }  # fmt: skip
    path.write_text("\n".join(['name = "Example"', *(f"{key} = {value}" for key, value in typed.items())]) + "\n")


def bitewatch(*arguments: str, cwd: Path) -> "subprocess.CompletedProcess[str]":
    environment = {name: value for name, value in os.environ.items() if not name.startswith("BITEWATCH_")}
    program = "from bitewatch.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", program, *arguments], cwd=cwd, env=environment, text=True, capture_output=True,
        timeout=60, check=False,
    )  # fmt: skip
