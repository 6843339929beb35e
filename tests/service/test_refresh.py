"""Weather in the order of the sources, kept as it came, asked for no more often than is polite."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pytest
from sqlalchemy import select

from bitewatch.brief.lake_day import Freshness
from bitewatch.errors import PayloadRefused, SourceRefused, SourceUnavailable
from bitewatch.service.outside import Outside
from bitewatch.service.refresh import FRESH_FOR, TRY_AGAIN
from bitewatch.service.weather_now import TOO_OLD_AFTER, Weather
from bitewatch.weather.sources import Sources
from bitewatch.weather.sources.base import Asking, Cell, Issue, Source
from bitewatch.weather.tables import payload

if TYPE_CHECKING:
    from tests.service.conftest import Bench, Said

NO_NUMBERS = b"time,air_temp_c\n2026-07-20T00:00:00Z,NaN\n2026-07-20T01:00:00Z,NaN\n"
Another = Callable[..., "Said"]


def weather(bench: "Bench", outside: Outside, lake: str = "thrennick", **covering: Any) -> Weather:
    """Ask for what is due, and read what is known."""
    found = bench.settings.lake(lake)
    outside.refresher.refresh([found], bench.now)
    return outside.weather_now.weather(found, bench.now, **covering)


def colder(hours: bytes) -> bytes:
    """The same table as another issue of it: ten degrees colder."""
    lines = hours.decode().splitlines()
    rows = [line.split(",") for line in lines[2:]]
    return "\n".join([lines[1], *(",".join([*row[:2], str(float(row[2]) - 10), *row[3:]]) for row in rows)]).encode()


def source_of(seen: Weather) -> str | None:
    return None if seen.seen is None else seen.seen.source


def test_the_first_source_that_answers_is_the_only_one_asked(bench: "Bench", said: "Said", another: Another) -> None:
    second = another(name="second")
    bench.sources.append(second)
    assert source_of(weather(bench, bench.outside())) == "said"
    assert second.asked == []


def test_a_source_that_ends_before_the_trip_is_passed_over_and_comes_back_if_none_does_better(
    bench: "Bench", said: "Said", another: Another, hours: bytes
) -> None:
    lines = hours.decode().splitlines()
    last = next(number for number, line in enumerate(lines) if line.startswith("2026-07-20T12:00:00"))
    said.body = "\n".join(lines[: last + 1]).encode()
    said.is_file = True
    second = another(name="second")
    bench.sources.append(second)
    noon = datetime(2026, 7, 20, 12, 0, tzinfo=UTC)

    def asked_for(end: datetime) -> Weather:
        return weather(bench, bench.outside(), covering=(noon - timedelta(hours=3), end))

    assert source_of(asked_for(noon + timedelta(minutes=30))) == "said"
    bench.sources[1] = another(name="third", fails=SourceUnavailable("third: down"))
    assert source_of(asked_for(noon + timedelta(minutes=31))) == "said"
    bench.sources[1] = second
    later = asked_for(noon + timedelta(minutes=31))
    assert source_of(later) == "second"
    assert later.failures == ("said: its hours do not reach over the trip",)


def test_not_asked_again_before_its_turn_in_the_hour(bench: "Bench", said: "Said") -> None:
    outside = bench.outside()
    first = weather(bench, outside)
    bench.move(minutes=29)
    assert weather(bench, outside).seen == first.seen
    assert weather(bench, bench.outside()).seen == first.seen  # nor by another process
    assert len(said.asked) == 1
    for _ in range(62):  # its place in the hour comes 30 to 90 minutes after the first time, and then hour by hour
        bench.move(minutes=1)
        weather(bench, outside)
    once = [at for _, at in said.asked]
    assert len(once) == 2 if once[-1] - once[0] > timedelta(minutes=31) else 3
    for _ in range(60):
        bench.move(minutes=1)
        again = weather(bench, outside)
    assert len(said.asked) == len(once) + 1
    assert said.asked[-1][1] - said.asked[-2][1] == timedelta(hours=1)
    assert again.seen is not None
    assert again.seen.retrieved_at == said.asked[-1][1]  # the same body, confirmed
    assert len(bench.events("ForecastArrived")) == 1


def test_a_file_is_looked_at_every_time(bench: "Bench", said: "Said", hours: bytes) -> None:
    said.is_file = True
    outside = bench.outside()
    before = weather(bench, outside)
    said.body = colder(hours)
    after = weather(bench, outside)
    assert before.hourly is not None
    assert after.hourly is not None
    assert np.allclose(after.hourly["air_temp_c"], before.hourly["air_temp_c"] - 10)


def test_the_next_source_once_the_one_before_is_not_fresh_whole_and_never_spliced(
    bench: "Bench", said: "Said", another: Another, hours: bytes
) -> None:
    second = another(name="second", body=colder(hours))
    bench.sources.append(second)
    outside = bench.outside()
    warm, came_at = weather(bench, outside).hourly, bench.now
    said.fails = SourceUnavailable("said: does not accept connections")
    bench.now = came_at + FRESH_FOR - timedelta(minutes=1)
    seen = weather(bench, outside)
    assert source_of(seen) == "said"  # a forecast of five hours ago is no reason to change the whole trend
    assert seen.failures == ("said: does not accept connections",)
    assert second.asked == []
    bench.move(minutes=6)
    seen = weather(bench, outside)
    assert source_of(seen) == "second"
    assert seen.failures == ("said: does not accept connections",)
    assert warm is not None
    assert seen.hourly is not None
    assert np.allclose(seen.hourly["air_temp_c"], warm["air_temp_c"] - 10)  # every hour, also those that said had told
    said.fails = None
    bench.move(minutes=6)
    assert source_of(weather(bench, outside)) == "said"


def test_fresh_then_usable_then_too_old(bench: "Bench", said: "Said") -> None:
    outside, came_at = bench.outside(), bench.now
    weather(bench, outside)
    said.fails = SourceUnavailable("said: did not answer in time")

    def after(age: timedelta) -> Freshness:
        bench.now = came_at + age
        found = weather(bench, outside)
        assert found.seen is not None
        assert (found.failures, found.seen.retrieved_at) == (("said: did not answer in time",), came_at)
        return found.seen.freshness

    second = timedelta(seconds=1)
    assert after(FRESH_FOR - second) is Freshness.FRESH
    assert after(FRESH_FOR + second) is Freshness.USABLE
    assert after(TOO_OLD_AFTER - second) is Freshness.USABLE
    assert after(TOO_OLD_AFTER + second) is Freshness.TOO_OLD


def test_a_fresh_answer_of_the_second_goes_before_an_old_one_of_the_first(
    bench: "Bench", said: "Said", another: Another
) -> None:
    second = another(name="second", fails=SourceUnavailable("second: down"))
    bench.sources.append(second)
    outside = bench.outside()
    weather(bench, outside)
    bench.move(hours=7)
    said.fails = SourceRefused("said: answered 400")
    assert source_of(weather(bench, outside)) == "said"  # both fail: the old one is what there is
    second.fails = None
    bench.move(minutes=6)
    assert source_of(weather(bench, outside)) == "second"


def test_a_second_opinion_is_asked_for_and_told_beside_the_first(
    bench: "Bench", said: "Said", another: Another
) -> None:
    second = another(name="second")
    bench.sources.append(second)
    seen = weather(bench, bench.outside(second_opinion=True))
    assert source_of(seen) == "said"
    assert [issue.source for issue in seen.others] == ["second"]
    assert len(second.asked) == 1


def test_not_asked_again_within_five_minutes_of_a_failure(bench: "Bench", said: "Said") -> None:
    said.fails = SourceUnavailable("said: down")
    outside = bench.outside()
    for _ in range(3):
        assert weather(bench, outside).failures == ("said: down",)
        bench.move(seconds=90)
    assert len(said.asked) == 1
    bench.now = said.asked[0][1] + TRY_AGAIN
    said.fails = None
    assert weather(bench, outside).failures == ()
    assert len(said.asked) == 2


def test_an_outage_and_its_end_are_told_once_each(bench: "Bench", said: "Said") -> None:
    outside = bench.outside()
    weather(bench, outside)
    said.fails = SourceUnavailable("said: down")
    for _ in range(4):
        bench.move(hours=1)
        weather(bench, outside)
    outside = bench.outside()  # a restart in the middle
    weather(bench, outside)
    assert [row.reason for row in bench.events("SourceDown")] == ["said: down"]
    assert bench.events("SourceBack") == []
    said.fails = None
    for _ in range(3):
        bench.move(hours=1)
        weather(bench, outside)
    (back,) = bench.events("SourceBack")
    assert back.subject == "said"
    assert len(bench.events("SourceDown")) == 1


def test_a_source_that_fails_one_lake_is_not_back_because_it_serves_another(bench: "Bench", said: "Said") -> None:
    said.fails_for = {"thrennick"}
    outside = bench.outside()
    for _ in range(3):
        assert weather(bench, outside, "thrennick").seen is None
        assert weather(bench, outside, "skarrow").seen is not None
        bench.move(hours=1)
    assert outside.refresher.down == {"said": "said: nothing for thrennick"}
    assert (len(bench.events("SourceDown")), bench.events("SourceBack")) == (1, [])
    said.fails_for = set()
    weather(bench, outside, "skarrow")
    weather(bench, outside, "thrennick")
    assert outside.refresher.down == {}
    assert len(bench.events("SourceBack")) == 1


def test_a_body_without_a_number_is_set_aside_and_the_last_good_issue_stays(bench: "Bench", said: "Said") -> None:
    outside = bench.outside()
    good = weather(bench, outside)
    said.body, before = NO_NUMBERS, said.body
    bench.move(hours=2)
    for _ in range(2):
        seen = weather(bench, outside)
        assert seen.seen == good.seen
        assert "no usable hours" in seen.failures[0]
        bench.move(hours=1)
    assert len(bench.events("ForecastSetAside")) == 1
    with bench.store.read() as connection:
        assert [row.set_aside is None for row in connection.execute(select(payload).order_by(payload.c.id))] == [
            True, False,
        ]  # fmt: skip
    said.body = before
    healed = weather(bench, outside)
    assert healed.failures == ()
    assert healed.seen is not None
    assert healed.seen.retrieved_at == bench.now


def test_what_was_accepted_and_is_no_longer_is_passed_over(
    bench: "Bench", said: "Said", monkeypatch: pytest.MonkeyPatch
) -> None:
    weather(bench, bench.outside())
    said.fails = SourceUnavailable("said: down")
    bench.move(hours=2)
    monkeypatch.setattr("bitewatch.weather.sources.hourly_csv.LONGEST", np.timedelta64(1, "D"))
    none = weather(bench, bench.outside())
    assert none.seen is None
    assert [reason.partition(":")[0] for reason in none.failures] == [
        "said", "the hours are not whole hours that follow each other",
    ]  # fmt: skip


def test_one_spoilt_cell_costs_the_others_nothing_and_a_spoilt_source_few_questions(bench: "Bench") -> None:
    """Twenty lakes in one question; first one of them spoils the answer, then all do."""
    issued = bench.settings.lake("thrennick")
    lakes = [issued.model_copy(update={"id": f"l{n}", "latitude": 41.0 + n / 10}) for n in range(20)]
    asked: list[int] = []
    spoilt: set[str] = {"many:l7"}

    def fetch(cells: Sequence[Cell], asking: Asking, *, now: datetime) -> tuple[Issue, ...]:
        asked.append(len(cells))
        if spoilt & {cell.key for cell in cells}:
            raise PayloadRefused("spoilt")
        one = bench.sources[0]
        return tuple(issue for cell in cells for issue in one.fetch([cell], asking, now=now))

    many = SimpleNamespace(
        **{name: getattr(bench.sources[0], name) for name in dir(bench.sources[0]) if not name.startswith("_")}
    )
    many.name, many.grid, many.cells_per_question, many.fetch = "many", "many", 100, fetch
    many.cell = lambda place, asking, now: Cell(
        key=f"many:{place.lake}", latitude=place.latitude, longitude=place.longitude
    )
    many.settle = lambda place, cell, issue: cell
    outside = bench.outside()
    outside.refresher.sources = Sources(
        asked_for=("many",), forecasts={"many": cast(Source, many)}, stations=(), forbidden={}
    )
    served = outside.refresher.refresh(lakes, bench.now)
    assert served == {lake.id for lake in lakes} - {"l7"}
    assert len(asked) <= 1 + 4 + 6
    asked.clear()
    spoilt |= {f"many:l{n}" for n in range(20)}
    bench.move(hours=2)
    assert outside.refresher.refresh(lakes, bench.now) == set()
    assert len(asked) <= 2 * (1 + 4)  # those that are due together, and the one that is asked alone
