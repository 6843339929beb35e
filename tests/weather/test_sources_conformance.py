"""One suite that every source of weather passes."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pytest_httpserver import HTTPServer

from bitewatch import __version__
from bitewatch.errors import PayloadRefused, SourceUnavailable
from bitewatch.weather.hourly import COLUMNS, LIMITS
from bitewatch.weather.sources import build_sources
from bitewatch.weather.sources.base import Issue, Place, Received, Source
from bitewatch.weather.sources.http import PoliteClient, identification
from bitewatch.weather.sources.settings import SourceName, SourcesSettings

DATA = Path(__file__).parents[1] / "data" / "weather"
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
NORTH = Place(lake="north", latitude=46.1, longitude=-94.2)
SOUTH = Place(lake="south", latitude=45.9, longitude=-93.8)


@dataclass
class Stage:
    """A source, places to ask for, and the ways in which its world can fail."""

    source: Source
    places: Sequence[Place]
    break_down: Callable[[], None]
    server: HTTPServer


def open_meteo_stage(folder: Path, server: HTTPServer) -> Stage:
    table = {"contact": "mail@club.example", "open-meteo": {"url": server.url_for("/v1/forecast")}}
    client = PoliteClient(identification("mail@club.example"), backoff_factor=0)
    (source,) = build_sources(SourcesSettings.model_validate(table), folder, client=client)
    server.expect_request("/v1/forecast", method="POST").respond_with_data(
        (DATA / "open_meteo_two.json").read_bytes(), content_type="application/json"
    )

    def break_down() -> None:
        server.clear()
        server.expect_request("/v1/forecast").respond_with_data("<html>\nbusy\n</html>", status=503)

    return Stage(source, [NORTH, SOUTH], break_down, server)


def hourly_csv_stage(folder: Path, server: HTTPServer) -> Stage:
    table = {"order": ["hourly-csv"], "hourly-csv": {"file": "weather/{lake}.csv"}}
    (source,) = build_sources(SourcesSettings.model_validate(table), folder)
    file = folder / "weather" / "north.csv"
    file.parent.mkdir()
    file.write_bytes((DATA / "station.csv").read_bytes())
    return Stage(source, [NORTH], file.unlink, server)


STAGES = {"open-meteo": open_meteo_stage, "hourly-csv": hourly_csv_stage}


@pytest.fixture(params=STAGES)
def stage(request: pytest.FixtureRequest, tmp_path: Path, httpserver: HTTPServer) -> Stage:
    return STAGES[request.param](tmp_path, httpserver)


def same(one: Issue, other: Issue) -> bool:
    columns = all(np.array_equal(one.hourly[c], other.hourly[c], equal_nan=True) for c in COLUMNS)
    rest = replace(one, hourly=other.hourly) == other
    return columns and rest and np.array_equal(one.hourly.time, other.hourly.time)


def test_every_source_that_may_be_named_is_on_stage() -> None:
    assert set(STAGES) == set(get_args(SourceName))


def test_it_introduces_itself(stage: Stage) -> None:
    assert stage.source.name in STAGES
    assert stage.source.places_per_fetch >= len(stage.places)
    assert stage.source.is_file or "CC BY" in stage.source.attribution


def test_what_came_is_dated_and_keyed_by_the_question(stage: Stage) -> None:
    received = stage.source.fetch(stage.places, NOW)
    assert (received.source, received.fetched_at) == (stage.source.name, NOW)
    assert received.url_key == stage.source.url_key(stage.places)
    assert len(received.url_key) <= 200


def test_it_speaks_the_house_vocabulary(stage: Stage) -> None:
    issues = stage.source.read(stage.source.fetch(stage.places, NOW), stage.places)
    assert len(issues) == len(stage.places)
    assert [issue.part for issue in issues] == list(range(len(issues)))
    for issue in issues:
        assert (issue.source, issue.retrieved_at) == (stage.source.name, NOW)
        assert len(issue.cell) <= 200
        hourly = issue.hourly
        assert hourly.time.dtype == np.dtype("datetime64[s]")
        assert (hourly.time.astype("int64") % 3600 == 0).all()
        assert abs(hourly.time[0] - np.datetime64("2026-06-01T00:00", "s")) == np.timedelta64(0, "s")  # UTC
        assert tuple(hourly.columns) == COLUMNS
        for column, (low, high) in LIMITS.items():
            values = hourly[column]
            assert values.shape == hourly.time.shape
            believed = values[~np.isnan(values)]
            assert ((believed >= low) & (believed <= high)).all(), column
        assert np.nanmax(hourly["humidity_pct"]) <= 100.0
        assert np.isfinite(hourly["dew_point_c"]).any()  # given, or derived
        assert any(np.isnan(hourly[column]).any() for column in COLUMNS) or issue.part == 1  # missing stays missing


def test_it_asks_once_and_says_who_asks(stage: Stage) -> None:
    stage.source.fetch(stage.places, NOW)
    agents = [request.headers["User-Agent"] for request, _ in stage.server.log]
    assert agents == ([] if stage.source.is_file else [f"bitewatch/{__version__} (mail@club.example)"])


def test_reading_is_pure(stage: Stage) -> None:
    received = stage.source.fetch(stage.places, NOW)
    first = stage.source.read(received, stage.places)
    stage.break_down()
    again = stage.source.read(received, stage.places)
    assert all(map(same, first, again))


def test_a_world_that_is_down_is_one_clear_line(stage: Stage) -> None:
    stage.break_down()
    with pytest.raises(SourceUnavailable) as unavailable:
        stage.source.fetch(stage.places, NOW)
    assert "\n" not in str(unavailable.value)
    assert "north" in str(unavailable.value) or "localhost" in str(unavailable.value)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=st.binary(max_size=300))
def test_any_bytes_are_issues_or_refused(stage: Stage, body: bytes) -> None:
    received = Received(source=stage.source.name, url_key="key", fetched_at=NOW, body=body)
    with suppress(PayloadRefused):
        assert len(stage.source.read(received, stage.places)) == len(stage.places)
