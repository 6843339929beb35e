"""The answers of api.met.no Locationforecast 2.0: its documentation (2023) and the shape of recorded answers (2020)."""

import re
from datetime import UTC, datetime, timedelta
from typing import Any
from zlib import crc32

import numpy as np

from tests.simulation.exchange import Asked, Reply, as_json, dated
from tests.simulation.provider_limits import MORE_THAN_4_DECIMALS, names_a_contact
from tests.simulation.shapes_open_meteo import newest_run
from tests.simulation.world import World, hours_from

MODEL = "met-norway"
HOURLY, SIX_HOURLY = 55, 26  #: steps of each kind; one more ends the series
DETAILS = {
    "air_pressure_at_sea_level": ("pressure_hpa", "hPa"),
    "air_temperature": ("air_temp_c", "celsius"),
    "cloud_area_fraction": ("cloud_pct", "%"),
    "dew_point_temperature": ("dew_point_c", "celsius"),
    "relative_humidity": ("humidity_pct", "%"),
    "wind_from_direction": ("wind_from_deg", "degrees"),
    "wind_speed": ("wind_speed_ms", "m/s"),
}
BAD_REQUEST = (
    b"<!DOCTYPE html><html><head><title>400 Bad Request</title></head><body><h1>Bad Request</h1></body></html>"
)


def updated_at(asked_at: datetime, place: str) -> datetime:
    """When the forecast of a place was made: four times a day, some minutes apart from place to place."""
    late = timedelta(minutes=crc32(place.encode()) % 50)
    takes = timedelta(hours=4) + late
    return newest_run(asked_at, takes=takes) + takes


def locationforecast(world: World, asked: Asked) -> Reply:
    """``complete``, or ``compact`` without the dew point."""
    if not names_a_contact(asked.headers.get("user-agent", "")):
        return Reply(status=403, headers={"Content-Type": "text/plain"}, body=b"403 Forbidden: identify yourself")
    if MORE_THAN_4_DECIMALS.search(asked.key):
        return Reply(status=403, headers={"Content-Type": "text/plain"}, body=b"403 Forbidden: too many decimals")
    try:
        latitude, longitude = float(asked.values["lat"]), float(asked.values["lon"])
        altitude = int(asked.values["altitude"]) if "altitude" in asked.values else 300
    except (KeyError, ValueError):
        return Reply(status=400, headers={"Content-Type": "text/html"}, body=BAD_REQUEST)
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        return Reply(status=400, headers={"Content-Type": "text/html"}, body=BAD_REQUEST)
    place = re.sub(r"&?altitude=-?\d+", "", asked.key)
    made_at = updated_at(asked.at, place)
    expires = asked.at + timedelta(minutes=30, seconds=crc32(place.encode()) % 120)
    if asked.headers.get("if-modified-since"):
        unchanged = dated(Reply(), asked, modified=made_at, expires=expires)
        if unchanged.status == 304:
            return unchanged
    compact = asked.path.endswith("compact")
    document = _document(world, latitude, longitude, altitude, made_at, compact)
    return dated(as_json(document), asked, modified=made_at, expires=expires)


def _document(
    world: World, latitude: float, longitude: float, altitude: int, made_at: datetime, compact: bool
) -> dict[str, Any]:
    first = made_at.replace(minute=0, second=0, microsecond=0)
    run = newest_run(made_at, takes=timedelta(hours=4))
    after_hourly = first + timedelta(hours=HOURLY - 1)
    synoptic = after_hourly.replace(hour=after_hourly.hour // 6 * 6) + timedelta(hours=6)
    offset = int((synoptic - first) / timedelta(hours=1))
    steps = [*range(HOURLY), *range(offset, offset + 6 * (SIX_HOURLY + 1), 6)]
    time = hours_from(first, steps[-1] + 1)
    columns = {name: rows[0] for name, rows in world.forecast(latitude, longitude, time, run=run, model=MODEL).items()}
    columns["air_temp_c"] = columns["air_temp_c"] - 0.0065 * (altitude - 300)
    details = {name: one for name, one in DETAILS.items() if not (compact and name == "dew_point_temperature")}
    rounded = {name: np.round(columns[ours], 1).tolist() for name, (ours, _) in details.items()}
    rain = columns["precip_mm"]  # sums of the hour before; theirs are of the hours that follow
    series = []
    for step in steps:
        data: dict[str, Any] = {"instant": {"details": {name: rounded[name][step] for name in sorted(rounded)}}}
        last = step == steps[-1]
        if not last:
            data["next_12_hours"] = {"summary": {"symbol_code": _symbol(0.0)}}
        if step < HOURLY:
            data["next_1_hours"] = _following(rain, step, 1)
        if not last and (step >= HOURLY or step < HOURLY - 5):
            data["next_6_hours"] = _following(rain, step, 6)
        at = (first + timedelta(hours=step)).astimezone(UTC)
        series.append({"time": f"{at:%Y-%m-%dT%H:%M:%SZ}", "data": data})
    units = {name: unit for name, (_, unit) in details.items()} | {"precipitation_amount": "mm"}
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [longitude, latitude, altitude]},
        "properties": {
            "meta": {
                "updated_at": f"{made_at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
                "units": dict(sorted(units.items())),
            },
            "timeseries": series,
        },
    }


def _following(rain: np.ndarray, step: int, hours: int) -> dict[str, Any]:
    amount = round(float(rain[step + 1 : step + 1 + hours].sum()), 1)
    return {"summary": {"symbol_code": _symbol(amount)}, "details": {"precipitation_amount": amount}}


def _symbol(amount_mm: float) -> str:
    return "rain" if amount_mm > 1.0 else "lightrain" if amount_mm > 0.0 else "fair_day"
