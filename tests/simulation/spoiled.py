"""Bodies in which one thing is wrong: each function takes a document of one route and hands back a spoiled one.

What stands for a number that JSON does not have is `Token`: text that is written as it is.
"""

import json
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.simulation.exchange import Asked, Reply, Route

Spoil = Callable[[Any, Asked], Any]
MARK = "@@token@@"


class Token(str):
    """Written without quotes."""

    __slots__ = ()


def spoiled(reply: Reply, asked: Asked, by: Mapping[Route, Spoil]) -> Reply:
    """The answer with its document spoiled; errors and 304 have none."""
    if not reply.body or reply.status not in (200, 203):
        return reply
    document = by[asked.route](json.loads(reply.body), asked)
    text = json.dumps(_marked(document), ensure_ascii=False, separators=(",", ":"))
    return reply.but(body=re.sub(f'"{MARK}(.*?)"', r"\1", text).encode())


def _marked(value: Any) -> Any:
    if isinstance(value, Token):
        return MARK + value
    if isinstance(value, dict):
        return {key: _marked(one) for key, one in value.items()}
    return [_marked(one) for one in value] if isinstance(value, list) else value


def each_location(change: Callable[[dict[str, Any]], None]) -> Spoil:
    """Of an Open-Meteo answer, whether object or list."""

    def spoil(document: Any, asked: Asked) -> Any:
        for part in document if isinstance(document, list) else [document]:
            change(part)
        return document

    return spoil


def each_row(change: Callable[[list[Any]], list[Any]]) -> Spoil:
    """The same change to every array of hours of an Open-Meteo answer."""

    def spoil(part: dict[str, Any]) -> None:
        part["hourly"] = {name: change(values) for name, values in part["hourly"].items()}

    return each_location(spoil)


def series(change: Callable[[list[Any]], list[Any]]) -> Spoil:
    """The steps of a Locationforecast."""

    def spoil(document: Any, asked: Asked) -> Any:
        document["properties"]["timeseries"] = change(document["properties"]["timeseries"])
        return document

    return spoil


def each_layer(change: Callable[[list[Any]], list[Any]]) -> Spoil:
    """The spans of every layer of an NWS grid that has any."""

    def spoil(document: Any, asked: Asked) -> Any:
        for layer in document["properties"].values():
            if isinstance(layer, dict) and layer.get("values"):
                layer["values"] = change(layer["values"])
        return document

    return spoil


def properties(**changes: Any) -> Spoil:
    """Members of ``properties`` replaced; a callable gets the old value and the instant of asking."""

    def spoil(document: Any, asked: Asked) -> Any:
        said = document["properties"]
        for name, change in changes.items():
            said[name] = change(said.get(name), asked.at) if callable(change) else change
        return document

    return spoil


def members(**changes: Any) -> Spoil:
    """Members of the whole document replaced."""
    return lambda document, asked: {**document, **changes}


def each_reading(**changes: Any) -> Spoil:
    """Members of every value of a gauge replaced."""

    def spoil(document: Any, asked: Asked) -> Any:
        for feature in document["features"]:
            feature["properties"] |= changes
        return document

    return spoil


def first_temperature(value: Any) -> Mapping[Route, Spoil]:
    """One temperature replaced, in the shape of each route."""

    def open_meteo(part: dict[str, Any]) -> None:
        part["hourly"]["temperature_2m"][30] = value

    def met(document: Any, asked: Asked) -> Any:
        document["properties"]["timeseries"][3]["data"]["instant"]["details"]["air_temperature"] = value
        return document

    def grid(document: Any, asked: Asked) -> Any:
        document["properties"]["temperature"]["values"][1]["value"] = value
        return document

    def observations(document: Any, asked: Asked) -> Any:
        document["features"][0]["properties"]["temperature"]["value"] = value
        return document

    return {
        Route.FORECAST: each_location(open_meteo), Route.ARCHIVE: each_location(open_meteo),
        Route.LOCATIONFORECAST: met, Route.GRID: grid, Route.OBSERVATIONS: observations,
        Route.GAUGES: each_reading(value=value),
    }  # fmt: skip


def no_temperatures() -> Mapping[Route, Spoil]:
    """The whole column missing as each source says "missing": null, an absent key, null values."""

    def open_meteo(part: dict[str, Any]) -> None:
        part["hourly"]["temperature_2m"] = [None] * len(part["hourly"]["time"])

    def met(document: Any, asked: Asked) -> Any:
        for step in document["properties"]["timeseries"]:
            step["data"]["instant"]["details"].pop("air_temperature", None)
        return document

    def grid(document: Any, asked: Asked) -> Any:
        for span in document["properties"]["temperature"]["values"]:
            span["value"] = None
        return document

    def observations(document: Any, asked: Asked) -> Any:
        for feature in document["features"]:
            feature["properties"]["temperature"] |= {"value": None, "qualityControl": "Z"}
        return document

    return {
        Route.FORECAST: each_location(open_meteo), Route.ARCHIVE: each_location(open_meteo),
        Route.LOCATIONFORECAST: met, Route.GRID: grid, Route.OBSERVATIONS: observations,
        Route.GAUGES: each_reading(value=None),
    }  # fmt: skip


