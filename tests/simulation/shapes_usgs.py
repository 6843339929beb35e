"""The answers of the gauges of the US Geological Survey: what its own client programs and public threads say (2025-26).

No complete answer of theirs for water temperature was at hand: the unit is written as they write that of other code
lists.
"""

import re
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode
from zlib import crc32

import numpy as np

from bitewatch.weather.hourly import HOUR, Floats, Times
from bitewatch.weather.sources.iso_intervals import instant
from tests.simulation.exchange import Asked, Reply, as_json
from tests.simulation.world import World, hours_from

PER_HOUR = 50  #: for whoever has no key (reported by its users)
MOST = 50_000  #: values in a page
STEP = timedelta(minutes=15)
SENT_AFTER = timedelta(minutes=10)  #: a value is measured until it is there
REVIEWED_AFTER = timedelta(days=60)
REMEMBERS = timedelta(days=4)  #: the water follows the air of so many days
ONE_YEAR = timedelta(days=365)  #: what is told where no time is asked for
NAME = re.compile(r"USGS-(\d{4})(\d{4})")
KNOWN = frozenset({"f", "parameter_code", "monitoring_location_id", "bbox", "limit", "time", "offset"})


def gauge_name(latitude: float, longitude: float) -> str:
    """The gauge at a place in the western half: its name says where it is, to a tenth of a degree."""
    return f"USGS-{round(latitude * 10):04d}{round(-longitude * 10):04d}"


def place_of_gauge(name: str) -> tuple[float, float] | None:
    """Latitude and longitude of a gauge, if there is one of that name."""
    found = NAME.fullmatch(name)
    return None if found is None else (int(found[1]) / 10, -int(found[2]) / 10)


def series_of(name: str) -> tuple[str, ...]:
    """The series of a gauge; every seventh has a second one, deeper down."""
    number = crc32(name.encode())
    return tuple(f"{number:08x}{n:024x}" for n in range(2 if number % 7 == 0 else 1))


def too_many() -> Reply:
    """What is said to whoever has asked too often."""
    headers = {"Retry-After": "600", "x-ratelimit-remaining": "0"}
    return as_json({"error": {"code": "OVER_RATE_LIMIT", "message": "Too many"}}, status=429, headers=headers)


def latest(world: World, asked: Asked) -> Reply:
    """The newest value of each series."""
    newest = asked.at - SENT_AFTER
    newest -= (newest - newest.replace(hour=0, minute=0, second=0, microsecond=0)) % STEP
    return _answer(world, asked, newest, newest, with_point=True)


def continuous(world: World, asked: Asked) -> Reply:
    """Every value of a span; this collection knows no geometry."""
    begins, _, ends = asked.values.get("time", "").partition("/")
    try:
        first = instant(begins) if begins else asked.at - ONE_YEAR
        last = asked.at - SENT_AFTER if ends in ("", "..") else min(instant(ends), asked.at - SENT_AFTER)
    except Exception:
        return _wrong(f"time parameter value {begins} is invalid")
    return _answer(world, asked, first, last, with_point=False)


def _answer(world: World, asked: Asked, first: datetime, last: datetime, *, with_point: bool) -> Reply:
    said = asked.values
    if unknown := sorted(set(said) - KNOWN):
        return _wrong(f"unknown query parameter {unknown[0]}")
    if said.get("parameter_code") != "00010" or not said.get("monitoring_location_id"):
        return _wrong("this server knows water temperature of named gauges only")
    try:
        limit, offset = min(int(said.get("limit", "10")), MOST), int(said.get("offset", "0"))
    except ValueError:
        return _wrong("limit must be a number")
    features: list[dict[str, Any]] = []
    for name in said["monitoring_location_id"].split(","):
        place = place_of_gauge(name)
        if place is not None:
            features += _of_gauge(world, name, place, (first, last), asked.at, with_point=with_point)
    page = features[offset : offset + limit]
    links = [{"rel": "self", "type": "application/geo+json", "href": _address(asked, dict(said))}]
    if offset + limit < len(features):
        href = _address(asked, {**said, "offset": str(offset + limit)})
        links.append({"rel": "next", "type": "application/geo+json", "title": "Items (next)", "href": href})
    document = {"type": "FeatureCollection", "features": page, "numberReturned": len(page), "links": links}
    return as_json(document, content_type="application/geo+json")


def _of_gauge(
    world: World, name: str, place: tuple[float, float], span: tuple[datetime, datetime], at: datetime, *,
    with_point: bool,
) -> list[dict[str, Any]]:  # fmt: skip
    first, last = (np.datetime64(int(moment.timestamp()), "s") for moment in span)
    step = np.timedelta64(int(STEP.total_seconds()), "s")
    times = np.arange(-(-first.astype(int) // 900) * 900, last.astype(int) + 1, 900).astype("datetime64[s]")
    assert times.size == 0 or times[0] - first < step
    water = water_temp_c(world, place, times)
    features = []
    for depth, series in enumerate(series_of(name)):
        for time, temp_c in zip(times.tolist(), (water - 6.0 * depth).clip(0.0).tolist(), strict=True):
            is_old = at.replace(tzinfo=None) - time > REVIEWED_AFTER
            features.append(
                {
                    "type": "Feature", "id": f"{series[:8]}-{time:%Y%m%d%H%M}",
                    "geometry": {"type": "Point", "coordinates": [place[1], place[0]]} if with_point else None,
                    "properties": {
                        "monitoring_location_id": name, "parameter_code": "00010", "statistic_id": "00011",
                        "time_series_id": series, "time": f"{time:%Y-%m-%dT%H:%M:%S}+00:00", "value": f"{temp_c:.1f}",
                        "unit_of_measure": "degC", "approval_status": "Approved" if is_old else "Provisional",
                        "qualifier": None, "last_modified": f"{time + SENT_AFTER:%Y-%m-%dT%H:%M:%S}.004410+00:00",
                    },
                }
            )  # fmt: skip
    return features


def water_temp_c(world: World, place: tuple[float, float], times: Times) -> Floats:
    """What the water near the surface truly has: the mean of the air of some days, and never below freezing."""
    if times.size == 0:
        return np.array([])
    hours = int((times[-1] - times[0]) / HOUR) + REMEMBERS // timedelta(hours=1) + 2
    begins = datetime.fromisoformat(f"{times[0]}+00:00") - REMEMBERS
    axis = hours_from(begins, hours)
    air = world.truth(place[0], place[1], axis)["air_temp_c"][0]
    window = REMEMBERS // timedelta(hours=1)
    means = np.convolve(air, np.ones(window) / window, "valid")
    ends = axis[window - 1 :]
    return np.asarray(np.maximum(np.interp(times.astype("int64"), ends.astype("int64"), means), 0.0))


def _address(asked: Asked, values: dict[str, str]) -> str:
    return f"http://{asked.host}{asked.path}?{urlencode(values, safe=',:/')}"


def _wrong(reason: str) -> Reply:
    return as_json(
        {"code": "InvalidParameterValue", "type": "InvalidParameterValue", "description": reason}, status=400
    )
