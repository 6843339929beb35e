"""What MET Norway is asked, and which of its answers are believed.

The answer is invented, in the shape that the provider documents for Locationforecast 2.0: hours, then steps of six.
"""

import json
import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.errors import PayloadRefused
from bitewatch.weather.hourly import COLUMNS
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Asking, Issue, Place, Received
from bitewatch.weather.sources.met_norway import MetNorway
from bitewatch.weather.sources.settings import MetNorwaySettings

BODY = (Path(__file__).parents[1] / "data" / "weather" / "met_norway.json").read_bytes()
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
LAKE = Place(lake="north", latitude=46.1, longitude=-94.2)
SOURCE = MetNorway(MetNorwaySettings())
NOBODY: Asking = None  # type: ignore[assignment]  # its cells are known without asking
CELL = SOURCE.cell(LAKE, NOBODY, now=NOW)


def came(body: bytes, content_type: str = "application/json") -> Received:
    return Received(source="met-norway", url_key="key", fetched_at=NOW, body=body, content_type=content_type)


def read(answer: Any) -> Issue:
    (issue,) = SOURCE.read(came(json.dumps(answer).encode()), [CELL])
    return issue


def steps(answer: dict[str, Any]) -> list[dict[str, Any]]:
    return answer["properties"]["timeseries"]  # type: ignore[no-any-return]


def details(answer: dict[str, Any], number: int) -> dict[str, Any]:
    return steps(answer)[number]["data"]["instant"]["details"]  # type: ignore[no-any-return]


def test_the_question_is_an_address_with_two_decimals() -> None:
    question = SOURCE.question([CELL])
    assert question.url == "https://api.met.no/weatherapi/locationforecast/2.0/complete?lat=46.10&lon=-94.20"
    assert (question.form, question.weight, question.good_for) == (None, 1.0, timedelta(minutes=30))
    assert question.key == CELL.key == "met-norway:46.10,-94.20"


def test_the_altitude_is_whole_and_only_there_where_it_is_known() -> None:
    cell = SOURCE.cell(Place(lake="high", latitude=46.1, longitude=-94.2, elevation_m=371.6), NOBODY, now=NOW)
    assert SOURCE.question([cell]).url.endswith("?lat=46.10&lon=-94.20&altitude=372")
    assert cell.key == "met-norway:46.10,-94.20,372"


@given(st.floats(-90, 90), st.floats(-180, 180), st.none() | st.floats(-400, 5000))
def test_no_place_is_asked_for_in_a_way_that_is_refused(latitude: float, longitude: float, high: float | None) -> None:
    cell = SOURCE.cell(Place(lake="x", latitude=latitude, longitude=longitude, elevation_m=high), NOBODY, now=NOW)
    number = r"-?(?:0|[1-9][0-9]*)\.[0-9]{2}"
    assert re.fullmatch(rf"lat={number}&lon={number}(?:&altitude=-?[0-9]+)?", SOURCE.question([cell]).url.split("?")[1])
    assert "-0.00" not in cell.key
    assert abs(cell.latitude - latitude) < 0.0051  # the documented limit is four decimals; two are under 1.5 km
    assert abs(cell.longitude - longitude) < 0.0051


def test_lakes_beside_each_other_are_one_cell() -> None:
    beside = Place(lake="beside", latitude=46.1038, longitude=-94.1961)
    assert SOURCE.cell(beside, NOBODY, now=NOW) == CELL
    assert SOURCE.settle(beside, CELL, read(json.loads(BODY))) == CELL


def test_an_answer_is_hours_and_then_steps_of_six() -> None:
    issue = read(json.loads(BODY))
    assert (issue.cell, issue.source, issue.model) == (CELL.key, "met-norway", "locationforecast-2.0")
    assert issue.reference_time == datetime(2026, 6, 1, 1, 12, 9, tzinfo=UTC)
    assert (issue.grid_latitude, issue.grid_longitude, issue.grid_elevation_m) == (46.1, -94.2, 372.0)
    hourly = issue.hourly
    assert hourly.time[[0, -1]].tolist() == [datetime(2026, 6, 1, 2), datetime(2026, 6, 2, 0)]  # noqa: DTZ001
    assert hourly["air_temp_c"][:5].tolist() == [21.2, 20.6, 16.4, 14.1, 12.9]
    assert hourly["air_temp_c"][4:11] == pytest.approx([12.9, 13.4, 13.9, 14.4, 14.9, 15.4, 15.9])
    assert issue.notes == ("hours after 2026-06-01T06:00:00Z are interpolated from steps of six hours",)


