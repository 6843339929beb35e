"""What the National Weather Service is asked, and which of its grids are believed.

The answers are invented, in the documented shape; a local server gives them.
"""

import copy
import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pytest_httpserver import HTTPServer
from werkzeug import Response

from bitewatch.errors import OutsideFailed, PayloadRefused, SourceRefused, SourceUnavailable
from bitewatch.store.migrate import open_store
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.base import Cell, Issue, Place, Received
from bitewatch.weather.sources.http import PoliteClient, identification
from bitewatch.weather.sources.nws import LAYERS, Nws, point_path, read_point
from bitewatch.weather.sources.settings import NwsSettings

DATA = Path(__file__).parents[1] / "data" / "weather"
POINT = json.loads((DATA / "nws_point.json").read_bytes())
GRID = json.loads((DATA / "nws_grid.json").read_bytes())
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
LAKE = Place(lake="north", latitude=46.1, longitude=-94.2)
SOURCE = Nws(NwsSettings())
CELL = Cell(key="nws:XYZ/57,112", latitude=46.1, longitude=-94.2)
GEO = "application/geo+json"
FIRST = np.datetime64("2026-06-01T00:00:00", "s")


def came(answer: Any, at: datetime = NOW, content_type: str = GEO) -> Received:
    body = answer if isinstance(answer, bytes) else json.dumps(answer).encode()
    return Received(source="nws", url_key="key", fetched_at=at, body=body, content_type=content_type)


def read(answer: Any, at: datetime = NOW) -> Issue:
    (issue,) = SOURCE.read(came(answer, at), [CELL])
    return issue


def changed(change: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    """The grid with its properties changed."""
    grid = copy.deepcopy(GRID)
    change(grid["properties"])
    return grid


def problem(kind: str, status: int) -> Response:
    body = {
        "correlationId": "1a2b", "title": "Invented", "type": f"https://api.weather.gov/problems/{kind}",
        "status": status, "detail": f"{kind}, in words", "instance": "https://api.weather.gov/requests/1a2b",
    }  # fmt: skip
    return Response(json.dumps(body), status, content_type="application/problem+json")


@pytest.fixture
def asker(tmp_path: Path) -> Iterator[Asker]:
    store = open_store(tmp_path, now=NOW)
    with PoliteClient(identification("mail@club.example"), backoff_factor=0) as client:
        yield Asker(store, client, limits={}, sleep=lambda _: None)
    store.close()


@pytest.fixture
def source(httpserver: HTTPServer) -> Nws:
    httpserver.expect_request("/points/46.1,-94.2").respond_with_json(POINT, content_type=GEO)
    httpserver.expect_request("/gridpoints/XYZ/57,112").respond_with_json(GRID, content_type=GEO)
    return Nws(NwsSettings(url=httpserver.url_for("")))


def paths(server: HTTPServer) -> list[str]:
    return [request.path for request, _ in server.log]


@pytest.mark.parametrize(
    ("latitude", "longitude", "path"),
    [
        (46.1, -94.2, "46.1,-94.2"),
        (46.12346, -94.0, "46.1235,-94"),
        (40.0, -100.0, "40,-100"),
        (-14.3, -0.00001, "-14.3,0"),
    ],
)
def test_points_have_four_decimals_at_most_and_no_zeros_behind(latitude: float, longitude: float, path: str) -> None:
    assert point_path(Place(lake="a", latitude=latitude, longitude=longitude)) == path


@pytest.mark.parametrize(
    ("latitude", "longitude"),
    [(46.1, -94.2), (25.8, -80.9), (61.2, -149.9), (21.3, -157.8), (18.2, -66.4), (13.4, 144.8), (-14.3, -170.7)],
)
def test_it_serves_the_states_and_their_territories(latitude: float, longitude: float) -> None:
    assert SOURCE.covers(Place(lake="a", latitude=latitude, longitude=longitude))


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(59.3, 18.1), (55.0, -97.0), (-33.9, 18.4), (46.1, 94.2), (19.4, -99.1)]
)
def test_a_lake_elsewhere_is_never_asked_for(latitude: float, longitude: float) -> None:
    assert not SOURCE.covers(Place(lake="a", latitude=latitude, longitude=longitude))


