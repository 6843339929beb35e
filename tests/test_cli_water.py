"""The commands about the water, as a person types them."""

import csv
import io
import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner

from bitewatch.cli import main

DEMO = Path(__file__).parent.parent / "config_demo"
LAKE = """
name = "Test Water"
latitude = 45.0
longitude = -90.0
elevation_m = 365
area_km2 = 1.0
mean_depth_m = 5.0
max_depth_m = 14.0
secchi_m = 2.0
"""


def run(*args, code=0, data=None):
    config = ["--config", str(DEMO), "--data", str(data)] if data else []
    ran = CliRunner().invoke(main, [*config, *map(str, args)])
    assert ran.exit_code == code, ran.output
    return ran


def rows_of(ran):
    return list(csv.DictReader(io.StringIO(ran.stdout)))


@pytest.fixture
def lake(tmp_path):
    path = tmp_path / "Test Water.toml"  # a file of any name
    path.write_text(LAKE)
    return path


@pytest.fixture
def weather(tmp_path):
    """One row a day over two years of an invented place: warm summers, winters under ice."""

    def make(first=1, last=731, columns="air_temp_c,dew_point_c,wind_speed_ms,shortwave_wm2", **changed):
        import datetime as dt

        lines = [f"time,{columns}"]
        for n in range(first - 1, last):
            day = dt.date(2025, 1, 1) + dt.timedelta(days=n)
            warmth = 6.0 - 16.0 * math.cos(2 * math.pi * (n + 10) / 365.25)
            values = {
                "air_temp_c": warmth, "dew_point_c": warmth - 6, "humidity_pct": 62, "wind_speed_ms": 3.5,
                "shortwave_wm2": max(20.0, 160 - 130 * math.cos(2 * math.pi * (n + 10) / 365.25)), "cloud_pct": 40,
            } | changed  # fmt: skip
            lines.append(f"{day}," + ",".join(f"{values[name]:.2f}" for name in columns.split(",")))
        path = tmp_path / "days.csv"
        path.write_text("\n".join(lines) + "\n")
        return path

    return make


def test_a_file_of_years_is_told_season_by_season(weather, lake):
    ran = run("water", weather(), "--lake", lake)
    found = rows_of(ran)
    assert list(found[0]) == ["date", "surface_temp_c", "sd_c", "mixed_depth_m", "thermocline_m"]
    by_day = {row["date"]: row for row in found}
    assert "2025-07-20" in by_day
    assert "2026-07-20" in by_day
    assert "2026-01-20" not in by_day  # ice
    summer = [float(by_day[f"{year}-07-20"]["surface_temp_c"]) for year in (2025, 2026)]
    assert summer[0] == pytest.approx(summer[1], abs=0.1)  # the same weather, each season afresh
    assert 18 < summer[0] < 28
    assert float(by_day["2025-04-05"]["sd_c"]) > float(by_day["2025-07-20"]["sd_c"]) == pytest.approx(0.9, abs=0.02)
    assert float(by_day["2025-07-20"]["mixed_depth_m"]) < float(by_day["2025-07-20"]["thermocline_m"])
    assert "freezing point" in ran.stderr


def test_readings_are_taken_up_from_their_day_on(weather, lake, tmp_path):
    bare = {row["date"]: row for row in rows_of(run("water", weather(), "--lake", lake))}
    warm = float(bare["2026-07-20"]["surface_temp_c"]) + 2
    logs = tmp_path / "logs.csv"
    logs.write_text(f"time,water_temp_c,depth_m\n2026-07-20T13:00,{warm:.1f},0.6\n2026-07-21T13:00,99,0.6\n")
    ran = run("water", weather(), "--lake", lake, "--logs", logs)
    told = {row["date"]: row for row in rows_of(ran)}
    assert told["2026-07-19"] == bare["2026-07-19"]
    assert float(told["2026-07-20"]["surface_temp_c"]) - float(bare["2026-07-20"]["surface_temp_c"]) > 1.0
    assert float(told["2026-07-20"]["sd_c"]) < float(bare["2026-07-20"]["sd_c"])
    assert "line 3: 99 degC is hotter than any lake" in ran.stderr


def test_json_says_the_same_with_the_notes(weather, lake):
    told = json.loads(run("water", weather(), "--lake", lake, "--json").stdout)
    assert told["lake"] == "test-water"
    rows = rows_of(run("water", weather(), "--lake", lake))
    assert [str(day["date"]) for day in told["days"]] == [row["date"] for row in rows]
    assert any("freezing point" in note for note in told["notes"])


