"""Turns as a reader gets them: one message when a call has turned, and none for anything else."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from bitewatch.errors import SourceUnavailable
from bitewatch.service.subscriptions import end_subscription, list_subscriptions
from bitewatch.service.tick import Service
from bitewatch.weather.settings import WarningsSettings

if TYPE_CHECKING:
    from pytest_httpserver import HTTPServer

    from tests.service.conftest import Bench, Said

Another = Callable[..., "Said"]
EVENING = datetime(2026, 7, 20, 23, 0, tzinfo=UTC)  # 19:00 on the demo lakes; the trip is 09:30 to 15:00 UTC
KEPT_UNTIL = "2026-07-15T00:00:00Z"


def table(hours: bytes) -> tuple[list[str], dict[str, list[str]]]:
    lines = [line.split(",") for line in hours.decode().splitlines() if not line.startswith("#")]
    return lines[0], {row[0]: row[1:] for row in lines[1:]}


def body(head: list[str], rows: dict[str, list[str]]) -> bytes:
    return "\n".join([",".join(head), *(",".join([at, *row]) for at, row in rows.items())]).encode()


def later(hours: bytes, by_h: int) -> bytes:
    """The same weather, of which all that comes after the middle of July comes some hours later."""
    head, rows = table(hours)
    times = list(rows)
    moved = {at: rows[at] if at < KEPT_UNTIL else rows[times[max(0, number - by_h)]] for number, at in enumerate(times)}
    return body(head, moved)


def calm(hours: bytes) -> bytes:
    """The same weather without the front of 21 July: from the 20th on the days of the 18th and 19th come again."""
    head, rows = table(hours)
    times = list(rows)
    first = times.index("2026-07-20T00:00:00Z")
    return body(head, {
        at: rows[at] if number < first else rows[times[first - 48 + (number - first) % 48]]
        for number, at in enumerate(times)
    })  # fmt: skip


@pytest.fixture
def awake(bench: "Bench") -> "Bench":
    """A bench whose readers have no quiet hours."""
    turns = bench.settings.config.turns.model_copy(update={"quiet_hours": ""})
    bench.settings = replace(bench.settings, config=bench.settings.config.model_copy(update={"turns": turns}))
    return bench


def briefed(bench: "Bench", *lakes: str) -> Service:
    """A service that has sent the evening's brief for the next morning."""
    bench.subscribe(*(lakes or ("thrennick",)), at=time(19, 0), speaks_of="tomorrow")
    bench.now = EVENING
    service = bench.start()
    assert service.tick().sent == 1
    return service


def turns(bench: "Bench") -> list[dict[str, Any]]:
    return [message for message in bench.came() if message["type"] == "bitewatch.turn"]


def verdicts(bench: "Bench") -> list[str]:
    return [json.loads(row.details)["verdict"] for row in bench.events("CallTurned")]


def next_issue(bench: "Bench", service: Service, said: "Said", issued: bytes) -> None:
    """Two hours later the source says something else."""
    said.body = issued
    bench.move(hours=2)
    service.tick()


def test_a_call_that_turned_and_held_is_told_once(awake: "Bench", said: "Said", hours: bytes) -> None:
    said.body = later(hours, 48)
    service = briefed(awake)
    told = awake.came()[0]["data"]["lakes"][0]["calls"][0]["windows"][0]["position"]
    next_issue(awake, service, said, hours)
    assert turns(awake) == []  # one issue alone is not enough
    next_issue(awake, service, said, later(hours, 1))
    (turn,) = turns(awake)
    assert verdicts(awake) == ["TURNED"]
    now = turn["data"]["lakes"][0]["calls"][0]["windows"][0]["position"]
    assert (told == "tight", now) == (False, "tight")
    assert "in the weeds" in turn["data"]["subject"]
    assert any(section["key"] == "rig" for section in turn["data"]["sections"])
    next_issue(awake, service, said, hours)
    assert len(turns(awake)) == 1


def test_the_same_issue_never_counts_twice(awake: "Bench", said: "Said", hours: bytes) -> None:
    said.body = later(hours, 48)
    service = briefed(awake)
    next_issue(awake, service, said, hours)
    for _ in range(10):
        awake.move(minutes=20)
        service.tick()
    assert turns(awake) == []


def test_a_restart_between_two_issues_forgets_nothing(awake: "Bench", said: "Said", hours: bytes) -> None:
    said.body = later(hours, 48)
    service = briefed(awake)
    next_issue(awake, service, said, hours)
    next_issue(awake, awake.start(), said, later(hours, 1))
    assert verdicts(awake) == ["TURNED"]


