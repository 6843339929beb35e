"""One tick decides what is owed and sends it, once; nothing that goes wrong makes it lose anything."""

import logging
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from bitewatch.brief.lake_day import LakeDay
from bitewatch.errors import SourceUnavailable
from bitewatch.lake.profile import Lake
from bitewatch.service.evaluate import evaluate
from bitewatch.service.shown import last_shown
from bitewatch.service.subscriptions import end_subscription
from bitewatch.service.tick import Service

if TYPE_CHECKING:
    from tests.service.conftest import Bench, Said

DUE = datetime(2026, 7, 20, 8, 30, tzinfo=UTC)  # 04:30 on the demo lakes


class PowerCut(BaseException):
    """Ends a process in the middle: nothing catches it."""


def lines(message: dict[str, Any], key: str) -> str:
    found = [section["lines"] for section in message["data"]["sections"] if section["key"] == key]
    return " ".join(found[0]) if found else ""


def test_decided_and_sent_once_a_day(bench: "Bench") -> None:
    one = bench.subscribe("thrennick")
    service = bench.start()
    assert service.tick().sent == 0
    assert bench.rows() == {}
    bench.now = DUE
    assert service.tick().sent == 1
    (message,) = bench.came()
    assert message["type"] == "bitewatch.brief"
    assert (message["data"]["day"], message["data"]["run"]) == ("2026-07-20", "thrennick")
    assert lines(message, "late") == ""
    for _ in range(3):
        bench.move(minutes=1)
        assert service.tick().sent == 0
    bench.start().tick()  # nor after a restart
    assert list(bench.rows()) == [f"{one}:2026-07-20"]
    bench.now = DUE + timedelta(days=1)
    assert service.tick().sent == 1
    assert list(bench.rows()) == [f"{one}:2026-07-20", f"{one}:2026-07-21"]
    assert len(bench.came()) == 2
    assert "brief for Mon Jul 20" in lines(bench.came()[1], "since")


def test_decision_outbox_event_and_shown_are_one_change(bench: "Bench") -> None:
    one = bench.subscribe("thrennick")
    bench.now = DUE
    bench.start().tick()
    (decided,) = bench.events("BriefDecided")
    assert decided.subject == f"{one}:2026-07-20:brief:0"
    (sent,) = bench.events("MessageSent")
    assert sent.subject == decided.subject
    assert sent.id > decided.id
    assert bench.rows()[f"{one}:2026-07-20"].state == "sent"
    with bench.store.read() as connection:
        shown = last_shown(connection, one, "thrennick")
    assert shown is not None
    assert shown["day"] == "2026-07-20"


@pytest.mark.parametrize("reads", range(1, 7))
def test_a_power_cut_at_any_look_at_the_clock_is_made_good_by_the_next_process(bench: "Bench", reads: int) -> None:
    one = bench.subscribe("thrennick")
    bench.now = DUE
    left = reads

    def failing() -> datetime:
        nonlocal left
        left -= 1
        if left < 0:
            raise PowerCut
        return bench.now

    with pytest.raises(PowerCut):
        Service(settings=bench.settings, store=bench.store, outside=bench.outside(), now=failing).tick()
    bench.move(minutes=1)
    bench.start().tick()
    assert len(bench.came()) == 1  # a file that is written twice is the same file
    assert bench.rows()[f"{one}:2026-07-20"].state == "sent"


def test_a_store_that_fails_while_a_brief_is_made_leaves_it_owed(bench: "Bench", said: "Said") -> None:
    one = bench.subscribe("thrennick")
    bench.now = DUE
    service = bench.start()
    service.tick()
    assert bench.rows()[f"{one}:2026-07-20"].state == "sent"
    bench.now = DUE + timedelta(days=1)
    with bench.store.write() as connection:  # the tables are away, as on a disk that has gone
        connection.exec_driver_sql("ALTER TABLE shown RENAME TO shown_away")
    with pytest.raises(Exception, match="no such table"):
        service.tick()
    assert list(bench.rows()) == [f"{one}:2026-07-20"]
    with bench.store.write() as connection:
        connection.exec_driver_sql("ALTER TABLE shown_away RENAME TO shown")
    bench.move(seconds=30)
    service.tick()
    assert bench.rows()[f"{one}:2026-07-21"].state == "sent"


