"""Fronts of a lake through the issues that come: what is told when they shift, go, or another source takes over."""

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from sqlalchemy import select

from bitewatch.brief.lake_day import Freshness, WeatherSeen
from bitewatch.lake.local_time import datetime_to_np
from bitewatch.lake.profile import Lake
from bitewatch.service.follow import follow_fronts
from bitewatch.service.known_fronts import load
from bitewatch.service.weather_now import Weather
from bitewatch.settings import load_settings
from bitewatch.store.database import Store
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.weather.following import KnownFront, Standing
from bitewatch.weather.hourly import HOUR, Hourly, from_points
from bitewatch.weather.sources.base import Issue
from bitewatch.weather.tables import sighting

if TYPE_CHECKING:
    from tests.service.conftest import Bench, Said

NOW = datetime(2026, 7, 20, 12, tzinfo=UTC)
BACK, AHEAD = 24 * 8, 24 * 6
STARTS = np.datetime64("2026-07-12T12", "s")


def at(hour: float) -> datetime:
    return NOW + timedelta(hours=hour)


def air(*onsets: float, first: float = -BACK, last: float = AHEAD) -> Hourly:
    """Quiet air in which strong cold fronts pass: 8 K and 10 K in one hour, a kinked pressure, a wind that veers."""
    hour = np.arange(first, last)
    passed = np.sum([np.zeros(hour.size), *(hour >= onset for onset in onsets)], axis=0)
    nearest = np.min([np.abs(hour - onset) for onset in onsets], axis=0) if onsets else np.full(hour.size, 12.0)
    return from_points(
        datetime_to_np(at(first)) + np.arange(hour.size) * HOUR,
        {
            "air_temp_c": 20.0 - 8.0 * passed, "dew_point_c": 15.0 - 10.0 * passed,
            "pressure_hpa": 1010.0 + 0.5 * np.minimum(nearest, 12.0),
            "wind_speed_ms": np.full(hour.size, 6.0), "wind_from_deg": np.where(passed > 0, 320.0, 200.0),
        },
    )  # fmt: skip


def issued(hourly: Hourly, *, told_at: float, source: str) -> Issue:
    return Issue(
        cell=f"{source}:cell", source=source, model=f"{source}-model", reference_time=None, retrieved_at=at(told_at),
        part=0, hourly=hourly,
    )  # fmt: skip


def weather(
    hourly: Hourly, *, told_at: float = 0, source: str = "a", own: Any = None, others: tuple[Issue, ...] = (),
    observed: Issue | None = None, failures: tuple[str, ...] = (),
) -> Weather:  # fmt: skip
    seen = WeatherSeen(
        source=source, model=f"{source}-model", is_file=False, attribution="", retrieved_at=at(told_at),
        reference_time=None, notes=(), payload_sha256=f"hash of {told_at}", freshness=Freshness.FRESH,
    )  # fmt: skip
    own = np.ones(hourly.time.size, bool) if own is None else own
    return Weather(hourly=hourly, own=own, seen=seen, failures=failures, others=others, observed=observed)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path / "data", now=NOW)
    yield opened
    opened.close()


@pytest.fixture
def lake(demo: Path, tmp_path: Path) -> Lake:
    return load_settings(demo, tmp_path / "data").lake("thrennick")


@pytest.fixture
def follow(store: Store, lake: Lake) -> Callable[..., bool]:
    def following(seen: Weather, hour: float = 0, **given: Any) -> bool:
        return follow_fronts(store, lake, seen, at(hour), **given)

    return following


@pytest.fixture
def known(store: Store, lake: Lake) -> Callable[[], tuple[KnownFront, ...]]:
    def knowing() -> tuple[KnownFront, ...]:
        with store.read() as connection:
            return load(connection, lake.id, since=at(-BACK))

    return knowing


@pytest.fixture
def story(store: Store, lake: Lake) -> Callable[[], list[Any]]:
    def told() -> list[Any]:
        with store.read() as connection:
            return list(connection.execute(select(event).where(event.c.subject == lake.id).order_by(event.c.id)))

    return told


