"""Asking politely, against a server on this machine and a store on its disk: what is asked, and what is not."""

import gzip
import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pytest_httpserver import HTTPServer
from sqlalchemy import func, select, update
from werkzeug import Request, Response

from bitewatch.errors import OutsideFailed, PayloadRefused, SourceRefused, SourceUnavailable, SourceWaits
from bitewatch.store.facts import set_fact
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store
from bitewatch.weather.archive import latest
from bitewatch.weather.hourly import from_points
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.base import Issue, Question, Received
from bitewatch.weather.sources.http import PoliteClient, identification
from bitewatch.weather.sources.quota import OPEN_METEO_FREE, Limits
from bitewatch.weather.sources.strict_json import parse_strictly
from bitewatch.weather.tables import issue, payload, spent

NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
HOURS = np.arange(np.datetime64("2026-06-01T00", "s"), np.datetime64("2026-06-03T00", "s"), np.timedelta64(3600, "s"))
FREE = {"some": Limits(), "nws-stations": Limits()}


def read(received: Received) -> tuple[Issue, ...]:
    """A source of one cell: its body says a temperature, and when it was made."""
    if "json" not in received.content_type:
        raise PayloadRefused(Reason.NOT_JSON, received.content_type)
    table = parse_strictly(received.body)
    made = table.get("made")
    return (
        Issue(
            cell="some:46.10,-94.20", source=received.source, model="m", part=0, retrieved_at=received.fetched_at,
            reference_time=datetime.fromisoformat(made) if made else received.reference_time,
            hourly=from_points(HOURS, {"air_temp_c": np.full(HOURS.size, float(table["temp"]))}),
        ),
    )  # fmt: skip


class Stage:
    """A store, and askers on it: a new one is a program that was started again."""

    def __init__(self, folder: Path, server: HTTPServer):
        self.folder, self.server = folder, server
        self.store = open_store(folder, now=NOW)
        self.clients: list[PoliteClient] = []
        self.slept: list[float] = []

    def start(self, contact: str = "mail@club.example", **limits: Limits) -> Asker:
        client = PoliteClient(identification(contact), connect_s=2, read_s=2, backoff_factor=0, max_bytes=50_000)
        self.clients.append(client)
        asker_limits = {**FREE, **{name.replace("_", "-"): one for name, one in limits.items()}}
        return Asker(
            self.store, client, limits=asker_limits, sleep=self.slept.append, monotonic=lambda: sum(self.slept)
        )

    def answers(self, *answers: Response | Callable[[Request], Response]) -> None:
        """What the server says, in this order; the last one again and again."""
        left = list(answers)

        def next_one(request: Request) -> Response:
            one = left.pop(0) if len(left) > 1 else left[0]
            return one if isinstance(one, Response) else one(request)

        self.server.expect_request("/f").respond_with_handler(next_one)

    def question(self, **more: Any) -> Question:
        return Question(**{"key": "some:q", "url": self.server.url_for("/f"), **more})

    @property
    def asked(self) -> int:
        return len(self.server.log)

    def count(self, table: Any) -> int:
        with self.store.read() as connection:
            return connection.execute(select(func.count()).select_from(table)).scalar_one()

    def close(self) -> None:
        for client in self.clients:
            client.close()
        self.store.close()


@pytest.fixture
def stage(tmp_path: Path, httpserver: HTTPServer) -> Iterator[Stage]:
    one = Stage(tmp_path, httpserver)
    yield one
    one.close()


def says(
    temp: float, *, made: datetime | None = None, status: int = 200, headers: Mapping[str, str] | None = None,
    **named: str,
) -> Response:  # fmt: skip
    body = json.dumps({"temp": temp} | ({"made": made.isoformat()} if made else {}))
    all_headers = {name.replace("_", "-"): value for name, value in named.items()} | dict(headers or {})
    return Response(body, status=status, content_type="application/json", headers=all_headers)


def until(moment: datetime) -> str:
    return format_datetime(moment, usegmt=True)


def temp(issues: tuple[Issue, ...]) -> float:
    (one,) = issues
    return float(one.hourly["air_temp_c"][0])


def ask(asker: Asker, question: Question, now: datetime = NOW, source: str = "some") -> float:
    return temp(asker.issues(source, question, read, now=now))


# What has not expired


