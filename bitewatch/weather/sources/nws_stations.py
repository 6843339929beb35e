"""Stations of the US National Weather Service: the hours that were measured near a lake."""

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bitewatch.errors import OutsideFailed, PayloadRefused, SourceRefused, SourceWaits
from bitewatch.weather.hourly import HOUR, Floats, Hourly, Times, from_points
from bitewatch.weather.sources.acceptance import AHEAD, Reason, believed
from bitewatch.weather.sources.base import Asking, Cell, Issue, Place, Question, Received
from bitewatch.weather.sources.iso_intervals import instant
from bitewatch.weather.sources.nws import (
    ATTRIBUTION,
    FACTS_GOOD_FOR,
    HEADERS,
    KMH,
    MS,
    NOT_FOUND,
    TERMS,
    ask_point,
    geo_json,
    last_segment,
    metres,
    number,
    point_of,
    serves,
    stations_url,
    unit,
)
from bitewatch.weather.sources.settings import NwsSettings

FARTHEST_KM = 60.0  #: a station farther away has another sky than the lake (own choice)
CANDIDATES = 3  #: how many stations are tried (as the service's own pages do)
LOOKS_BACK = timedelta(days=3)
SILENT_AFTER = timedelta(hours=6)  #: without a temperature for so long, the next station is asked (own choice)
LIMIT = 500  #: the most reports that the service gives at once
NEARLY_ALL = (
    0.9  #: share of the hours with any pressure that make sea level pressure enough for the window (own choice)
)
SUM_WITHIN_S = 900.0  #: a sum of the last hour counts for the hour that ends so soon after the report (own choice)
EARTH_KM = 6371.0088  #: mean radius, IUGG
#: what a report calls it -> ours, and what a value in each unit is divided by
MEASURES: Mapping[str, tuple[str, Mapping[str, float]]] = {
    "temperature": ("air_temp_c", {"degC": 1.0}),
    "dewpoint": ("dew_point_c", {"degC": 1.0}),
    "relativeHumidity": ("humidity_pct", {"percent": 1.0}),
    "windSpeed": ("wind_speed_ms", dict([KMH, MS])),
    "windDirection": ("wind_from_deg", {"degree_(angle)": 1.0}),
    "windGust": ("wind_gust_ms", dict([KMH, MS])),
    "precipitationLastHour": ("precip_mm", {"mm": 1.0, "m": 0.001}),
    "seaLevelPressure": ("sea_level_hpa", {"Pa": 100.0}),
    "barometricPressure": ("altimeter_hpa", {"Pa": 100.0}),  # the altimeter setting, whatever its name says
}
#: eighths of the sky: middle of what each code stands for, FMH-1 (from memory)
CLOUDS_PCT = {"SKC": 0.0, "CLR": 0.0, "NSC": 0.0, "FEW": 18.75, "SCT": 43.75, "BKN": 75.0, "OVC": 100.0, "VV": 100.0}
COUNTS, QUESTIONED, UNCHECKED = frozenset("VSCGT"), "Q", frozenset({"Z", ""})  #: quality letters of MADIS
STATION = re.compile(r"[A-Z0-9]{3,10}")
NUMBER = re.compile(r"-?[0-9]{1,9}(?:\.[0-9]{1,9})?")


