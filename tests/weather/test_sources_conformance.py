"""One suite that every source of weather passes, asked through the one polite way to ask, of a server on this machine.

The answers are invented, in the shapes that the providers document.
"""

import json
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from pytest_httpserver import HTTPServer
from sqlalchemy import select
from werkzeug import Request, Response

from bitewatch import __version__
from bitewatch.errors import OutsideFailed, PayloadRefused, SourceUnavailable
from bitewatch.store.database import Store
from bitewatch.store.migrate import open_store
from bitewatch.weather.archive import newest, open_payload, received_from
from bitewatch.weather.hourly import COLUMNS, LIMITS
from bitewatch.weather.sources import build_sources
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.base import Cell, Issue, Place, Received, Source
from bitewatch.weather.sources.http import PoliteClient, identification
from bitewatch.weather.sources.settings import SourceName, SourcesSettings, StationName
from bitewatch.weather.tables import payload

DATA = Path(__file__).parents[1] / "data" / "weather"
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
GOOD_FOR = timedelta(minutes=30)
LATER = NOW + timedelta(minutes=40)
NORTH = Place(lake="north", latitude=46.1, longitude=-94.2)
SOUTH = Place(lake="south", latitude=45.9, longitude=-93.8)
CONTACT = {"contact": "mail@club.example"}


@dataclass
class Stage:
    """A source, where it is asked for, and the world that answers; ``body`` is what it says of the hours."""

    source: Source
    body: bytes
    rain: tuple[str, float]  #: an hour's end at which the last place has rain, and how much, as its shape means it
    facts: dict[str, bytes] = field(default_factory=dict)  #: end of a path -> what is said there
    places: Sequence[Place] = (NORTH,)
    unit: tuple[bytes, bytes] = (b"", b"")  #: how a unit stands in the body, and another one in its place
    dated: tuple[str, bytes] = ("", b"")  #: where, and how, the reference time 01:12:09 stands there; "" in the body
    folder: Path = Path()
    status: int = 200
    content_type: str = "application/json"
    unchanged: bool = False
    asker: Asker = field(init=False)
    store: Store = field(init=False)

    @property
    def paths(self) -> dict[str, bytes]:
        return self.facts | {"": self.body}

    def answer(self, request: Request) -> Response:
        body = next(body for end, body in self.paths.items() if request.path.endswith(end))
        headers = {"Expires": format_datetime(NOW + GOOD_FOR, usegmt=True), "Last-Modified": "as it was said"}
        if request.path.endswith("/meta.json"):
            headers = {}  # as the server of files that it is
        elif self.unchanged and request.headers.get("If-Modified-Since") == "as it was said":
            return Response(status=304, headers={"Expires": format_datetime(LATER + GOOD_FOR, usegmt=True)})
        return Response(body, status=self.status, content_type=self.content_type, headers=headers)

    def say(self, body: bytes) -> None:
        """From now on the world, or the file, says this of the hours."""
        self.body = body
        if self.source.is_file:
            file = self.folder / "weather" / "north.csv"
            file.parent.mkdir(exist_ok=True)
            file.write_bytes(body)

    def break_down(self) -> None:
        self.status, self.content_type = 503, "text/html"
        if self.source.is_file:
            (self.folder / "weather" / "north.csv").unlink()

    def cells(self) -> list[Cell]:
        return [self.source.cell(place, self.asker, now=NOW) for place in self.places]

    def ask(self, now: datetime = NOW) -> tuple[Issue, ...]:
        return self.source.fetch(self.cells(), self.asker, now=now)

    def came(self, body: bytes | None = None) -> Received:
        return Received(
            source=self.source.name, url_key="k", fetched_at=NOW, body=self.body if body is None else body
        )  # fmt: skip


def data(name: str) -> bytes:
    return (DATA / name).read_bytes()


def forecast(folder: Path, **table: Any) -> Source:
    (source,) = build_sources(SourcesSettings.model_validate(CONTACT | table), folder).forecasts.values()
    return source


def open_meteo_stage(folder: Path, server: HTTPServer) -> Stage:
    source = forecast(folder, **{"open-meteo": {"url": server.url_for("/v1/forecast")}})
    run = json.dumps({"last_run_initialisation_time": 1780276329, "last_run_availability_time": 1780276329}).encode()
    return Stage(
        source, data("open_meteo_two.json"), ("2026-06-01T03", 2.9), {"/meta.json": run}, (NORTH, SOUTH),
        unit=(b'"m/s"', b'"km/h"'), dated=("/meta.json", b"1780276329"),
    )  # fmt: skip


