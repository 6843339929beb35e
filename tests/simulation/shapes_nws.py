"""The answers of api.weather.gov but for alerts: its documentation, issue tracker recorded answers (2021-26)."""

import re
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any
from zlib import crc32

import numpy as np

from bitewatch.weather.hourly import Floats
from tests.simulation.exchange import Asked, Reply, as_json, dated
from tests.simulation.shapes_open_meteo import ground_m, newest_run
from tests.simulation.us_areas import SOUTH, STEP_DEG, WEST, Station, covered, stations_near, time_zone, zones_at
from tests.simulation.us_areas import station as station_of
from tests.simulation.world import World, hours_from

MODEL = "nws"
OFFICE = "XYZ"
GEO_JSON = "application/geo+json"
PROBLEM = "application/problem+json"
FORECAST_H = 174
GRID_EVERY = timedelta(hours=3)
#: layer -> ours, unit, factor, step to which values are rounded; a step of 0 is a whole degree Fahrenheit
LAYERS: Mapping[str, tuple[str, str, float, float]] = {
    "temperature": ("air_temp_c", "wmoUnit:degC", 1.0, 0.0),
    "dewpoint": ("dew_point_c", "wmoUnit:degC", 1.0, 0.0),
    "relativeHumidity": ("humidity_pct", "wmoUnit:percent", 1.0, 1.0),
    "skyCover": ("cloud_pct", "wmoUnit:percent", 1.0, 1.0),
    "windDirection": ("wind_from_deg", "wmoUnit:degree_(angle)", 1.0, 10.0),
    "windSpeed": ("wind_speed_ms", "wmoUnit:km_h-1", 3.6, 1.852),
    "windGust": ("wind_gust_ms", "wmoUnit:km_h-1", 3.6, 1.852),
}
POINT = re.compile(r"/points/(-?[\d.]+),(-?[\d.]+)")
GRID = re.compile(r"/gridpoints/([A-Z]{3})/(\d+),(\d+)")
GRID_STATIONS = re.compile(r"/gridpoints/([A-Z]{3})/(\d+),(\d+)/stations")
OBSERVATIONS = re.compile(r"/stations/([A-Z]{4})/observations(/latest)?")
REPORT_AT, REPORT_LATE = timedelta(minutes=53), timedelta(minutes=20)


def problem(kind: str, status: int, detail: str) -> Reply:
    """A refusal in their own form."""
    document = {
        "correlationId": "1f2e3d4c", "title": kind, "type": f"https://api.weather.gov/problems/{kind}",
        "status": status, "detail": detail, "instance": "https://api.weather.gov/requests/1f2e3d4c",
    }  # fmt: skip
    return as_json(document, status=status, content_type=PROBLEM)


def refusal(asked: Asked, allowed: Sequence[str]) -> Reply | None:
    """Why the request is not answered at all, if so."""
    if not asked.headers.get("user-agent"):
        return problem("Forbidden", 403, "Requests must carry a User-Agent with a contact")
    unknown = sorted(set(asked.values) - set(allowed))
    if unknown:
        return problem("BadRequest", 400, f"Query parameter '{unknown[0]}' is not recognized")
    return None


def _kept(reply: Reply, asked: Asked, *, modified: datetime, seconds: int) -> Reply:
    reply = reply.with_headers(Cache_Control=f"public, max-age={seconds}")
    return dated(reply, asked, modified=modified, expires=asked.at + timedelta(seconds=seconds))


def points(asked: Asked) -> Reply:
    """Where a place lies."""
    found = POINT.fullmatch(asked.path)
    if refused := refusal(asked, ()):
        return refused
    if found is None:
        return problem("InvalidParameter", 400, "Parameter 'point' is invalid")
    told = [f"{round(float(text), 4):.4f}".rstrip("0").rstrip(".") for text in found.groups()]
    if list(found.groups()) != told:
        return Reply(status=301, headers={"Location": f"/points/{told[0]},{told[1]}"})
    latitude, longitude = map(float, told)
    if not covered(latitude, longitude):
        return problem("InvalidPoint", 404, "Unable to provide data for requested point")
    x, y = round((longitude - WEST) / STEP_DEG), round((latitude - SOUTH) / STEP_DEG)
    forecast, county, fire = zones_at(latitude, longitude)
    base = f"http://{asked.host}"
    document = {
        "id": f"{base}{asked.path}", "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [longitude, latitude]},
        "properties": {
            "cwa": OFFICE, "gridId": OFFICE, "gridX": x, "gridY": y,
            "forecastGridData": f"{base}/gridpoints/{OFFICE}/{x},{y}",
            "observationStations": f"{base}/gridpoints/{OFFICE}/{x},{y}/stations",
            "forecastZone": f"{base}/zones/forecast/{forecast}", "county": f"{base}/zones/county/{county}",
            "fireWeatherZone": f"{base}/zones/fire/{fire}", "timeZone": time_zone(longitude), "radarStation": "KXYZ",
        },
    }  # fmt: skip
    midnight = asked.at.replace(hour=0, minute=0, second=0, microsecond=0)
    return _kept(as_json(document, content_type=GEO_JSON), asked, modified=midnight, seconds=86_400)