def test_the_cell_is_asked_for_once(source: Nws, asker: Asker, httpserver: HTTPServer) -> None:
    cell = source.cell(LAKE, asker, now=NOW)
    assert (cell.key, cell.latitude, cell.longitude) == ("nws:XYZ/57,112;MNZ901;MNC901;MNZ902", 46.1, -94.2)
    assert cell.route == {
        "grid": "XYZ/57,112", "zones": ["MNZ901", "MNC901", "MNZ902"], "zone": "America/Chicago",
        "stations": httpserver.url_for("/gridpoints/XYZ/57,112/stations"),
    }  # fmt: skip
    assert source.cell(LAKE, asker, now=NOW + timedelta(minutes=50)) == cell
    assert paths(httpserver) == ["/points/46.1,-94.2"]
    assert httpserver.log[0][0].headers["Accept"] == GEO
    assert "mail@club.example" in httpserver.log[0][0].headers["User-Agent"]


def test_lakes_in_one_cell_on_both_sides_of_a_border_keep_their_zones(
    source: Nws, asker: Asker, httpserver: HTTPServer
) -> None:
    over = copy.deepcopy(POINT)
    over["geometry"]["coordinates"] = [-94.2, 46.099]
    over["properties"]["county"] = "https://api.weather.gov/zones/county/MNC903"
    httpserver.expect_request("/points/46.099,-94.2").respond_with_json(over, content_type=GEO)
    one = source.cell(LAKE, asker, now=NOW)
    other = source.cell(Place(lake="south", latitude=46.099, longitude=-94.2), asker, now=NOW)
    assert (one.route["grid"], one.route["zones"][1]) == (other.route["grid"], "MNC901")
    assert other.route["zones"][1] == "MNC903"
    assert one.key != other.key  # cells are kept by their keys: the later would take the place of the other
    assert [source.fetch([cell], asker, now=NOW)[0].cell for cell in (one, other)] == [one.key, other.key]


def test_no_answer_sends_us_to_another_host(source: Nws, asker: Asker, httpserver: HTTPServer) -> None:
    hostile = copy.deepcopy(POINT)
    for key in ("forecastGridData", "observationStations", "forecast"):
        hostile["properties"][key] = "http://elsewhere.example/gridpoints/XYZ/57,112"
    httpserver.clear_all_handlers()
    httpserver.expect_request("/points/46.1,-94.2").respond_with_json(hostile, content_type=GEO)
    httpserver.expect_request("/gridpoints/XYZ/57,112").respond_with_json(GRID, content_type=GEO)
    cell = source.cell(LAKE, asker, now=NOW)
    source.fetch([cell], asker, now=NOW)
    assert paths(httpserver) == ["/points/46.1,-94.2", "/gridpoints/XYZ/57,112"]
    assert "elsewhere" not in json.dumps(dict(cell.route))


@pytest.mark.parametrize(
    ("key", "value"),
    [("gridId", "../../x"), ("gridId", "XYZ/1,1?a="), ("gridX", -1), ("gridX", 1.5), ("gridY", "12 "), ("gridY", None),
     ("gridY", "１２"), ("forecastZone", "https://api.weather.gov/zones/all"), ("county", 7), ("timeZone", [])],
)  # fmt: skip
def test_a_point_that_does_not_name_a_cell_is_refused(key: str, value: object) -> None:
    point = copy.deepcopy(POINT)
    point["properties"][key] = value
    with pytest.raises(PayloadRefused) as refused:
        read_point(came(point), LAKE)
    assert refused.value.reason == Reason.WRONG_SHAPE


def test_a_point_elsewhere_is_refused_and_one_without_a_grid_is_none(
    source: Nws, asker: Asker, httpserver: HTTPServer
) -> None:
    with pytest.raises(PayloadRefused) as refused:
        read_point(came(POINT), Place(lake="a", latitude=46.1, longitude=-93.8))
    assert refused.value.reason == Reason.WRONG_PLACE
    at_sea = copy.deepcopy(POINT)
    at_sea["properties"].update(gridId=None, gridX=None, gridY=None)
    httpserver.clear_all_handlers()
    httpserver.expect_request("/points/46.1,-94.2").respond_with_json(at_sea, content_type=GEO)
    with pytest.raises(SourceRefused) as none:
        source.cell(LAKE, asker, now=NOW)
    assert none.value.status == 404


