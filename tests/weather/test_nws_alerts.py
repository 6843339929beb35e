"""The national list of alerts, in the shape that api.weather.gov documents (openapi.json); every alert is invented."""

import copy
import json
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bitewatch.errors import PayloadRefused
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Question, Received
from bitewatch.weather.sources.nws_alerts import NwsAlerts, read_alerts
from bitewatch.weather.sources.settings import NwsSettings
from bitewatch.weather.warnings import FeedRead, from_json, in_force, to_json, touches
from bitewatch.weather.warnings import Warning as OfficialWarning

LIST = json.loads((Path(__file__).parents[1] / "data" / "weather" / "nws_alerts.json").read_text("utf-8"))
WATCH, WATCH_AGAIN, TORNADO, TEST, GALE = range(5)
NOW = datetime(2026, 6, 1, 16, 5, tzinfo=UTC)
URN = "urn:oid:2.49.0.1.840.0.INVENTED.00"


def came(answer: Any, content_type: str = "application/geo+json") -> Received:
    body = answer if isinstance(answer, bytes) else json.dumps(answer).encode()
    return Received(source="nws", url_key="nws", fetched_at=NOW, body=body, content_type=content_type)


def a_list(number: int, **changes: Any) -> dict[str, Any]:
    """The list with one of its alerts changed: properties, or the geometry."""
    answer: dict[str, Any] = copy.deepcopy(LIST)
    feature = answer["features"][number]
    if "geometry" in changes:
        feature["geometry"] = changes.pop("geometry")
    feature["properties"] |= changes
    return answer


def read_one(number: int, **changes: Any) -> OfficialWarning:
    answer = a_list(number, **changes)
    found = read_alerts(came({**answer, "features": [answer["features"][number]]}))
    assert found.unread == ()
    (warning,) = found.warnings
    return warning


def test_the_question_is_one_for_the_whole_country() -> None:
    question = NwsAlerts(NwsSettings()).question()
    assert question.url == "https://api.weather.gov/alerts/active?status=actual"
    assert question.headers == {"Accept": "application/geo+json"}
    assert NwsAlerts.every == timedelta(seconds=90)


def test_what_is_fetched_is_read() -> None:
    class Asked:
        def facts(self, source: str, question: Question, read: Callable[[Received], Any], *, now: datetime) -> Any:
            assert (source, now) == ("nws-alerts", NOW)
            return read(replace(came(LIST), url_key=question.key))

    found = NwsAlerts(NwsSettings()).fetch(Asked(), now=NOW)  # type: ignore[arg-type]
    assert found == read_alerts(came(LIST))


def test_an_alert_is_read_as_it_stands() -> None:
    found = read_alerts(came(LIST))
    assert found.unread == ()
    assert [one.id for one in found.warnings] == [f"{URN}{number}.1" for number in (1, 2, 3, 5)]  # 4 is a test
    watch, again = found.warnings[:2]
    said = LIST["features"][WATCH_AGAIN]["properties"]
    assert again.references == (watch.id,)
    assert again.message_type == "Update"
    assert (again.event, again.headline, again.description, again.instruction, again.area) == (
        said["event"], said["headline"], said["description"], said["instruction"], said["areaDesc"],
    )  # fmt: skip
    assert again.sent == datetime(2026, 6, 1, 16, 2, tzinfo=UTC)
    assert again.onset == datetime(2026, 6, 1, 18, 0, tzinfo=UTC)
    assert (again.severity, again.certainty, again.urgency) == ("Severe", "Likely", "Expected")
    assert (again.sender_name, again.web, again.codes) == ("Invented Office MN", "http://www.weather.gov", ("SVA",))
    assert watch.instruction == ""
    assert [one.id for one in in_force(found.warnings, NOW)] == [f"{URN}{number}.1" for number in (2, 3, 5)]


def test_an_alert_past_expires_is_kept_while_its_end_is_ahead() -> None:
    """`expires` is when the message is due anew; the end is ends, else eventEndingTime, else expires (5.4, 2)."""
    ends, said = datetime(2026, 6, 2, 1, 0, tzinfo=UTC), "2026-06-01T20:00:00-05:00"
    by_parameter = read_one(WATCH_AGAIN)
    assert by_parameter.ends == ends
    after_expires = datetime(2026, 6, 1, 20, 30, tzinfo=UTC)
    assert in_force([by_parameter], after_expires) == (by_parameter,)
    assert in_force([by_parameter], ends) == ()
    assert read_one(WATCH_AGAIN, ends=said, parameters={"eventEndingTime": ["2026-06-09T20:00:00-05:00"]}).ends == ends
    by_expires = read_one(WATCH_AGAIN, parameters={})
    assert by_expires.ends == datetime(2026, 6, 1, 20, 15, tzinfo=UTC)
    assert in_force([by_expires], after_expires) == ()
    assert read_one(WATCH_AGAIN, parameters={"eventEndingTime": []}, expires=None).ends is None