def fahrenheit() -> Mapping[Route, Spoil]:
    """Temperatures in another unit than the one agreed, truthfully declared."""

    def open_meteo(part: dict[str, Any]) -> None:
        part["hourly_units"]["temperature_2m"] = "°F"
        hourly = part["hourly"]
        hourly["temperature_2m"] = [None if c is None else round(c * 1.8 + 32, 1) for c in hourly["temperature_2m"]]

    def met(document: Any, asked: Asked) -> Any:
        document["properties"]["meta"]["units"]["air_temperature"] = "fahrenheit"
        for step in document["properties"]["timeseries"]:
            details = step["data"]["instant"]["details"]
            details["air_temperature"] = round(details["air_temperature"] * 1.8 + 32, 1)
        return document

    def grid(document: Any, asked: Asked) -> Any:
        layer = document["properties"]["temperature"]
        layer["uom"] = "wmoUnit:degF"
        for span in layer["values"]:
            span["value"] = round(span["value"] * 1.8 + 32)
        return document

    def observations(document: Any, asked: Asked) -> Any:
        for feature in document["features"]:
            measure = feature["properties"]["temperature"]
            measure |= {"unitCode": "wmoUnit:degF", "value": round(measure["value"] * 1.8 + 32, 1)}
        return document

    return {
        Route.FORECAST: each_location(open_meteo), Route.ARCHIVE: each_location(open_meteo),
        Route.LOCATIONFORECAST: met, Route.GRID: grid, Route.OBSERVATIONS: observations,
        Route.GAUGES: each_reading(value="63.1", unit_of_measure="degF"),
    }  # fmt: skip


def elsewhere() -> Mapping[Route, Spoil]:
    """The answer for another place, three degrees north."""

    def open_meteo(part: dict[str, Any]) -> None:
        part["latitude"] += 3.0

    def point(document: Any, asked: Asked) -> Any:
        document["geometry"]["coordinates"][1] += 3.0
        return document

    def polygon(document: Any, asked: Asked) -> Any:
        for corner in document["geometry"]["coordinates"][0]:
            corner[1] += 3.0
        return document

    def gauges(document: Any, asked: Asked) -> Any:
        for feature in document["features"]:
            point(feature, asked)
        return document

    return {
        Route.FORECAST: each_location(open_meteo), Route.ARCHIVE: each_location(open_meteo),
        Route.LOCATIONFORECAST: point, Route.POINTS: point, Route.GRID: polygon, Route.GAUGES: gauges,
    }  # fmt: skip


def dated_otherwise(by: timedelta) -> Mapping[Route, Spoil]:
    """Reference times that differ by so much from the true ones."""

    def met(document: Any, asked: Asked) -> Any:
        said = document["properties"]["meta"]
        said["updated_at"] = f"{_moved(said['updated_at'], asked.at, by):%Y-%m-%dT%H:%M:%SZ}"
        return document

    def grid(document: Any, asked: Asked) -> Any:
        said = document["properties"]
        said["updateTime"] = _moved(said["updateTime"], asked.at, by).isoformat()
        return document

    def meta(document: Any, asked: Asked) -> Any:
        for name in ("last_run_initialisation_time", "last_run_availability_time", "last_run_modification_time"):
            document[name] = int(
                _moved(datetime.fromtimestamp(document[name], UTC).isoformat(), asked.at, by).timestamp()
            )
        return document

    return {Route.LOCATIONFORECAST: met, Route.GRID: grid, Route.META: meta}


def _moved(text: str, at: datetime, by: timedelta) -> datetime:
    """Into the past from what was said, into the future from the instant of asking."""
    return (at if by > timedelta(0) else datetime.fromisoformat(text)) + by


def without(first: int, count: int) -> Callable[[list[Any]], list[Any]]:
    """A list that lacks some of its members."""
    return lambda rows: rows[:first] + rows[first + count :]


def repeated(at: int) -> Callable[[list[Any]], list[Any]]:
    """A list in which one member stands twice."""
    return lambda rows: rows[: at + 1] + rows[at:]


def swapped(at: int) -> Callable[[list[Any]], list[Any]]:
    """A list in which two neighbours have changed places."""
    return lambda rows: [*rows[:at], *rows[at : at + 2][::-1], *rows[at + 2 :]]