Follow = Callable[..., bool]
Known = Callable[[], tuple[KnownFront, ...]]
Story = Callable[[], list[Any]]


def names(story: Story) -> list[str]:
    return [row.name for row in story()]


def test_a_front_is_found_once_and_the_same_issue_again_tells_nothing(
    follow: Follow, known: Known, story: Story
) -> None:
    seen = weather(air(30))
    assert follow(seen) is True
    (front,) = known()
    assert abs(front.onset - at(30)) <= timedelta(hours=1)
    assert front.strength == 1.0
    assert names(story) == ["FrontFound"]
    assert follow(seen) is False
    assert follow(seen, 1) is False
    assert known() == (front,)
    assert names(story) == ["FrontFound"]


def test_a_slip_of_six_hours_is_one_front_moved(follow: Follow, known: Known, story: Story) -> None:
    follow(weather(air(30)))
    assert follow(weather(air(36), told_at=6), 6) is True
    assert names(story) == ["FrontFound", "FrontMoved"]
    moved = json.loads(story()[1].details)
    assert "6 h later" in story()[1].reason
    before, after = (datetime.fromisoformat(moved[key]) for key in ("before", "onset"))
    assert after - before == timedelta(hours=6)
    assert len(known()) == 1
    follow(weather(air(37), told_at=12), 12)  # an hour is not worth telling
    assert names(story) == ["FrontFound", "FrontMoved"]


def test_a_front_taken_out_is_gone(follow: Follow, known: Known, story: Story) -> None:
    follow(weather(air(30)))
    follow(weather(air(), told_at=6), 6)
    assert names(story) == ["FrontFound", "FrontGone"]
    assert [front.standing for front in known()] == [Standing.GONE]


def test_a_switch_is_an_event_and_makes_no_front_go(follow: Follow, known: Known, story: Story) -> None:
    follow(weather(air(40)))
    follow(weather(air(), told_at=6, source="b", failures=("a: does not accept connections",)), 6)
    assert names(story) == ["FrontFound", "SourceSwitched"]
    assert story()[1].reason == "weather from b in place of a: a: does not accept connections"
    assert json.loads(story()[1].details) == {"from": "a", "to": "b"}
    follow(weather(air(), told_at=12, source="b"), 12)
    assert [front.standing for front in known()] == [Standing.FORETOLD]
    follow(weather(air(40), told_at=13), 13)
    assert names(story) == ["FrontFound", "SourceSwitched", "SourceSwitched"]
    assert story()[2].reason == "weather from a in place of b"


def test_what_nobody_has_told_of_for_a_day_after_a_switch_is_gone(follow: Follow, known: Known, story: Story) -> None:
    follow(weather(air(60)))
    follow(weather(air(), told_at=23, source="b"), 23)
    assert known()[0].standing is Standing.FORETOLD
    follow(weather(air(), told_at=25, source="b"), 25)
    assert names(story) == ["FrontFound", "SourceSwitched", "FrontGone"]
    assert "for a day" in story()[2].reason


def test_a_second_opinion_writes_sightings_and_only_widens_the_range(
    follow: Follow, known: Known, story: Story, store: Store
) -> None:
    follow(weather(air(40)))
    (before,) = known()
    seen = weather(air(40), others=(issued(air(47), told_at=0, source="b"), issued(air(35), told_at=0, source="c")))
    assert follow(seen) is True
    (after,) = known()
    assert (after.onset, after.source, after.strength) == (before.onset, "a", before.strength)
    assert after.latest == max(before.latest, before.onset + timedelta(hours=7))
    assert after.earliest == min(before.earliest, before.onset - timedelta(hours=5))
    assert after.latest > before.latest
    with store.read() as connection:
        told = {row.source: row.onset for row in connection.execute(select(sighting))}
    assert told == {"a": before.onset, "b": before.onset + timedelta(hours=7), "c": before.onset - timedelta(hours=5)}
    assert follow(seen) is False
    follow(weather(air(40), others=(issued(air(90), told_at=1, source="b"),)), 1)  # a front that only others see
    assert len(known()) == 1
    assert names(story) == ["FrontFound"]


