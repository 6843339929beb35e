"""The hours in an answer of Open-Meteo, whichever of its services gave it. Pure."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from bitewatch.errors import PayloadRefused
from bitewatch.weather.hourly import Floats, Hourly, Times, from_points
from bitewatch.weather.sources.acceptance import Reason, believed, check_hours, check_near
from bitewatch.weather.sources.base import Cell, Received
from bitewatch.weather.sources.strict_json import parse_strictly

STREAM_FAILED = b"Unexpected error while streaming data"  #: stands behind a body that was cut on their side
LAST_SECOND = 4_102_444_800  #: 2100-01-01; no forecast reaches it


def parts_of(received: Received, count: int) -> list[Any]:
    """The answers for so many places: theirs is an object for one, a list for more.

    Raises
    ------
    PayloadRefused
        If it is anything else, or the report of an error.
    """
    if STREAM_FAILED in received.body[-1000:]:
        raise PayloadRefused(Reason.BROKE_OFF)
    if received.content_type and "json" not in received.content_type.lower():
        raise PayloadRefused(Reason.NOT_JSON, f"the content type is {ascii(received.content_type)[:80]}")
    answer = parse_strictly(received.body)
    if isinstance(answer, dict) and answer.get("error"):
        raise PayloadRefused(Reason.REPORTS_ERROR, ascii(answer.get("reason", ""))[:160])
    parts = answer if isinstance(answer, list) else [answer]
    if len(parts) != count:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"asked for {count} places, answered for {len(parts)}")
    return parts


def place_of(part: Any, number: int, cell: Cell) -> tuple[float, float]:
    """Latitude and longitude of the grid cell in one part.

    Raises
    ------
    PayloadRefused
        If the part is not the answer for this place.
    """
    if not isinstance(part, dict) or part.get("location_id", number) != number:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"part {number} is not the answer for place {number}")
    latitude, longitude = finite(part, "latitude"), finite(part, "longitude")
    check_near(cell, latitude, longitude)
    return latitude, longitude


def hours_of(part: Mapping[str, Any], variables: Mapping[str, tuple[str, str]]) -> tuple[Hourly, tuple[str, ...]]:
    """The hours of one part, and notes on what of them is missing.

    Parameters
    ----------
    part : mapping
        The answer for one place.
    variables : mapping
        What was asked for: theirs -> ours, and the unit in which it must come.

    Raises
    ------
    PayloadRefused
        If units, hours or columns are not those that were asked for.
    """
    hourly, units = part.get("hourly"), part.get("hourly_units")
    if not isinstance(hourly, dict) or not isinstance(units, dict):
        raise PayloadRefused(Reason.WRONG_SHAPE, "no table hourly, or no hourly_units")
    for name, unit in (("time", "unixtime"), *((name, unit) for name, (_, unit) in variables.items())):
        if units.get(name) != unit:
            raise PayloadRefused(Reason.WRONG_UNITS, f"{name} in {ascii(units.get(name))[:40]}, not {unit}")
    if part.get("utc_offset_seconds", 0) != 0:
        raise PayloadRefused(Reason.WRONG_UNITS, f"times {ascii(part['utc_offset_seconds'])[:40]} s off UTC")
    time = _times(hourly.get("time"))
    check_hours(time)
    columns = {ours: _values(hourly, theirs, time.size) for theirs, (ours, _) in variables.items()}
    absent = [f"{column} is not carried" for column, values in columns.items() if np.isnan(values).all()]
    columns, notes = believed(columns)
    return from_points(time, columns), (*absent, *notes)


def finite(part: Mapping[str, Any], name: str) -> float:
    """A number of strict JSON, by its name.

    Raises
    ------
    PayloadRefused
        If it is anything else.
    """
    value = part.get(name)
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} is not a number")
    return float(value)


def _times(seconds: Any) -> Times:
    if not isinstance(seconds, list) or not all(type(s) is int and 0 <= s < LAST_SECOND for s in seconds):
        raise PayloadRefused(Reason.WRONG_SHAPE, "time is not a list of unix seconds")
    return np.array(seconds, dtype="int64").astype("datetime64[s]")


def _values(hourly: Mapping[str, Any], name: str, length: int) -> Floats:
    values = hourly.get(name)
    if not isinstance(values, list) or len(values) != length:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} is not a list of {length} values")
    if not set(map(type, values)) <= {float, int, type(None)}:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} holds something that is neither a number nor null")
    return np.array(values, dtype=float)