def test_an_invalid_point_is_refused_for_good(source: Nws, asker: Asker, httpserver: HTTPServer) -> None:
    httpserver.clear_all_handlers()
    httpserver.expect_request("/points/46.1,-94.2").respond_with_response(problem("InvalidPoint", 404))
    with pytest.raises(SourceRefused) as refused:
        source.cell(LAKE, asker, now=NOW)
    assert refused.value.status == 404


def test_a_grid_that_is_gone_is_said_so_that_the_place_is_resolved_again(
    source: Nws, asker: Asker, httpserver: HTTPServer
) -> None:  # fmt: skip
    cell = source.cell(LAKE, asker, now=NOW)
    moved = copy.deepcopy(POINT)
    moved["properties"]["gridX"] = 58
    httpserver.clear_all_handlers()
    httpserver.expect_request("/points/46.1,-94.2").respond_with_json(moved, content_type=GEO)
    httpserver.expect_request("/gridpoints/XYZ/57,112").respond_with_response(problem("NotFound", 404))
    later = NOW + timedelta(days=2)
    with pytest.raises(SourceRefused) as refused:
        source.fetch([cell], asker, now=later)
    assert refused.value.status == 404
    assert source.cell(LAKE, asker, now=later).key.startswith(
        "nws:XYZ/58,112;"
    )  # asked anew, not told again from the archive


@pytest.mark.parametrize(("kind", "status"), [("ForecastGridExpired", 503), ("UnexpectedProblem", 500)])
def test_a_problem_is_an_outage(source: Nws, asker: Asker, httpserver: HTTPServer, kind: str, status: int) -> None:
    httpserver.clear_all_handlers()
    httpserver.expect_request("/gridpoints/XYZ/57,112").respond_with_response(problem(kind, status))
    with pytest.raises(SourceUnavailable, match=f"answered {status}: {kind}, in words"):
        source.fetch([CELL], asker, now=NOW)


def test_a_problem_with_status_200_is_never_read_as_data() -> None:
    with pytest.raises(PayloadRefused) as refused:
        SOURCE.read(came(GRID, content_type="application/problem+json"), [CELL])
    assert refused.value.reason == Reason.REPORTS_ERROR
    with pytest.raises(PayloadRefused, match="ForecastGridInvalid") as inside:
        read({**GRID, "correlationId": "1a2b", "type": "https://api.weather.gov/problems/ForecastGridInvalid"})
    assert inside.value.reason == Reason.REPORTS_ERROR


def test_runs_are_spread_over_their_hours(source: Nws, asker: Asker) -> None:
    (issue,) = source.fetch([CELL], asker, now=NOW)
    hourly = issue.hourly
    assert (hourly.time[0], hourly.time.size) == (FIRST, 48)
    assert hourly["air_temp_c"][:7].tolist() == [18.5, 18.5, 17.0, 15.5, 15.5, 15.5, 12.25]
    assert (hourly["air_temp_c"][6:36] == 12.25).all()
    assert np.isnan(hourly["air_temp_c"][36:]).all()  # null is missing
    assert hourly["wind_speed_ms"][[0, 4, 12]] == pytest.approx([5.0, 10.0, 2.5])  # 18, 36 and 9 km/h
    assert hourly["wind_gust_ms"][[0, 4]] == pytest.approx([8.0, 15.0])
    assert hourly["wind_from_deg"][[3, 4]].tolist() == [200.0, 320.0]
    assert hourly["cloud_pct"][[0, 5, 12]].tolist() == [90.0, 35.0, 5.0]
    assert np.isnan(hourly["cape_jkg"]).all()
    assert np.isnan(hourly["shortwave_wm2"]).all()
    assert {column for column, values in hourly.columns.items() if np.isfinite(values).any()} == SOURCE.gives
    assert issue.reference_time == datetime(2026, 6, 1, 1, 12, 40, tzinfo=UTC)
    assert (issue.grid_latitude, issue.grid_longitude) == (46.097, -94.1995)
    assert issue.grid_elevation_m == 374.9
    assert source.settle(LAKE, CELL, issue) == CELL