def test_no_question_before_the_answer_expires_not_even_after_a_restart(stage: Stage) -> None:
    stage.answers(says(20, Expires=until(NOW + 30 * MINUTE)), says(21, Expires=until(NOW + 2 * HOUR)))
    asker = stage.start()
    assert [ask(asker, stage.question(), NOW + n * MINUTE) for n in (0, 1, 29)] == [20, 20, 20]
    again = stage.start()
    assert ask(again, stage.question(), NOW + 29 * MINUTE) == 20
    assert stage.asked == 1
    assert ask(again, stage.question(), NOW + 30 * MINUTE) == 21
    assert stage.asked == 2


def test_an_answer_that_says_nothing_stands_as_long_as_the_question_says(stage: Stage) -> None:
    stage.answers(says(20), says(21))
    asker, question = stage.start(), stage.question(good_for=HOUR)
    assert [ask(asker, question, NOW + n * MINUTE) for n in (0, 59, 60)] == [20, 20, 21]


def test_an_answer_that_nobody_says_is_good_is_asked_for_again(stage: Stage) -> None:
    stage.answers(says(20), says(21))
    asker = stage.start()
    assert [ask(asker, stage.question()), ask(asker, stage.question())] == [20, 21]


def test_seconds_that_are_cut_off_in_the_store_do_not_end_it_early(stage: Stage) -> None:
    stage.answers(says(20, Cache_Control="max-age=60"), says(21))
    asker, odd = stage.start(), NOW + timedelta(microseconds=900_000)
    assert ask(asker, stage.question(), odd) == 20
    assert ask(asker, stage.question(), odd + timedelta(seconds=59.9)) == 20
    assert stage.asked == 1


def test_an_answer_out_of_a_future_that_has_not_come_is_asked_for_again(stage: Stage) -> None:
    stage.answers(says(20, Cache_Control="max-age=604800"), says(21))
    asker = stage.start()
    assert ask(asker, stage.question(), NOW + timedelta(days=3)) == 20  # under a clock that was wrong
    assert ask(asker, stage.question(), NOW) == 21


def test_an_answer_that_is_damaged_on_the_disk_is_asked_for_whole(stage: Stage) -> None:
    stage.answers(says(20, ETag='"a"', Expires=until(NOW + HOUR)))
    asker = stage.start()
    ask(asker, stage.question())
    with stage.store.write() as connection:
        connection.execute(update(payload).values(body_gz=b"rubbish"))
    assert ask(asker, stage.question()) == 20
    assert "If-None-Match" not in stage.server.log[-1][0].headers
    with stage.store.read() as connection:
        assert latest(connection, "some:q") is not None


# 304


def test_an_answer_that_has_not_changed_moves_only_its_expiry(stage: Stage) -> None:
    said = {"ETag": '"a"', "Last-Modified": "Mon, 01 Jun 2026 02:00:00 GMT", "Expires": until(NOW + HOUR)}
    unchanged = Response(status=304, headers={"Expires": until(NOW + 2 * HOUR)})
    stage.answers(says(20, headers=said), unchanged, says(21))
    asker, question, later = stage.start(), stage.question(), NOW + HOUR
    (first,) = asker.issues("some", question, read, now=NOW, reference_time=lambda: NOW - HOUR)
    (second,) = stage.start().issues("some", question, read, now=later, reference_time=lambda: later)
    assert (temp((second,)), second.retrieved_at, second.reference_time) == (20, later, NOW - HOUR)
    assert first.reference_time == NOW - HOUR
    request = stage.server.log[-1][0]
    assert request.headers["If-None-Match"] == '"a"'
    assert request.headers["If-Modified-Since"] == "Mon, 01 Jun 2026 02:00:00 GMT"
    with stage.store.read() as connection:
        stored = latest(connection, "some:q")
    assert stored is not None
    assert (stored.fetched_at, stored.confirmed_at, stored.expires_at) == (NOW, later, NOW + 2 * HOUR)
    assert (stored.etag, stored.last_modified) == ('"a"', "Mon, 01 Jun 2026 02:00:00 GMT")  # RFC 9110 15.4.5: may lack
    assert (stage.count(payload), stage.count(issue), stage.count(event)) == (1, 1, 1)
    assert ask(asker, question, NOW + 2 * HOUR - MINUTE) == 20
    assert stage.asked == 2


