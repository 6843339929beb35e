"""Days that nobody has are asked for, this season first, a few an hour; what fails is left for a day."""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from bitewatch.errors import OutsideFailed, SourceWaits
from bitewatch.presentation.trip import TripHours
from bitewatch.service.lake_air import kept_days
from bitewatch.settings import load_settings
from bitewatch.weather.hourly import Hourly, from_points
from bitewatch.weather.sources.base import Asking, Cell
from tests.service.conftest import Said

if TYPE_CHECKING:
    from pathlib import Path

    from tests.service.conftest import Bench

NOW = datetime(2026, 7, 20, 9, 0, tzinfo=UTC)


@dataclass
class WithPast(Said):
    """A source that knows every past hour."""

    spans: list[tuple[date, date]] = field(default_factory=list)
    past_fails: OutsideFailed | None = None

    def past(self, cell: Cell, first: date, last: date, asking: Asking, *, now: datetime) -> Hourly:
        assert asking
        self.spans.append((first, last))
        if self.past_fails is not None:
            raise self.past_fails
        start, end = np.datetime64(first, "s"), np.datetime64(min(last, now.date()) + timedelta(days=1), "s")
        time = np.arange(start, end, np.timedelta64(3600, "s"))
        columns = {"air_temp_c": 18.0, "humidity_pct": 60.0, "wind_speed_ms": 3.0, "shortwave_wm2": 200.0}
        return from_points(time, {name: np.full(time.size, value) for name, value in columns.items()})

    def past_source(self, first: date, *, now: datetime) -> str:
        return "said past" if now.date() - first < timedelta(days=95) else "said years"


@pytest.fixture
def source(bench: "Bench", hours: bytes, tmp_path: "Path", demo: "Path") -> WithPast:
    config = tmp_path / "config"
    (config / "lakes").mkdir(parents=True)
    for lake in ("x", "y", "z"):
        (config / "lakes" / f"{lake}.toml").write_text('name = "X"\nlatitude = 41.3\nlongitude = -74.2\n')
    (config / "bitewatch.toml").write_text(
        '[sources]\norder = ["hourly-csv"]\n[sources.hourly-csv]\nfile = "h.csv"\n[water]\nnormal_years = 3\n'
    )
    bench.settings = load_settings(config, bench.settings.data)
    said = WithPast(hours)
    bench.sources[:] = [said]
    bench.now = NOW
    return said


def refresh(bench: "Bench", outside, *lakes: str, now: datetime = NOW) -> None:
    outside.refresh([bench.settings.lake(lake) for lake in lakes], now)


def days(bench: "Bench", lake: str):
    with bench.store.read() as connection:
        return kept_days(connection, bench.settings.lake(lake))


def test_since_spring_first_and_then_seasons_before(bench: "Bench", source: WithPast) -> None:
    outside = bench.outside()
    refresh(bench, outside, "x")
    assert source.spans[:2] == [(date(2026, 4, 1), date(2026, 4, 19)), (date(2026, 4, 20), date(2026, 7, 19))]
    assert source.spans[2:] == [(date(year, 4, 1), date(year, 10, 31)) for year in (2025, 2024, 2023)]
    table = days(bench, "x")
    known = table.day[np.isfinite(table["air_temp_c"])]
    assert (str(known[0]), str(known[-1])) == ("2023-04-01", "2026-07-19")
    refresh(bench, outside, "x", now=NOW + timedelta(hours=2))
    assert len(source.spans) == 5  # nothing is asked for twice


def test_the_water_then_is_followed_since_spring(bench: "Bench", source: WithPast) -> None:

    outside = bench.outside()
    refresh(bench, outside, "x")
    told = outside.lake_day(
        bench.settings.lake("x"), date(2026, 7, 20), TripHours.parse("05:30-11:00"), reader="r", now=NOW
    )
    assert told.outlook is not None
    assert not any("no weather is known before" in doubt for doubt in told.doubts)
    assert told.outlook.water.hours.sd_c[told.outlook.trip.start] < 1.5


def test_no_more_than_twenty_an_hour_and_this_season_of_every_lake_before_what_is_normal(
    bench: "Bench", source: WithPast
) -> None:
    outside = bench.outside()
    outside.past_days._normal_years = 12
    refresh(bench, outside, "x", "y", "z")
    assert len(source.spans) == 20
    assert [first.year for first, _ in source.spans[:6]] == [2026] * 6
    refresh(bench, outside, "x", "y", "z", now=NOW + timedelta(minutes=59))
    assert len(source.spans) == 20
    refresh(bench, outside, "x", "y", "z", now=NOW + timedelta(minutes=61))
    assert len(source.spans) == 40


def test_what_fails_is_left_for_a_day_and_costs_nothing_else(bench: "Bench", source: WithPast) -> None:
    source.past_fails = OutsideFailed("said: no past today")
    outside = bench.outside()
    refresh(bench, outside, "x")
    assert len(source.spans) == 1
    assert source.asked  # its forecast was
    refresh(bench, outside, "x", now=NOW + timedelta(hours=12))
    assert len(source.spans) == 1
    source.past_fails = None
    refresh(bench, outside, "x", now=NOW + timedelta(hours=25))
    assert len(source.spans) == 6


def test_a_quota_is_waited_for(bench: "Bench", source: WithPast) -> None:
    source.past_fails = SourceWaits("said: its quota is used up", NOW + timedelta(hours=3))
    outside = bench.outside()
    refresh(bench, outside, "x")
    source.past_fails = None
    refresh(bench, outside, "x", now=NOW + timedelta(hours=2))
    assert len(source.spans) == 1
    refresh(bench, outside, "x", now=NOW + timedelta(hours=4))
    assert len(source.spans) > 1


def test_a_source_without_a_past_is_not_asked(bench: "Bench", said: Said) -> None:
    outside = bench.outside()
    outside.refresh([bench.settings.lake("thrennick")], NOW)
    asked = list(said.asked)
    assert outside.past_days.refresh([bench.settings.lake("thrennick")], NOW) == set()
    assert said.asked == asked
