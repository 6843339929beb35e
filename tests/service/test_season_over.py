"""When a lake freezes its season is over: told once, then nothing, until the water is open."""

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.service.conftest import Bench

DECEMBER = datetime(2026, 12, 16, 9, 30, tzinfo=UTC)  # 04:30 on the demo lakes


def hours(first: datetime, days: int, air_c: float, sun_wm2: float) -> bytes:
    lines = [
        "time,pressure_hpa,air_temp_c,dew_point_c,wind_speed_ms,wind_from_deg,wind_gust_ms,cloud_pct,shortwave_wm2"
    ]
    for n in range(24 * days):
        at = first + timedelta(hours=n)
        lines.append(f"{at:%Y-%m-%dT%H:%M:%SZ},1020,{air_c},{air_c - 4},3,300,5,50,{sun_wm2}")
    return "\n".join(lines).encode()


@pytest.fixture
def winter(bench: "Bench") -> "Bench":
    bench.sources[0].body = hours(DECEMBER - timedelta(days=8, hours=9, minutes=30), 16, -14.0, 40.0)  # type: ignore[attr-defined]
    bench.now = DECEMBER - timedelta(minutes=10)
    return bench


def test_it_is_told_once_and_then_no_brief_comes(winter: "Bench") -> None:
    one = winter.subscribe("thrennick")
    service = winter.start()
    winter.now = DECEMBER
    assert service.tick().sent == 1
    (message,) = winter.came()
    assert message["data"]["headline"][0] == "DANGER: ice on the lake."
    assert "its season is over" in message["data"]["headline"][1]
    assert message["data"]["lakes"][0]["season_over"]
    (over,) = winter.events("SeasonOver")
    assert over.subject == "thrennick"
    for day in (1, 2):
        winter.now = DECEMBER + timedelta(days=day)
        assert service.tick().sent == 0
        assert winter.start().tick().sent == 0  # nor after a restart
    assert list(winter.rows()) == [f"{one}:2026-12-16"]
    assert len(winter.events("SeasonOver")) == 1


def test_in_spring_briefs_come_again(winter: "Bench") -> None:
    winter.subscribe("thrennick")
    winter.now = DECEMBER
    winter.start().tick()
    spring = datetime(2027, 5, 20, 8, 30, tzinfo=UTC)
    winter.sources[0].body = hours(spring - timedelta(days=8, hours=8, minutes=30), 16, 16.0, 220.0)  # type: ignore[attr-defined]
    winter.now = spring
    assert winter.start().tick().sent == 1
    assert winter.came()[-1]["data"]["lakes"][0]["season_over"] is None
    assert [one.subject for one in winter.events("SeasonBegan")] == ["thrennick"]


def test_a_source_that_fails_in_winter_breaks_no_silence(winter: "Bench") -> None:
    winter.subscribe("thrennick", "umberfold")
    service = winter.start()
    winter.now = DECEMBER
    assert service.tick().sent == 1
    winter.sources[0].fails_for = {"umberfold"}  # type: ignore[attr-defined]
    for day in (3, 5):  # nothing can be seen of it any more: it still lies under the ice that was seen
        winter.now = DECEMBER + timedelta(days=day)
        assert service.tick().sent == 0