def test_the_conditions_are_those_of_the_last_answer_that_is_used(stage: Stage) -> None:
    stage.answers(says(20, ETag='"good"'), Response("<html>", headers={"ETag": '"bad"'}), Response(status=304))
    asker = stage.start()
    ask(asker, stage.question())
    with pytest.raises(PayloadRefused):
        ask(asker, stage.question(), NOW + HOUR)
    assert ask(asker, stage.question(), NOW + 2 * HOUR) == 20
    assert stage.server.log[-1][0].headers["If-None-Match"] == '"good"'


# What is set aside


def test_a_page_with_status_200_is_set_aside_and_the_last_good_answer_stays(stage: Stage) -> None:
    stage.answers(says(20), Response("<html>", content_type="text/html"), says(21))
    asker, question = stage.start(), stage.question(good_for=HOUR)
    ask(asker, question)
    with pytest.raises(PayloadRefused, match="not strict JSON"):
        ask(asker, question, NOW + HOUR)
    with stage.store.read() as connection:
        stored = latest(connection, "some:q")
        names = connection.execute(select(event.c.name).order_by(event.c.id)).scalars().all()
    assert stored is not None
    assert json.loads(stored.body)["temp"] == 20
    assert names == ["ForecastArrived", "ForecastSetAside"]
    assert ask(asker, question, NOW + HOUR + MINUTE) == 21  # it had not said how long it stands


def test_an_answer_that_was_set_aside_is_not_asked_for_again_before_it_expires(stage: Stage) -> None:
    stage.answers(Response("<html>", headers={"Expires": until(NOW + HOUR)}), says(21))
    with pytest.raises(PayloadRefused):
        ask(stage.start(), stage.question())
    with pytest.raises(SourceWaits, match="not strict JSON") as waits:
        ask(stage.start(), stage.question(), NOW + 59 * MINUTE)
    assert waits.value.until == NOW + HOUR
    assert stage.asked == 1
    assert ask(stage.start(), stage.question(), NOW + HOUR) == 21


@pytest.mark.parametrize(
    ("made", "reason"), [(NOW + 11 * MINUTE, Reason.NOT_YET), (NOW - 7 * HOUR, Reason.OLDER), (NOW + 10 * MINUTE, None)]
)
def test_an_issue_is_not_from_the_future_nor_older_than_the_one_at_hand(
    stage: Stage, made: datetime, reason: Reason | None
) -> None:
    stage.answers(says(20, made=NOW - 6 * HOUR), says(21, made=made))
    asker = stage.start()
    ask(asker, stage.question(key="some:first"), NOW - HOUR)
    if reason is None:
        assert ask(asker, stage.question()) == 21
    else:
        with pytest.raises(PayloadRefused) as refused:
            ask(asker, stage.question())
        assert refused.value.reason == reason
    with stage.store.read() as connection:
        aside = connection.execute(select(payload.c.set_aside).order_by(payload.c.id.desc())).scalars().first()
    assert (aside is None) == (reason is None)
    assert stage.count(issue) == (2 if reason is None else 1)


def test_when_the_model_ran_is_asked_only_once_the_answer_is_there(stage: Stage) -> None:
    stage.answers(says(20))
    seen = []

    def ran_at() -> datetime:
        seen.append(stage.asked)
        return NOW - 6 * HOUR

    (one,) = stage.start().issues("some", stage.question(), read, now=NOW, reference_time=ran_at)
    assert (seen, one.reference_time) == ([1], NOW - 6 * HOUR)
    with stage.store.read() as connection:
        assert connection.execute(select(issue.c.reference_time)).scalar_one() == NOW - 6 * HOUR


def test_an_answer_is_not_given_up_because_nobody_knows_when_the_model_ran(stage: Stage) -> None:
    stage.answers(says(20))

    def unknown() -> datetime:
        raise SourceUnavailable("meta.json did not come")

    (one,) = stage.start().issues("some", stage.question(), read, now=NOW, reference_time=unknown)
    assert one.reference_time is None


# Failures, rests and closed doors


def test_five_failures_in_a_row_leave_the_host_alone_also_after_a_restart(stage: Stage) -> None:
    stage.answers(Response(status=408))  # one request a question
    for n in range(5):
        with pytest.raises(SourceUnavailable):
            ask(stage.start(), stage.question(key=f"some:{n}"), NOW + n * MINUTE)
    rests_until = NOW + 14 * MINUTE
    with pytest.raises(SourceWaits, match="5 failures in a row") as waits:
        ask(stage.start(), stage.question(), rests_until - MINUTE)
    assert waits.value.until == rests_until
    assert stage.asked == 5
    with pytest.raises(SourceUnavailable):
        ask(stage.start(), stage.question(), rests_until)
    with pytest.raises(SourceWaits) as waits:
        ask(stage.start(), stage.question(), rests_until)
    assert waits.value.until == rests_until + 20 * MINUTE


