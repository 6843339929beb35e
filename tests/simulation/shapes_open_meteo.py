"""The answers of an Open-Meteo server: what its source and documentation say of them (read in August 2026)."""

import math
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from threading import Lock
from zlib import crc32

import numpy as np

from bitewatch.weather.hourly import Floats
from tests.simulation.exchange import Asked, Reply, Route, as_json
from tests.simulation.provider_limits import OPEN_METEO_LOCATIONS
from tests.simulation.server_log import open_meteo_weight
from tests.simulation.world import World, hours_from

#: theirs -> ours, decimals, unit where the wind is asked in m/s
VARIABLES = {
    "pressure_msl": ("pressure_hpa", 1, "hPa"),
    "temperature_2m": ("air_temp_c", 1, "°C"),
    "dew_point_2m": ("dew_point_c", 1, "°C"),
    "relative_humidity_2m": ("humidity_pct", 0, "%"),
    "wind_speed_10m": ("wind_speed_ms", 2, "m/s"),
    "wind_direction_10m": ("wind_from_deg", 0, "°"),
    "wind_gusts_10m": ("wind_gust_ms", 1, "m/s"),
    "cloud_cover": ("cloud_pct", 0, "%"),
    "precipitation": ("precip_mm", 1, "mm"),
    "shortwave_radiation": ("shortwave_wm2", 1, "W/m²"),
    "cape": ("cape_jkg", 1, "J/kg"),
}
RUN_EVERY = timedelta(hours=6)
RUN_TAKES = timedelta(hours=6, minutes=5)  #: from the start of a run until it is there
SETTLES = timedelta(minutes=10)  #: until every server has it
PAST_DAYS, AHEAD_DAYS = 92, 16  #: the most of each that the forecast has
ARCHIVE_BEGINS = date(1940, 1, 1)
ARCHIVE_LATE = timedelta(days=5)  #: until an hour is in the reanalysis
KEPT = 3000  #: locations whose text is kept for whoever asks again within a run
#: decimals -> lowest and highest number that is ever written with so many
RANGES = {0: (0.0, 400.0), 1: (-100.0, 6000.0), 2: (0.0, 130.0)}


def newest_run(at: datetime, *, takes: timedelta = RUN_TAKES) -> datetime:
    """When the newest run began that is there."""
    there = at - takes
    midnight = there.replace(hour=0, minute=0, second=0, microsecond=0)
    return midnight + (there - midnight) // RUN_EVERY * RUN_EVERY


def meta(asked: Asked) -> Reply:
    """``meta.json`` of a model."""
    run = newest_run(asked.at)
    return as_json(
        {
            "data_end_time": int((run + timedelta(days=15)).timestamp()),
            "last_run_availability_time": int((run + RUN_TAKES).timestamp()),
            "last_run_initialisation_time": int(run.timestamp()),
            "last_run_modification_time": int((run + RUN_TAKES - timedelta(minutes=3)).timestamp()),
            "temporal_resolution_seconds": 3600,
            "update_interval_seconds": int(RUN_EVERY.total_seconds()),
        }
    )


