"""Whatever is done to a good answer of the National Weather Service, it is read or refused, never believed too far."""

import copy
import json
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.errors import PayloadRefused
from bitewatch.weather.hourly import LIMITS
from bitewatch.weather.sources.base import Cell, Issue, Place, Received
from bitewatch.weather.sources.nws import Nws, read_point
from bitewatch.weather.sources.nws_stations import NwsStations, read_stations
from bitewatch.weather.sources.settings import NwsSettings

DATA = Path(__file__).parents[1] / "data" / "weather"
GOOD = {
    name: json.loads((DATA / f"nws_{name}.json").read_bytes()) for name in ("point", "grid", "stations", "observations")
}
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
LAKE = Place(lake="north", latitude=46.1, longitude=-94.2)
GRID_CELL = Cell(key="nws:XYZ/57,112", latitude=46.1, longitude=-94.2)
STATION_CELL = Cell(key="nws-stations:KXYA", latitude=46.0, longitude=-94.3)

instants = st.datetimes(datetime(1969, 1, 1), datetime(2101, 1, 1)).map(lambda at: f"{at.isoformat()}Z")  # noqa: DTZ001
spans = st.tuples(
    st.sampled_from(["2026-06-01T00:00:00+00:00", "2026-06-01T03:00:00+00:00", "2026-06-03T00:00:00-05:00", "x"])
    | instants,
    st.sampled_from(["PT1H", "P7D", "PT0H", "P16D", "PT9999H", "P999D", "PT30M", ""]),
).map("/".join)
words = st.sampled_from(["Q", "X", "qc:V", "OVC", "wmoUnit:Pa", "unit:m_s-1", "1e5", [], {}])
numbers = st.integers(-(10**17), 10**17) | st.floats(allow_nan=False, allow_infinity=False)
values = st.none() | st.booleans() | numbers | st.text(max_size=8) | instants | spans | words


def paths(value: Any, here: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [here, *(path for key, part in inside for path in paths(part, (*here, key)))]


PATHS = {name: paths(answer)[1:] for name, answer in GOOD.items()}


@st.composite
def mutated(draw: st.DrawFn, name: str) -> bytes:
    """A good answer with some of its parts gone, doubled or something else; now and then as bytes that are cut."""
    answer = copy.deepcopy(GOOD[name])
    for _ in range(draw(st.integers(1, 4))):
        path = draw(st.sampled_from(PATHS[name]))
        with suppress(KeyError, IndexError, TypeError):
            part = answer
            for key in path[:-1]:
                part = part[key]
            kind = draw(st.sampled_from(["other", "other", "gone", "double"]))
            if kind == "gone":
                del part[path[-1]]
            elif kind == "double" and isinstance(part, list):
                part.insert(path[-1], copy.deepcopy(part[path[-1]]))
            else:
                part[path[-1]] = draw(values)
    body = json.dumps(answer).encode()
    return body[: draw(st.integers(0, len(body)))] if draw(st.integers(0, 19)) == 0 else body


def came(body: bytes) -> Received:
    return Received(source="nws", url_key="key", fetched_at=NOW, body=body, content_type="application/geo+json")


def check(issue: Issue) -> None:
    assert (np.diff(issue.hourly.time) == np.timedelta64(3600, "s")).all()
    assert issue.hourly.time.size <= 16 * 24 + 1
    for column, (low, high) in LIMITS.items():
        known = issue.hourly[column][~np.isnan(issue.hourly[column])]
        assert ((known >= low) & (known <= high)).all(), column
    assert any(np.isfinite(values).any() for values in issue.hourly.columns.values())


@pytest.mark.parametrize("name", GOOD)
def test_what_is_mutated_is_good(name: str) -> None:
    body = json.dumps(GOOD[name]).encode()
    if name == "grid":
        check(Nws(NwsSettings()).read(came(body), [GRID_CELL])[0])
    elif name == "observations":
        check(NwsStations(NwsSettings()).read(came(body), [STATION_CELL])[0])
    elif name == "stations":
        assert len(read_stations(came(body))) == 4
    else:
        assert read_point(came(body), LAKE) is not None


@settings(max_examples=150)
@given(mutated("grid"))
def test_grids_are_read_or_refused(body: bytes) -> None:
    with suppress(PayloadRefused):
        (issue,) = Nws(NwsSettings()).read(came(body), [GRID_CELL])
        check(issue)
        assert np.isnan(issue.hourly["pressure_hpa"]).all()


@settings(max_examples=150)
@given(mutated("observations"))
def test_observations_are_read_or_refused(body: bytes) -> None:
    with suppress(PayloadRefused):
        (issue,) = NwsStations(NwsSettings()).read(came(body), [STATION_CELL])
        check(issue)
        assert issue.reference_time is not None


@settings(max_examples=150)
@given(mutated("point"), mutated("stations"))
def test_points_and_lists_of_stations_are_read_or_refused(point: bytes, stations: bytes) -> None:
    with suppress(PayloadRefused):
        found = read_point(came(point), LAKE)
        assert found is None or found.grid.replace("/", "").replace(",", "").isalnum()
    with suppress(PayloadRefused):
        assert all(name.isalnum() for name in read_stations(came(stations)))


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(body: bytes) -> None:
    for read, place in (
        (read_point, LAKE),
        (Nws(NwsSettings()).read, [GRID_CELL]),
        (NwsStations(NwsSettings()).read, [STATION_CELL]),
    ):
        with suppress(PayloadRefused):
            read(came(body), place)  # type: ignore[operator]
