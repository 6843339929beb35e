"""Which answers of gauges are believed.

The answers are invented, in the documented shape.
"""

import copy
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from bitewatch.errors import PayloadRefused
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Received
from bitewatch.weather.sources.usgs import PROVISIONAL, Measured, credit, read

LATEST = json.loads((Path(__file__).parents[1] / "data" / "weather" / "usgs_latest.json").read_bytes())
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
GEO = "application/geo+json"


def came(answer: Any, content_type: str = GEO) -> Received:
    body = answer if isinstance(answer, bytes) else json.dumps(answer).encode()
    return Received(source="usgs", url_key="key", fetched_at=NOW, body=body, content_type=content_type)


def changed(number: int = 0, **properties: Any) -> dict[str, Any]:
    """The answer with one of its values changed."""
    answer = copy.deepcopy(LATEST)
    answer["features"][number]["properties"] |= properties
    return answer


def read_first(**properties: Any) -> Measured | None:
    """What the first value becomes."""
    return next((one for one in read(came(changed(**properties))) if one.station == "USGS-00000001"), None)


@pytest.mark.parametrize("unit", ["degC", "deg C", "°C", "DEG C", "°c"])
def test_degrees_celsius_may_be_written_in_several_ways(unit: str) -> None:
    found = read_first(unit_of_measure=unit)
    assert found is not None
    assert found.temp_c == 17.3


@pytest.mark.parametrize("unit", ["degF", "°F", "K", "", None, 5, ["degC"]])
def test_another_unit_is_refused_by_its_name(unit: object) -> None:
    with pytest.raises(PayloadRefused, match=r"USGS-00000001 in .*, not degC") as refused:
        read_first(unit_of_measure=unit)
    assert refused.value.reason == Reason.WRONG_UNITS
    assert ascii(unit) in str(refused.value)


@pytest.mark.parametrize(
    ("value", "temp_c"),
    [
        ("17.3", 17.3), ("-0.5", -0.5), ("45", 45.0), ("0", 0.0), ("0.10", 0.1), (17.3, 17.3), (17, 17.0),
        ("-0.6", None), ("45.1", None), ("", None), ("Ice", None), ("***", None), ("nan", None), ("inf", None),
        (" 17.3", None), ("17,3", None), ("1e1", None), ("0x11", None), ("1_7", None), ("١٧", None), ("+17.3", None),
        (".5", None), ("<17.3", None), (1e300, None),
    ],
)  # fmt: skip
def test_a_value_is_a_plain_decimal_of_liquid_water_or_none(value: object, temp_c: float | None) -> None:
    found = read_first(value=value)
    assert (found and found.temp_c) == temp_c


@pytest.mark.parametrize(
    ("qualifier", "used"),
    [
        (None, True), ([], True), (["Estimated"], True), (["P", "e"], True), ("Provisional", True),
        *((word, False) for word in ("Ice", "Eqp", "Bkw", "Mnt", "Dis", "***", "ICE", "EQUIP")),
        (["Estimated", "Bkw"], False), (["ice"], False),
    ],
)  # fmt: skip
def test_qualifiers_decide(qualifier: object, used: bool) -> None:
    assert (read_first(qualifier=qualifier) is not None) == used


@pytest.mark.parametrize(
    ("status", "provisional"), [("Provisional", True), ("Approved", False), ("approved", False), (None, True)]
)
def test_what_is_not_approved_is_provisional_and_that_is_said(status: str | None, provisional: bool) -> None:
    found = read_first(approval_status=status)
    assert found is not None
    assert found.provisional == provisional
    assert (PROVISIONAL in credit([found])) == provisional
    assert credit([found]).startswith("Source: US Geological Survey")


REFUSED: dict[str, Callable[[dict[str, Any]], object]] = {
    "no features": lambda answer: answer.pop("features"),
    "fewer than it says": lambda answer: answer["features"].pop(),
    "another kind": lambda answer: answer.update(type="Feature"),
    "a feature without properties": lambda answer: answer["features"][0].pop("properties"),
    "links that are none": lambda answer: answer.update(links=["next"]),
    "a polygon": lambda answer: answer["features"][0].update(geometry={"type": "Polygon"}),
}
WRONG_MEMBERS: list[tuple[str, object]] = [
    ("parameter_code", "00060"), ("parameter_code", None), ("monitoring_location_id", "USGS-1 or 2"),
    ("time_series_id", 5), ("time", "2026-06-01T02:15:00"), ("time", 1780279200), ("value", True), ("value", [17.3]),
    ("qualifier", {"code": "Ice"}), ("qualifier", [None]), ("approval_status", 1),
]  # fmt: skip


@pytest.mark.parametrize(("name", "value"), WRONG_MEMBERS)
def test_a_value_of_another_shape_is_refused(name: str, value: object) -> None:
    with pytest.raises(PayloadRefused) as refused:
        read_first(**{name: value})
    assert refused.value.reason == Reason.WRONG_SHAPE


@pytest.mark.parametrize("what", REFUSED)
def test_an_answer_of_another_shape_is_refused(what: str) -> None:
    answer = copy.deepcopy(LATEST)
    REFUSED[what](answer)
    with pytest.raises(PayloadRefused) as refused:
        read(came(answer))
    assert refused.value.reason == Reason.WRONG_SHAPE


@pytest.mark.parametrize(
    ("body", "content_type", "reason"),
    [
        (b"<!doctype html><title>Sorry</title>", "text/html", Reason.NOT_JSON),
        (b"<!doctype html><title>Sorry</title>", GEO, Reason.NOT_JSON),
        (json.dumps(LATEST).encode().replace(b'"17.3"', b"NaN"), GEO, Reason.NOT_JSON),
        (json.dumps(LATEST).encode()[:700], GEO, Reason.NOT_JSON),
        (b"", GEO, Reason.NOT_JSON),
        (b"null", GEO, Reason.WRONG_SHAPE),
        (b'{"error":{"code":"OVER_RATE_LIMIT"}}', "application/json", Reason.WRONG_SHAPE),
    ],
)
def test_a_body_that_is_not_their_answer_is_refused(body: bytes, content_type: str, reason: Reason) -> None:
    with pytest.raises(PayloadRefused) as refused:
        read(came(body, content_type))
    assert refused.value.reason == reason