def test_humidity_in_place_of_the_dew_point(weather, lake):
    columns = "air_temp_c,humidity_pct,wind_speed_ms,shortwave_wm2"
    assert len(rows_of(run("water", weather(columns=columns), "--lake", lake))) > 300


def test_clouds_in_place_of_sunshine(weather, lake):
    ran = run("water", weather(columns="air_temp_c,dew_point_c,wind_speed_ms,cloud_pct"), "--lake", lake)
    assert len(rows_of(ran)) > 300
    assert "sunshine from the sun's height and the clouds" in ran.stderr


@pytest.mark.parametrize(
    ("columns", "named"),
    [
        ("air_temp_c,wind_speed_ms,shortwave_wm2", "dew_point_c, and no humidity_pct"),
        ("air_temp_c,dew_point_c,wind_speed_ms", "no shortwave_wm2, and no cloud_pct"),
        ("air_temp_c,dew_point_c,shortwave_wm2", "no wind_speed_ms"),
        ("dew_point_c,wind_speed_ms,shortwave_wm2", "no air_temp_c"),
    ],
)
def test_what_cannot_be_had_is_refused_by_name(weather, lake, columns, named):
    ran = run("water", weather(columns=columns), "--lake", lake, code=1)
    assert named in ran.stderr
    assert ran.stdout == ""


def test_a_lake_at_60_north_in_december(weather, lake, tmp_path):
    lake.write_text(LAKE.replace("45.0", "60.0"))
    winter = weather(first=336, last=365, air_temp_c=-14.0, dew_point_c=-17.0, shortwave_wm2=4.0)
    ran = run("water", winter, "--lake", lake, code=1)
    assert "freezing point on every day" in ran.stderr


@pytest.mark.parametrize("latitude", ["0.0", "-30.0", "69.0"])
def test_a_lake_at_the_equator_south_of_it_and_in_polar_night(weather, lake, latitude):
    lake.write_text(LAKE.replace("45.0", latitude))
    ran = run("water", weather(), "--lake", lake)
    assert all(math.isfinite(float(row["surface_temp_c"])) for row in rows_of(ran))
    assert "outside what the water model was fitted on" in ran.stderr


@pytest.mark.parametrize(
    ("line", "right"),
    [("area_km2 = 0", "area_km2 = 0: must be above 0"), ("secchi_m = 0", "secchi_m = 0: must be above 0")],
)
def test_a_zero_area_and_secchi_are_refused(weather, lake, line, right):
    key = line.split(" = ")[0]
    lake.write_text("\n".join(line if row.startswith(key) else row for row in LAKE.splitlines()))
    assert right in run("water", weather(), "--lake", lake, code=1).stderr


def test_a_week_without_sunshine_is_made_up_for_and_told(weather, lake):
    path = weather()
    lines = path.read_text().splitlines()
    lines[550:557] = [line.rsplit(",", 1)[0] + "," for line in lines[550:557]]
    path.write_text("\n".join(lines) + "\n")
    ran = run("water", path, "--lake", lake)
    assert "7 days" in ran.stderr
    assert "nan" not in ran.stdout.lower()


def test_usage(weather, lake, tmp_path):
    assert "--lake" in run("water", weather(), code=2).stderr
    assert "--plot draws png, svg, pdf" in run("water", weather(), "--lake", lake, "--plot", "x.bmp", code=2).stderr
    assert "cannot be read" in run("water", tmp_path / "none.csv", "--lake", lake, code=1).stderr
    assert "--lake is for a file" in run("water", "thrennick", "--lake", lake, data=tmp_path / "d", code=2).stderr


@pytest.mark.parametrize("lake_id", ["thrennick", "umberfold", "skarrow"])
def test_the_demo_lakes_have_a_season_with_readings_and_a_plot(tmp_path, lake_id):
    ran = run("water", lake_id, "--plot", tmp_path / "season.png", data=tmp_path / "data")
    found = [row for row in rows_of(ran) if row["date"].startswith("2026")]
    assert (found[0]["date"], found[-1]["date"]) == ("2026-04-01", "2026-10-31")
    assert (tmp_path / "season.png").read_bytes().startswith(b"\x89PNG")