def grid(world: World, asked: Asked) -> Reply:
    """The raw grid of one cell, run-length coded."""
    found = GRID.fullmatch(asked.path)
    if refused := refusal(asked, ()):
        return refused
    if found is None:
        return problem("NotFound", 404, "Not Found")
    office, x, y = found[1], int(found[2]), int(found[3])
    latitude, longitude = SOUTH + y * STEP_DEG, WEST + x * STEP_DEG
    if not covered(latitude, longitude):
        return problem("InvalidPoint", 404, "Unable to provide data for requested point")
    late = timedelta(minutes=crc32(f"{x},{y}".encode()) % 150)
    made_at = newest_run(asked.at, takes=late) + late
    if made_at + GRID_EVERY <= asked.at:
        made_at += GRID_EVERY
    if asked.headers.get("if-modified-since"):
        unchanged = _kept(Reply(), asked, modified=made_at, seconds=900)
        if unchanged.status == 304:
            return unchanged
    first = made_at.replace(minute=0, second=0, microsecond=0) - timedelta(hours=2)
    time = hours_from(first, FORECAST_H + 1)
    run = newest_run(made_at)
    columns = {name: rows[0] for name, rows in world.forecast(latitude, longitude, time, run=run, model=MODEL).items()}
    half = STEP_DEG / 2
    corners = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)]
    high_m = float(ground_m(np.array([latitude]), np.array([longitude]))[0])
    properties: dict[str, Any] = {
        "updateTime": made_at.isoformat(), "validTimes": f"{first.isoformat()}/{_duration(FORECAST_H)}",
        "elevation": {"unitCode": "wmoUnit:m", "value": round(high_m, 2)},
        "gridId": office, "gridX": x, "gridY": y,
    }  # fmt: skip
    for name, (ours, uom, factor, step) in LAYERS.items():
        values = _rounded(columns[ours][:-1] * factor, step)
        properties[name] = {"uom": uom, "values": run_lengths(first, values)}
    six = columns["precip_mm"][1:].reshape(-1, 6).sum(axis=1).round(2).tolist()
    properties["quantitativePrecipitation"] = {
        "uom": "wmoUnit:mm",
        "values": [_span(first + timedelta(hours=6 * n), 6, amount) for n, amount in enumerate(six)],
    }
    likely = np.where(columns["precip_mm"][:-1] > 0, 80, 10).tolist()
    properties["probabilityOfPrecipitation"] = {"uom": "wmoUnit:percent", "values": run_lengths(first, likely)}
    thunder = np.where(columns["cape_jkg"][:-1] > 1000, 40, 0).tolist()
    properties["probabilityOfThunder"] = {"values": run_lengths(first, thunder)}
    properties["pressure"] = {"values": []}
    properties["weather"] = {"values": [_span(first, FORECAST_H, [{"coverage": None, "weather": None}])]}
    days = [first + timedelta(days=day, hours=12) for day in range(6)]
    properties["maxTemperature"] = {"uom": "wmoUnit:degC", "values": [_span(day, 13, 20.0) for day in days]}
    document = {
        "id": f"http://{asked.host}{asked.path}", "type": "Feature",
        "geometry": {
            "type": "Polygon",
            "coordinates": [[[round(longitude + dx, 5), round(latitude + dy, 5)] for dx, dy in corners]],
        },
        "properties": properties,
    }  # fmt: skip
    return _kept(as_json(document, content_type=GEO_JSON), asked, modified=made_at, seconds=900)


def run_lengths(first: datetime, values: Sequence[Any]) -> list[dict[str, Any]]:
    """Equal values that follow each other, as one span."""
    spans, at = [], first
    for value, run in groupby(values):
        hours = len(list(run))
        spans.append(_span(at, hours, value))
        at += timedelta(hours=hours)
    return spans


def _span(at: datetime, hours: int, value: Any) -> dict[str, Any]:
    return {"validTime": f"{at.isoformat()}/{_duration(hours)}", "value": value}


def _duration(hours: int) -> str:
    days, rest = divmod(hours, 24)
    return "P" + (f"{days}D" if days else "") + (f"T{rest}H" if rest else "")


def _rounded(values: Floats, step: float) -> list[float]:
    if step == 0.0:
        return [*map(float, ((np.rint(values * 1.8 + 32.0) - 32.0) / 1.8).round(6))]
    return [*map(float, (np.rint(values / step) * step).round(3))]