def test_rain_stands_at_the_end_of_its_hour_and_six_hours_of_it_are_not_split() -> None:
    rain = read(json.loads(BODY)).hourly["precip_mm"]
    assert np.isnan(rain[0])  # of the hour before the first, nobody tells
    assert rain[1:5].tolist() == [0.4, 3.1, 1.2, 0.0]  # theirs stand at 02, 03, 04 and 05; ours at 03 to 06
    assert np.isnan(rain[5:]).all()
    assert np.nansum(rain) == pytest.approx(4.7)  # what their six hours from 02 say too, and not twice that


def test_pressure_stands_at_the_steps_and_nowhere_between() -> None:
    """A tendency over three hours, taken anywhere among interpolated hours, would be one that nobody forecast."""
    pressure = read(json.loads(BODY)).hourly["pressure_hpa"]
    assert pressure[[4, 10, 16, 22]].tolist() == [1012.0, 1016.2, 1017.5, 1018.8]
    assert np.isnan(pressure[5:][np.arange(5, 23) % 6 != 4]).all()
    assert np.isnan(pressure[5:][3:] - pressure[5:][:-3]).all()


def test_the_wind_between_steps_turns_the_short_way() -> None:
    hourly = read(json.loads(BODY)).hourly
    assert hourly["wind_from_deg"][[4, 10]].tolist() == [350.0, 10.0]
    # by hand: halfway between (7 cos 350, 7 sin 350) and (5 cos 10, 5 sin 10) lies (5.9088, -0.1736)
    assert hourly["wind_speed_ms"][7] == pytest.approx(5.9114, abs=5e-4)
    assert hourly["wind_from_deg"][7] == pytest.approx(358.32, abs=0.01)


def test_what_it_gives_is_there_and_nothing_else_is_invented() -> None:
    hourly = read(json.loads(BODY)).hourly
    given_here = {name for name in COLUMNS if np.isfinite(hourly[name]).any()}
    assert given_here == SOURCE.gives - {"wind_gust_ms"}  # gusts come for the north of Europe only, and nobody is told


def test_gusts_and_dew_points_are_taken_where_they_come() -> None:
    answer = json.loads(BODY)
    answer["properties"]["meta"]["units"] |= {"wind_speed_of_gust": "m/s", "dew_point_temperature": "celsius"}
    details(answer, 1).update(wind_speed_of_gust=11.5, dew_point_temperature=18.5)
    hourly = read(answer).hourly
    assert hourly["wind_gust_ms"][1] == 11.5
    assert hourly["dew_point_c"][1] == 18.5
    assert np.isnan(np.delete(hourly["wind_gust_ms"], 1)).all()


def test_an_absent_key_is_missing_there_and_not_bridged() -> None:
    answer = json.loads(BODY)
    del details(answer, 2)["air_temperature"]
    del details(answer, 5)["air_temperature"]
    del steps(answer)[0]["data"]["next_1_hours"]
    hourly = read(answer).hourly
    assert np.isfinite(hourly["air_temp_c"]).tolist() == [True, True, False, True, True] + [False] * 11 + [True] * 7
    assert np.isnan(hourly["precip_mm"][1])


def test_a_core_column_that_never_comes_is_named() -> None:
    answer = json.loads(BODY)
    for number in range(len(steps(answer))):
        del details(answer, number)["air_pressure_at_sea_level"]
    assert "pressure_hpa is not carried" in read(answer).notes


def test_a_value_out_of_range_is_missing_and_spoils_no_hour_between() -> None:
    answer = json.loads(BODY)
    details(answer, 5)["cloud_area_fraction"] = 900.0
    issue = read(answer)
    assert np.isnan(issue.hourly["cloud_pct"][5:16]).all()
    assert "cloud_pct: values out of range left out: 1, the first 900" in issue.notes


@pytest.mark.parametrize("day", [date(2026, 3, 8), date(2026, 11, 1)])
def test_a_day_that_changes_the_clocks_has_24_hours_in_utc(day: date) -> None:
    start = datetime(day.year, day.month, day.day, tzinfo=UTC)
    answer = json.loads(BODY)
    one = steps(answer)[0]
    answer["properties"]["timeseries"] = [one | {"time": f"{start + timedelta(hours=n):%FT%TZ}"} for n in range(30)]
    answer["properties"]["meta"]["updated_at"] = f"{start:%FT%TZ}"
    received = Received(source="met-norway", url_key="k", fetched_at=start, body=json.dumps(answer).encode())
    (issue,) = SOURCE.read(received, [CELL])
    assert np.count_nonzero(issue.hourly.time.astype("datetime64[D]") == np.datetime64(day)) == 24


Change = Callable[[dict[str, Any]], object]


