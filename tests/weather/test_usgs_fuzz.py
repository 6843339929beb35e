"""Whatever comes in place of what gauges tell is temperatures of water, or refused: the reader does not stumble."""

import copy
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from bitewatch.errors import PayloadRefused
from bitewatch.weather.sources.base import Received
from bitewatch.weather.sources.usgs import COLDEST_C, DROPPED, WARMEST_C, read

GOOD = (Path(__file__).parents[1] / "data" / "weather" / "usgs_latest.json").read_bytes().rstrip()
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
TEXTS = ["2026-06-01T02:00:00Z", "9999-12-31T23:59:59-23:59", "NaN", "17.3", "-999999", "Ice", "degF", "USGS-1", "***"]
JUNK = st.none() | st.booleans() | st.integers(-(10**25), 10**25) | st.floats() | st.text(max_size=6)
JUNK |= st.sampled_from(TEXTS) | st.sampled_from([[], {}, [[]], [None], {"": {}}])


def readings_or_refused(body: bytes) -> bool:
    """True if the body became temperatures, all of them believable; False if it was refused."""
    try:
        found = read(Received(source="usgs", url_key="key", fetched_at=NOW, body=body))
    except PayloadRefused:
        return False
    for one in found:
        assert COLDEST_C <= one.temp_c <= WARMEST_C
        assert one.at.utcoffset() is not None
        assert not DROPPED & {word.lower() for word in one.qualifiers}
        assert one.station
        assert one.series
    return True


def change(draw: st.DrawFn, tree: Any) -> None:
    """Drop, replace or wrap one value somewhere in a tree, or put it where another one stands."""
    while True:
        keys = list(range(len(tree))) if isinstance(tree, list) else sorted(tree)
        key = draw(st.sampled_from(keys))
        inner = tree[key]
        if not (isinstance(inner, list | dict) and inner) or draw(st.integers(0, 5)) == 0:
            break
        tree = inner
    what = draw(st.sampled_from(["drop", "junk", "junk", "wrap", "swap"]))
    if what == "drop":
        del tree[key]
    elif what == "junk":
        tree[key] = copy.deepcopy(draw(JUNK))
    elif what == "wrap":
        tree[key] = [inner]
    else:
        other = draw(st.sampled_from(keys))
        tree[key], tree[other] = copy.deepcopy(tree[other]), inner


@st.composite
def mutilated(draw: st.DrawFn) -> bytes:
    tree = json.loads(GOOD)
    for _ in range(draw(st.integers(1, 3))):
        if tree:
            change(draw, tree)
    return json.dumps(tree).encode()


def test_the_answer_itself_is_readings() -> None:
    assert readings_or_refused(GOOD)


@given(body=mutilated())
def test_a_mutilated_answer_is_readings_or_refused(body: bytes) -> None:
    readings_or_refused(body)


@given(body=st.binary(max_size=300))
def test_any_bytes_are_refused(body: bytes) -> None:
    assert not readings_or_refused(body)


@given(at=st.integers(0, len(GOOD) - 1), junk=st.binary(max_size=6))
def test_an_answer_with_other_bytes_in_it_is_readings_or_refused(at: int, junk: bytes) -> None:
    readings_or_refused(GOOD[:at] + junk + GOOD[at + len(junk) :])


@given(length=st.integers(0, len(GOOD) - 1))
def test_an_answer_cut_anywhere_is_refused(length: int) -> None:
    assert not readings_or_refused(GOOD[:length])


@given(
    value=st.decimals(-1000, 1000, allow_nan=False, allow_infinity=False, places=2).map(str) | st.text(max_size=8),
)
def test_a_value_is_the_decimal_that_it_says_or_nothing(value: str) -> None:
    tree = json.loads(GOOD)
    tree["features"][0]["properties"]["value"] = value
    received = Received(source="usgs", url_key="key", fetched_at=NOW, body=json.dumps(tree).encode())
    found = [one for one in read(received) if one.station == "USGS-00000001"]
    assert all(float(value) == one.temp_c for one in found)