def test_a_call_that_turned_waits_for_the_end_of_the_quiet_hours(bench: "Bench", said: "Said", hours: bytes) -> None:
    said.body = later(hours, 48)
    service = briefed(bench)
    next_issue(bench, service, said, hours)
    next_issue(bench, service, said, later(hours, 1))  # 23:00 by the lake's clock
    assert turns(bench) == []
    bench.now = datetime(2026, 7, 21, 7, 59, tzinfo=UTC)
    service.tick()
    assert turns(bench) == []
    bench.move(minutes=1)  # 04:00
    service.tick()
    assert verdicts(bench) == ["TURNED"]
    assert len(turns(bench)) == 1


def test_a_front_that_comes_earlier_is_told_at_once_in_quiet_hours_too(
    bench: "Bench", said: "Said", hours: bytes
) -> None:
    said.body = later(hours, 8)
    service = briefed(bench)
    bench.now = datetime(2026, 7, 21, 1, 30, tzinfo=UTC)  # 21:30
    next_issue(bench, service, said, later(hours, 3))
    (turn,) = turns(bench)
    assert verdicts(bench) == ["EARLIER"]
    assert "earlier" in turn["data"]["headline"][0]
    next_issue(bench, service, said, later(hours, 3))
    assert len(turns(bench)) == 1


def test_a_front_that_is_gone_is_told_at_once(bench: "Bench", said: "Said", hours: bytes) -> None:
    said.body = later(hours, 8)
    service = briefed(bench)
    bench.now = datetime(2026, 7, 21, 1, 30, tzinfo=UTC)
    next_issue(bench, service, said, calm(hours))
    (turn,) = turns(bench)
    assert verdicts(bench) == ["GONE"]
    assert "no longer seen" in turn["data"]["headline"][0]


def test_a_change_of_source_alone_turns_nothing(awake: "Bench", said: "Said", another: Another, hours: bytes) -> None:
    """The second source sees the front two days later, and the call is another; then the first comes back."""
    second = another(name="second", body=later(hours, 48))
    awake.sources.append(second)
    service = briefed(awake)
    said.fails = SourceUnavailable("said: down")
    for _ in range(8):
        awake.move(hours=1)
        service.tick()
    assert len(awake.events("SourceSwitched")) == 1
    said.fails = None
    for _ in range(4):
        awake.move(hours=1)
        service.tick()
    assert len(awake.events("SourceSwitched")) == 2
    assert verdicts(awake) == []


def test_two_lakes_of_one_reader_are_told_in_one_message(awake: "Bench", said: "Said", hours: bytes) -> None:
    said.body = later(hours, 48)
    service = briefed(awake, "thrennick", "umberfold")
    next_issue(awake, service, said, hours)
    next_issue(awake, service, said, later(hours, 1))
    next_issue(awake, service, said, later(hours, 1))
    (turn,) = turns(awake)
    assert {lake["lake"] for lake in turn["data"]["lakes"]} == {"thrennick", "umberfold"}
    assert verdicts(awake) == ["TURNED", "TURNED"]


def test_no_more_than_the_settings_allow(awake: "Bench", said: "Said", hours: bytes) -> None:
    settings = awake.settings.config.turns.model_copy(update={"most_a_day": 0})
    awake.settings = replace(
        awake.settings, config=awake.settings.config.model_copy(update={"turns": settings})
    )  # fmt: skip
    said.body = later(hours, 48)
    service = briefed(awake)
    for by_h in (0, 1, 0):
        next_issue(awake, service, said, later(hours, by_h))
    assert turns(awake) == []


def test_what_goes_beyond_the_cap_waits_for_the_next_day(awake: "Bench", said: "Said", hours: bytes) -> None:
    once = awake.settings.config.turns.model_copy(update={"most_a_day": 1})
    awake.settings = replace(awake.settings, config=awake.settings.config.model_copy(update={"turns": once}))
    said.body = later(hours, 8)
    awake.subscribe("thrennick", at=time(12, 0), speaks_of="tomorrow")
    awake.now = datetime(2026, 7, 20, 16, 0, tzinfo=UTC)  # 12:00
    service = awake.start()
    assert service.tick().sent == 1
    for issued in (calm(hours), hours, later(hours, 1)):  # 14:00 to 18:00
        next_issue(awake, service, said, issued)
    assert verdicts(awake) == ["GONE"]
    awake.now = datetime(2026, 7, 21, 3, 59, tzinfo=UTC)  # 23:59
    service.tick()
    assert len(turns(awake)) == 1
    awake.move(minutes=1)
    service.tick()
    assert verdicts(awake) == ["GONE", "TURNED"]
    position = [one["data"]["lakes"][0]["calls"][0]["windows"][0]["position"] for one in turns(awake)]
    assert sorted(one == "tight" for one in position) == [False, True]