def unit(name: str, other: str) -> Change:
    return lambda answer: answer["properties"]["meta"]["units"].update({name: other})


def at(number: int, time: object) -> Change:
    return lambda answer: steps(answer)[number].update(time=time)


def value(name: str, junk: object) -> Change:
    return lambda answer: details(answer, 2).update({name: junk})


REFUSED: dict[str, tuple[Change, Reason]] = {
    "degrees Fahrenheit": (unit("air_temperature", "fahrenheit"), Reason.WRONG_UNITS),
    "wind in knots": (unit("wind_speed", "knots"), Reason.WRONG_UNITS),
    "rain in inches": (unit("precipitation_amount", "inch"), Reason.WRONG_UNITS),
    "a value whose unit is not said": (value("wind_speed_of_gust", 9.0), Reason.WRONG_UNITS),
    "a null": (value("air_temperature", None), Reason.WRONG_SHAPE),
    "a number as text": (value("air_temperature", "16.4"), Reason.WRONG_SHAPE),
    "a boolean": (value("air_temperature", True), Reason.WRONG_SHAPE),
    "a list": (value("air_temperature", [16.4]), Reason.WRONG_SHAPE),
    "rain as text": (
        lambda answer: steps(answer)[0]["data"]["next_1_hours"]["details"].update(precipitation_amount="0.4"),
        Reason.WRONG_SHAPE,
    ),
    "an hour twice": (at(1, "2026-06-01T02:00:00Z"), Reason.WRONG_HOURS),
    "half an hour": (at(1, "2026-06-01T03:30:00Z"), Reason.WRONG_HOURS),
    "unsorted": (lambda answer: steps(answer).reverse(), Reason.WRONG_HOURS),
    "a gap among the hours": (lambda answer: steps(answer).pop(1), Reason.WRONG_HOURS),
    "a gap among the steps": (lambda answer: steps(answer).pop(6), Reason.WRONG_HOURS),
    "hours again after the steps": (at(7, "2026-06-01T19:00:00Z"), Reason.WRONG_HOURS),
    "a time without an offset": (at(1, "2026-06-01T03:00:00"), Reason.WRONG_SHAPE),
    "no time": (at(1, "soon"), Reason.WRONG_SHAPE),
    "a time as a number": (at(1, 1780282800), Reason.WRONG_SHAPE),
    "empty": (lambda answer: steps(answer).clear(), Reason.NO_HOURS),
    "a stale answer": (
        lambda answer: [step.update(time=step["time"].replace("2026-06", "2026-05")) for step in steps(answer)],
        Reason.NOT_NOW,
    ),
    "an answer of tomorrow": (
        lambda answer: answer["properties"].update(timeseries=steps(answer)[5:]),
        Reason.NOT_NOW,
    ),
    "no time of issue": (lambda answer: answer["properties"]["meta"].pop("updated_at"), Reason.WRONG_SHAPE),
    "no units": (lambda answer: answer["properties"]["meta"].pop("units"), Reason.WRONG_SHAPE),
    "a far place": (lambda answer: answer["geometry"].update(coordinates=[-94.2, 47.1]), Reason.WRONG_PLACE),
    "latitude first": (lambda answer: answer["geometry"].update(coordinates=[46.1, -94.2, 372]), Reason.WRONG_PLACE),
    "no place": (lambda answer: answer.update(geometry=None), Reason.WRONG_SHAPE),
    "a place as text": (lambda answer: answer["geometry"].update(coordinates="-94.2,46.1"), Reason.WRONG_SHAPE),
    "a line": (lambda answer: answer["geometry"].update(type="LineString"), Reason.WRONG_SHAPE),
    "a collection": (lambda answer: answer.update(type="FeatureCollection"), Reason.WRONG_SHAPE),
    "no steps": (lambda answer: answer["properties"].update(timeseries={}), Reason.WRONG_SHAPE),
    "no instant": (lambda answer: steps(answer)[2]["data"].pop("instant"), Reason.WRONG_SHAPE),
}


@pytest.mark.parametrize("what", REFUSED)
def test_an_answer_that_is_not_what_is_documented_is_refused(what: str) -> None:
    change, reason = REFUSED[what]
    answer = json.loads(BODY)
    change(answer)
    with pytest.raises(PayloadRefused) as refused:
        read(answer)
    assert refused.value.reason == reason
    assert "\n" not in str(refused.value)


def test_an_error_page_in_html_is_refused() -> None:
    with pytest.raises(PayloadRefused) as refused:
        SOURCE.read(came(b"<html><body>400 Bad Request</body></html>", "text/html"), [CELL])
    assert refused.value.reason == Reason.NOT_JSON