def stations(asked: Asked) -> Reply:
    """The stations near a cell, the nearest first."""
    found = GRID_STATIONS.fullmatch(asked.path)
    if refused := refusal(asked, ("limit",)):
        return refused
    if found is None:
        return problem("NotFound", 404, "Not Found")
    latitude, longitude = SOUTH + int(found[3]) * STEP_DEG, WEST + int(found[2]) * STEP_DEG
    near = stations_near(latitude, longitude)
    document = {
        "type": "FeatureCollection", "features": [_station_feature(asked, one) for one in near],
        "observationStations": [f"http://{asked.host}/stations/{one.name}" for one in near],
    }  # fmt: skip
    midnight = asked.at.replace(hour=0, minute=0, second=0, microsecond=0)
    return _kept(as_json(document, content_type=GEO_JSON), asked, modified=midnight, seconds=86_400)


def _station_feature(asked: Asked, one: Station) -> dict[str, Any]:
    return {
        "id": f"http://{asked.host}/stations/{one.name}", "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [one.longitude, one.latitude]},
        "properties": {
            "stationIdentifier": one.name, "name": f"Invented field {one.name}",
            "elevation": {"unitCode": "wmoUnit:m", "value": one.elevation_m}, "timeZone": time_zone(one.longitude),
        },
    }  # fmt: skip


def observations(world: World, asked: Asked) -> Reply:
    """The reports of one station, the newest first, two of them out of order."""
    found = OBSERVATIONS.fullmatch(asked.path)
    if refused := refusal(asked, ("start", "end", "limit")):
        return refused
    place = None if found is None else station_of(found[1])
    if found is None or place is None:
        return problem("NotFound", 404, "Not Found")
    newest = (asked.at - REPORT_LATE - REPORT_AT).replace(minute=0, second=0, microsecond=0)
    oldest = newest - timedelta(days=7)
    if "start" in asked.values:
        oldest = max(oldest, datetime.fromisoformat(asked.values["start"]) - REPORT_AT)
    limit = 1 if found[2] else int(asked.values.get("limit", "500"))
    count = max(0, int((newest - oldest) / timedelta(hours=1)) + 1)
    modified = newest + REPORT_AT + REPORT_LATE
    if asked.headers.get("if-modified-since"):
        unchanged = _kept(Reply(), asked, modified=modified, seconds=300)
        if unchanged.status == 304:
            return unchanged
    first = newest - timedelta(hours=max(count - 1, 0))
    hours = [first + timedelta(hours=n) for n in range(count)]
    truth = world.truth(place.latitude, place.longitude, hours_from(first + timedelta(hours=1), count))
    features = [
        _report(asked, place, hour + REPORT_AT, {name: float(rows[0, n]) for name, rows in truth.items()})
        for n, hour in enumerate(hours)
    ][::-1][:limit]  # fmt: skip
    if len(features) > 3:
        features[1], features[2] = features[2], features[1]
    document: Any = features[0] if found[2] and features else {"type": "FeatureCollection", "features": features}
    return _kept(as_json(document, content_type=GEO_JSON), asked, modified=modified, seconds=300)


def _report(asked: Asked, place: Station, at: datetime, air: Mapping[str, float]) -> dict[str, Any]:
    cloud = air["cloud_pct"]
    amount = next(
        code for limit, code in ((6, "CLR"), (31, "FEW"), (60, "SCT"), (90, "BKN"), (101, "OVC")) if cloud < limit
    )
    no_sea_level = crc32(place.name.encode()) % 3 == 0
    knot = 1.852
    gusts = air["wind_gust_ms"] > 7.0
    pascal = round(air["pressure_hpa"], 1) * 100
    return {
        "id": f"http://{asked.host}/stations/{place.name}/observations/{at.isoformat()}", "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [place.longitude, place.latitude]},
        "properties": {
            "elevation": {"unitCode": "wmoUnit:m", "value": place.elevation_m},
            "station": f"http://{asked.host}/stations/{place.name}", "timestamp": at.isoformat(), "rawMessage": "",
            "temperature": _measure("degC", round(air["air_temp_c"], 1)),
            "dewpoint": _measure("degC", round(air["dew_point_c"], 1)),
            "relativeHumidity": _measure("percent", round(air["humidity_pct"], 4)),
            "windDirection": _measure("degree_(angle)", round(air["wind_from_deg"], -1) % 360),
            "windSpeed": _measure("km_h-1", round(round(air["wind_speed_ms"] * 3.6 / knot) * knot, 3)),
            "windGust": _measure("km_h-1", round(round(air["wind_gust_ms"] * 3.6 / knot) * knot, 3) if gusts else None),
            "barometricPressure": _measure("Pa", round(pascal + 300, -1)),
            "seaLevelPressure": _measure("Pa", None if no_sea_level else round(pascal)),
            "precipitationLastHour": _measure("mm", round(air["precip_mm"], 1) or None),
            "cloudLayers": [{"base": {"unitCode": "wmoUnit:m", "value": 1370}, "amount": amount}],
        },
    }  # fmt: skip


def _measure(unit: str, value: float | None) -> dict[str, Any]:
    return {"unitCode": f"wmoUnit:{unit}", "value": value, "qualityControl": "Z" if value is None else "V"}