def test_a_reading_is_told_listed_and_taken_back(tmp_path):
    def reading(*args, code=0):
        return run("reading", "thrennick", *args, data=tmp_path, code=code)

    assert reading("77F", "--at", "2026-07-20T15:00", "--depth", "2ft").stdout.startswith(
        "Reading 1 of Lake Thrennick: 77 °F, 2 ft down, 2026-07-20 15:00, typed."
    )
    listed = json.loads(reading("--json").stdout)
    (typed,) = [one for one in listed if one["source"] == "typed"]
    assert (typed["number"], typed["temp_c"], typed["at"]) == (1, 25.0, "2026-07-20T19:00:00Z")
    assert len(listed) > 10  # with those of the file
    assert "Taken back" in reading("--undo", "1").stdout
    assert "no reading 1" in reading("--undo", "1", code=1).stderr


@pytest.mark.parametrize(
    ("args", "asked"),
    [
        (["72"], "write 72F or 72C"),
        (["72C"], "in degF it would be 22.2 degC"),
        (["22F"], "22 degC would make sense"),
        (["50F", "--at", "2026-07-20T15:00"], "if it is right, add --sure"),
        (["70F", "--at", "2036-07-20T15:00"], "is in the future"),
        (["70F", "--at", "noon"], "is not a time"),
        (["70F", "--depth", "2"], "is not a depth"),
        (["warm"], "is not a temperature"),
    ],
)
def test_an_absurd_reading_is_questioned_and_not_swallowed(tmp_path, args, asked):
    assert asked in run("reading", "thrennick", *args, data=tmp_path, code=1).stderr
    assert "typed" not in run("reading", "thrennick", "--json", data=tmp_path).stdout


def test_sure_takes_what_was_questioned(tmp_path):
    run("reading", "thrennick", "50F", "--at", "2026-07-20T15:00", "--sure", data=tmp_path)
    assert "typed" in run("reading", "thrennick", "--json", data=tmp_path).stdout


def test_summer_is_not_called_frozen_because_a_day_is_not_over(weather, lake, tmp_path):
    lines = weather(first=120, last=200).read_text().splitlines()
    path = tmp_path / "cut.csv"
    path.write_text("\n".join([*lines[:-1], lines[-1].split(",")[0] + ",,,,"]) + "\n")
    assert "freezing" not in run("water", path, "--lake", lake).stderr


def test_weather_in_the_wrong_unit_is_asked_about(weather, lake):
    path = weather(first=180, last=230, air_temp_c=59.0, dew_point_c=40.0, shortwave_wm2=330)
    ran = run("water", path, "--lake", lake, code=1)
    assert "is the weather in other units, such as degF?" in ran.stderr


def test_what_was_left_out_is_told_with_a_refusal(weather, lake, tmp_path):
    path = tmp_path / "f.csv"
    path.write_text(weather().read_text().replace("air_temp_c", "air_temp_f"))
    ran = run("water", path, "--lake", lake, code=1)
    assert "unknown columns left out: air_temp_f" in ran.stderr


def test_ice_out_opens_the_water_and_not_sooner(weather, lake):
    lake.write_text(LAKE + "ice_out = 2026-03-20\n")
    days = [row["date"] for row in rows_of(run("water", weather(), "--lake", lake))]
    spring = [day for day in days if "2026-01-01" <= day < "2026-04-10"]
    assert spring[0] == "2026-03-20"
    assert len(spring) == 21
    lake.write_text(LAKE + "ice_out = 2026-10-01\n")
    assert "must be a day from January to June" in run("water", weather(), "--lake", lake, code=1).stderr


def test_readings_by_two_ways_count_once(weather, lake, tmp_path):
    logs = tmp_path / "logs.csv"
    logs.write_text("time,water_temp_c\n2026-07-20T13:00,25\n")
    once = run("water", weather(), "--lake", lake, "--logs", logs).stdout
    lake.write_text(LAKE + "water_temp_c = 25\nwater_temp_on = 2026-07-20\nwater_temp_at = 13:00:00\n")
    assert run("water", weather(), "--lake", lake, "--logs", logs).stdout == once


def test_a_bare_day_has_no_hour_and_json_is_json(tmp_path):
    told = json.loads(run("reading", "thrennick", "77F", "--at", "2026-07-20", "--json", data=tmp_path).stdout)
    assert told == {"added": [1]}
    (typed,) = [one for one in json.loads(run("reading", "thrennick", "--json", data=tmp_path).stdout) if one["number"]]
    assert (typed["hour_known"], typed["at"]) == (False, "2026-07-20T16:00:00Z")
    assert json.loads(run("reading", "thrennick", "--undo", "1", "--json", data=tmp_path).stdout) == {"undone": [1]}
    for bad in (["76F", "--at", "0001-01-01T00:00"], ["76F", "--depth", "200ft"]):
        assert "Traceback" not in run("reading", "thrennick", *bad, data=tmp_path, code=1).stderr