class NwsStations:
    """Reports of the stations nearest to a lake, out of the last three days."""

    name = "nws-stations"
    grid = "nws-stations"
    attribution = ATTRIBUTION
    terms = TERMS
    commercial_ok = True
    is_file = False
    gives = frozenset(column for column, _ in MEASURES.values() if not column.endswith("_hpa")) | {
        "cloud_pct", "pressure_hpa",
    }  # fmt: skip
    has_past = True
    cells_per_question = 1
    every = timedelta(minutes=30)
    stalls_after = timedelta(hours=2)  #: reports come every hour, some 20 minutes late

    def __init__(self, settings: NwsSettings):
        self._url = settings.url

    def covers(self, place: Place) -> bool:
        """False outside the United States and their territories."""
        return serves(place)

    def cell(self, place: Place, asking: Asking, *, now: datetime) -> Cell:
        """The nearest station, with the next ones that may stand in for it.

        Raises
        ------
        OutsideFailed
            If the service did not tell; `SourceRefused` where no station is within `FARTHEST_KM`.
        """
        point = ask_point(self._url, place, asking, now)
        question = Question(
            key=f"{self.name}:near:{point.grid}", url=stations_url(self._url, point), headers=HEADERS,
            good_for=FACTS_GOOD_FOR,
        )  # fmt: skip
        stations: Mapping[str, tuple[float, float]] = asking.facts(self.name, question, read_stations, now=now)
        names = list(stations)
        here = distance_km((place.latitude, place.longitude), np.array([*stations.values()]).reshape(-1, 2))
        near = [names[at] for at in np.argsort(here, kind="stable") if here[at] <= FARTHEST_KM][:CANDIDATES]
        if not near:
            raise SourceRefused(f"{self.name}: no station within {FARTHEST_KM:g} km", status=NOT_FOUND)
        latitude, longitude = stations[near[0]]
        return Cell(
            key=f"{self.name}:{near[0]}", latitude=latitude, longitude=longitude, route={"candidates": near}
        )  # fmt: skip

    def settle(self, place: Place, asked: Cell, issue: Issue) -> Cell:  # noqa: ARG002 - known before anything came
        """The cell that was asked."""
        return asked

    def newest_run_at(self, asking: Asking, *, now: datetime) -> datetime | None:  # noqa: ARG002
        """None: nothing is forecast."""
        return None

    def fetch(self, cells: Sequence[Cell], asking: Asking, *, now: datetime) -> tuple[Issue, ...]:
        """The reports of the first of the candidates that has measured a temperature of late."""
        (cell,) = cells
        failed: OutsideFailed = SourceRefused(f"{cell.key}: no station to ask")
        since = (now - LOOKS_BACK).replace(minute=0, second=0, microsecond=0)
        for station in cell.route["candidates"]:
            question = Question(
                # without the start, which moves on: what is asked stays the same, and may be told to be unchanged
                key=f"{self.name}:{station}", headers=HEADERS,
                url=f"{self._url}/stations/{station}/observations?start={since:%Y-%m-%dT%H:%M:%SZ}&limit={LIMIT}",
            )  # fmt: skip
            try:
                return asking.issues(
                    self.name, question, partial(self._read_live, cell=cell, station=station, now=now), now=now
                )
            except (PayloadRefused, SourceWaits) as error:
                failed = error
            except SourceRefused as error:
                if error.status != NOT_FOUND:
                    raise
                failed = error
        raise failed

    def _read_live(self, received: Received, cell: Cell, station: str, now: datetime) -> tuple[Issue, ...]:
        (issue,) = self.read(received, [cell])
        if issue.model != station:
            raise PayloadRefused(Reason.WRONG_PLACE, f"asked for {station}, answered for {issue.model}")
        of_late = issue.hourly.time >= np.datetime64(int((now - SILENT_AFTER).timestamp()), "s")
        if np.isnan(issue.hourly["air_temp_c"][of_late]).all():
            raise PayloadRefused(
                Reason.NO_HOURS, f"{station} gave no temperature for {SILENT_AFTER // timedelta(hours=1)} h"
            )
        return (issue,)

    def read(self, received: Received, cells: Sequence[Cell]) -> tuple[Issue, ...]:
        """The one issue: what a station measured, on the nearest whole hours.

        Raises
        ------
        PayloadRefused
            If it is not the reports of one station near the cell in the documented shape and units, or holds nothing.
        """
        (cell,) = cells
        features = geo_json(received, "FeatureCollection").get("features")
        if features is None or features == []:
            raise PayloadRefused(Reason.NO_HOURS, "no reports")
        if not isinstance(features, list) or not all(
            isinstance(one, dict) and isinstance(one.get("properties"), dict) for one in features
        ):
            raise PayloadRefused(Reason.WRONG_SHAPE, "the reports are not a list of features")
        reports: list[Mapping[str, Any]] = [one["properties"] for one in features]
        names = {last_segment(report.get("station")) for report in reports}
        if len(names) != 1 or not STATION.fullmatch(station := names.pop()):
            raise PayloadRefused(Reason.WRONG_SHAPE, "the reports are not those of one station")
        at = point_of(features[0].get("geometry"))
        if at is not None and not distance_km((cell.latitude, cell.longitude), np.array([at]))[0] <= 2 * FARTHEST_KM:
            raise PayloadRefused(Reason.WRONG_PLACE, f"{station} at {at[0]:g}, {at[1]:g}")
        hourly, newest, notes = _hourly(reports, received.fetched_at)
        issue = Issue(
            cell=cell.key, source=self.name, model=station, reference_time=newest, retrieved_at=received.fetched_at,
            part=0, hourly=hourly, notes=notes, grid_latitude=at and at[0], grid_longitude=at and at[1],
            grid_elevation_m=metres(reports[0].get("elevation")),
        )  # fmt: skip
        return (issue,)


