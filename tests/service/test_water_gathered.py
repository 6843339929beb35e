"""What the water is worked out from: files, the store, the shore; and how much of it a brief may look at."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from bitewatch.presentation.trip import TripHours
from bitewatch.service.lake_air import kept_days
from bitewatch.service.readings import add_readings
from bitewatch.settings import load_settings
from bitewatch.water.reading import Reading

if TYPE_CHECKING:
    from tests.service.conftest import Bench

NOW = datetime(2026, 7, 20, 9, 0, tzinfo=UTC)


def known(bench: "Bench", lake: str = "thrennick", until: datetime = NOW, now: datetime = NOW):
    return bench.outside().waters.known(bench.settings.lake(lake), until=until, now=now)


def test_the_days_of_this_season_and_the_sums_of_those_before(bench: "Bench") -> None:
    told = known(bench)
    (table,) = told.days
    assert table.day[0] >= np.datetime64("2026-03-01")
    assert table.day[-1] == np.datetime64("2026-10-31")
    assert sorted(told.before) == list(range(2015, 2026))
    assert all("from the future left out" in failure for failure in told.failures)  # by the clock of this test


def test_no_reading_after_the_launch_and_none_that_was_not_known_yet(bench: "Bench") -> None:
    lake = bench.settings.lake("thrennick")
    at = NOW - timedelta(hours=3)
    with bench.store.write() as connection:
        one = Reading(at=at, temp_c=24.0, source="typed", known_at=NOW + timedelta(hours=1))
        add_readings(connection, lake.id, [one], now=NOW)
    assert all(one.at <= NOW for one in known(bench).readings)
    assert not any(one.source == "typed" for one in known(bench).readings)
    later = known(bench, now=NOW + timedelta(hours=2))
    assert [one.at for one in later.readings if one.source == "typed"] == [at]
    assert len(known(bench, until=NOW - timedelta(days=40)).readings) < len(known(bench).readings)


def test_the_shore_gives_the_runs_of_the_wind(bench: "Bench") -> None:
    told = known(bench)
    assert told.longest_m is not None
    assert told.fetch_m is not None
    assert told.fetch_m.shape == (3, told.longest_m.size)
    assert (told.fetch_m <= told.longest_m.max() + 1).all()


def test_a_file_that_cannot_be_read_is_told_and_the_brief_goes_on(tmp_path: Path, demo: Path, bench: "Bench") -> None:
    config = tmp_path / "config"
    (config / "lakes").mkdir(parents=True)
    (config / "lakes" / "x.toml").write_text('name = "X"\nlatitude = 41.3\nlongitude = -74.2\n')
    (config / "bitewatch.toml").write_text(
        '[sources]\norder = ["hourly-csv"]\n[sources.hourly-csv]\nfile = "h.csv"\n'
        '[water]\nhistory = "none.csv"\nreadings = "readings.csv"\n'
    )
    (config / "readings.csv").write_text("time,warmth\n")
    bench.settings = load_settings(config, bench.settings.data)
    told = known(bench, "x")
    assert told.days == ()
    assert "none.csv: cannot be read: No such file or directory" in told.failures
    assert any(failure.startswith("readings.csv: the first line must name one column") for failure in told.failures)


def test_days_that_are_over_are_kept_and_outlive_their_source(bench: "Bench") -> None:
    lake = bench.settings.lake("thrennick")
    outside = bench.outside()
    outside.refresh([lake], NOW)
    with bench.store.read() as connection:
        table = kept_days(connection, lake)
    assert table is not None
    assert (str(table.day[0]), str(table.day[-1])) == ("2026-07-08", "2026-07-19")


@pytest.mark.parametrize("lake", ["thrennick", "umberfold", "skarrow"])
def test_the_brief_after_the_front_says_how_much_the_lake_has_cooled(bench: "Bench", lake: str) -> None:

    outside = bench.outside()
    day = bench.settings.lake(lake)
    morning = datetime(2026, 7, 22, 8, tzinfo=UTC)
    outside.refresh([day], morning)
    told = outside.lake_day(day, date(2026, 7, 22), TripHours.parse("05:30-11:00"), reader="x", now=morning)
    assert told.outlook is not None
    hours, at = told.outlook.water.hours, told.outlook.trip.start
    assert hours.change_3d_c[at] < -1.0
    assert 0.2 < hours.change_sd_c[at] < 1.0
    assert told.outlook.water.ahead is not None