def test_a_brief_that_cannot_be_made_is_dead_and_seen_and_the_others_go_on(
    bench: "Bench", monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    bad, good = bench.subscribe("skarrow", to="bad"), bench.subscribe("thrennick", to="good")

    def breaking(*, lake: Lake, **given: Any) -> LakeDay:
        if lake.id == "skarrow":
            raise ZeroDivisionError("a bug for the test")
        return evaluate(lake=lake, **given)

    monkeypatch.setattr("bitewatch.service.outside.evaluate", breaking)
    bench.now = DUE
    service = bench.start()
    with caplog.at_level(logging.INFO):
        assert service.tick().sent == 1
    rows = bench.rows()
    assert (rows[f"{bad}:2026-07-20"].state, rows[f"{good}:2026-07-20"].state) == ("dead", "sent")
    assert rows[f"{bad}:2026-07-20"].last_error == "render: ZeroDivisionError: a bug for the test"
    assert (bench.came("bad"), len(bench.came("good"))) == ([], 1)
    (failed,) = bench.events("MessageFailed")
    assert failed.subject == f"{bad}:2026-07-20:brief:0"
    told = [record for record in caplog.records if record.getMessage().startswith("MessageFailed")]
    assert len(told) == 1
    assert "a bug for the test; dead" in told[0].getMessage()
    bench.move(minutes=1)
    assert service.tick().sent == 0
    assert len(bench.rows()) == 2


def test_a_bug_in_reading_a_source_leaves_its_lake_without_weather_and_the_brief_says_so(
    bench: "Bench", said: "Said"
) -> None:
    bench.subscribe("skarrow", to="bad")
    bench.subscribe("thrennick", to="good")
    said.breaks_for = {"skarrow"}
    bench.now = DUE
    assert bench.start().tick().sent == 2
    assert "could not be read" in bench.came("bad")[0]["data"]["headline"][0]
    assert bench.came("good")[0]["data"]["lakes"][0]["no_call"] is None


def test_a_lake_that_left_the_config_folder_is_told_once_and_the_others_go_on(
    bench: "Bench", caplog: pytest.LogCaptureFixture
) -> None:
    gone, both, other = bench.subscribe("umberfold"), bench.subscribe("umberfold", "thrennick", to="b"), "skarrow"
    third = bench.subscribe(other, to="c")
    lakes = {name: lake for name, lake in bench.settings.lakes.items() if name != "umberfold"}
    bench.settings = replace(bench.settings, lakes=lakes)
    bench.now = DUE
    service = bench.start()
    for _ in range(3):
        service.tick()
        bench.move(seconds=30)
    assert set(bench.rows()) == {f"{both}:2026-07-20", f"{third}:2026-07-20"}
    assert [lake["lake"] for lake in bench.came("b")[0]["data"]["lakes"]] == ["thrennick"]
    assert [record.getMessage() for record in caplog.records if gone in record.getMessage()] == [
        f"subscription {gone}: none of its lakes is in the config folder any more"
    ]


def test_without_weather_the_brief_still_goes_out_and_says_so(
    bench: "Bench", said: "Said", caplog: pytest.LogCaptureFixture
) -> None:
    bench.subscribe("thrennick")
    said.fails = SourceUnavailable("said: does not accept connections")
    bench.now = DUE
    service = bench.start()
    with caplog.at_level(logging.INFO):
        for _ in range(4):
            service.tick()
            bench.move(minutes=10)
    (message,) = bench.came()
    headline = " ".join(message["data"]["headline"])
    assert "o call for Lake Thrennick" in headline
    assert "no weather: said: does not accept connections" in headline
    assert message["data"]["lakes"][0]["calls"] == []
    told = [record.getMessage() for record in caplog.records if "does not accept" in record.getMessage()]
    assert told == ["SourceDown said: said: does not accept connections"]  # in four ticks, once


@pytest.mark.parametrize(
    ("late", "said_late"), [(timedelta(minutes=14), ""), (timedelta(hours=2, minutes=20), "2 hours late")]
)
def test_a_late_brief_says_so(bench: "Bench", late: timedelta, said_late: str) -> None:
    bench.subscribe("thrennick")
    bench.now = DUE + late
    bench.start().tick()
    assert said_late in lines(bench.came()[0], "notice")
    assert bool(lines(bench.came()[0], "notice")) == bool(said_late)


def test_yesterday_is_not_made_good(bench: "Bench", days_after: Callable[[int], date]) -> None:
    one = bench.subscribe("thrennick")
    bench.now = DUE + timedelta(days=3)
    bench.start().tick()
    assert list(bench.rows()) == [f"{one}:{days_after(3)}"]


def test_two_subscriptions_each_at_its_time_and_for_its_day(bench: "Bench") -> None:
    morning = bench.subscribe("thrennick", "skarrow")
    evening = bench.subscribe("skarrow", to="b", at=time(20, 0), speaks_of="tomorrow", trip="06:00-10:00")
    service = bench.start()
    bench.now = DUE
    assert service.tick().sent == 1
    bench.now = datetime(2026, 7, 20, 23, 59, 30, tzinfo=UTC)
    assert service.tick().sent == 0
    bench.now = datetime(2026, 7, 21, 0, 0, tzinfo=UTC)  # 20:00 on the lakes, and already tomorrow in UTC
    assert service.tick().sent == 1
    assert set(bench.rows()) == {f"{morning}:2026-07-20", f"{evening}:2026-07-20"}
    (first,), (second,) = bench.came("a"), bench.came("b")
    assert {lake["lake"] for lake in first["data"]["lakes"]} == {"thrennick", "skarrow"}
    assert second["data"]["day"] == "2026-07-21"
    assert second["data"]["lakes"][0]["trip"]["start"] == "2026-07-21T10:00:00Z"


def test_no_brief_after_the_end_of_a_subscription(bench: "Bench") -> None:
    one = bench.subscribe("thrennick")
    service = bench.start()
    with bench.store.write() as connection:
        end_subscription(connection, one, now=bench.now)
    bench.now = DUE
    service.tick()
    assert bench.rows() == {}