def test_rain_is_divided_over_its_span_and_stands_at_the_end_of_each_hour() -> None:
    issue = read(GRID)
    rain = issue.hourly["precip_mm"]
    assert np.isnan(rain[0])  # of the hour before the first span nothing is said
    assert rain[1:7].tolist() == [0.75] * 6  # 4.5 mm from 00 to 06
    assert rain[7:13].tolist() == [0.0] * 6
    assert np.nansum(rain) == 4.5
    assert any("disaggregated" in note for note in issue.notes)


def test_pressure_is_never_given_even_where_an_office_fills_it() -> None:
    """Some do, in inches at the height of the station and without a unit (weather-gov/api issue 151)."""
    for uom in ({}, {"uom": "wmoUnit:hPa"}, {"uom": "wmoUnit:Pa"}):
        filled = {"values": [{"validTime": "2026-06-01T00:00:00+00:00/P2D", "value": 29.1}], **uom}
        assert np.isnan(read(changed(lambda p, filled=filled: p.update(pressure=filled))).hourly["pressure_hpa"]).all()
    assert "pressure_hpa" not in SOURCE.gives


def test_layers_that_are_empty_or_not_there_are_missing_and_said() -> None:
    def empty(properties: dict[str, Any]) -> None:
        properties["windGust"] = {"values": []}
        del properties["skyCover"]

    issue = read(changed(empty))
    assert np.isnan(issue.hourly["wind_gust_ms"]).all()
    assert np.isnan(issue.hourly["cloud_pct"]).all()
    assert {"wind_gust_ms is not carried", "cloud_pct is not carried"} <= set(issue.notes)
    with pytest.raises(PayloadRefused) as refused:
        read(changed(lambda p: p.update({name: {"values": []} for name in LAYERS})))
    assert refused.value.reason == Reason.NO_HOURS


@pytest.mark.parametrize("uom", ["unit:km_h-1", "wmoUnit:km_h-1", "nwsUnit:km_h-1", "km_h-1"])
def test_the_list_that_a_unit_stands_in_does_not_matter(uom: str) -> None:
    assert read(changed(lambda p: p["windSpeed"].update(uom=uom))).hourly["wind_speed_ms"][0] == pytest.approx(5.0)


def test_metres_a_second_are_read_as_such() -> None:
    assert read(changed(lambda p: p["windSpeed"].update(uom="wmoUnit:m_s-1"))).hourly["wind_speed_ms"][0] == 18.0


@pytest.mark.parametrize("layer", LAYERS)
@pytest.mark.parametrize("uom", ["wmoUnit:K", "wmoUnit:degF", "", None, 5])
def test_another_unit_refuses_the_whole_grid(layer: str, uom: object) -> None:
    with pytest.raises(PayloadRefused) as refused:
        read(changed(lambda p: p[layer].update(uom=uom)))
    assert refused.value.reason == Reason.WRONG_UNITS


