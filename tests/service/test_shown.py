"""What each reader was last shown of each lake."""

from datetime import date
from typing import TYPE_CHECKING

from bitewatch.brief.compose import Brief
from bitewatch.presentation.trip import TripHours
from bitewatch.service.make_brief import make_brief
from bitewatch.service.shown import keep_shown, last_shown

if TYPE_CHECKING:
    from tests.service.conftest import Bench


def brief(bench: "Bench", *lakes: str, day: date, reader: str = "r") -> Brief:
    outside, asked = bench.outside(), [bench.settings.lake(lake) for lake in lakes]
    outside.refresh(asked, bench.now)
    trip_hours = TripHours.parse("05:30-11:00")
    return make_brief(outside, lakes=asked, day=day, trip_hours=trip_hours, reader=reader, now=bench.now)[1]


def since(made: Brief) -> str:
    return " ".join(next(section.lines for section in made.sections if section.key == "since"))


def test_the_last_one_of_this_reader_and_this_lake(bench: "Bench") -> None:
    shown = brief(bench, "thrennick", "skarrow", day=date(2026, 7, 20))
    later = brief(bench, "thrennick", day=date(2026, 7, 21))
    with bench.store.write() as connection:
        assert last_shown(connection, "r", "thrennick") is None
        keep_shown(connection, "r", shown, bench.now)
        facts = {lake["lake"]: lake for lake in shown.facts["lakes"]}
        assert set(facts) == {"thrennick", "skarrow"}
        for lake, told in facts.items():
            assert last_shown(connection, "r", lake) == told
        assert last_shown(connection, "r", "umberfold") is None
        assert last_shown(connection, "another", "thrennick") is None
        keep_shown(connection, "r", later, bench.now)
        last = last_shown(connection, "r", "thrennick")
        assert last is not None
        assert last["day"] == "2026-07-21"
        assert last_shown(connection, "r", "skarrow") == facts["skarrow"]


def test_the_next_brief_of_the_same_reader_compares_with_it(bench: "Bench") -> None:
    first = brief(bench, "thrennick", day=date(2026, 7, 20))
    assert "first brief of this lake" in since(first)
    with bench.store.write() as connection:
        keep_shown(connection, "r", first, bench.now)
    assert "brief for Mon Jul 20" in since(brief(bench, "thrennick", day=date(2026, 7, 21)))
    assert "first brief of this lake" in since(brief(bench, "thrennick", day=date(2026, 7, 21), reader="another"))