def read_stations(received: Received) -> dict[str, tuple[float, float]]:
    """The stations in a list of them, each with latitude and longitude. Pure.

    Raises
    ------
    PayloadRefused
        If it is not such a list.
    """
    features = geo_json(received, "FeatureCollection").get("features")
    stations = {}
    for one in features if isinstance(features, list) else [None]:
        properties = one.get("properties") if isinstance(one, dict) else None
        at = point_of(one.get("geometry")) if isinstance(one, dict) else None
        if not isinstance(properties, dict) or at is None or abs(at[0]) > 90.0:
            raise PayloadRefused(Reason.WRONG_SHAPE, "not a list of stations, each at a point")
        name = properties.get("stationIdentifier")
        if isinstance(name, str) and STATION.fullmatch(name):
            stations[name] = at
    return stations


def distance_km(here: tuple[float, float], there: Floats) -> Floats:
    """Great-circle distance from a latitude and longitude to those in the rows of ``there``, by haversines.

    >>> distance_km((46.0, -94.0), np.array([[47.0, -94.0]])).round(1)  # a degree of latitude
    array([111.2])
    """
    (lat, lon), (lats, lons) = np.radians(here), np.radians(there).T
    across = np.sin((lats - lat) / 2) ** 2 + np.cos(lat) * np.cos(lats) * np.sin((lons - lon) / 2) ** 2
    return np.asarray(2 * EARTH_KM * np.arcsin(np.sqrt(np.clip(across, 0.0, 1.0))))


def _hourly(reports: Iterable[Mapping[str, Any]], now: datetime) -> tuple[Hourly, datetime, tuple[str, ...]]:
    """The table, when the newest report was made that has a temperature, or anything, and notes."""
    dated = sorted(((instant(report.get("timestamp")), report) for report in reports), key=lambda pair: pair[0])
    known = [(at, report) for at, report in dated if at <= now + AHEAD]
    if not known:
        raise PayloadRefused(Reason.NO_HOURS, "every report is of a time to come")
    kept = [(at, report) for at, report in known if at >= known[-1][0] - LOOKS_BACK - timedelta(hours=2)]
    notes = _note(len(dated) - len(kept), "reports of other days left out")
    notes += [f"only the newest {LIMIT} reports came"] if len(dated) >= LIMIT else []
    values, quality_notes = _values([report for _, report in kept])
    seconds = np.array([at.timestamp() for at, _ in kept])
    hours, columns, kind = _at_hours(seconds, values)
    columns, out_of_range = believed(columns)
    if not any(np.isfinite(column).any() for column in columns.values()):
        raise PayloadRefused(Reason.NO_HOURS, "; ".join((*quality_notes, *out_of_range)))
    with_temp = np.flatnonzero(np.isfinite(values["air_temp_c"]))
    newest = kept[int(with_temp[-1]) if with_temp.size else -1][0]
    return from_points(hours, columns), newest, (*notes, *quality_notes, *kind, *out_of_range)


def _values(reports: Sequence[Mapping[str, Any]]) -> tuple[dict[str, Floats], list[str]]:
    """What each report says in our units, and notes on its quality."""
    letters: list[str] = []
    values = {
        column: np.array([_measured(report.get(name), name, divisors, letters) for report in reports])
        for name, (column, divisors) in MEASURES.items()
    }
    values["cloud_pct"] = np.array([_cloud_pct(report.get("cloudLayers")) for report in reports])
    notes = _note(letters.count(QUESTIONED), "values that the service questions are used")
    notes += _note(sum(letter in UNCHECKED for letter in letters), "values that were not checked are used")
    dropped = sum(letter not in COUNTS | UNCHECKED | {QUESTIONED} for letter in letters)
    return values, notes + _note(dropped, "values that failed the service's checks left out")