def weight(asked: Asked) -> float:
    """What the call costs of the quota."""
    variables = len(asked.values.get("hourly", "").split(","))
    try:
        days = _span(asked).days
    except (KeyError, ValueError):
        days = 14
    return open_meteo_weight(variables, locations(asked), days)


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Whole days that are asked for."""

    begins: datetime
    days: int


def _span(asked: Asked) -> Span:
    """The days of a question: between two dates, or around today."""
    said, today = asked.values, asked.at.replace(hour=0, minute=0, second=0, microsecond=0)
    if "start_date" in said or asked.route is Route.ARCHIVE:
        first, last = (date.fromisoformat(said[name]) for name in ("start_date", "end_date"))
        return Span(begins=datetime(first.year, first.month, first.day, tzinfo=UTC), days=(last - first).days + 1)
    past, ahead = int(said.get("past_days", "0")), int(said.get("forecast_days", "7"))
    return Span(begins=today - timedelta(days=past), days=past + ahead)


def _is_out_of_range(asked: Asked, span: Span) -> bool:
    first, last = span.begins.date(), span.begins.date() + timedelta(days=span.days - 1)
    today = asked.at.date()
    if asked.route is Route.ARCHIVE:
        return not ARCHIVE_BEGINS <= first <= last <= today
    return not (first >= today - timedelta(days=PAST_DAYS) and first <= last < today + timedelta(days=AHEAD_DAYS))


def locations(asked: Asked) -> int:
    """How many places are asked for."""
    return len(asked.values.get("latitude", "").split(","))


class OpenMeteoShapes:
    """The forecasts of one world; the text of a location is kept while its run is the newest."""

    def __init__(self, world: World):
        self._world = world
        self._texts: OrderedDict[tuple[object, ...], str] = OrderedDict()
        self._lock = Lock()
        self.computed = 0  #: locations that were not at hand

    def forecast(self, asked: Asked) -> Reply:
        """Hours of one place as an object, of several as a list."""
        said = asked.values
        try:
            latitudes, longitudes = _numbers(said["latitude"]), _numbers(said["longitude"])
            elevations = _numbers(said["elevation"]) if "elevation" in said else [math.nan] * len(latitudes)
            span = _span(asked)
        except (KeyError, ValueError) as error:
            return _wrong(f"Value of type 'String' required for key {error}")
        if not len(latitudes) == len(longitudes) == len(elevations):
            return _wrong("Parameter 'latitude', 'longitude' and 'elevation' must have the same number of elements")
        if len(latitudes) > OPEN_METEO_LOCATIONS:
            return _wrong(f"Only {OPEN_METEO_LOCATIONS} locations can be requested at once")
        if _is_out_of_range(asked, span):
            return _wrong("Parameter 'start_date' or 'past_days' is out of allowed range")
        names = said.get("hourly", "").split(",")
        for name in names:
            if name not in VARIABLES:
                return _wrong(
                    f"Cannot initialize WeatherVariable from invalid String value {name} for key hourly"
                )  # fmt: skip
        if any(
            abs(latitude) > 90 or abs(longitude) > 180
            for latitude, longitude in zip(latitudes, longitudes, strict=True)
        ):
            return _wrong("Latitude must be in range of -90 to 90°")
        places = [
            (round(latitude, 1), round(longitude, 1), high)
            for latitude, longitude, high in zip(latitudes, longitudes, elevations, strict=True)
        ]
        texts = self._locations(asked, places, names, span)
        parts = [
            text if n == 0 else text.replace('"hourly_units"', f'"location_id":{n},"hourly_units"', 1)
            for n, text in enumerate(texts)
        ]
        body = parts[0] if len(parts) == 1 else f"[{','.join(parts)}]"
        return Reply(headers={"Content-Type": "application/json; charset=utf-8"}, body=body.encode())

    def archive(self, asked: Asked) -> Reply:
        """Hours that truly were, without those of the last days."""
        return self.forecast(asked)

    def _locations(
        self, asked: Asked, places: Sequence[tuple[float, float, float]], names: Sequence[str], span: Span
    ) -> list[str]:
        said = asked.values
        model = said.get("models", "best_match")
        known_until = asked.at.date() - ARCHIVE_LATE if asked.route is Route.ARCHIVE else None
        style = (
            model, span, known_until, tuple(names), said.get("timeformat"), said.get("wind_speed_unit"),
        )  # fmt: skip
        runs = [_run_of_the_server(asked.at, latitude, longitude) for latitude, longitude, _ in places]
        keys = [(*style, run, str(place)) for run, place in zip(runs, places, strict=True)]
        found: dict[int, str] = {}
        with self._lock:
            for n, key in enumerate(keys):
                if key in self._texts:
                    self._texts.move_to_end(key)
                    found[n] = self._texts[key]
        for run in sorted(set(runs)):
            missing = [n for n in range(len(places)) if n not in found and runs[n] == run]
            if missing:
                found.update(
                    zip(missing, self._written(asked, [places[n] for n in missing], names, style, run), strict=True)
                )
                self.computed += len(missing)
        with self._lock:
            for n, key in enumerate(keys):
                self._texts[key] = found[n]
            while len(self._texts) > KEPT:
                self._texts.popitem(last=False)
        return [found[n] for n in range(len(places))]

    def _written(
        self, asked: Asked, places: Sequence[tuple[float, float, float]], names: Sequence[str],
        style: tuple[str, Span, date | None, object, str | None, str | None], run: datetime,
    ) -> list[str]:  # fmt: skip
        model, span, known_until, _, timeformat, wind_unit = style
        time = hours_from(span.begins, 24 * span.days)
        latitude, longitude, asked_m = (np.array(column) for column in zip(*places, strict=True))
        if known_until is None:
            columns, unknown = self._world.forecast(latitude, longitude, time, run=run, model=model), None
        else:
            columns, unknown = self._world.truth(latitude, longitude, time), time >= np.datetime64(known_until, "s")
        cell_m = ground_m(latitude, longitude)
        high_m = np.where(np.isnan(asked_m), cell_m, asked_m)
        in_ms = wind_unit == "ms"
        tables: list[np.ndarray] = []
        units = {"time": "unixtime" if timeformat == "unixtime" else "iso8601"}
        for name in names:
            ours, decimals, unit = VARIABLES[name]
            values = columns[ours]
            if ours == "air_temp_c":
                values = values - 0.0065 * (high_m - cell_m)[:, None]
            if unit == "m/s" and not in_ms:
                values, unit = values * 3.6, "km/h"
            if ours == "cape_jkg":
                values = np.round(values, -1)
            units[name] = unit
            holes = _holes(name, latitude, longitude, values.shape[1])
            tables.append(_texts(values, decimals, holes if unknown is None else holes | unknown))
        if timeformat == "unixtime":
            hours = ",".join(map(str, time.astype("int64").tolist()))
        else:
            hours = ",".join(f'"{hour}"' for hour in np.datetime_as_string(time, unit="m"))
        unit_text = ",".join(f'"{name}":"{unit}"' for name, unit in units.items())
        written = []
        for n in range(len(places)):
            columns_text = "".join(
                f',"{name}":[{",".join(table[n].tolist())}]' for name, table in zip(names, tables, strict=True)
            )
            written.append(
                f'{{"latitude":{float(np.float32(latitude[n]))!r},"longitude":{float(np.float32(longitude[n]))!r},'
                f'"generationtime_ms":0.41,"utc_offset_seconds":0,"timezone":"GMT","timezone_abbreviation":"GMT",'
                f'"elevation":{float(round(high_m[n]))},"hourly_units":{{{unit_text}}},'
                f'"hourly":{{"time":[{hours}]{columns_text}}}}}'
            )
        return written


def ground_m(latitude: Floats, longitude: Floats) -> Floats:
    """How high the ground of the invented region lies."""
    return np.asarray(300.0 + 120.0 * np.sin(3.1 * latitude) * np.cos(2.3 * longitude))


def _run_of_the_server(at: datetime, latitude: float, longitude: float) -> datetime:
    """The newest run; of a new one half the servers know only ten minutes later."""
    late = crc32(f"{latitude}{longitude}".encode()) % 2
    return newest_run(at, takes=RUN_TAKES + SETTLES if late else RUN_TAKES)


def _holes(name: str, latitude: Floats, longitude: Floats, hours: int) -> np.ndarray:
    """Single hours of humidity and the last two of cloud that some cells lack, as real answers do."""
    holes = np.zeros((latitude.size, hours), bool)
    drawn = [crc32(f"{lat},{lon}".encode()) for lat, lon in zip(latitude.tolist(), longitude.tolist(), strict=True)]
    for n, number in enumerate(drawn):
        if name == "relative_humidity_2m" and number % 7 == 0:
            holes[n, number // 7 % hours] = True
        if name == "cloud_cover" and number % 5 == 0:
            holes[n, -2:] = True
    return holes


@cache
def _words(decimals: int) -> np.ndarray:
    """The text of every number with so many decimals, and null at the end."""
    (lowest, highest), step = RANGES[decimals], 10**decimals
    count = int((highest - lowest) * step) + 1
    words = np.empty(count + 1, object)
    words[:-1] = [f"{lowest + n / step:.{decimals}f}" for n in range(count)]
    words[-1] = "null"
    return words


def _texts(values: Floats, decimals: int, holes: np.ndarray) -> np.ndarray:
    place = np.rint((values - RANGES[decimals][0]) * 10**decimals).astype(int)
    place[holes] = -1
    return np.asarray(_words(decimals)[place])


def _numbers(text: str) -> list[float]:
    return [float(number) for number in text.split(",")]


def _wrong(reason: str) -> Reply:
    return as_json({"error": True, "reason": reason}, status=400)
