"""The main job on weather that was observed: the cold front of 22 September 2013 over New York, and the calm after it.

Hours: R package nycflights13 (Wickham 2021), table weather, from the ASOS records of the Iowa Environmental Mesonet.
"""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from bitewatch.cli import main
from bitewatch.weather.hourly import COLUMNS, Hourly

FRONT_DAY, STABLE_DAY = "2013-09-23", "2013-09-28"
STATIONS = ("EWR", "JFK", "LGA")
LAKES = {
    "clear": {"secchi_m": 4.1, "weed_edge_m": 4.9, "weed_tops_m": 2.4},
    "dark": {"secchi_m": 1.0, "weed_edge_m": 2.2, "weed_tops_m": 0.9},
    "mown": {"secchi_m": 4.1, "weed_edge_m": 4.9, "weed_tops_m": 3.4},  # the clear lake with its tops 1 m deeper
}
HOUR = np.timedelta64(3600, "s")


def write_hours(hourly: Hourly, path: Path, later_h: int) -> None:
    """The hours of August to October as a file of hours, moved to later by some hours."""
    rows = ["time," + ",".join(COLUMNS)]
    wanted = (hourly.time >= np.datetime64("2013-08-20")) & (hourly.time < np.datetime64("2013-10-05"))
    for k in np.flatnonzero(wanted):
        cells = ("" if np.isnan(hourly[name][k]) else f"{hourly[name][k]:.3f}" for name in COLUMNS)
        rows.append(f"{hourly.time[k] + later_h * HOUR}Z," + ",".join(cells))
    path.write_text("\n".join(rows) + "\n", "utf-8")


@pytest.fixture(scope="module")
def brief(
    new_york: Callable[[str], Hourly], tmp_path_factory: pytest.TempPathFactory
) -> Callable[..., dict[str, Any]]:  # fmt: skip
    """What `bitewatch brief` says, as a program reads it."""
    folders: dict[tuple[str, int], Path] = {}
    told: dict[tuple[object, ...], dict[str, Any]] = {}

    def config(station: str, later_h: int) -> Path:
        if (station, later_h) not in folders:
            folder = tmp_path_factory.mktemp(f"{station}{later_h}")
            (folder / "lakes").mkdir()
            (folder / "bitewatch.toml").write_text(
                '[sources]\norder = ["hourly-csv"]\n[sources.hourly-csv]\nfile = "hours.csv"\n', "utf-8"
            )
            write_hours(new_york(station), folder / "hours.csv", later_h)
            for lake, depths in LAKES.items():
                typed = {"latitude": 41.318, "longitude": -74.215, "water_temp_c": 20.5, "weed_cover": 0.55, **depths}
                lines = [f'name = "{lake}"', *(f"{key} = {value}" for key, value in typed.items())]
                (folder / "lakes" / f"{lake}.toml").write_text("\n".join(lines) + "\n", "utf-8")
            folders[station, later_h] = folder
        return folders[station, later_h]

    def run(lake: str, day: str, station: str = "EWR", later_h: int = 0) -> dict[str, Any]:
        asked = (lake, day, station, later_h)
        if asked not in told:
            folder = config(station, later_h)
            given = ["--config", str(folder), "--data", str(folder / "data"), "brief", lake, "--day", day]
            done = CliRunner().invoke(main, [*given, "--hours", "08:00-11:00", "--json"], catch_exceptions=False)
            assert (done.exit_code, done.stderr) == (0, "")
            told[asked] = json.loads(done.stdout)
        return told[asked]

    return run


def windows(said: dict[str, Any], species: str = "crappie") -> list[dict[str, Any]]:
    (call,) = (call for call in said["lakes"][0]["calls"] if call["species"] == species)
    found: list[dict[str, Any]] = call["windows"]
    return found


def why(said: dict[str, Any]) -> str:
    return " ".join(next(section["lines"] for section in said["sections"] if section["key"] == "why"))


def chance(said: dict[str, Any], position: str) -> float:
    return float(np.mean([window["probability"][position] for window in windows(said)]))