def test_a_success_between_failures_forgives_them(stage: Stage) -> None:
    failures = [Response(status=408)] * 4
    stage.answers(*failures, says(20), *failures, says(20))
    asker, raised = stage.start(), 0
    for n in range(10):
        try:
            ask(asker, stage.question(), NOW + n * MINUTE)
        except SourceUnavailable:
            raised += 1
    assert (raised, stage.asked) == (8, 10)


def test_answers_that_are_set_aside_or_refused_are_no_failures_of_the_host(stage: Stage) -> None:
    stage.answers(*[Response("<html>")] * 5, *[Response(status=404)] * 5, says(20))
    asker = stage.start()
    for _ in range(10):
        with pytest.raises((PayloadRefused, SourceRefused)):
            ask(asker, stage.question())
    assert ask(asker, stage.question()) == 20


@pytest.mark.parametrize(
    ("headers", "reason", "wait"),
    [
        ({"Retry-After": "90"}, "", timedelta(seconds=90)),
        ({"Retry-After": until(NOW + 45 * MINUTE)}, "", 45 * MINUTE),
        ({"Retry-After": "86400"}, "", 6 * HOUR),
        ({}, "Minutely API request limit exceeded", MINUTE),
        ({}, "Hourly API request limit exceeded", 30 * MINUTE),
        ({}, "Daily API request limit exceeded", timedelta(hours=21, minutes=30)),
        ({}, "", 10 * MINUTE),
    ],
)
def test_a_429_leaves_the_host_alone_until_it_said(
    stage: Stage, headers: dict[str, str], reason: str, wait: timedelta
) -> None:
    stage.answers(Response(json.dumps({"reason": reason}), status=429, headers=headers), says(20))
    with pytest.raises(SourceUnavailable, match="answered 429"):
        ask(stage.start(), stage.question())
    with pytest.raises(SourceWaits) as waits:
        ask(stage.start(), stage.question(key="some:other"), NOW + wait - timedelta(seconds=1))
    assert waits.value.until == NOW + wait
    assert stage.asked == 1
    assert ask(stage.start(), stage.question(), NOW + wait) == 20


def test_seconds_that_are_cut_off_in_the_store_do_not_end_a_rest_early(stage: Stage) -> None:
    stage.answers(Response(status=429, headers={"Retry-After": "60"}), says(20))
    odd = NOW + timedelta(microseconds=900_000)
    with pytest.raises(SourceUnavailable):
        ask(stage.start(), stage.question(), odd)
    with pytest.raises(SourceWaits):
        ask(stage.start(), stage.question(), odd + timedelta(seconds=59.9))


def test_a_403_stops_the_host_until_someone_else_asks(stage: Stage) -> None:
    stage.answers(Response("who are you?", status=403, content_type="text/plain"), says(20))
    with pytest.raises(SourceRefused, match="answered 403: who are you"):
        ask(stage.start("nobody"), stage.question())
    for days in (0, 400):
        with pytest.raises(SourceRefused, match=r"who are you.*not asked again before the contact") as refused:
            ask(stage.start("nobody"), stage.question(key="some:other"), NOW + timedelta(days=days))
        assert refused.value.status == 403
    assert stage.asked == 1
    assert ask(stage.start("mail@club.example"), stage.question()) == 20
    assert ask(stage.start("nobody"), stage.question()) == 20  # forgiven


def test_a_fact_that_is_forbidden_does_not_stop_the_forecasts_of_the_host(stage: Stage) -> None:
    stage.answers(*[Response(status=403)] * 5, says(20))
    asker = stage.start()
    for _ in range(5):
        with pytest.raises(SourceRefused):
            asker.facts("some", stage.question(), read, now=NOW)
    with pytest.raises(SourceWaits):  # but five in a row are a failure like any other
        ask(asker, stage.question())
    assert ask(asker, stage.question(), NOW + 10 * MINUTE) == 20