def _measured(measure: Any, name: str, divisors: Mapping[str, float], letters: list[str]) -> float:
    """One value in our unit, NaN where it is missing or failed; notes its quality letter."""
    if measure is None:
        return np.nan
    if not isinstance(measure, dict):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} is not a measure")
    value = measure.get("value")
    if value is None:
        return np.nan
    found = float(value) if isinstance(value, str) and NUMBER.fullmatch(value) else number(value)
    quality = measure.get("qualityControl") or ""
    if found is None or not isinstance(quality, str):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} holds something that is neither a number nor null")
    divisor = divisors.get(unit(measure.get("unitCode")))
    if divisor is None:
        raise PayloadRefused(
            Reason.WRONG_UNITS, f"{name} in {ascii(measure.get('unitCode'))[:40]}, not {' or '.join(divisors)}"
        )
    letters.append(quality.removeprefix("qc:"))
    return found / divisor if letters[-1] in COUNTS | UNCHECKED | {QUESTIONED} else np.nan


def _cloud_pct(layers: Any) -> float:
    """The cover of the largest layer; NaN where none is told."""
    if layers is None:
        return np.nan
    if not isinstance(layers, list) or not all(isinstance(layer, dict) for layer in layers):
        raise PayloadRefused(Reason.WRONG_SHAPE, "cloudLayers is not a list of layers")
    codes = [layer.get("amount") for layer in layers]
    return max((CLOUDS_PCT[code] for code in codes if isinstance(code, str) and code in CLOUDS_PCT), default=np.nan)


def _at_hours(seconds: Floats, values: Mapping[str, Floats]) -> tuple[Times, dict[str, Floats], list[str]]:
    """Whole hours and the columns on them: of the reports nearest to an hour, the first that has a value.

    Where reports come every few minutes the one at the hour often lacks what the routine one before it has.
    """
    hour = np.floor_divide(seconds + 1800.0, 3600.0).astype(np.int64)
    hours = np.arange(hour.min(), hour.max() + 1)
    late = seconds - hour * 3600.0
    of_sum = (late <= 0.0) & (late >= -SUM_WITHIN_S)
    columns = {}
    for name, column in values.items():
        if name in ("wind_from_deg", "wind_gust_ms"):
            continue  # of the report that the speed is from: a vector is not put together from two
        chosen = _nearest(hour, late, np.isfinite(column) & (of_sum if name == "precip_mm" else True))
        rows = hour[chosen] - hours[0]
        columns[name] = np.full(hours.size, np.nan)
        columns[name][rows] = column[chosen]
        if name == "wind_speed_ms":
            for other in ("wind_from_deg", "wind_gust_ms"):
                columns[other] = np.full(hours.size, np.nan)
                columns[other][rows] = values[other][chosen]
    sea_level, altimeter = columns.pop("sea_level_hpa"), columns.pop("altimeter_hpa")
    columns["pressure_hpa"], kind = _one_pressure(sea_level, altimeter)
    return (hours * int(HOUR.astype(int))).astype("datetime64[s]"), columns, kind


def _nearest(hour: NDArray[np.int64], late: Floats, usable: NDArray[np.bool_]) -> NDArray[np.intp]:
    """For each hour that has a usable report, the one nearest to it; of equals the first."""
    rows = np.flatnonzero(usable)
    order = rows[np.lexsort((rows, np.abs(late[rows]), hour[rows]))]
    first_of_hour: NDArray[np.intp] = order[np.diff(hour[order], prepend=-1) != 0]
    return first_of_hour


def _one_pressure(sea_level: Floats, altimeter: Floats) -> tuple[Floats, list[str]]:
    """One kind of pressure for the whole window: the two reductions differ by hectopascals, as a front would."""
    any_hours = np.count_nonzero(np.isfinite(sea_level) | np.isfinite(altimeter))
    if np.count_nonzero(np.isfinite(sea_level)) >= NEARLY_ALL * any_hours or np.isnan(altimeter).all():
        return sea_level, ["pressure_hpa is the station's sea level pressure"] if any_hours else []
    return altimeter, ["pressure_hpa is the altimeter setting"]


def _note(count: int, what: str) -> list[str]:
    return [f"{what}: {count}"] if count else []
