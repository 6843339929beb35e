"""Subscriptions as they are written, found, refused and ended."""

from datetime import time
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select

from bitewatch.errors import Refused
from bitewatch.presentation.trip import TripHours
from bitewatch.service.subscriptions import DAYS, end_subscription, list_subscriptions, parse_days
from bitewatch.service.tables import subscription

if TYPE_CHECKING:
    from tests.service.conftest import Bench


@pytest.mark.parametrize(
    ("text", "days"),
    [
        (None, DAYS), ("sat,sun", ("sat", "sun")), ("mon-fri", DAYS[:5]), ("fri-mon", ("mon", "fri", "sat", "sun")),
        (" Sun , tue ", ("tue", "sun")), ("wed-wed", ("wed",)), ("sat,mon-tue,sat", ("mon", "tue", "sat")),
    ],
)  # fmt: skip
def test_days(text: str | None, days: tuple[str, ...]) -> None:
    assert parse_days(text) == days


@pytest.mark.parametrize("text", ["", "someday", "mon-", "-fri", "mon--fri", "sat;sun", "mon,,tue", "monday"])
def test_what_are_no_days_is_refused_with_what_would_be(text: str) -> None:
    with pytest.raises(Refused, match="write them as sat,sun or mon-fri"):
        parse_days(text)


@given(st.lists(st.sampled_from(DAYS), min_size=1))
def test_days_are_each_once_and_in_order_however_they_are_written(days: list[str]) -> None:
    assert parse_days(",".join(days)) == tuple(day for day in DAYS if day in days)


def test_what_was_written_is_read(bench: "Bench") -> None:
    new = bench.subscribe("thrennick", "skarrow", at=time(20, 15), speaks_of="tomorrow", days=("sat", "sun"))
    with bench.store.read() as connection:
        (one,) = list_subscriptions(connection)
    assert (one.id, one.lakes, one.at, one.speaks_of, one.days) == (
        new, ("thrennick", "skarrow"), time(20, 15), "tomorrow", ("sat", "sun"),
    )  # fmt: skip
    assert (one.channel, one.address, one.created_at) == ("file", str(bench.folder / "a"), bench.now)
    assert one.trip_hours == TripHours(time(5, 30), time(11, 0))


def test_the_very_same_is_refused_and_anything_else_is_another(bench: "Bench") -> None:
    first = bench.subscribe("thrennick")
    with pytest.raises(Refused, match=f"there already: {first}"):
        bench.subscribe("thrennick")
    others = [
        bench.subscribe("skarrow"), bench.subscribe("thrennick", to="b"), bench.subscribe("thrennick", at=time(5)),
        bench.subscribe("thrennick", speaks_of="tomorrow"), bench.subscribe("thrennick", days=("sat",)),
        bench.subscribe("thrennick", trip="06:00-11:00"), bench.subscribe("thrennick", "skarrow"),
    ]  # fmt: skip
    assert len({first, *others}) == 8


def test_an_ended_one_stays_written_down_and_may_be_made_again(bench: "Bench") -> None:
    first = bench.subscribe("thrennick")
    bench.move(hours=1)
    with bench.store.write() as connection:
        assert end_subscription(connection, first, now=bench.now).id == first
        assert list_subscriptions(connection) == []
        row = connection.execute(select(subscription)).one()
    assert (row.id, row.state, row.ended_at) == (first, "ended", bench.now)
    with bench.store.write() as connection, pytest.raises(Refused, match="bitewatch subscriptions lists them"):
        end_subscription(connection, first, now=bench.now)
    assert bench.subscribe("thrennick") != first