def test_what_is_at_hand_is_served_while_the_host_rests(stage: Stage) -> None:
    stage.answers(says(20, Expires=until(NOW + HOUR)), Response(status=403))
    asker = stage.start()
    ask(asker, stage.question())
    with pytest.raises(SourceRefused):
        ask(asker, stage.question(key="some:other"))
    assert ask(asker, stage.question()) == 20


@pytest.mark.parametrize(
    "broken",
    [
        lambda _: Response(gzip.compress(b'{"temp": 20}')[:-4], headers={"Content-Encoding": "gzip"}),
        lambda _: Response((b"[" * 10_000 for _ in range(100_000)), content_type="application/json"),
        lambda _: Response(iter([b"{"]), headers={"Content-Length": "9"}),
    ],
    ids=["half a gzip", "a body without end", "cut"],
)
def test_a_transport_that_fails_is_never_stored_and_counts(stage: Stage, broken: Callable[[Request], Response]) -> None:
    stage.answers(broken)
    asker = stage.start()
    for _ in range(5):
        with pytest.raises(SourceUnavailable):
            ask(asker, stage.question())
    with pytest.raises(SourceWaits):
        ask(asker, stage.question())
    assert (stage.count(payload), stage.asked) == (0, 5)


def test_a_redirection_is_refused_and_never_followed(stage: Stage) -> None:
    stage.answers(Response(status=301, headers={"Location": stage.server.url_for("/elsewhere")}))
    with pytest.raises(SourceRefused, match="answered 301"):
        ask(stage.start(), stage.question())
    assert [request.path for request, _ in stage.server.log] == ["/f"]


def test_a_203_is_used_and_told_once(stage: Stage, caplog: pytest.LogCaptureFixture) -> None:
    stage.answers(says(20, status=203))
    asker = stage.start()
    assert [ask(asker, stage.question()) for _ in range(3)] == [20, 20, 20]
    assert [record.message for record in caplog.records if "answered 203" in record.message] == [
        "some: answered 203: what we ask is deprecated or under test; a newer bitewatch may help"
    ]


# Quotas and spacing


