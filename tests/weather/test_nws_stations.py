"""What stations of the National Weather Service measured, and what of it is believed.

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
from hypothesis import given
from hypothesis import strategies as st
from pytest_httpserver import HTTPServer
from sqlalchemy import select

from bitewatch.errors import PayloadRefused, SourceRefused, SourceUnavailable
from bitewatch.store.database import Store
from bitewatch.store.migrate import open_store
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.base import Cell, Issue, Place, Received
from bitewatch.weather.sources.http import PoliteClient, identification
from bitewatch.weather.sources.nws_stations import CLOUDS_PCT, NwsStations, distance_km
from bitewatch.weather.sources.settings import NwsSettings
from bitewatch.weather.tables import issue as issues
from bitewatch.weather.tables import payload

DATA = Path(__file__).parents[1] / "data" / "weather"
POINT, STATIONS, REPORTS = (
    json.loads((DATA / f"nws_{what}.json").read_bytes()) for what in ("point", "stations", "observations")
)
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
LAKE = Place(lake="north", latitude=46.1, longitude=-94.2)
SOURCE = NwsStations(NwsSettings())
CELL = Cell(key="nws-stations:KXYA", latitude=46.0, longitude=-94.3, route={"candidates": ["KXYA", "KXYB", "KXYC"]})
GEO = "application/geo+json"
MIDNIGHT = np.datetime64("2026-06-01T00:00:00", "s")


def read(answer: Any, at: datetime = NOW) -> Issue:
    body = json.dumps(answer).encode()
    received = Received(source=SOURCE.name, url_key="key", fetched_at=at, body=body, content_type=GEO)
    (issue,) = SOURCE.read(received, [CELL])
    return issue


def changed(change: Callable[[list[dict[str, Any]]], object]) -> dict[str, Any]:
    """The reports with their properties changed; the order is 01:53, 02:10, 00:53, 23:53."""
    answer = copy.deepcopy(REPORTS)
    change([feature["properties"] for feature in answer["features"]])
    return answer


def hourly_reports(count: int, **measures: Callable[[int], Any]) -> dict[str, Any]:
    """Reports at 53 past, the newest first; each measure from the number of hours after midnight of 30 May."""
    features = []
    for n in range(count):
        feature = copy.deepcopy(REPORTS["features"][0])
        at = datetime(2026, 5, 30, tzinfo=UTC) + timedelta(hours=n, minutes=53)
        feature["properties"]["timestamp"] = at.isoformat()
        for name, value in measures.items():
            feature["properties"][name]["value"] = value(n)
        features.append(feature)
    return {"type": "FeatureCollection", "features": features[::-1]}


def of_station(name: str, answer: dict[str, Any] = REPORTS) -> dict[str, Any]:
    return json.loads(json.dumps(answer).replace("KXYA", name))  # type: ignore[no-any-return]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path, now=NOW)
    yield opened
    opened.close()


@pytest.fixture
def asker(store: Store) -> Iterator[Asker]:
    with PoliteClient(identification("mail@club.example"), backoff_factor=0) as client:
        yield Asker(store, client, limits={}, sleep=lambda _: None)


@pytest.fixture
def source(httpserver: HTTPServer) -> NwsStations:
    httpserver.expect_request("/points/46.1,-94.2").respond_with_json(POINT, content_type=GEO)
    httpserver.expect_request("/gridpoints/XYZ/57,112/stations").respond_with_json(STATIONS, content_type=GEO)
    return NwsStations(NwsSettings(url=httpserver.url_for("")))


def gives(server: HTTPServer, station: str, answer: dict[str, Any]) -> None:
    server.expect_request(f"/stations/{station}/observations").respond_with_json(answer, content_type=GEO)


def test_distances_are_those_of_the_sphere() -> None:
    # a degree on the equator of a sphere of the mean radius, and half way round it
    there = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, 180.0], [0.0, -1.0], [0.0, 0.0]])
    degree = 2 * np.pi * 6371.0088 / 360
    assert distance_km((0.0, 0.0), there) == pytest.approx([degree, degree, 180 * degree, degree, 0.0])


def test_the_nearest_stations_are_candidates(source: NwsStations, asker: Asker, httpserver: HTTPServer) -> None:
    cell = source.cell(LAKE, asker, now=NOW)
    assert (cell.key, cell.latitude, cell.longitude) == ("nws-stations:KXYA", 46.0, -94.3)
    assert cell.route == {"candidates": ["KXYA", "KXYB", "KXYC"]}  # the fourth in the list is 150 km away
    assert [request.path for request, _ in httpserver.log] == ["/points/46.1,-94.2", "/gridpoints/XYZ/57,112/stations"]


def test_a_lake_far_from_every_station_has_none(source: NwsStations, asker: Asker, httpserver: HTTPServer) -> None:
    httpserver.clear_all_handlers()
    httpserver.expect_request("/points/46.1,-94.2").respond_with_json(POINT, content_type=GEO)
    far = {**STATIONS, "features": STATIONS["features"][3:]}
    httpserver.expect_request("/gridpoints/XYZ/57,112/stations").respond_with_json(far, content_type=GEO)
    with pytest.raises(SourceRefused, match="no station within 60 km") as refused:
        source.cell(LAKE, asker, now=NOW)
    assert refused.value.status == 404


def test_a_station_without_a_plain_name_is_passed_over(
    source: NwsStations, asker: Asker, httpserver: HTTPServer
) -> None:
    httpserver.clear_all_handlers()
    httpserver.expect_request("/points/46.1,-94.2").respond_with_json(POINT, content_type=GEO)
    odd = copy.deepcopy(STATIONS)
    odd["features"][1]["properties"]["stationIdentifier"] = "../KXYA?x="
    httpserver.expect_request("/gridpoints/XYZ/57,112/stations").respond_with_json(odd, content_type=GEO)
    assert source.cell(LAKE, asker, now=NOW).route == {"candidates": ["KXYB", "KXYC"]}


def test_three_days_are_asked_for(source: NwsStations, asker: Asker, httpserver: HTTPServer) -> None:
    gives(httpserver, "KXYA", REPORTS)
    (issue,) = source.fetch([CELL], asker, now=NOW)
    request = httpserver.log[0][0]
    assert dict(request.args) == {"start": "2026-05-29T02:00:00Z", "limit": "500"}
    assert request.headers["Accept"] == GEO
    assert (issue.cell, issue.source, issue.model) == ("nws-stations:KXYA", "nws-stations", "KXYA")
    assert issue.reference_time == datetime(2026, 6, 1, 2, 10, tzinfo=UTC)
    assert (issue.grid_latitude, issue.grid_longitude, issue.grid_elevation_m) == (46.0, -94.3, 340.0)
    assert source.settle(LAKE, CELL, issue) == CELL


def silent(reports: list[dict[str, Any]]) -> None:
    for report in reports:
        report["temperature"]["value"] = None  # with the letter V, which occurs


@pytest.mark.parametrize(
    "first",
    [changed(silent), {"type": "FeatureCollection", "features": []}, {"type": "FeatureCollection", "features": None},
     of_station("KXYC")],
)  # fmt: skip
def test_the_next_station_stands_in_for_one_that_says_nothing(
    source: NwsStations, asker: Asker, store: Store, httpserver: HTTPServer, first: dict[str, Any]
) -> None:
    gives(httpserver, "KXYA", first)
    gives(httpserver, "KXYB", of_station("KXYB"))
    (issue,) = source.fetch([CELL], asker, now=NOW)
    assert (issue.cell, issue.model) == ("nws-stations:KXYA", "KXYB")
    with store.read() as connection:  # of the first nothing is kept as an issue
        assert [(row.cell, row.model) for row in connection.execute(select(issues))] == [("nws-stations:KXYA", "KXYB")]
        aside = connection.execute(select(payload.c.url_key).where(payload.c.set_aside.is_not(None)))
        assert aside.scalars().all() == ["nws-stations:KXYA"]


def test_a_station_that_fell_silent_hours_ago_is_passed_over(
    source: NwsStations, asker: Asker, httpserver: HTTPServer
) -> None:
    gives(httpserver, "KXYA", REPORTS)
    late = NOW + timedelta(hours=7)
    gives(httpserver, "KXYB", of_station("KXYB", hourly_reports(57)))  # to 08:53 on 1 June
    (issue,) = source.fetch([CELL], asker, now=late)
    assert issue.model == "KXYB"


def test_a_station_that_is_not_known_is_passed_over_and_an_outage_is_not(
    source: NwsStations, asker: Asker, httpserver: HTTPServer
) -> None:
    httpserver.expect_request("/stations/KXYA/observations").respond_with_data("{}", status=404)
    gives(httpserver, "KXYB", of_station("KXYB"))
    assert source.fetch([CELL], asker, now=NOW)[0].model == "KXYB"
    httpserver.clear_all_handlers()
    httpserver.expect_request("/stations/KXYA/observations").respond_with_data("{}", status=503)
    before = len(httpserver.log)
    with pytest.raises(SourceUnavailable):
        source.fetch([CELL], asker, now=NOW)
    assert {request.path for request, _ in httpserver.log[before:]} == {"/stations/KXYA/observations"}


def test_when_no_station_says_anything_that_is_said(source: NwsStations, asker: Asker, httpserver: HTTPServer) -> None:
    for name in ("KXYA", "KXYB", "KXYC"):
        gives(httpserver, name, of_station(name, changed(silent)))
    with pytest.raises(PayloadRefused, match="KXYC gave no temperature for 6 h"):
        source.fetch([CELL], asker, now=NOW)


def test_reports_stand_at_the_nearest_whole_hour_and_the_nearest_one_wins() -> None:
    issue = read(REPORTS)
    hourly = issue.hourly
    assert (hourly.time[0], hourly.time.size) == (MIDNIGHT, 3)
    assert hourly["air_temp_c"].tolist() == [20.6, 19.4, 18.3]  # 02:10 is farther from 02:00 than 01:53
    assert hourly["wind_speed_ms"] == pytest.approx([4.1, 0.0, 5.1])  # 14.76, 0 and 18.36 km/h: 8, 0 and 10 kt
    assert hourly["wind_from_deg"].tolist() == [190.0, 0.0, 200.0]  # calm has the direction 0
    assert hourly["wind_gust_ms"][2] == pytest.approx(8.2)
    assert hourly["cloud_pct"].tolist() == [18.75, 0.0, 75.0]  # of SCT and BKN the larger
    assert np.isnan(hourly["precip_mm"][:2]).all()  # null is missing, not 0
    assert hourly["precip_mm"][2] == 1.27
    assert hourly["dew_point_c"][0] == pytest.approx(10.9, abs=0.1)  # X was dropped; derived from 20.6 degC and 54 %
    assert np.nanmax(hourly["pressure_hpa"]) < 1011.0
    assert {column for column, values in hourly.columns.items() if np.isfinite(values).any()} == SOURCE.gives


def test_quality_letters_decide() -> None:
    notes = read(REPORTS).notes
    assert "values that the service questions are used: 1" in notes
    assert "values that were not checked are used: 1" in notes
    assert "values that failed the service's checks left out: 1" in notes
    for letter, used in [*((each, True) for each in "VSCGTQZ"), ("X", False), ("B", False), ("K", False)]:
        for prefix in ("", "qc:"):
            quality = prefix + letter
            issue = read(changed(lambda r, quality=quality: r[0]["temperature"].update(qualityControl=quality)))
            # where 01:53 is dropped the report of 02:10 is the nearest with a temperature
            assert issue.hourly["air_temp_c"][2] == (18.3 if used else 17.0), quality
    without = read(changed(lambda r: r[0]["temperature"].pop("qualityControl")))
    assert without.hourly["air_temp_c"][2] == 18.3
    assert "values that were not checked are used: 2" in without.notes


def test_units_are_read_and_numbers_may_be_texts() -> None:
    def as_once(reports: list[dict[str, Any]]) -> None:
        reports[0]["windSpeed"] = {"unitCode": "unit:m_s-1", "value": "5.1", "qualityControl": "qc:V"}
        reports[0]["precipitationLastHour"] = {"unitCode": "unit:m", "value": 0.00127, "qualityControl": "qc:V"}

    issue = read(changed(as_once))
    assert issue.hourly["wind_speed_ms"][2] == 5.1
    assert issue.hourly["precip_mm"][2] == pytest.approx(1.27)


@pytest.mark.parametrize("value", ["", " 5", "5,1", "1_0", "nan", "inf", "0x1", "1e5", "٥", True, [], {}])
def test_a_text_that_is_no_plain_number_is_refused(value: object) -> None:
    with pytest.raises(PayloadRefused) as refused:
        read(changed(lambda r: r[0]["windSpeed"].update(value=value)))
    assert refused.value.reason == Reason.WRONG_SHAPE


def test_another_unit_is_refused_unless_there_is_no_value() -> None:
    with pytest.raises(PayloadRefused) as refused:
        read(changed(lambda r: r[0]["temperature"].update(unitCode="wmoUnit:K")))
    assert refused.value.reason == Reason.WRONG_UNITS
    assert (
        read(changed(lambda r: r[0]["seaLevelPressure"].update(unitCode="wmoUnit:hPa", value=None))).hourly.time.size
        == 3
    )


def test_one_window_has_one_kind_of_pressure() -> None:
    both = read(hourly_reports(40, seaLevelPressure=lambda n: 101000 + n if n != 7 else None))
    assert "pressure_hpa is the station's sea level pressure" in both.notes
    assert np.isnan(both.hourly["pressure_hpa"][7])  # not filled from the other kind
    assert both.hourly["pressure_hpa"][8] == pytest.approx(1010.08)
    few = read(
        hourly_reports(
            40, seaLevelPressure=lambda n: 101000 if n % 3 else None, barometricPressure=lambda n: 101300 + n
        )
    )
    assert "pressure_hpa is the altimeter setting" in few.notes
    assert few.hourly["pressure_hpa"] == pytest.approx(1013.0 + np.arange(40) / 100)


@given(st.lists(st.booleans(), min_size=12, max_size=12), st.lists(st.booleans(), min_size=12, max_size=12))
def test_the_kinds_of_pressure_never_meet(sea_level: list[bool], altimeter: list[bool]) -> None:
    answer = hourly_reports(
        12, seaLevelPressure=lambda n: 100000 if sea_level[n] else None,
        barometricPressure=lambda n: 100300 if altimeter[n] else None,
    )  # fmt: skip
    pressure = read(answer, datetime(2026, 5, 30, 12, tzinfo=UTC)).hourly["pressure_hpa"]
    assert len(set(pressure[np.isfinite(pressure)])) <= 1


def test_where_reports_come_every_few_minutes_the_routine_one_is_not_lost() -> None:
    def between(reports: list[dict[str, Any]]) -> None:
        reports[1]["timestamp"] = "2026-06-01T02:00:00+00:00"  # no gust, no rain, no sea level pressure
        reports[1]["windDirection"]["value"] = None

    hourly = read(changed(between)).hourly
    assert hourly["air_temp_c"][2] == 17.0
    assert hourly["wind_speed_ms"][2] == pytest.approx(6.2)
    assert np.isnan(hourly["wind_from_deg"][2])  # variable: not the direction of another report
    assert hourly["precip_mm"][2] == 1.27
    assert hourly["pressure_hpa"].tolist() == [1010.0, 1010.3, 1010.7]  # of 01:53, as is the rain


def test_rain_since_the_last_routine_report_is_not_that_of_an_hour() -> None:
    def special(reports: list[dict[str, Any]]) -> None:
        reports[0]["precipitationLastHour"]["value"] = None
        reports[1]["precipitationLastHour"].update(value=3.0, qualityControl="V")

    assert np.isnan(read(changed(special)).hourly["precip_mm"]).all()


@given(st.permutations(range(4)))
def test_the_order_of_reports_does_not_matter(order: list[int]) -> None:
    shuffled = {**REPORTS, "features": [REPORTS["features"][at] for at in order]}
    one, other = read(REPORTS), read(shuffled)
    assert one.notes == other.notes
    assert all(np.array_equal(one.hourly[c], other.hourly[c], equal_nan=True) for c in one.hourly.columns)


def test_reports_that_stand_twice_count_once() -> None:
    twice = {**REPORTS, "features": REPORTS["features"] * 2}
    assert read(twice).hourly["air_temp_c"].tolist() == [20.6, 19.4, 18.3]


def test_reports_of_a_time_to_come_or_long_ago_are_left_out() -> None:
    issue = read(
        changed(
            lambda r: (r[1].update(timestamp="2026-06-01T02:41:00Z"), r[2].update(timestamp="2026-05-01T02:41:00Z"))
        )
    )
    assert issue.hourly.time.tolist() == [MIDNIGHT.item(), MIDNIGHT.item() + timedelta(hours=2)][:1] + [
        MIDNIGHT.item() + timedelta(hours=n) for n in (1, 2)
    ]
    assert "reports of other days left out: 2" in issue.notes
    with pytest.raises(PayloadRefused) as refused:
        read(REPORTS, NOW - timedelta(days=1))
    assert refused.value.reason == Reason.NO_HOURS


def emptied(reports: list[dict[str, Any]]) -> None:
    for report in reports:
        for name in report.keys() - {"station", "timestamp"}:
            del report[name]


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda r: r[0].update(timestamp="2026-06-01T01:53:00"), Reason.WRONG_SHAPE),
        (lambda r: r[0].update(timestamp=None), Reason.WRONG_SHAPE),
        (lambda r: r[0].update(station="https://api.weather.gov/stations/KXYB"), Reason.WRONG_SHAPE),
        (lambda r: r[0].update(temperature=18.3), Reason.WRONG_SHAPE),
        (lambda r: r[0].update(cloudLayers="BKN"), Reason.WRONG_SHAPE),
        (emptied, Reason.NO_HOURS),
    ],
)  # fmt: skip
def test_what_is_not_as_documented_is_refused(change: Callable[[list[dict[str, Any]]], object], reason: Reason) -> None:
    with pytest.raises(PayloadRefused) as refused:
        read(changed(change))
    assert refused.value.reason == reason


def test_a_station_elsewhere_is_refused() -> None:
    far = copy.deepcopy(REPORTS)
    far["features"][0]["geometry"]["coordinates"] = [-92.0, 46.0]
    with pytest.raises(PayloadRefused) as refused:
        read(far)
    assert refused.value.reason == Reason.WRONG_PLACE


@pytest.mark.parametrize(("code", "cover"), CLOUDS_PCT.items())
def test_cloud_codes(code: str, cover: float) -> None:
    layers = [{"base": {"unitCode": "wmoUnit:m", "value": None}, "amount": code}]
    assert read(changed(lambda r: r[0].update(cloudLayers=layers))).hourly["cloud_pct"][2] == cover
    # eighths: few 1-2, scattered 3-4, broken 5-7, overcast 8 (FMH-1, from memory); the middle lies between their ends
    low, high = {"FEW": (1, 2), "SCT": (3, 4), "BKN": (5, 7), "OVC": (8, 8), "VV": (8, 8)}.get(code, (0, 0))
    assert low * 12.5 <= cover <= high * 12.5


def test_unknown_and_absent_clouds_are_missing() -> None:
    for layers in (None, [], [{"base": None, "amount": "///"}], [{"amount": None}]):
        assert np.isnan(
            read(
                changed(lambda r, layers=layers: r[0].update(cloudLayers=layers) or r[1].update(cloudLayers=layers))
            ).hourly["cloud_pct"][2]
        )