def test_a_range_is_as_wide_as_it_is_told(follow: Follow, known: Known) -> None:
    leads = []

    def spread_h(lead_h: float) -> float:
        leads.append(lead_h)
        return 4.0

    follow(weather(air(30)), spread_h=spread_h)
    (front,) = known()
    assert (front.latest - front.onset, front.onset - front.earliest) == (timedelta(hours=4), timedelta(hours=4))
    assert leads == [(front.onset - NOW) / timedelta(hours=1)]


def test_station_hours_confirm_once_enough_follow(follow: Follow, known: Known, story: Story) -> None:
    follow(weather(air(10)))
    early = issued(air(10, last=13), told_at=13, source="station")
    assert follow(weather(air(10), observed=early), 13) is True
    assert names(story) == ["FrontFound"]  # three hours after it the station cannot tell yet
    later = issued(air(11, last=18), told_at=18, source="station")
    assert follow(weather(air(10), observed=later), 18) is True
    assert names(story) == ["FrontFound", "FrontConfirmed"]
    assert "seen at 2026-07-21 06:00 UTC" in story()[1].reason
    (front,) = known()
    assert front.standing is Standing.CONFIRMED
    assert front.observed_onset is not None
    assert abs(front.observed_onset - at(11)) <= timedelta(hours=1)
    assert follow(weather(air(10), observed=later), 18) is False


def test_station_hours_withdraw_what_did_not_come(follow: Follow, known: Known, story: Story) -> None:
    follow(weather(air(10)))
    follow(weather(air(10), observed=issued(air(last=20), told_at=20, source="station")), 20)
    assert names(story) == ["FrontFound"]  # it could still come late
    follow(weather(air(10), observed=issued(air(last=30), told_at=30, source="station")), 30)
    assert names(story) == ["FrontFound", "FrontGone"]
    assert [front.standing for front in known()] == [Standing.WITHDRAWN]
    follow(weather(air(10), told_at=31), 31)  # a forecast that still shows it does not bring it back
    assert names(story) == ["FrontFound", "FrontGone"]


def test_a_station_is_held_against_fronts_even_without_a_forecast(follow: Follow, known: Known, story: Story) -> None:
    follow(weather(air(10)))
    alone = Weather(
        hourly=None,
        own=None,
        seen=None,
        failures=("a: down",),
        observed=issued(air(10, last=18), told_at=18, source="s"),
    )
    assert follow(alone, 18) is True
    assert names(story) == ["FrontFound", "FrontConfirmed"]
    assert follow(Weather(hourly=None, own=None, seen=None, failures=("a: down",)), 19) is False


def test_no_front_is_sought_in_hours_of_a_station(follow: Follow, story: Story) -> None:
    hourly = air(-40)
    follow(weather(hourly, own=hourly.time >= datetime_to_np(NOW)))
    assert names(story) == []
    follow(weather(hourly, told_at=1), 1)
    assert names(story) == ["FrontFound"]


def test_a_restart_in_between_makes_nothing_new(
    bench: "Bench", said: "Said", hours: bytes, another: Callable[..., "Said"]
) -> None:
    bench.sources.append(another(name="second"))
    bench.stations.append(another(name="station"))
    lakes = [bench.settings.lake("thrennick")]
    assert bench.outside(second_opinion=True).refresh(lakes, bench.now) == {"thrennick"}
    assert {row.reason.partition(" front")[0] for row in bench.events("FrontFound")} >= {"a cold"}
    bench.move(hours=2)
    outside = bench.outside(second_opinion=True)
    assert outside.refresh(lakes, bench.now) == set()
    assert len(said.asked) == 2  # the same was said again
    bench.move(minutes=1)
    assert bench.outside(second_opinion=True).refresh(lakes, bench.now) == set()
