"""Whatever comes in place of an answer is issues that can be believed, or refused: no parser stumbles."""

import copy
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.errors import PayloadRefused
from bitewatch.weather.hourly import LIMITS
from bitewatch.weather.sources.base import Cell, Received, Source
from bitewatch.weather.sources.hourly_csv import HourlyCsv
from bitewatch.weather.sources.met_norway import MetNorway
from bitewatch.weather.sources.nws import Nws
from bitewatch.weather.sources.nws_stations import NwsStations
from bitewatch.weather.sources.open_meteo import OpenMeteo
from bitewatch.weather.sources.settings import MetNorwaySettings, NwsSettings, OpenMeteoSettings

DATA = Path(__file__).parents[1] / "data" / "weather"
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
SOURCES: dict[str, tuple[Source, str]] = {
    "open-meteo:ecmwf_ifs:46.125,-94.250": (OpenMeteo(OpenMeteoSettings()), "open_meteo_one.json"),
    "met-norway:46.10,-94.20": (MetNorway(MetNorwaySettings()), "met_norway.json"),
    "nws:XYZ/57,112": (Nws(NwsSettings()), "nws_grid.json"),
    "nws-stations:KXYA": (NwsStations(NwsSettings()), "nws_observations.json"),
    "hourly-csv:north.csv": (HourlyCsv(Path(), "{lake}.csv"), "station.csv"),
}
every_source = pytest.mark.parametrize("key", SOURCES)
in_json = pytest.mark.parametrize("key", [key for key in SOURCES if not key.startswith("hourly-csv")])


def issues_or_refused(key: str, body: bytes) -> bool:
    """True if the body became one issue, all of it believable; False if it was refused."""
    source, _ = SOURCES[key]
    cell = Cell(key=key, latitude=46.1, longitude=-94.2)
    received = Received(source=source.name, url_key="key", fetched_at=NOW, body=body)
    try:
        (issue,) = source.read(received, [cell])
    except PayloadRefused:
        return False
    assert (issue.cell, issue.source) == (key, source.name)
    assert (issue.hourly.time.astype("int64") % 3600 == 0).all()
    for name, (low, high) in LIMITS.items():
        values = issue.hourly[name]
        assert ((values >= low) & (values <= high) | np.isnan(values)).all(), name
    return True


TEXTS = [
    "2026-06-01T02:00:00Z",
    "0001-01-01T00:00:00+23:59",
    "9999-12-31T23:59:59-23:59",
    "2026-06-01T00:00Z/P9999D",
    "NaN",
]
NUMBERS = [0, -1, 0.5, 1e308, -9999, 1780279200, 10**18 - 1]
NESTS: list[Any] = [[], {}, [[]], [None], {"": {}}]
JUNK = st.none() | st.booleans() | st.integers() | st.integers(-(10**25), 10**25) | st.floats() | st.text(max_size=6)
JUNK |= st.sampled_from(TEXTS) | st.sampled_from(NUMBERS) | st.sampled_from(NESTS)


def change(draw: st.DrawFn, tree: Any) -> None:
    """Drop, replace, double or wrap one value somewhere in a tree, or put it where another one stands."""
    while True:
        keys = list(range(len(tree))) if isinstance(tree, list) else sorted(tree)
        key = draw(st.sampled_from(keys))
        inner = tree[key]
        if not (isinstance(inner, list | dict) and inner) or draw(st.integers(0, 5)) == 0:
            break
        tree = inner
    what = draw(st.sampled_from(["drop", "junk", "junk", "wrap", "swap", "double"]))
    if what == "drop":
        del tree[key]
    elif what == "junk":
        tree[key] = copy.deepcopy(draw(JUNK))
    elif what == "wrap":
        tree[key] = [inner]
    elif what == "swap":
        other = draw(st.sampled_from(keys))
        tree[key], tree[other] = copy.deepcopy(tree[other]), inner
    elif isinstance(tree, list):
        tree.insert(draw(st.sampled_from(keys)), copy.deepcopy(inner))


@st.composite
def mutilated(draw: st.DrawFn, good: Any) -> bytes:
    tree = copy.deepcopy(good)
    for _ in range(draw(st.integers(1, 3))):
        if tree:
            change(draw, tree)
    return json.dumps(tree).encode()


@every_source
def test_the_answer_itself_is_an_issue(key: str) -> None:
    assert issues_or_refused(key, (DATA / SOURCES[key][1]).read_bytes())


@in_json
@given(data=st.data())
def test_a_mutilated_answer_is_an_issue_or_refused(key: str, data: st.DataObject) -> None:
    issues_or_refused(key, data.draw(mutilated(json.loads((DATA / SOURCES[key][1]).read_bytes()))))


@every_source
@given(body=st.binary(max_size=300))
def test_any_bytes_are_an_issue_or_refused(key: str, body: bytes) -> None:
    issues_or_refused(key, body)


@every_source
@given(at=st.integers(0, 10**5), junk=st.binary(max_size=6))
def test_an_answer_with_other_bytes_in_it_is_an_issue_or_refused(key: str, at: int, junk: bytes) -> None:
    good = (DATA / SOURCES[key][1]).read_bytes()
    at %= len(good)
    issues_or_refused(key, good[:at] + junk + good[at + len(junk) :])


@in_json
@given(length=st.integers(0, 10**5))
def test_an_answer_cut_anywhere_is_refused(key: str, length: int) -> None:
    good = (DATA / SOURCES[key][1]).read_bytes().rstrip()
    assert not issues_or_refused(key, good[: length % len(good)])