@pytest.mark.parametrize("status", ["Test", "Exercise", "System", "Draft"])
def test_only_actual_alerts_count(status: str) -> None:
    found = read_alerts(came(a_list(WATCH_AGAIN, status=status)))
    assert found.unread == ()
    # and an update that is none takes back nothing
    assert [one.id[-3] for one in in_force(found.warnings, NOW)] == ["1", "3", "5"]


def test_a_cancellation_takes_back_what_it_names() -> None:
    found = read_alerts(came(a_list(WATCH_AGAIN, messageType="Cancel")))
    assert [one.id[-3] for one in in_force(found.warnings, NOW)] == ["3", "5"]


@pytest.mark.parametrize("changes", [{"messageType": "Ack"}, {"messageType": "Error"}, {"scope": "Private"}])
def test_what_is_not_for_the_public_is_left_out(changes: dict[str, str]) -> None:
    assert len(read_alerts(came(a_list(TORNADO, **changes))).warnings) == 3


@pytest.mark.parametrize("changes", [{"response": "AllClear"}, {"urgency": "Past"}])
def test_what_is_over_does_not_stand(changes: dict[str, str]) -> None:
    assert in_force([read_one(TORNADO, **changes)], NOW) == ()


def test_forecast_county_and_fire_zones_are_matched() -> None:
    assert touches(read_one(WATCH_AGAIN), 0.0, 0.0, ["MNZ025"])
    assert touches(read_one(TORNADO), 0.0, 0.0, ["MNC021"])
    fire = read_one(
        GALE, geometry=None, event="Red Flag Warning", geocode={"UGC": []},
        affectedZones=["https://api.weather.gov/zones/fire/MNZ107"],
    )  # fmt: skip
    assert touches(fire, 0.0, 0.0, ["MNZ025", "MNC021", "MNZ107"])
    assert not touches(fire, 0.0, 0.0, ["MNZ025", "MNC021"])


def test_polygons_come_longitude_first() -> None:
    """RFC 7946, 3.1.1."""
    tornado, gale = read_one(TORNADO), read_one(GALE)
    assert touches(tornado, 46.2, -94.2, [])
    assert not touches(tornado, 46.2, -94.6, [])
    assert touches(gale, 51.5, 179.5, [])
    assert touches(gale, 51.5, -179.5, [])
    assert not touches(gale, 51.5, 178.5, [])


def test_texts_are_not_touched() -> None:
    hostile = "<script>alert(1)</script>\r\n\r\n{{ 7*7 }} \u202egnp.exe\u2066 \x00\t  &amp; …\u2028"
    one = read_one(TORNADO, headline=hostile, description=hostile, instruction=hostile, web="javascript:alert(1)")
    assert (one.headline, one.description, one.instruction) == (hostile, hostile, hostile)
    assert one.web == ""


# --- what is broken


@pytest.mark.parametrize(
    "changes",
    [
        {"sent": "2026-06-01T11:00:00"}, {"sent": None}, {"sent": 1780000000}, {"ends": "soon"}, {"id": None},
        {"id": ""},
        {"id": "x" * 301}, {"onset": "2026-06-01"}, {"headline": 5}, {"description": ["a"]}, {"status": None},
        {"messageType": None}, {"references": "urn:1"}, {"references": ["urn:1"]}, {"headline": "\ud83d"},
        {"parameters": "x"}, {"ends": None, "parameters": {"eventEndingTime": ["soon"]}}, {"eventCode": "TOR"},
        {"geometry": {"type": "Point", "coordinates": [-94.5, 46.0]}}, {"geometry": {"type": "Polygon"}},
        {"geometry": {"type": "Polygon", "coordinates": [[[-94, 46], [-94, 47], [-93, 47], [-93, 46]]]}},
        {"geometry": {"type": "Polygon", "coordinates": [[[-94, 96], [-94, 47], [-93, 47], [-94, 96]]]}},
        {"geometry": {"type": "Polygon", "coordinates": [[["-94", 46], [-94, 47], [-93, 47], ["-94", 46]]]}},
        {"geometry": {"type": "Polygon", "coordinates": [[[True, False], [-94, 47], [-93, 47], [True, False]]]}},
        {"geometry": {"type": "MultiPolygon", "coordinates": [[]]}}, {"geometry": []},
    ],
)  # fmt: skip
def test_a_broken_alert_is_counted_and_does_not_lose_the_others(changes: dict[str, Any]) -> None:
    found = read_alerts(came(a_list(TORNADO, **changes)))
    assert [one.id[-3] for one in found.warnings] == ["1", "2", "5"]
    (unread,) = found.unread
    assert unread.why.startswith(f"an alert: {Reason.WRONG_SHAPE}")
    assert unread.zones == ("MNC021",)  # where it was meant for is still known


def test_a_broken_alert_without_zones_may_be_about_any_place() -> None:
    answer = a_list(TORNADO, geocode=None, affectedZones=None, sent=None)
    assert [one.zones for one in read_alerts(came(answer)).unread] == [None]
    answer["features"][TORNADO] = "not even an object"
    assert [one.zones for one in read_alerts(came(answer)).unread] == [None]