def test_a_quota_holds_over_restarts_and_windows(stage: Stage) -> None:
    stage.answers(says(20))
    limits = Limits(windows={"minute": 3, "hour": 5})
    came, waits = [], []
    for second in range(0, 3 * 3600 // 2, 15):
        now = NOW.replace(minute=0) + timedelta(seconds=second)
        try:
            ask(stage.start(some=limits), stage.question(), now)
            came.append(now)
        except SourceWaits as error:
            waits.append(error.until)
    start = NOW.replace(minute=0)
    assert came == [
        start + timedelta(minutes=minute, seconds=second)
        for minute, second in (
            (0, 0),
            (0, 15),
            (0, 30),
            (1, 0),
            (1, 15),
            (60, 0),
            (60, 15),
            (60, 30),
            (61, 0),
            (61, 15),
        )
    ]
    assert stage.asked == len(came)
    assert set(waits) == {start + MINUTE, start + HOUR, start + 61 * MINUTE, start + 2 * HOUR}


def test_a_question_that_fails_has_cost_what_it_weighs(stage: Stage) -> None:
    stage.answers(Response(status=408))
    with pytest.raises(SourceUnavailable):
        ask(stage.start(open_meteo=OPEN_METEO_FREE), stage.question(weight=1.1), source="open-meteo")
    with stage.store.read() as connection:
        rows = connection.execute(select(spent.c.window, spent.c.weight)).all()
    assert sorted(map(tuple, rows)) == [("day", 1.1), ("hour", 1.1), ("minute", 1.1), ("month", 1.1)]


def test_what_is_not_asked_costs_nothing(stage: Stage) -> None:
    stage.answers(says(20, Expires=until(NOW + HOUR)), Response(status=429, headers={"Retry-After": "60"}))
    asker = stage.start(some=Limits(windows={"day": 3}))
    for _ in range(5):
        ask(asker, stage.question())
    with pytest.raises(SourceUnavailable):
        ask(asker, stage.question(key="some:other"))
    with pytest.raises(SourceWaits, match="left alone"):
        ask(asker, stage.question(key="some:other"))
    with stage.store.read() as connection:
        assert connection.execute(select(spent.c.weight).where(spent.c.window == "day")).scalar_one() == 2


def test_questions_to_one_host_keep_their_distance_whoever_asks(stage: Stage) -> None:
    stage.answers(says(20))
    asker = stage.start(some=Limits(spacing_s=0.5), nws_stations=Limits(spacing_s=2.0))
    for source in ("some", "some", "nws-stations", "some"):
        ask(asker, stage.question(), source=source)
    assert stage.slept == [0.5, 2.0, 0.5]


def test_whoever_has_no_limits_of_its_own_is_asked_with_care(stage: Stage) -> None:
    stage.answers(says(20))
    asker = stage.start()
    for _ in range(2):
        ask(asker, stage.question(), source="unheard-of")
    assert stage.slept == [0.5]


# Facts, stations, files


def test_facts_are_kept_without_an_issue_or_an_event_and_read_again(stage: Stage) -> None:
    stage.answers(says(20, ETag='"a"', Expires=until(NOW + HOUR)), Response(status=304))
    asker = stage.start()

    def fact(received: Received) -> Any:
        return parse_strictly(received.body)["temp"]

    facts = [asker.facts("some", stage.question(), fact, now=NOW + n * HOUR) for n in (0, 0, 1)]
    assert (facts, stage.asked) == ([20, 20, 20], 2)
    assert (stage.count(payload), stage.count(issue), stage.count(event)) == (1, 0, 0)


def test_hours_of_a_station_are_issues_but_no_forecast_has_arrived(stage: Stage) -> None:
    stage.answers(says(20))
    ask(stage.start(), stage.question(), source="nws-stations")
    assert (stage.count(issue), stage.count(event)) == (1, 0)


def test_a_file_is_archived_or_set_aside_without_asking(stage: Stage) -> None:
    good = Received(
        source="hourly-csv", url_key="hourly-csv:a.json", fetched_at=NOW, body=b'{"temp": 20}', content_type="json"
    )
    asker = stage.start()
    assert temp(asker.from_file(good, read)) == temp(asker.from_file(good, read)) == 20
    bad = Received(
        source="hourly-csv", url_key="hourly-csv:a.json", fetched_at=NOW + HOUR, body=b"", content_type="json"
    )
    with pytest.raises(PayloadRefused):
        asker.from_file(bad, read)
    assert (stage.count(payload), stage.count(issue), stage.count(event), stage.asked) == (2, 1, 2, 0)


def test_nothing_is_locked_while_the_network_is_waited_for(stage: Stage) -> None:
    def writes(_: Request) -> Response:
        other = open_store(stage.folder, now=NOW)
        try:
            with other.write() as connection:
                set_fact(connection, "written", "meanwhile")
        finally:
            other.close()
        return says(20)

    stage.answers(writes)
    assert ask(stage.start(some=Limits(windows={"day": 5})), stage.question()) == 20


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=15, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 40),
            st.sampled_from(["200", "304", "403", "404", "408", "429", "503", "html"]),
            st.integers(0, 30),
        ),
        max_size=12,
    )
)
def test_whatever_a_server_says_it_is_never_asked_before_the_time_it_named(
    tmp_path_factory: pytest.TempPathFactory, httpserver: HTTPServer, steps: list[tuple[int, str, int]]
) -> None:
    httpserver.clear()
    stage = Stage(tmp_path_factory.mktemp("store"), httpserver)
    now, not_before, shut, kind, minutes = NOW, NOW, False, "", 0
    early: list[str] = []

    def server(_: Request) -> Response:
        nonlocal not_before, shut
        if now < not_before or shut:
            early.append(f"{now} before {not_before}, shut: {shut}")
        not_before, headers = now + minutes * MINUTE, {"Expires": until(now + minutes * MINUTE), "ETag": '"a"'}
        shut = kind == "403"
        if kind in ("200", "304"):
            has_etag = "If-None-Match" in _.headers
            return (
                Response(status=304, headers=headers) if kind == "304" and has_etag else says(minutes, headers=headers)
            )
        if kind == "html":
            return Response("<html>", headers=headers)
        if kind in ("429", "503"):
            return Response(status=int(kind), headers={"Retry-After": str(minutes * 60)})
        not_before = now
        return Response(status=int(kind))

    stage.answers(server)
    try:
        for wait, kind, minutes in steps:  # noqa: B007 - the server looks at them
            now += wait * MINUTE
            with suppress(OutsideFailed):
                ask(stage.start(), stage.question(), now)
        assert not early
    finally:
        stage.close()
