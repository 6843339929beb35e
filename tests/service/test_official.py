"""Official warnings in the store: read when due, kept for lakes of ours, told once; every warning is invented."""

import copy
import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pytest_httpserver import HTTPServer
from sqlalchemy import func, select
from werkzeug import Request, Response

from bitewatch.errors import OutsideFailed, SourceUnavailable
from bitewatch.lake.profile import Lake
from bitewatch.service.cells import place_of, remember_cell
from bitewatch.service.official import Official, zones_of
from bitewatch.store.database import Store
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.weather.settings import WarningsSettings
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.base import Cell, Question, Received
from bitewatch.weather.sources.http import PoliteClient, identification
from bitewatch.weather.sources.quota import Limits
from bitewatch.weather.sources.settings import NwsSettings
from bitewatch.weather.tables import feed as feeds
from bitewatch.weather.tables import payload, warning, warning_at
from bitewatch.weather.warnings import WarningsSeen, WarningsState, from_json

ALERTS: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "data" / "weather" / "nws_alerts.json").read_text("utf-8")
)
WATCH, WATCH_AGAIN, TORNADO = range(3)
NOW = datetime(2026, 6, 1, 16, 5, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
TRIP_END = NOW + timedelta(hours=8)
NORTH = Lake(id="north", name="North", latitude=46.2, longitude=-94.2, warning_zones=("MNZ025", "MNC021"))
SOUTH = Lake(id="south", name="South", latitude=45.2, longitude=-94.2, warning_zones=("MNZ033",))
FAR = Lake(id="far", name="Far", latitude=30.0, longitude=-90.0, warning_zones=("LAZ001",))
CAP_URL = "http://agency.example/feed"


def alerts(*numbers: int, **changes: Any) -> bytes:
    """The national list with some of its alerts; the last of them changed."""
    answer = copy.deepcopy(ALERTS)
    answer["features"] = [copy.deepcopy(ALERTS["features"][number]) for number in numbers]
    if changes:
        answer["features"][-1]["properties"] |= changes
    return json.dumps(answer).encode()


def a_message(number: int, inside: str, message_type: str = "Alert", references: str = "") -> bytes:
    return (
        f'<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2"><identifier>I-{number}</identifier>'
        f"<sender>a@agency.example</sender><sent>2026-06-01T15:0{number}:00-00:00</sent><status>Actual</status>"
        f"<msgType>{message_type}</msgType><scope>Public</scope><references>{references}</references>{inside}</alert>"
    ).encode()


def an_info(area: str, event: str = "Fog") -> str:
    return (
        f"<info><event>{event}</event><severity>Minor</severity><headline>{event} until nine</headline>"
        f"<expires>2026-06-02T02:00:00-00:00</expires><area><areaDesc>Lakes</areaDesc>{area}</area></info>"
    )


class Answers:
    """Asks nobody: what each address says, or how it fails; and who was asked when."""

    def __init__(self) -> None:
        self.says: dict[str, bytes | OutsideFailed] = {}
        self.asked: list[datetime] = []

    def facts(self, source: str, question: Question, read: Callable[[Received], Any], *, now: datetime) -> Any:
        self.asked.append(now)
        answer = self.says["nws" if question.url.endswith("/alerts/active?status=actual") else question.url]
        if isinstance(answer, OutsideFailed):
            raise answer
        return read(Received(source=source, url_key=question.key, fetched_at=now, body=answer))


class Post:
    """Feeds over a store of its own."""

    def __init__(self, folder: Path):
        self.store: Store = open_store(folder, now=NOW)
        self.asking = Answers()

    def official(self, *names: str) -> Official:
        """A program that starts."""
        return Official(self.store, self.asking, WarningsSettings(feeds=names), NwsSettings())  # type: ignore[arg-type]

    def seen(self, official: Official, lake: Lake = NORTH, now: datetime = NOW, **until: Any) -> WarningsSeen:
        with self.store.read() as connection:
            return official.seen(connection, lake, now=now, until=until.get("until", TRIP_END))

    def rows(self, table: Any) -> list[Any]:
        with self.store.read() as connection:
            return list(connection.execute(select(table)))

    def told(self) -> list[tuple[str, str, str]]:
        return [(row.name, row.subject, row.reason) for row in self.rows(event)]


@pytest.fixture
def post(tmp_path: Path) -> Iterator[Post]:
    opened = Post(tmp_path)
    yield opened
    opened.store.close()


def numbers(seen: WarningsSeen) -> list[str]:
    return [one.id[-3] if one.feed == "nws" else one.id.split(",")[1] for one in seen.warnings]


# --- three states


def test_without_a_feed_warnings_are_unavailable(post: Post) -> None:
    official = post.official()
    official.refresh([NORTH], NOW)
    seen = post.seen(official)
    assert (seen.state, seen.why) == (WarningsState.UNAVAILABLE, "no feed of official warnings is set up")
    assert post.asking.asked == []


def test_before_the_first_reading_they_are_unavailable(post: Post) -> None:
    seen = post.seen(post.official("nws"))
    assert (seen.state, seen.why) == (WarningsState.UNAVAILABLE, "nws has not been read yet")


def test_some_and_none(post: Post) -> None:
    post.asking.says["nws"] = alerts(WATCH, WATCH_AGAIN, TORNADO)
    official = post.official("nws")
    official.refresh([NORTH, SOUTH, FAR], NOW)
    north = post.seen(official)
    assert (north.state, numbers(north), north.read_at, north.why) == (WarningsState.SOME, ["3", "2"], NOW, "")
    assert north.warnings[1].description == ALERTS["features"][WATCH_AGAIN]["properties"]["description"]
    # the first watch was for the south too; the update of it is not
    assert (post.seen(official, SOUTH).state, post.seen(official, FAR).state) == (
        WarningsState.NONE,
        WarningsState.NONE,
    )
    assert numbers(post.seen(official, until=NOW)) == ["3"]  # the storms come later
    assert numbers(post.seen(official, now=NOW + 41 * MINUTE)) == ["2"]  # the tornado warning is over


def test_a_feed_that_was_read_too_long_ago_is_unavailable_and_what_is_known_is_shown(post: Post) -> None:
    post.asking.says["nws"] = alerts(WATCH_AGAIN)
    official = post.official("nws")
    official.refresh([NORTH, FAR], NOW)
    post.asking.says["nws"] = SourceUnavailable("api.weather.gov: did not answer in time")
    for minute in range(1, 12):
        official.refresh([NORTH, FAR], NOW + minute * MINUTE)
    assert post.seen(official, FAR, NOW + 10 * MINUTE).state is WarningsState.NONE
    for lake, known in ((NORTH, ["2"]), (FAR, [])):
        seen = post.seen(official, lake, NOW + 11 * MINUTE)
        assert (seen.state, numbers(seen), seen.read_at) == (WarningsState.UNAVAILABLE, known, NOW)
        assert seen.why == "nws was last read at 2026-06-01 16:05 UTC (api.weather.gov: did not answer in time)"
    post.asking.says["nws"] = alerts()
    official.refresh([NORTH, FAR], NOW + 13 * MINUTE)
    assert post.seen(official, NORTH, NOW + 13 * MINUTE).state is WarningsState.NONE
    downs = [row for row in post.told() if row[0].startswith("Source")]
    assert downs == [
        ("SourceDown", "warnings of nws", "api.weather.gov: did not answer in time"),
        ("SourceBack", "warnings of nws", "official warnings are read whole again"),
    ]


def test_every_feed_counts(post: Post) -> None:
    post.asking.says |= {"nws": alerts(), CAP_URL: SourceUnavailable("agency.example: answered 503")}
    official = post.official("nws", CAP_URL)
    official.refresh([NORTH], NOW)
    seen = post.seen(official)
    assert seen.state is WarningsState.UNAVAILABLE
    assert seen.why == "agency.example/feed has not been read yet (agency.example: answered 503)"


# --- when it asks


def test_a_feed_is_read_when_it_is_due(post: Post) -> None:
    post.asking.says |= {"nws": alerts(), CAP_URL: a_message(1, "")}
    official = post.official("nws", CAP_URL)
    for second in range(0, 361, 30):
        official.refresh([NORTH], NOW + timedelta(seconds=second))
    # the first reading came in the second in which the lake was written down, so a second one makes sure
    assert [(moment - NOW).seconds for moment in post.asking.asked] == [0, 0, 30, 30, 120, 150, 210, 270, 300]


def test_after_a_failure_it_waits_as_long(post: Post) -> None:
    post.asking.says["nws"] = SourceUnavailable("down")
    official = post.official("nws")
    for second in range(0, 271, 30):
        official.refresh([NORTH], NOW + timedelta(seconds=second))
    assert [(moment - NOW).seconds for moment in post.asking.asked] == [0, 90, 180, 270]


def test_a_clock_that_was_set_back_does_not_silence_a_feed(post: Post) -> None:
    post.asking.says["nws"] = alerts()
    official = post.official("nws")
    official.refresh([NORTH], NOW + timedelta(days=3650))
    official.refresh([NORTH], NOW)
    assert len(post.asking.asked) == 2
    assert post.seen(official).state is WarningsState.UNAVAILABLE  # the lake was written down in the future
    assert post.seen(official, now=NOW + timedelta(days=3650)).state is WarningsState.UNAVAILABLE


def test_a_lake_that_is_new_is_not_told_none_from_an_older_reading(post: Post) -> None:
    post.asking.says["nws"] = alerts(WATCH_AGAIN)
    official = post.official("nws")
    official.refresh([FAR], NOW)
    assert post.seen(official, NORTH).state is WarningsState.UNAVAILABLE
    post.asking.says["nws"] = SourceUnavailable("down")
    official.refresh([FAR, NORTH], NOW + MINUTE)
    assert post.seen(official, NORTH, NOW + MINUTE).state is WarningsState.UNAVAILABLE
    assert post.seen(official, FAR, NOW + MINUTE).state is WarningsState.NONE
    post.asking.says["nws"] = alerts(WATCH_AGAIN)
    official.refresh([FAR, NORTH], NOW + 3 * MINUTE)
    assert numbers(post.seen(official, NORTH, NOW + 3 * MINUTE)) == ["2"]


def test_zones_that_come_to_be_known_are_looked_at_at_once(post: Post) -> None:
    bare = NORTH.model_copy(update={"warning_zones": (), "latitude": 44.0})
    post.asking.says["nws"] = alerts(WATCH_AGAIN)
    official = post.official("nws")
    official.refresh([bare], NOW)
    seen = post.seen(official, bare)
    assert seen.state is WarningsState.UNAVAILABLE
    assert "no code is known for this lake" in seen.why
    with post.store.write() as connection:
        cell = Cell(key="nws:XYZ/1,2", latitude=44.0, longitude=-94.2, route={"zones": ["MNZ025", "MNZ107"]})
        remember_cell(connection, "nws", place_of(bare), cell, NOW)
        assert zones_of(connection, bare) == ("MNZ025", "MNZ107")
        assert zones_of(connection, bare.model_copy(update={"warning_zones": ("MNC021",)})) == (
            "MNC021",
            "MNZ025",
            "MNZ107",
        )
        assert zones_of(connection, SOUTH) == ("MNZ033",)
    official.refresh([bare], NOW + timedelta(seconds=10))
    seen = post.seen(official, bare)
    assert (seen.state, numbers(seen)) == (WarningsState.SOME, ["2"])


def test_a_lake_that_moved_is_looked_for_anew(post: Post) -> None:
    post.asking.says["nws"] = alerts(TORNADO, geocode={}, affectedZones=[])
    official = post.official("nws")
    official.refresh([NORTH], NOW)
    assert numbers(post.seen(official)) == ["3"]
    moved = NORTH.model_copy(update={"latitude": 47.0})
    assert post.seen(official, moved).state is WarningsState.UNAVAILABLE
    official.refresh([moved], NOW + timedelta(seconds=10))
    assert post.seen(official, moved).state is WarningsState.NONE
    assert post.told()[-1] == ("WarningEnded", "north", "Tornado Warning: it is not for this lake any more")


def test_a_command_for_one_lake_does_not_make_the_service_miss_a_warning(post: Post) -> None:
    post.asking.says["nws"] = alerts()
    post.official("nws").refresh([NORTH, FAR], NOW)
    post.asking.says["nws"] = alerts(WATCH_AGAIN)
    official = post.official("nws")
    official.refresh([FAR], NOW + 2 * MINUTE)
    assert numbers(post.seen(official, NORTH, NOW + 2 * MINUTE)) == ["2"]


# --- what is kept and told


def test_only_warnings_for_our_lakes_are_kept(post: Post) -> None:
    post.asking.says["nws"] = alerts(WATCH, WATCH_AGAIN, TORNADO)
    official = post.official("nws")
    official.refresh([FAR], NOW)
    assert post.rows(warning) == []
    official.refresh([FAR, SOUTH], NOW + 2 * MINUTE)
    # the watch was for the south, and its update is not: kept so that the watch does not come back, and told to nobody
    assert [row.id[-3] for row in post.rows(warning)] == ["2"]
    assert post.rows(warning_at) == post.rows(event) == []
    official.refresh([FAR, SOUTH, NORTH], NOW + 4 * MINUTE)
    row, tornado = post.rows(warning)
    assert (row.first_seen_at, row.last_seen_at, row.gone_at) == (NOW + 2 * MINUTE, NOW + 4 * MINUTE, None)
    assert (tornado.id[-3], tornado.first_seen_at) == ("3", NOW + 4 * MINUTE)
    assert [(at.id[-3], at.lake, at.issued_at) for at in post.rows(warning_at)] == [
        ("2", "north", NOW + 4 * MINUTE), ("3", "north", NOW + 4 * MINUTE),
    ]  # fmt: skip
    assert from_json(json.loads(row.told)) == post.seen(official, now=NOW + 5 * MINUTE).warnings[1]


def test_a_lake_is_told_once_and_once_of_the_end(post: Post) -> None:
    post.asking.says["nws"] = alerts(WATCH)
    official = post.official("nws")
    for minute in range(0, 10, 2):
        official.refresh([NORTH, SOUTH, FAR], NOW + minute * MINUTE)
    post.asking.says["nws"] = alerts()
    for minute in range(10, 20, 2):
        official.refresh([NORTH, SOUTH, FAR], NOW + minute * MINUTE)
    line = "Severe Thunderstorm Watch: Severe Thunderstorm Watch until 6 PM CDT"
    gone = "Severe Thunderstorm Watch: the feed no longer carries it"
    assert post.told() == [
        ("WarningIssued", "north", line), ("WarningIssued", "south", line), ("WarningEnded", "north", gone),
        ("WarningEnded", "south", gone),
    ]  # fmt: skip
    assert [row.gone_at for row in post.rows(warning)] == [NOW + 10 * MINUTE]
    details = json.loads(post.rows(event)[0].details)
    assert details == {
        "feed": "nws", "id": "urn:oid:2.49.0.1.840.0.INVENTED.001.1", "kind": "thunderstorm", "severity": "Severe",
        "stands_above": True, "onset": "2026-06-01T18:00:00+00:00", "ends": "2026-06-01T23:00:00+00:00", "updates": [],
        "again": False,
    }  # fmt: skip


def test_an_update_follows_on_what_it_takes_the_place_of(post: Post) -> None:
    post.asking.says["nws"] = alerts(WATCH)
    official = post.official("nws")
    official.refresh([NORTH, SOUTH], NOW)
    post.asking.says["nws"] = alerts(WATCH, WATCH_AGAIN)
    official.refresh([NORTH, SOUTH], NOW + 2 * MINUTE)
    post.asking.says["nws"] = alerts(WATCH_AGAIN)
    official.refresh([NORTH, SOUTH], NOW + 4 * MINUTE)
    told = [(row.name, row.subject, json.loads(row.details).get("updates")) for row in post.rows(event)]
    assert told == [
        ("WarningIssued", "north", []), ("WarningIssued", "south", []),
        ("WarningIssued", "north", ["urn:oid:2.49.0.1.840.0.INVENTED.001.1"]), ("WarningEnded", "south", None),
    ]  # fmt: skip
    assert post.told()[-1][2].endswith("its authority has changed it, and it is no longer for this lake or over")
    assert numbers(post.seen(official, now=NOW + 4 * MINUTE)) == ["2"]
    # a server that has not heard of the update does not bring back what it took the place of
    post.asking.says["nws"] = alerts(WATCH)
    official.refresh([NORTH, SOUTH], NOW + 6 * MINUTE)
    assert numbers(post.seen(official, now=NOW + 6 * MINUTE)) == []


def test_a_cancellation_ends_a_warning(post: Post) -> None:
    post.asking.says["nws"] = alerts(WATCH)
    official = post.official("nws")
    official.refresh([NORTH], NOW)
    post.asking.says["nws"] = alerts(WATCH, WATCH_AGAIN, messageType="Cancel")
    official.refresh([NORTH], NOW + 2 * MINUTE)
    assert post.seen(official, now=NOW + 2 * MINUTE).state is WarningsState.NONE
    assert post.told()[-1] == ("WarningEnded", "north", "Severe Thunderstorm Watch: its authority has taken it back")


def test_an_alert_past_expires_is_kept_while_its_end_is_ahead_and_then_ends(post: Post) -> None:
    post.asking.says["nws"] = alerts(WATCH_AGAIN)  # expires at 20:15, ends at 01:00
    official = post.official("nws")
    official.refresh([NORTH], NOW)
    late = datetime(2026, 6, 1, 23, 0, tzinfo=UTC)
    official.refresh([NORTH], late)
    assert numbers(post.seen(official, now=late, until=late + 5 * MINUTE)) == ["2"]
    over = datetime(2026, 6, 2, 1, 0, tzinfo=UTC)
    official.refresh([NORTH], over)
    assert post.told()[-1] == ("WarningEnded", "north", "Severe Thunderstorm Watch: its time is over")


def test_a_warning_ends_in_time_also_while_its_feed_is_down(post: Post) -> None:
    post.asking.says["nws"] = alerts(TORNADO)
    official = post.official("nws")
    official.refresh([NORTH], NOW)
    post.asking.says["nws"] = SourceUnavailable("down")
    official.refresh([NORTH], NOW + 30 * MINUTE)
    assert [row.gone_at for row in post.rows(warning)] == [None]  # not gone: the feed did not come
    official.refresh([NORTH], NOW + 41 * MINUTE)
    assert post.told()[-1] == ("WarningEnded", "north", "Tornado Warning: its time is over")


def test_what_comes_back_is_told_again(post: Post) -> None:
    official = post.official("nws")
    for minute, numbers_ in ((0, [WATCH]), (2, []), (4, [WATCH])):
        post.asking.says["nws"] = alerts(*numbers_)
        official.refresh([NORTH], NOW + minute * MINUTE)
    assert [name for name, _, _ in post.told()] == ["WarningIssued", "WarningEnded", "WarningIssued"]
    assert json.loads(post.rows(event)[-1].details)["again"] is True
    assert numbers(post.seen(official, now=NOW + 4 * MINUTE)) == ["1"]
    assert len(post.rows(warning_at)) == 1


def test_what_cannot_be_read_matters_only_to_lakes_that_it_may_be_about(post: Post) -> None:
    post.asking.says["nws"] = alerts(WATCH_AGAIN, TORNADO, sent=None)  # for MNC021
    official = post.official("nws")
    official.refresh([SOUTH, FAR], NOW)
    assert post.seen(official, FAR).state is WarningsState.NONE
    official.refresh([SOUTH, FAR, NORTH], NOW + 2 * MINUTE)
    seen = post.seen(official, NORTH, NOW + 2 * MINUTE)
    assert (seen.state, numbers(seen)) == (WarningsState.UNAVAILABLE, ["2"])
    assert "no id or no time of sending" in seen.why


def test_texts_stay_whole_and_the_line_of_what_happened_is_tame(post: Post) -> None:
    hostile = "\u202eWind\r\n<b>&\x00 " + "x" * 400
    post.asking.says["nws"] = alerts(WATCH_AGAIN, headline=hostile)
    official = post.official("nws")
    official.refresh([NORTH], NOW)
    assert post.seen(official).warnings[0].headline == hostile
    (reason,) = (reason for name, _, reason in post.told() if name == "WarningIssued")
    assert reason.startswith("Severe Thunderstorm Watch: Wind <b>& xxx")
    assert (reason.isprintable(), len(reason)) == (True, 300)


# --- CAP


def test_a_cap_feed_by_polygon(post: Post) -> None:
    area = "<polygon>46,-94.5 46,-94 46.4,-94 46.4,-94.5 46,-94.5</polygon>"
    post.asking.says[CAP_URL] = a_message(1, an_info(area))
    official = post.official(CAP_URL)
    official.refresh([NORTH, SOUTH], NOW)
    seen = post.seen(official)
    assert (seen.state, numbers(seen)) == (WarningsState.SOME, ["I-1"])
    assert post.seen(official, SOUTH).state is WarningsState.NONE
    post.asking.says[CAP_URL] = a_message(2, "", "Cancel", "a@agency.example,I-1,2026-06-01T11:01:00-04:00")
    official.refresh([NORTH, SOUTH], NOW + 3 * MINUTE)
    assert post.seen(official, now=NOW + 3 * MINUTE).state is WarningsState.NONE
    post.asking.says[CAP_URL] = a_message(1, an_info(area))  # and it does not come back
    official.refresh([NORTH, SOUTH], NOW + 6 * MINUTE)
    assert post.seen(official, now=NOW + 6 * MINUTE).state is WarningsState.NONE
    assert [name for name, _, _ in post.told()] == ["WarningIssued", "WarningEnded"]


@pytest.mark.parametrize(
    ("area", "why"), [("", "words alone"), ("<geocode><value>X1</value></geocode>", "no code is known")]
)
def test_none_is_not_said_where_an_area_cannot_be_matched(post: Post, area: str, why: str) -> None:
    bare = NORTH.model_copy(update={"warning_zones": ()})
    post.asking.says[CAP_URL] = a_message(1, an_info(area))
    official = post.official(CAP_URL)
    official.refresh([bare], NOW)
    seen = post.seen(official, bare)
    assert seen.state is WarningsState.UNAVAILABLE
    assert why in seen.why
    assert post.rows(feeds)[0].trouble is None  # the feed itself is well


def test_a_message_that_does_not_come_does_not_end_the_others(post: Post) -> None:
    entry = '<entry><link type="application/cap+xml" href="/m/{}"/></entry>'
    atom = '<feed xmlns="http://www.w3.org/2005/Atom">{}</feed>'
    area = "<circle>46.2,-94.2 10</circle>"
    post.asking.says |= {
        CAP_URL: atom.format(entry.format(1)).encode(), "http://agency.example/m/1": a_message(1, an_info(area)),
        "http://agency.example/m/2": SourceUnavailable("agency.example: answered 503"),
        "http://agency.example/m/3": a_message(3, an_info(area, "Gale")),
    }  # fmt: skip
    official = post.official(CAP_URL)
    official.refresh([NORTH], NOW)
    assert numbers(post.seen(official)) == ["I-1"]
    post.asking.says[CAP_URL] = atom.format(entry.format(3) + entry.format(2)).encode()
    for minute in (3, 6, 9, 12):
        official.refresh([NORTH], NOW + minute * MINUTE)
    seen = post.seen(official, now=NOW + 12 * MINUTE)
    assert seen.state is WarningsState.UNAVAILABLE
    assert "1 of its messages did not come: agency.example: answered 503" in seen.why
    assert sorted(numbers(seen)) == ["I-1", "I-3"]  # what came is shown, and what was known is not taken for over
    assert [name for name, _, _ in post.told()] == ["WarningIssued", "WarningIssued", "SourceDown"]


# --- over the network of this machine


def test_over_http_unchanged_is_read_and_an_outage_is_told(post: Post, httpserver: HTTPServer) -> None:
    bodies = [alerts(WATCH), alerts(WATCH), None]

    def answer(request: Request) -> Response:
        assert request.headers["Accept"] == "application/geo+json"
        body = bodies.pop(0)
        if body is None:
            return Response(status=503)
        if request.headers.get("If-None-Match") == '"one"':
            return Response(status=304, headers={"ETag": '"one"', "Cache-Control": "max-age=30"})
        headers = {"ETag": '"one"', "Cache-Control": "max-age=30"}
        return Response(body, content_type="application/geo+json", headers=headers)

    httpserver.expect_request("/alerts/active", query_string="status=actual").respond_with_handler(answer)
    later = NOW + 100 * timedelta(seconds=1)
    with PoliteClient(identification("mail@club.example"), connect_s=2, read_s=2, backoff_factor=0) as client:
        asker = Asker(post.store, client, limits={"nws-alerts": Limits()})
        official = Official(
            post.store, asker, WarningsSettings(feeds=("nws",)), NwsSettings(url=httpserver.url_for("").rstrip("/"))
        )
        official.refresh([NORTH], NOW)
        official.refresh([NORTH], NOW + timedelta(seconds=10))  # the archive answers: not expired
        assert len(httpserver.log) == 1
        official.refresh([NORTH], later)
        assert [response.status_code for _, response in httpserver.log] == [200, 304]
        assert post.seen(official, now=later).read_at == later
        assert numbers(post.seen(official, now=later)) == ["1"]
        bodies += [None, None]
        official.refresh([NORTH], later + 12 * MINUTE)
    seen = post.seen(official, now=later + 12 * MINUTE)
    assert (seen.state, numbers(seen)) == (WarningsState.UNAVAILABLE, ["1"])
    assert "503" in seen.why
    with post.store.read() as connection:
        assert connection.execute(select(func.count()).select_from(payload)).scalar() == 1