def met_norway_stage(folder: Path, server: HTTPServer) -> Stage:
    source = forecast(folder, **{"order": ["met-norway"], "met-norway": {"url": server.url_for("/complete")}})
    return Stage(
        source, data("met_norway.json"), ("2026-06-01T04", 3.1),
        unit=(b'"celsius"', b'"fahrenheit"'), dated=("", b"2026-06-01T01:12:09"),
    )  # fmt: skip


NWS_FACTS = {"/points/46.1,-94.2": data("nws_point.json"), "/stations": data("nws_stations.json")}


def nws_stage(folder: Path, server: HTTPServer) -> Stage:
    source = forecast(folder, order=["nws"], nws={"url": server.url_for("")})
    return Stage(
        source, data("nws_grid.json").replace(b"01:12:40", b"01:12:09"), ("2026-06-01T03", 0.75), NWS_FACTS,
        unit=(b"wmoUnit:degC", b"wmoUnit:degF"), dated=("", b"2026-06-01T01:12:09"),
    )  # fmt: skip


def nws_stations_stage(folder: Path, server: HTTPServer) -> Stage:
    table = CONTACT | {"order": ["met-norway"], "stations": ["nws"], "nws": {"url": server.url_for("")}}
    (source,) = build_sources(SourcesSettings.model_validate(table), folder).stations
    return Stage(
        source, data("nws_observations.json"), ("2026-06-01T02", 1.27), NWS_FACTS,
        unit=(b"wmoUnit:km_h-1", b"wmoUnit:kt"),
    )  # fmt: skip


def hourly_csv_stage(folder: Path, server: HTTPServer) -> Stage:
    source = forecast(folder, **{"order": ["hourly-csv"], "hourly-csv": {"file": "weather/{lake}.csv"}})
    return Stage(source, data("station.csv"), ("2026-06-01T02", 2.8))


STAGES: dict[str, Callable[[Path, HTTPServer], Stage]] = {
    "open-meteo": open_meteo_stage, "met-norway": met_norway_stage, "nws": nws_stage,
    "nws-stations": nws_stations_stage, "hourly-csv": hourly_csv_stage,
}  # fmt: skip
ASKED = [name for name in STAGES if name != "hourly-csv"]
on_network = pytest.mark.parametrize("stage", ASKED, indirect=True)


@pytest.fixture(params=STAGES)
def stage(request: pytest.FixtureRequest, tmp_path: Path, httpserver: HTTPServer) -> Iterator[Stage]:
    folder = tmp_path / "config"
    folder.mkdir()
    built = STAGES[request.param](folder, httpserver)
    built.folder = folder
    built.say(built.body)
    httpserver.expect_request(re.compile(".*")).respond_with_handler(built.answer)
    built.store = open_store(tmp_path / "data", now=NOW)
    with PoliteClient(identification(CONTACT["contact"]), backoff_factor=0) as client:
        built.asker = Asker(built.store, client, limits={}, sleep=lambda _: None)
        yield built
    built.store.close()


def same(one: Issue, other: Issue) -> bool:
    columns = all(np.array_equal(one.hourly[c], other.hourly[c], equal_nan=True) for c in COLUMNS)
    rest = replace(one, hourly=other.hourly) == other
    return columns and rest and np.array_equal(one.hourly.time, other.hourly.time)


def believable(issue: Issue) -> bool:
    time = issue.hourly.time
    hours = time.dtype == np.dtype("datetime64[s]") and (time.astype("int64") % 3600 == 0).all()
    inside = (
        ((issue.hourly[name] >= low) & (issue.hourly[name] <= high)) | np.isnan(issue.hourly[name])
        for name, (low, high) in LIMITS.items()
    )
    return bool(hours) and all(column.all() for column in inside)


def test_every_source_that_may_be_named_is_on_stage() -> None:
    stations = {name if name == "hourly-csv" else f"{name}-stations" for name in get_args(StationName)}
    assert set(STAGES) == set(get_args(SourceName)) | stations