def test_values_out_of_range_are_missing_and_said() -> None:
    issue = read(changed(lambda p: p["temperature"]["values"][1].update(value=170)))
    assert np.isnan(issue.hourly["air_temp_c"][2])
    assert any(note.startswith("air_temp_c: values out of range") for note in issue.notes)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda p: p["temperature"]["values"].reverse(), Reason.WRONG_HOURS),
        (lambda p: p["temperature"]["values"].append(p["temperature"]["values"][0]), Reason.WRONG_HOURS),
        (lambda p: p["temperature"]["values"][0].update(validTime="2026-06-01T00:00:00Z/PT3H"), Reason.WRONG_HOURS),
        (lambda p: p["temperature"]["values"][4].update(validTime="2026-06-02T12:00:00Z/P17D"), Reason.WRONG_HOURS),
        (lambda p: p["temperature"]["values"][4].update(validTime="2026-07-02T12:00:00Z/PT1H"), Reason.WRONG_HOURS),
        (lambda p: p["temperature"]["values"][0].update(value="18.5"), Reason.WRONG_SHAPE),
        (lambda p: p["temperature"]["values"][0].update(value=True), Reason.WRONG_SHAPE),
        (lambda p: p.update(temperature=[]), Reason.WRONG_SHAPE),
        (lambda p: p.update(updateTime=None), Reason.WRONG_SHAPE),
        (lambda p: p.update(updateTime="2026-06-01T02:41:00+00:00"), Reason.NOT_YET),
        (lambda p: p.update(gridX="58"), Reason.WRONG_PLACE),
    ],
)  # fmt: skip
def test_what_is_not_as_documented_is_refused(change: Callable[[dict[str, Any]], object], reason: Reason) -> None:
    with pytest.raises(PayloadRefused) as refused:
        read(changed(change))
    assert refused.value.reason == reason


def test_a_cell_elsewhere_is_refused_and_one_without_geometry_is_not() -> None:
    far = copy.deepcopy(GRID)
    far["geometry"]["coordinates"][0] = [[lon + 0.4, lat] for lon, lat in far["geometry"]["coordinates"][0]]
    with pytest.raises(PayloadRefused) as refused:
        read(far)
    assert refused.value.reason == Reason.WRONG_PLACE
    assert read({**GRID, "geometry": None}).grid_latitude is None


@pytest.mark.parametrize(
    ("body", "content_type", "reason"),
    [
        (b"<html><title>busy</title></html>", "text/html", Reason.NOT_JSON),
        (b"<html><title>busy</title></html>", GEO, Reason.NOT_JSON),
        (json.dumps(GRID).encode()[:-20], GEO, Reason.NOT_JSON),
        (json.dumps(GRID).encode() + b"{}", GEO, Reason.NOT_JSON),
        (json.dumps(GRID).encode().replace(b"18.5", b"NaN"), GEO, Reason.NOT_JSON),
        (json.dumps(GRID).encode().replace(b"18.5", b"1e999"), GEO, Reason.NOT_JSON),
        (json.dumps(GRID).encode().replace(b'"value": 18.5', b'"value": 18.5, "value": 19'), GEO, Reason.NOT_JSON),
        (b"\xff", GEO, Reason.NOT_TEXT),
        (b"[]", GEO, Reason.WRONG_SHAPE),
        (b'{"type": "Feature"}', GEO, Reason.WRONG_SHAPE),
    ],
)
def test_bodies_that_are_not_strict_json_of_this_shape_are_set_aside(
    asker: Asker, source: Nws, httpserver: HTTPServer, body: bytes, content_type: str, reason: Reason
) -> None:
    httpserver.clear_all_handlers()
    httpserver.expect_request("/gridpoints/XYZ/57,112").respond_with_data(body, content_type=content_type)
    with pytest.raises(PayloadRefused) as refused:
        source.fetch([CELL], asker, now=NOW)
    assert refused.value.reason == reason


def test_a_grid_that_stands_still_says_so_although_it_comes_with_200() -> None:
    assert read(GRID, NOW + timedelta(hours=16)).notes == read(GRID).notes
    stale = read(GRID, NOW + timedelta(hours=20))
    assert stale.notes[0] == "the grid stands still: last updated 21 h before it was asked"
    assert stale.reference_time == read(GRID).reference_time  # from which its age is counted


def test_hours_that_are_all_past_or_far_ahead_are_refused() -> None:
    for at in (NOW + timedelta(days=3), NOW - timedelta(hours=1, minutes=20) - timedelta(hours=3)):
        with pytest.raises(PayloadRefused) as refused:
            read(changed(lambda p, at=at: p.update(updateTime=at.isoformat())), at)
        assert refused.value.reason == Reason.NOT_NOW


def test_every_failure_is_of_the_tree(source: Nws, asker: Asker, httpserver: HTTPServer) -> None:
    httpserver.stop()
    try:
        with pytest.raises(OutsideFailed, match="localhost"):
            source.cell(LAKE, asker, now=NOW)
    finally:
        httpserver.start()
