"""The weather of a lake: one issue whole, its past out of its own archive, and never two pressures in one trend."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bitewatch.errors import SourceUnavailable
from bitewatch.lake.local_time import datetime_to_np
from bitewatch.service.evaluate import front_hours
from bitewatch.service.outside import Outside
from bitewatch.service.weather_now import Weather, with_switch
from bitewatch.store.migrate import open_store
from bitewatch.weather.hourly import COLUMNS, HOUR, Hourly

if TYPE_CHECKING:
    from tests.service.conftest import Bench, Said

Another = Callable[..., "Said"]
Table = dict[datetime, dict[str, str]]
THE_20TH = datetime(2026, 7, 20, 8, 0, tzinfo=UTC)


def read(hours: bytes) -> Table:
    head, *rows = [line.split(",") for line in hours.decode().splitlines() if not line.startswith("#")]
    return {datetime.fromisoformat(row[0]): dict(zip(head[1:], row[1:], strict=True)) for row in rows}


def body(hours: bytes, since: datetime, until: datetime | None = None, **fixed: float | None) -> bytes:
    """A part of the hours, some columns all of one value or left out."""
    rows = [(at, row) for at, row in read(hours).items() if since <= at and (until is None or at < until)]
    names = [name for name in COLUMNS if fixed.get(name, 0.0) is not None]
    lines = [[at.isoformat(), *(str(fixed.get(name, row[name])) for name in names)] for at, row in rows]
    return "\n".join(",".join(line) for line in [["time", *names], *lines]).encode()


def weather(bench: "Bench", outside: Outside, lake: str = "thrennick", **covering: Any) -> Weather:
    """Ask for what is due, and read what is known."""
    found = bench.settings.lake(lake)
    outside.refresher.refresh([found], bench.now)
    return outside.weather_now.weather(found, bench.now, **covering)


def whole(seen: Weather) -> tuple[Hourly, Any]:
    assert seen.hourly is not None
    assert seen.own is not None
    return seen.hourly, seen.own


def since(hourly: Hourly, at: datetime) -> np.ndarray:
    return np.asarray(hourly.time >= datetime_to_np(at))


def issue_without_a_past(bench: "Bench", said: "Said", hours: bytes, **fixed: float | None) -> None:
    said.has_past = False
    said.body = body(hours, bench.now.replace(minute=0, second=0), **fixed)


def test_a_past_comes_from_earlier_issues_of_the_same_cell_without_their_pressure(
    bench: "Bench", said: "Said", hours: bytes
) -> None:
    outside = bench.outside()
    issue_without_a_past(bench, said, hours, air_temp_c=11.0)
    first = bench.now
    alone, own = whole(weather(bench, outside))
    assert alone.time[0] == datetime_to_np(first)
    assert own.all()
    bench.move(hours=6)
    issue_without_a_past(bench, said, hours, air_temp_c=22.0)
    second = bench.now
    weather(bench, outside)
    bench.move(hours=6)
    issue_without_a_past(bench, said, hours, air_temp_c=33.0)
    seen = weather(bench, outside)
    hourly, own = whole(seen)
    now = since(hourly, bench.now)
    middle = since(hourly, second) & ~now
    assert hourly.time[0] == datetime_to_np(first)
    assert (hourly["air_temp_c"][now] == 33.0).all()
    assert (hourly["air_temp_c"][middle] == 22.0).all()  # the newest that reaches there
    assert (hourly["air_temp_c"][~since(hourly, second)] == 11.0).all()
    assert np.isfinite(hourly["wind_speed_ms"]).all()
    assert np.isnan(hourly["pressure_hpa"][~now]).all()
    assert np.isfinite(hourly["pressure_hpa"][now]).all()
    assert own.all()
    assert seen.seen is not None
    (told,) = seen.seen.filled
    assert told.startswith("12 past hours are from")
    assert "said" in told
    assert "without their pressure" in told


def test_earlier_issues_that_begin_no_sooner_fill_nothing_and_nothing_is_told_of_them(
    bench: "Bench", said: "Said", hours: bytes
) -> None:
    outside = bench.outside()
    issue_without_a_past(bench, said, hours)
    start = bench.now
    weather(bench, outside)
    bench.move(hours=3)
    said.body = body(hours, start, air_temp_c=20.0)  # a new forecast whose hours begin where those of the last did
    seen = weather(bench, outside)
    assert len(said.asked) == 2
    assert whole(seen)[0].time[0] == datetime_to_np(start)
    assert seen.seen is not None
    assert seen.seen.filled == ()


def test_only_hours_that_are_filled_are_counted(bench: "Bench", said: "Said", hours: bytes) -> None:
    outside = bench.outside()
    said.has_past = False
    said.body = body(hours, bench.now, bench.now + timedelta(hours=5))
    weather(bench, outside)
    bench.move(hours=20)
    issue_without_a_past(bench, said, hours)
    seen = weather(bench, outside)
    hourly, own = whole(seen)
    assert hourly.time.size - since(hourly, bench.now).sum() == 20
    assert own.sum() == hourly.time.size - 15
    assert seen.seen is not None
    assert seen.seen.filled[0].startswith("5 past hours")


def test_a_source_with_a_past_is_used_as_it_is(bench: "Bench", said: "Said", another: Another, hours: bytes) -> None:
    bench.stations.append(another(name="station", attribution="the station"))
    outside = bench.outside()
    weather(bench, outside)
    bench.move(hours=4)
    said.body = body(hours, bench.now - timedelta(days=2))
    seen = weather(bench, outside)
    hourly, own = whole(seen)
    assert hourly.time[0] == datetime_to_np(bench.now - timedelta(days=2))
    assert own.all()
    assert seen.seen is not None
    assert (seen.seen.filled, seen.seen.attribution) == ((), "")
    assert seen.observed is not None  # for confirming fronts all the same


def test_before_the_own_issues_a_station_fills_without_its_pressure_and_fronts_are_not_sought_there(
    bench: "Bench", said: "Said", another: Another, hours: bytes
) -> None:
    said.attribution = "Forecast by said"
    measured = body(hours, bench.now - timedelta(days=3), bench.now + timedelta(hours=7), air_temp_c=5.0)
    bench.stations.append(another(name="station", body=measured, attribution="Measured by station", is_file=True))
    outside = bench.outside()
    issue_without_a_past(bench, said, hours, air_temp_c=11.0)
    first = bench.now
    weather(bench, outside)
    bench.move(hours=6)
    issue_without_a_past(bench, said, hours, air_temp_c=22.0)
    seen = weather(bench, outside)
    hourly, own = whole(seen)
    now, of_said = since(hourly, bench.now), since(hourly, first)
    assert hourly.time[0] == datetime_to_np(first - timedelta(days=3))
    assert (hourly["air_temp_c"][~of_said] == 5.0).all()
    assert (hourly["air_temp_c"][of_said & ~now] == 11.0).all()
    assert (hourly["air_temp_c"][now] == 22.0).all()
    assert np.isnan(hourly["pressure_hpa"][~now]).all()
    assert (own == of_said).all()
    blanked = front_hours(hourly, own)
    for name in COLUMNS:
        assert np.isnan(blanked[name][~of_said]).all(), name
    assert np.array_equal(blanked["air_temp_c"][of_said], hourly["air_temp_c"][of_said])
    assert seen.seen is not None
    assert seen.seen.attribution == "Forecast by said · Measured by station"
    own_hours, station_hours = seen.seen.filled
    assert own_hours.startswith("6 past hours are from")
    assert station_hours == "72 past hours are measured at test, without their pressure"


def test_a_station_alone_fills_the_past_of_a_first_issue(
    bench: "Bench", said: "Said", another: Another, hours: bytes
) -> None:
    bench.stations.append(another(name="station", is_file=True))
    issue_without_a_past(bench, said, hours)
    hourly, own = whole(weather(bench, bench.outside()))
    now = since(hourly, bench.now)
    assert np.array_equal(own, now)
    assert np.isfinite(hourly["air_temp_c"]).all()
    assert np.isnan(hourly["pressure_hpa"][~now]).all()


def test_a_station_that_fails_leaves_the_rest_as_it_is(
    bench: "Bench", said: "Said", another: Another, hours: bytes
) -> None:
    bench.stations.append(another(name="station", fails=SourceUnavailable("station: down")))
    issue_without_a_past(bench, said, hours)
    seen = weather(bench, bench.outside())
    assert seen.observed is None
    assert seen.seen is not None
    assert seen.seen.filled == ()


def test_gusts_of_a_source_that_only_adds_are_in_the_table_and_told_with_its_line(
    bench: "Bench", said: "Said", another: Another, hours: bytes
) -> None:
    said.attribution, said.body = "Forecast by said", body(hours, bench.now, wind_gust_ms=None)
    adds = another(
        name="adds", attribution="Gusts by adds", gives=frozenset(COLUMNS) - {"pressure_hpa"},
        body=body(hours, bench.now, pressure_hpa=None, wind_gust_ms=17.5, air_temp_c=-5.0),
    )  # fmt: skip
    bench.sources.append(adds)
    seen = weather(bench, bench.outside())
    hourly, _ = whole(seen)
    assert (hourly["wind_gust_ms"] == 17.5).all()
    assert (hourly["air_temp_c"] > 0).all()  # what the source gives itself is left alone
    assert seen.seen is not None
    assert seen.seen.filled == ("gusts from adds",)
    assert seen.seen.attribution == "Forecast by said · Gusts by adds"
    assert seen.others == ()
    said.fails = SourceUnavailable("said: down")
    bench.move(hours=30)
    too_old = weather(bench, bench.outside())
    assert too_old.seen is not None
    assert too_old.seen.source == "said"  # what only adds never stands in


def test_what_only_adds_gives_no_weather_of_its_own(bench: "Bench", said: "Said") -> None:
    said.gives = frozenset(COLUMNS) - {"pressure_hpa"}
    seen = weather(bench, bench.outside())
    assert (seen.hourly, seen.seen) == (None, None)


def test_a_switch_is_said_against_what_the_reader_was_told_from(bench: "Bench") -> None:
    seen = weather(bench, bench.outside())
    switched = with_switch(seen, {"weather": {"source": "before"}}).seen
    assert switched is not None
    assert switched.switched_from == "before"
    for told in (None, {}, {"weather": None}, {"weather": {"source": "said"}}):
        assert with_switch(seen, told) is seen
    nothing = Weather(hourly=None, own=None, seen=None, failures=("said: down",))
    assert with_switch(nothing, {"weather": {"source": "before"}}) is nothing


def test_why_a_source_is_forbidden_is_told_to_the_lakes_that_would_ask_it(bench: "Bench") -> None:
    outside = bench.outside()
    sources = outside.refresher.sources
    outside.refresher.sources = replace(
        sources, asked_for=("first", "said"), forbidden={"first": "first is not for this", "other": "nor is other"}
    )
    seen = weather(bench, outside)
    assert seen.failures == ("first is not for this",)
    assert seen.seen is not None
    assert seen.seen.source == "said"
    of_its_own(bench, "thrennick", "other", "said")
    assert weather(bench, outside).failures == ("nor is other",)


def of_its_own(bench: "Bench", lake: str, *sources: str) -> None:
    changed = bench.settings.lake(lake).model_copy(update={"sources": sources})
    bench.settings = replace(bench.settings, lakes={**bench.settings.lakes, lake: changed})


def test_a_lake_with_an_order_of_its_own_uses_it(bench: "Bench", said: "Said", another: Another) -> None:
    second = another(name="second")
    bench.sources.append(second)
    of_its_own(bench, "thrennick", "second", "said")
    outside = bench.outside()
    for lake, source in (("thrennick", "second"), ("skarrow", "said")):
        seen = weather(bench, outside, lake).seen
        assert seen is not None
        assert seen.source == source
    assert [lake for lake, _ in second.asked] == ["thrennick"]
    assert [lake for lake, _ in said.asked] == ["skarrow"]
    second.fails = SourceUnavailable("second: down")
    bench.move(hours=7)
    fallen_back = weather(bench, outside).seen
    assert fallen_back is not None
    assert fallen_back.source == "said"


STEP = st.tuples(st.booleans(), st.booleans(), st.integers(1, 9))


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(STEP, min_size=2, max_size=6), pasts=st.tuples(st.booleans(), st.booleans()))
def test_no_pressure_of_two_sources_in_one_trend(
    bench: "Bench", another: Another, hours: bytes, tmp_path_factory: pytest.TempPathFactory,
    steps: list[tuple[bool, bool, int]], pasts: tuple[bool, bool],
) -> None:  # fmt: skip
    pressures = {"low": 1000.0, "high": 1020.0, "station": 1040.0}
    sources = [another(name=name, has_past=past) for name, past in zip(("low", "high"), pasts, strict=True)]
    station = another(name="station", is_file=True)
    store = open_store(tmp_path_factory.mktemp("data"), now=THE_20TH)
    one = replace(bench, store=store, sources=sources, stations=[station], now=THE_20TH)
    outside = one.outside(second_opinion=True)
    for *up, by_h in steps:
        station.body = body(hours, one.now - timedelta(days=3), one.now, pressure_hpa=pressures["station"])
        for source, is_up in zip(sources, up, strict=True):
            source.fails = None if is_up else SourceUnavailable(f"{source.name}: down")
            first = one.now - timedelta(days=7 if source.has_past else 0)
            source.body = body(hours, first, pressure_hpa=pressures[source.name])
        seen = weather(one, outside)
        if seen.hourly is not None and seen.seen is not None:
            pressure = seen.hourly["pressure_hpa"]
            assert set(pressure[np.isfinite(pressure)]) == {pressures[seen.seen.source]}
            assert (np.diff(seen.hourly.time) == HOUR).all()
        else:
            assert not any(source.name in outside.refresher.down for source in sources if source.fails is None)
        one.move(hours=by_h)
    store.close()