def test_it_introduces_itself(stage: Stage) -> None:
    source = stage.source
    assert source.name in STAGES
    assert source.grid.startswith(source.name)
    assert source.terms
    assert "\n" not in source.terms + source.attribution
    assert bool(source.attribution) != source.is_file
    assert set() < source.gives <= set(COLUMNS)
    assert source.cells_per_question >= len(stage.places)
    assert source.stalls_after > source.every >= timedelta(0)
    assert all(source.covers(place) for place in stage.places)


def test_its_cells_are_keyed_by_where_they_lie(stage: Stage) -> None:
    cells = stage.cells()
    assert len({cell.key for cell in cells}) == len(stage.places)
    for cell in cells:
        assert cell.key.startswith(f"{stage.source.name}:")
        assert len(cell.key) <= 200
        assert str(stage.folder) not in cell.key
        json.dumps(dict(cell.route))
    assert cells == stage.cells()


def test_it_speaks_the_house_vocabulary(stage: Stage) -> None:
    issues = stage.ask()
    assert [issue.cell for issue in issues] == [cell.key for cell in stage.cells()]
    assert [issue.part for issue in issues] == list(range(len(issues)))
    for issue in issues:
        assert (issue.source, issue.retrieved_at) == (stage.source.name, NOW)
        assert believable(issue)
        there = {column for column in COLUMNS if np.isfinite(issue.hourly[column]).any()}
        assert {"air_temp_c", "dew_point_c", "humidity_pct", "wind_speed_ms"} <= there
        assert there <= stage.source.gives
        assert np.nanmax(issue.hourly["humidity_pct"]) <= 100.0
    missing = [np.isnan(issue.hourly[column]).any() for issue in issues for column in COLUMNS]
    assert any(missing)  # what the answer lacks stays missing: never 0


def test_rain_stands_at_the_end_of_its_hour(stage: Stage) -> None:
    hourly = stage.ask()[-1].hourly
    end, mm = stage.rain
    assert hourly["precip_mm"][hourly.time == np.datetime64(end, "s")] == pytest.approx([mm])


def moved(body: bytes, days: int) -> bytes:
    """The same some days earlier or later, in whichever of our shapes."""

    def text(found: re.Match[bytes]) -> bytes:
        return f"{datetime.fromisoformat(found[0].decode()) + timedelta(days=days):%Y-%m-%d}".encode()

    body = re.sub(rb"2026-0[56]-[0-3][0-9](?=T)", text, body)
    return re.sub(rb"\b17[0-9]{8}\b", lambda found: str(int(found[0]) + 86400 * days).encode(), body)


@pytest.mark.parametrize("days", [-85, 153], ids=["2026-03-08", "2026-11-01"])
def test_days_that_change_the_clocks_are_days_like_others(stage: Stage, days: int) -> None:
    cells, received = stage.cells(), stage.came()
    then = replace(received, body=moved(stage.body, days), fetched_at=NOW + timedelta(days=days))
    for issue, other in zip(stage.source.read(received, cells), stage.source.read(then, cells), strict=True):
        assert (other.hourly.time - issue.hourly.time == np.timedelta64(days, "D")).all()
        assert all(np.array_equal(issue.hourly[c], other.hourly[c], equal_nan=True) for c in COLUMNS)


def test_what_came_is_archived_and_reads_the_same_again(stage: Stage) -> None:
    issues, cells = stage.ask(), stage.cells()
    with stage.store.read() as connection:
        found = [newest(connection, cell.key) for cell in cells]
        kept = [open_payload(connection, one.payload_id) for one in found if one is not None]
    assert [one.body for one in kept] == [stage.body] * len(cells)
    assert all(map(same, issues, stage.source.read(received_from(kept[0]), cells)))
    assert [one.reference_time for one in found if one is not None] == [one.reference_time for one in issues]


@on_network
def test_it_says_who_asks(stage: Stage, httpserver: HTTPServer) -> None:
    stage.ask()
    agents = {request.headers["User-Agent"] for request, _ in httpserver.log}
    assert agents == {f"bitewatch/{__version__} (mail@club.example)"}


@on_network
def test_nothing_is_asked_again_before_it_expires(stage: Stage, httpserver: HTTPServer) -> None:
    first = stage.ask()
    asked = len(httpserver.log)
    again = stage.ask(NOW + timedelta(minutes=10))
    assert [same(one, other) for one, other in zip(first, again, strict=True)] == [True] * len(first)
    assert len(httpserver.log) == asked
    stage.unchanged = True
    confirmed = stage.ask(LATER)
    assert len(httpserver.log) > asked
    told_again = [replace(one, retrieved_at=LATER) for one in first]
    assert all(map(same, told_again, confirmed))


