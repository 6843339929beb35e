"""Gauges: asked once an hour, kept as readings, and named where they are shown."""

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from bitewatch.errors import OutsideFailed
from bitewatch.presentation.trip import TripHours
from bitewatch.service.gauges import Gauges
from bitewatch.service.readings import kept_readings
from bitewatch.weather.sources.usgs import GaugeReadings, Measured

if TYPE_CHECKING:
    from tests.service.conftest import Bench

NOW = datetime(2026, 7, 20, 9, 0, tzinfo=UTC)


@dataclass
class Gauged:
    """A gauge that tells what the test says."""

    name: str = "usgs"
    temp_c: float = 25.0
    fails: OutsideFailed | None = None
    left_out: dict[str, str] = field(default_factory=dict)
    asked: list[datetime | None] = field(default_factory=list)

    def readings(self, gauges, asking, *, now, since=None):
        self.asked.append(since)
        if self.fails is not None:
            raise self.fails
        told = Measured(
            station="USGS-00000001", series="s", at=now - timedelta(minutes=20), temp_c=self.temp_c, approval=""
        )
        known = {gauge.lake: (told,) for gauge in gauges if gauge.lake not in self.left_out}
        return GaugeReadings(measured=known, left_out=self.left_out)


@pytest.fixture
def gauged(bench: "Bench") -> "Bench":
    lake = bench.settings.lake("thrennick").model_copy(
        update={"gauge": "USGS-00000001", "water_temp_c": None, "water_temp_on": None}
    )
    bench.settings = replace(bench.settings, lakes={"thrennick": lake})
    bench.now = NOW
    return bench


def kept(bench: "Bench"):
    with bench.store.read() as connection:
        return [one.reading.temp_c for one in kept_readings(connection, "thrennick")]


def test_once_an_hour_and_at_first_for_the_days_before(gauged: "Bench") -> None:
    source = Gauged()
    gauges = Gauges(gauged.store, source, None)
    lakes = list(gauged.settings.lakes.values())
    for minutes in (0, 30, 61, 90, 125):
        gauges.refresh(lakes, NOW + timedelta(minutes=minutes))
    assert source.asked == [None, NOW - timedelta(days=14), None, None]
    assert kept(gauged) == [25.0, 25.0, 25.0]
    again = Gauged()
    Gauges(gauged.store, again, None).refresh(lakes, NOW + timedelta(minutes=140))  # nor sooner after a restart
    Gauges(gauged.store, again, None).refresh(lakes, NOW + timedelta(minutes=190))
    assert again.asked == [None]


def test_after_a_gap_the_hours_between_are_asked_for(gauged: "Bench") -> None:
    lakes = list(gauged.settings.lakes.values())
    Gauges(gauged.store, Gauged(), None).refresh(lakes, NOW)
    later = Gauged()
    Gauges(gauged.store, later, None).refresh(lakes, NOW + timedelta(days=2))
    assert later.asked == [None, NOW - timedelta(days=12)]


def test_one_lake_does_not_keep_another_waiting(bench: "Bench") -> None:
    source = Gauged()
    gauges = Gauges(bench.store, source, None)
    one, other = (
        bench.settings.lake(name).model_copy(update={"gauge": "USGS-00000001"}) for name in ("thrennick", "umberfold")
    )
    gauges.refresh([one], NOW)
    gauges.refresh([one, other], NOW + timedelta(seconds=1))
    with bench.store.read() as connection:
        assert kept_readings(connection, "umberfold")


def test_an_outage_is_told_once_and_its_end_too(gauged: "Bench") -> None:
    source = Gauged(fails=OutsideFailed("usgs: answers 503"))
    gauges = Gauges(gauged.store, source, None)
    lakes = list(gauged.settings.lakes.values())
    for hours in (0, 2, 4):
        gauges.refresh(lakes, NOW + timedelta(hours=hours))
    assert gauges.why_not(lakes[0]) == "usgs: answers 503"
    source.fails = None
    gauges.refresh(lakes, NOW + timedelta(hours=6))
    assert gauges.why_not(lakes[0]) == ""
    assert [one.subject for one in gauged.events("SourceDown")] == ["usgs"]
    assert [one.subject for one in gauged.events("SourceBack")] == ["usgs"]


def test_why_a_lake_has_no_reading_is_told_in_its_brief(gauged: "Bench") -> None:
    outside = gauged.outside()
    source = Gauged(left_out={"thrennick": "the gauge has two series: name one"})
    outside = replace(outside, gauges=Gauges(gauged.store, source, None))
    lake = gauged.settings.lake("thrennick")
    outside.refresh([lake], NOW)
    told = outside.lake_day(lake, date(2026, 7, 20), TripHours.parse("05:30-11:00"), reader="r", now=NOW)
    assert "the gauge has two series: name one" in told.doubts


def test_its_line_stands_where_its_readings_are_used(gauged: "Bench") -> None:
    outside = replace(gauged.outside(), gauges=Gauges(gauged.store, Gauged(temp_c=26.0), None))
    lake = gauged.settings.lake("thrennick")
    outside.refresh([lake], NOW - timedelta(hours=1))
    told = outside.lake_day(lake, date(2026, 7, 20), TripHours.parse("05:30-11:00"), reader="r", now=NOW)
    assert told.weather is not None
    assert told.weather.attribution.endswith("Source: US Geological Survey. Provisional data are subject to revision.")


def test_lakes_without_a_gauge_cost_nothing(bench: "Bench") -> None:
    source = Gauged()
    Gauges(bench.store, source, None).refresh(list(bench.settings.lakes.values()), NOW)
    assert source.asked == []