def test_an_id_stands_once() -> None:
    answer = copy.deepcopy(LIST)
    answer["features"].append(copy.deepcopy(LIST["features"][TORNADO]))
    assert len(read_alerts(came(answer)).warnings) == 4
    assert read_alerts(came(answer)).unread == ()
    answer["features"][-1]["properties"]["event"] = "Another"
    (unread,) = read_alerts(came(answer)).unread
    assert "stands twice" in unread.why


def test_a_list_that_goes_on_elsewhere_is_not_whole() -> None:
    (unread,) = read_alerts(came({**LIST, "pagination": {"next": "https://api.weather.gov/alerts?cursor=x"}})).unread
    assert unread.zones is None


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        (b"<html>sorry</html>", Reason.NOT_JSON), (b"", Reason.NOT_JSON), (b"\xff", Reason.NOT_TEXT),
        ([], Reason.WRONG_SHAPE), ({}, Reason.WRONG_SHAPE), ({"type": "FeatureCollection"}, Reason.WRONG_SHAPE),
        ({"type": "FeatureCollection", "features": {}}, Reason.WRONG_SHAPE), ({"type": "Feature"}, Reason.WRONG_SHAPE),
        ({"type": "https://api.weather.gov/problems/UnexpectedProblem", "title": "Unexpected Problem", "status": 500,
          "correlationId": "x"}, Reason.REPORTS_ERROR),
        (b'{"type": "FeatureCollection", "features": [], "features": []}', Reason.NOT_JSON),
        (b'{"type": "FeatureCollection", "features": [NaN]}', Reason.NOT_JSON),
        (b"[" * 100_000, Reason.NOT_JSON), (json.dumps(LIST).encode()[:-1], Reason.NOT_JSON),
    ],
)  # fmt: skip
def test_what_is_no_such_list_is_refused(answer: Any, reason: Reason) -> None:
    with pytest.raises(PayloadRefused) as caught:
        read_alerts(came(answer))
    assert caught.value.reason == reason


def test_a_page_is_not_a_list() -> None:
    with pytest.raises(PayloadRefused, match="text/html"):
        read_alerts(came(LIST, content_type="text/html"))


def is_well_formed(found: FeedRead) -> bool:
    """Whatever comes out can be weighed, placed, kept and written down."""
    in_force(found.warnings, NOW)
    for one in found.warnings:
        touches(one, 46.2, -94.2, ["MNZ025"])
        assert from_json(json.loads(json.dumps(to_json(one)))) == one
        f"{one.event}{one.headline}{one.description}{one.area}{''.join(one.zones)}".encode()
    return True


TIME = st.just("2026-06-01T11:00:00-05:00")
VALUES = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8) | TIME,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=6,
)  # fmt: skip
KEYS = sorted(LIST["features"][WATCH_AGAIN]["properties"])


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.data())
def test_whatever_an_alert_holds_the_others_are_read(data: st.DataObject) -> None:
    key = data.draw(st.sampled_from([*KEYS, "geometry"]))
    answer = a_list(TORNADO, **{key: data.draw(VALUES)})
    if key == "geometry" and data.draw(st.booleans()):
        answer["features"][TORNADO]["geometry"] = {"type": "Polygon", "coordinates": data.draw(VALUES)}
    try:
        found = read_alerts(came(answer))
    except PayloadRefused as error:  # what strict JSON does not hold
        assert error.reason == Reason.NOT_JSON  # noqa: PT017
        return
    assert {one.id[-3] for one in found.warnings} >= {"1", "2", "5"} - {"5" if key == "id" else ""}
    assert is_well_formed(found)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_damaged_list_is_refused_or_read(data: st.DataObject) -> None:
    body = bytearray(json.dumps(LIST).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(body) - 1))
        body[start : start + data.draw(st.integers(0, 30))] = data.draw(st.binary(max_size=6))
    try:
        found = read_alerts(came(bytes(body)))
    except PayloadRefused:
        return
    assert is_well_formed(found)


@pytest.mark.shows
def test_four_hundred_alerts_are_read_in_no_time() -> None:
    """A recorded national list had 396 alerts in 1.6 MB (sources, 5.4)."""
    answer = copy.deepcopy(LIST)
    base = answer["features"][TORNADO]
    ring = [[-94.5 + number / 500, 46.0 + (number % 7) / 100] for number in range(60)]
    base["geometry"]["coordinates"] = [[*ring, ring[0]]]
    base["properties"]["description"] = "An invented line of text.\n" * 60
    answer["features"] = []
    for number in range(400):
        one = copy.deepcopy(base)
        one["properties"]["id"] = f"urn:oid:invented.{number}"
        answer["features"].append(one)
    received = came(answer)
    assert 1.3e6 < len(received.body) < 2.2e6
    took = []
    for _ in range(3):
        start = time.process_time()  # other work on the machine is not ours
        found = read_alerts(received)
        took.append(time.process_time() - start)
    print(f"\n{len(received.body) / 1e6:.2f} MB, {len(found.warnings)} alerts: {min(took) * 1000:.0f} ms")
    assert len(found.warnings) == 400
    assert min(took) < 0.3