def test_each_brief_is_watched_for_its_own_day_from_what_it_told(awake: "Bench", said: "Said", hours: bytes) -> None:
    said.body = later(hours, 48)
    service = briefed(awake)
    next_issue(awake, service, said, later(hours, 24))  # one issue alone tells nothing
    said.body = later(hours, 48)
    awake.now = EVENING + timedelta(days=1)
    assert service.tick().sent == 1
    for by_h in (24, 25):
        next_issue(awake, service, said, later(hours, by_h))
    (turn,) = turns(awake)
    assert turn["data"]["day"] == "2026-07-22"
    (event,) = awake.events("CallTurned")
    assert json.loads(event.details)["day"] == "2026-07-22"


def test_who_has_left_is_told_of_no_turn(awake: "Bench", said: "Said", hours: bytes) -> None:
    said.body = later(hours, 48)
    service = briefed(awake)
    with awake.store.write() as connection:
        (one,) = list_subscriptions(connection)
        end_subscription(connection, one.id, now=awake.now)
    for by_h in (0, 1, 0):
        next_issue(awake, service, said, later(hours, by_h))
    assert (turns(awake), verdicts(awake)) == ([], [])


def test_a_trip_that_is_over_turns_no_more(awake: "Bench", said: "Said", hours: bytes) -> None:
    said.body = later(hours, 48)
    service = briefed(awake)
    awake.now = datetime(2026, 7, 21, 15, 0, tzinfo=UTC)
    for by_h in (0, 1):
        next_issue(awake, service, said, later(hours, by_h))
    assert turns(awake) == []


def cap(event: str, onset: datetime, ends: datetime) -> str:
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2">
  <identifier>INVENTED-1</identifier><sender>office@agency.example</sender>
  <sent>{onset - timedelta(hours=3):%Y-%m-%dT%H:%M:%S}-00:00</sent>
  <status>Actual</status><msgType>Alert</msgType><scope>Public</scope>
  <info><language>en-US</language><category>Met</category><event>{event}</event><urgency>Expected</urgency>
    <severity>Severe</severity><certainty>Likely</certainty><onset>{onset:%Y-%m-%dT%H:%M:%S}-00:00</onset>
    <expires>{ends:%Y-%m-%dT%H:%M:%S}-00:00</expires><senderName>Invented Agency</senderName>
    <headline>{event}, invented</headline><description>Storms.
Stay ashore.</description><instruction>Leave the water.</instruction>
    <area><areaDesc>Invented hills</areaDesc><polygon>41,-75 41,-74 42,-74 42,-75 41,-75</polygon></area></info>
</alert>"""


def test_a_new_official_warning_goes_out_at_once_and_once(
    bench: "Bench", said: "Said", httpserver: "HTTPServer"
) -> None:
    feed = httpserver.url_for("/cap.xml")
    quiet = '<feed xmlns="http://www.w3.org/2005/Atom"><title>Invented warnings</title></feed>'
    httpserver.expect_request("/cap.xml").respond_with_data(quiet, content_type="application/atom+xml")
    warned = bench.settings.config.model_copy(update={"warnings": WarningsSettings(feeds=(feed,))})
    bench.settings = replace(bench.settings, config=warned)
    service = briefed(bench)
    assert bench.came()[0]["data"]["lakes"][0]["official"]["state"] == "none"
    httpserver.clear()
    alert = cap("Thunderstorm", datetime(2026, 7, 21, 11, tzinfo=UTC), datetime(2026, 7, 21, 14, tzinfo=UTC))
    httpserver.expect_request("/cap.xml").respond_with_data(alert, content_type="application/cap+xml")
    bench.now = datetime(2026, 7, 21, 6, 0, tzinfo=UTC)  # 02:00, in the quiet hours
    for _ in range(3):
        bench.move(minutes=5)
        service.tick()
    (turn,) = turns(bench)
    assert verdicts(bench) == ["WARNED"]
    assert turn["data"]["headline"][0].startswith("OFFICIAL WARNING: Thunderstorm, invented")
    assert turn["data"]["danger"] is True
    told = turn["data"]["lakes"][0]["official"]
    assert (told["state"], [one["event"] for one in told["warnings"]]) == ("some", ["Thunderstorm"])


def test_a_lake_whose_place_was_changed_begins_anew_and_nothing_is_told_as_gone(
    bench: "Bench", said: "Said", hours: bytes
) -> None:
    said.body = later(hours, 8)
    briefed(bench)
    lake = bench.settings.lake("thrennick")
    moved = {**bench.settings.lakes, "thrennick": lake.model_copy(update={"longitude": lake.longitude + 12})}
    bench.settings = replace(bench.settings, lakes=moved)
    next_issue(bench, bench.start(), said, calm(hours))
    assert turns(bench) == []
    assert bench.events("FrontGone") == []


def test_a_source_without_pressure_alone_makes_no_call_and_the_brief_says_why(bench: "Bench", said: "Said") -> None:
    said.gives = said.gives - {"pressure_hpa"}
    briefed(bench)
    assert "said: forecasts no air pressure" in bench.came()[0]["data"]["headline"][0]