@pytest.mark.parametrize("lake", LAKES)
def test_tight_the_day_after_the_front_and_the_front_is_named(brief: Callable[..., dict[str, Any]], lake: str) -> None:
    said = brief(lake, FRONT_DAY)
    assert {window["position"] for window in windows(said)} == {"tight"}
    assert [window["toss_up_with"] for window in windows(said)] == [None] * len(windows(said))
    assert said["lakes"][0]["calls"][0]["reasons"][0]["rule"] == "cold-front-day-one"
    assert "First day after a cold front" in why(said)
    assert "Last cold front: Sun Sep 22" in why(said)
    front = max(said["lakes"][0]["fronts"], key=lambda one: one["onset"] if one["onset"] < "2013-09-23" else "")
    onset = datetime.fromisoformat(front["onset"]).astimezone(UTC)
    assert datetime(2013, 9, 21, 18, tzinfo=UTC) < onset < datetime(2013, 9, 22, 18, tzinfo=UTC)


@pytest.mark.parametrize("station", STATIONS)
def test_all_three_airports_call_tight_at_first(brief: Callable[..., dict[str, Any]], station: str) -> None:
    # the front passed the coast some hours earlier than Newark: by late morning edge is as likely there, and it is said
    said = brief("clear", FRONT_DAY, station)
    first = windows(said)[0]
    assert first["position"] == "tight"
    assert first["toss_up_with"] in (None, "edge")
    assert "First day after a cold front" in why(said)


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("lake", LAKES)
def test_high_five_days_later_and_the_stable_spell_is_named(
    brief: Callable[..., dict[str, Any]], station: str, lake: str
) -> None:
    said = brief(lake, STABLE_DAY, station)
    assert {window["position"] for window in windows(said)} == {"high"}
    assert [window["toss_up_with"] for window in windows(said)] == [None] * len(windows(said))
    assert said["lakes"][0]["calls"][0]["reasons"][0]["rule"] == "stable-warm-spell"
    assert why(said).startswith("Stable warm spell") or why(said).startswith("Settled warm spell")


@pytest.mark.parametrize("station", STATIONS)
def test_twelve_hours_move_the_call(brief: Callable[..., dict[str, Any]], station: str) -> None:
    as_it_was = brief("clear", FRONT_DAY, station)
    earlier, later = (brief("clear", FRONT_DAY, station, h) for h in (-12, 12))
    assert {window["position"] for window in windows(earlier)} == {"edge"}  # half a day more to recover
    assert {window["position"] for window in windows(later)} == {"tight"}
    assert chance(earlier, "tight") + 0.1 < chance(as_it_was, "tight") < chance(later, "tight") - 0.05


def test_a_dark_and_a_clear_lake_fish_at_other_depths_with_other_tackle(brief: Callable[..., dict[str, Any]]) -> None:
    clear, dark = brief("clear", STABLE_DAY), brief("dark", STABLE_DAY)
    for ours, theirs in zip(windows(clear), windows(dark), strict=True):
        assert ours["main"]["bait"]["bottom_m"] > theirs["main"]["bait"]["bottom_m"] + 1
    tackle = [{window["main"]["technique"] for window in windows(said)} for said in (clear, dark)]
    modifiers = [{one for window in windows(said) for one in window["modifiers"]} for said in (clear, dark)]
    assert tackle[0] != tackle[1] or modifiers[0] != modifiers[1]
    assert chance(dark, "high") > chance(clear, "high") + 0.05  # stained water keeps fish shallow


def test_tops_one_metre_deeper_move_the_bait_as_much(brief: Callable[..., dict[str, Any]]) -> None:
    as_it_was, mown = (windows(brief(lake, STABLE_DAY)) for lake in ("clear", "mown"))
    baits = [
        [offer["bait"]["bottom_m"] for w in said for offer in (w["main"], w["then"])] for said in (as_it_was, mown)
    ]
    assert max(baits[1]) > max(baits[0])
    by_technique = [{w["main"]["technique"]: w["main"]["bait"] for w in said} for said in (as_it_was, mown)]
    same = by_technique[0].keys() & by_technique[1].keys()
    assert same
    for technique in same:
        assert by_technique[1][technique]["top_m"] == pytest.approx(by_technique[0][technique]["top_m"] + 1.0)
    assert LAKES["mown"]["weed_tops_m"] > max(
        bait["bottom_m"] for bait in by_technique[1].values()
    )  # never in the weeds