def test_a_world_that_is_down_is_one_clear_line(stage: Stage) -> None:
    stage.ask()
    stage.break_down()
    with pytest.raises(SourceUnavailable) as unavailable:
        stage.ask(LATER)
    assert "\n" not in str(unavailable.value)
    assert "north" in str(unavailable.value) or "localhost" in str(unavailable.value)


def with_number(said: bytes) -> Callable[[bytes], bytes]:
    return lambda body: re.sub(rb"(?<=[\[:,] )-?[0-9]+(\.[0-9]+)?", said, body, count=1)


BAD: dict[str, Callable[[bytes], bytes]] = {
    "HTML": lambda _: b"<!doctype html><title>Log in to this network</title>",
    "NaN": with_number(b"NaN"),
    "Infinity": with_number(b"-Infinity"),
    "an overflow": with_number(b"1e999"),
    "a key twice": lambda body: body.replace(b"{", b'{"twice": 1, "twice": 2, ', 1),
    "cut": lambda body: body[: len(body) // 2],
    "nothing": lambda _: b"",
}


def refused(stage: Stage, body: bytes, reason: Reason) -> None:
    """The body is set aside under its reason, and the last good issue stays."""
    good = stage.ask()
    stage.say(body)
    with pytest.raises(OutsideFailed) as error:
        stage.ask(LATER)
    assert str(reason) in str(error.value)
    assert "\n" not in str(error.value)
    with stage.store.read() as connection:
        kept = [newest(connection, issue.cell) for issue in good]
        aside = connection.execute(
            select(payload.c.body_gz, payload.c.set_aside).where(payload.c.set_aside.is_not(None))
        )
        assert {row.set_aside.partition(": ")[0] for row in aside} == {str(reason)}
    assert [one is not None and one.retrieved_at for one in kept] == [NOW] * len(good)


@on_network
@pytest.mark.parametrize("what", BAD)
def test_a_body_that_is_not_strict_json_is_set_aside(stage: Stage, what: str) -> None:
    body = BAD[what](stage.body)
    assert body != stage.body
    refused(stage, body, Reason.NOT_JSON)


@pytest.mark.parametrize("stage", ["hourly-csv"], indirect=True)
@pytest.mark.parametrize(
    ("body", "reason"), [(b"<html>", Reason.NOT_CSV), (b"", Reason.NOT_CSV), (b"\xff", Reason.NOT_TEXT)]
)
def test_a_file_that_is_no_table_is_set_aside(stage: Stage, body: bytes, reason: Reason) -> None:
    refused(stage, body, reason)


@on_network
def test_a_unit_that_changes_is_refused(stage: Stage) -> None:
    was, becomes = stage.unit
    assert was in stage.body
    refused(stage, stage.body.replace(was, becomes), Reason.WRONG_UNITS)


@on_network
def test_the_answer_for_another_place_is_refused(stage: Stage) -> None:
    elsewhere = [replace(cell, latitude=cell.latitude - 3.0) for cell in stage.cells()]
    with pytest.raises(PayloadRefused) as error:
        stage.source.read(stage.came(), elsewhere)
    assert error.value.reason == Reason.WRONG_PLACE


def redate(stage: Stage, hours: int) -> None:
    end, was = stage.dated
    becomes = str(int(was) + 3600 * hours).encode() if was.isdigit() else was.replace(b"T01:", b"T%02d:" % (1 + hours))
    assert was in stage.paths[end]
    if end:
        stage.facts[end] = stage.facts[end].replace(was, becomes)
    else:
        stage.body = stage.body.replace(was, becomes)


@pytest.mark.parametrize("stage", ["open-meteo", "met-norway", "nws"], indirect=True)
def test_an_issue_older_than_the_one_at_hand_is_refused(stage: Stage) -> None:
    assert {issue.reference_time for issue in stage.ask()} == {datetime(2026, 6, 1, 1, 12, 9, tzinfo=UTC)}
    redate(stage, -1)
    refused(stage, stage.body, Reason.OLDER)


@pytest.mark.parametrize("stage", ["met-norway", "nws"], indirect=True)
def test_an_issue_from_the_future_is_refused(stage: Stage) -> None:
    stage.ask()
    redate(stage, 3)
    refused(stage, stage.body, Reason.NOT_YET)
