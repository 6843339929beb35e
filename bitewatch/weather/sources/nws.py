"""The US National Weather Service: its forecast grids, by the hour.

Their pressure is never used: the layer is empty nearly everywhere, and where an office fills it, it has no unit and is
not at sea level.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import numpy as np

from bitewatch.errors import PayloadRefused, SourceRefused
from bitewatch.weather.hourly import HOUR, Floats, Hourly, Times, from_points
from bitewatch.weather.sources.acceptance import Reason, believed, check_near, check_reference
from bitewatch.weather.sources.base import Asking, Cell, Issue, Place, Question, Received
from bitewatch.weather.sources.iso_intervals import LONGEST_H, each_hour, instant, interval
from bitewatch.weather.sources.settings import NwsSettings
from bitewatch.weather.sources.strict_json import parse_strictly

ATTRIBUTION = "Source: US National Weather Service"
TERMS = "US Government work, public domain"
HEADERS = {"Accept": "application/geo+json"}
#: short: who asks remembers where a place lies, and asks anew when a grid is gone; the same again would not help then
FACTS_GOOD_FOR = timedelta(hours=1)
NOT_FOUND = 404
#: south, north, west, east: where the service has forecasts, generously (own choice, from memory of the map)
BOXES = (
    (24.0, 49.6, -125.5, -66.5),  # the contiguous states
    (51.0, 71.6, -180.0, -129.5),  # Alaska
    (51.0, 53.5, 172.0, 180.0),  # the Aleutians beyond 180 degrees
    (18.5, 23.0, -161.0, -154.5),  # Hawaii
    (17.5, 18.8, -68.2, -64.2),  # Puerto Rico, US Virgin Islands
    (13.0, 20.8, 144.4, 146.3),  # Guam, Northern Marianas
    (-14.8, -10.8, -171.3, -167.9),  # American Samoa
)
KMH, MS = ("km_h-1", 3.6), ("m_s-1", 1.0)
#: layer -> column, and what a value in each unit is divided by
LAYERS: Mapping[str, tuple[str, Mapping[str, float]]] = {
    "temperature": ("air_temp_c", {"degC": 1.0}),
    "dewpoint": ("dew_point_c", {"degC": 1.0}),
    "relativeHumidity": ("humidity_pct", {"percent": 1.0}),
    "windSpeed": ("wind_speed_ms", dict([KMH, MS])),
    "windDirection": ("wind_from_deg", {"degree_(angle)": 1.0}),
    "windGust": ("wind_gust_ms", dict([KMH, MS])),
    "skyCover": ("cloud_pct", {"percent": 1.0}),
    "quantitativePrecipitation": ("precip_mm", {"mm": 1.0}),
}
OFFICE = re.compile(r"[A-Z]{3,4}")
AT = re.compile(r"[0-9]{1,4}")
ZONE = re.compile(r"[A-Z]{2}[CZ][0-9]{3}")
UNIT_PREFIX = re.compile(r"^(?:wmoUnit|nwsUnit|unit):")


@dataclass(frozen=True, slots=True, kw_only=True)
class NwsPoint:
    """Where a place lies in the areas of the service."""

    grid: str  #: office and cell, as addresses of the service write them
    zones: tuple[str, ...]  #: codes of its forecast zone, county and fire weather zone, as far as it has them
    time_zone: str


class Nws:
    """The forecast grids of api.weather.gov, or of a proxy of one's own."""

    name = "nws"
    grid = "nws"
    attribution = ATTRIBUTION
    terms = TERMS
    commercial_ok = True
    is_file = False
    gives = frozenset(column for column, _ in LAYERS.values())
    has_past = False
    cells_per_question = 1
    every = timedelta(hours=2)
    stalls_after = timedelta(hours=18)

    def __init__(self, settings: NwsSettings):
        self._url = settings.url
        self._moved = 0  #: grids that were not found where the service had said

    def covers(self, place: Place) -> bool:
        """False outside the United States and their territories."""
        return serves(place)

    def cell(self, place: Place, asking: Asking, *, now: datetime) -> Cell:
        """The cell of the grid of an office; the service has to be asked for it.

        Raises
        ------
        OutsideFailed
            If that failed; `SourceRefused` where the service has no grid.
        """
        point = ask_point(self._url, place, asking, now, again=self._moved)
        return Cell(
            # cut along the borders of zones: of two lakes in it each must keep its own, or a warning passes one by
            key=";".join((f"{self.name}:{point.grid}", *point.zones)),
            latitude=place.latitude, longitude=place.longitude,
            route={
                "grid": point.grid, "zones": list(point.zones), "zone": point.time_zone,
                "stations": stations_url(self._url, point),
            },
        )  # fmt: skip

    def settle(self, place: Place, asked: Cell, issue: Issue) -> Cell:  # noqa: ARG002 - known before anything came
        """The cell that was asked."""
        return asked

    def newest_run_at(self, asking: Asking, *, now: datetime) -> datetime | None:  # noqa: ARG002
        """None: each office issues its grid when it sees fit."""
        return None

    def fetch(self, cells: Sequence[Cell], asking: Asking, *, now: datetime) -> tuple[Issue, ...]:
        """The raw grid of one cell; `SourceRefused` with status 404 says that the grid has moved."""
        (cell,) = cells
        # built from its id, never taken from an answer: no answer can send the client to another host
        question = Question(key=cell.key, url=f"{self._url}/gridpoints/{_grid_of(cell)}", headers=HEADERS)
        try:
            return asking.issues(self.name, question, partial(self.read, cells=cells), now=now)
        except SourceRefused as error:
            self._moved += error.status == NOT_FOUND
            raise

    def read(self, received: Received, cells: Sequence[Cell]) -> tuple[Issue, ...]:
        """The one issue of the grid.

        Raises
        ------
        PayloadRefused
            If it is not the grid of this cell in the documented shape and units, or holds no hour from now on.
        """
        (cell,) = cells
        feature = geo_json(received, "Feature")
        properties = feature["properties"]
        _check_is(cell, properties)
        issued_at = instant(properties.get("updateTime"))
        check_reference(issued_at, received.fetched_at)
        latitude, longitude = _middle(feature.get("geometry")) or (None, None)
        if latitude is not None and longitude is not None:
            check_near(cell, latitude, longitude)
        hourly, notes = _hourly(properties, received.fetched_at)
        late = received.fetched_at - issued_at
        if late > self.stalls_after:
            notes = (f"the grid stands still: last updated {late // timedelta(hours=1)} h before it was asked", *notes)
        issue = Issue(
            cell=cell.key, source=self.name, model="ndfd", reference_time=issued_at, retrieved_at=received.fetched_at,
            part=0, hourly=hourly, notes=notes, grid_latitude=latitude, grid_longitude=longitude,
            grid_elevation_m=metres(properties.get("elevation")),
        )  # fmt: skip
        return (issue,)


def serves(place: Place) -> bool:
    """True within the boxes of the United States and their territories."""
    return any(
        south <= place.latitude <= north and west <= place.longitude <= east for south, north, west, east in BOXES
    )


def point_path(place: Place) -> str:
    """A place as addresses of the service write it: four decimals at most, no zeros at the end, no minus zero.

    >>> point_path(Place(lake="a", latitude=46.10004, longitude=-94.0))
    '46.1,-94'
    """
    return ",".join(f"{round(each, 4) + 0.0:.4f}".rstrip("0").rstrip(".") for each in (place.latitude, place.longitude))


def ask_point(url: str, place: Place, asking: Asking, now: datetime, *, again: int = 0) -> NwsPoint:
    """Where a place lies in the areas of the service at ``url``.

    Raises
    ------
    OutsideFailed
        If the service did not tell; `SourceRefused` where it has no grid.
    """
    path = f"points/{point_path(place)}"
    # a grid that has moved makes the answer that still stands useless: the same is asked under another key
    key = f"nws:{path}" + (f":{again}" if again else "")
    question = Question(key=key, url=f"{url}/{path}", headers=HEADERS, good_for=FACTS_GOOD_FOR)
    point: NwsPoint | None = asking.facts(Nws.name, question, partial(read_point, place=place), now=now)
    if point is None:
        raise SourceRefused(f"nws: has no forecast grid at {point_path(place)}", status=NOT_FOUND)
    return point


def stations_url(url: str, point: NwsPoint) -> str:
    """Where the stations near a cell are listed."""
    return f"{url}/gridpoints/{point.grid}/stations"


def read_point(received: Received, place: Place) -> NwsPoint | None:
    """What the service tells of a place; None where it has no grid. Pure.

    Raises
    ------
    PayloadRefused
        If it is not the answer for this place in the documented shape.
    """
    feature = geo_json(received, "Feature")
    if (at := point_of(feature.get("geometry"))) is not None:
        check_near(place, *at)
    properties = feature["properties"]
    if properties.get("gridId") is None:
        return None
    zones = [properties.get(kind) for kind in ("forecastZone", "county", "fireWeatherZone")]
    codes = [last_segment(zone) for zone in zones if zone is not None]
    if wrong := [code for code in codes if not ZONE.fullmatch(code)]:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{ascii(wrong[0])[:60]} is not the code of a zone")
    time_zone = properties.get("timeZone")
    if not isinstance(time_zone, str | None):
        raise PayloadRefused(Reason.WRONG_SHAPE, "timeZone is not a name")
    return NwsPoint(grid=_grid(properties), zones=tuple(dict.fromkeys(codes)), time_zone=time_zone or "")


def geo_json(received: Received, kind: str) -> dict[str, Any]:
    """A GeoJSON object of a kind; a feature has its properties. A report of a problem is never read as data.

    Raises
    ------
    PayloadRefused
        If it is anything else.
    """
    content_type = received.content_type.lower()
    if content_type and "json" not in content_type:
        raise PayloadRefused(Reason.NOT_JSON, f"the content type is {ascii(received.content_type)[:80]}")
    answer = parse_strictly(received.body)
    if not isinstance(answer, dict):
        raise PayloadRefused(Reason.WRONG_SHAPE, "not a table")
    if "problem" in content_type or "correlationId" in answer:
        title = answer.get("type", "")
        raise PayloadRefused(Reason.REPORTS_ERROR, f"{ascii(title)[:100]} {ascii(answer.get('detail', ''))[:100]}")
    if answer.get("type") != kind or (kind == "Feature" and not isinstance(answer.get("properties"), dict)):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"not a {kind} with properties")
    return answer


def point_of(geometry: Any) -> tuple[float, float] | None:
    """Latitude and longitude of a GeoJSON point, which has them the other way round; None where there is none."""
    if geometry is None:
        return None
    if not isinstance(geometry, dict) or geometry.get("type") != "Point":
        raise PayloadRefused(Reason.WRONG_SHAPE, "the geometry is not a point")
    return _position(geometry.get("coordinates"))


def number(value: Any) -> float | None:
    """A number of strict JSON as a float; None if it is anything else."""
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def metres(measure: Any) -> float | None:
    """The value of a measure in metres; None if there is none."""
    if not isinstance(measure, dict) or unit(measure.get("unitCode")) != "m":
        return None
    return number(measure.get("value"))


def unit(code: Any) -> str:
    """A unit without the name of the list it stands in, which has changed over the years.

    >>> unit("wmoUnit:km_h-1") == unit("unit:km_h-1") == "km_h-1"
    True
    """
    return UNIT_PREFIX.sub("", code) if isinstance(code, str) else ""


def last_segment(address: Any) -> str:
    """What an address names, without where it says that this lies."""
    return address.rpartition("/")[2] if isinstance(address, str) else ""


def _grid(properties: Mapping[str, Any]) -> str:
    """Office and cell; the places of the cell are numbers in one kind of answer and texts in the other."""
    office, *at = (str(properties.get(name)) for name in ("gridId", "gridX", "gridY"))
    if not OFFICE.fullmatch(office) or not all(AT.fullmatch(each) for each in at):
        raise PayloadRefused(Reason.WRONG_SHAPE, "gridId, gridX and gridY do not name a cell")
    return f"{office}/{at[0]},{at[1]}"


def _grid_of(cell: Cell) -> str:
    return cell.key.removeprefix(f"{Nws.name}:").partition(";")[0]


def _check_is(cell: Cell, properties: Mapping[str, Any]) -> None:
    if "gridId" in properties and _grid(properties) != _grid_of(cell):
        raise PayloadRefused(Reason.WRONG_PLACE, f"asked for {_grid_of(cell)}, answered for {_grid(properties)}")


def _position(pair: Any) -> tuple[float, float]:
    if isinstance(pair, list) and len(pair) in (2, 3):
        longitude, latitude = number(pair[0]), number(pair[1])
        if latitude is not None and longitude is not None:
            return latitude, longitude
    raise PayloadRefused(Reason.WRONG_SHAPE, f"{ascii(pair)[:60]} is not a position")


def _middle(geometry: Any) -> tuple[float, float] | None:
    """Latitude and longitude of the middle of the corners of a cell; None where no geometry came."""
    if geometry is None:
        return None
    rings = geometry.get("coordinates") if isinstance(geometry, dict) and geometry.get("type") == "Polygon" else None
    if not isinstance(rings, list) or not rings or not isinstance(rings[0], list) or len(rings[0]) < 4:
        raise PayloadRefused(Reason.WRONG_SHAPE, "the geometry is not a polygon")
    corners = [_position(pair) for pair in rings[0][:-1]]  # the last one is the first again
    latitude, longitude = (sum(at / len(corners) for at in axis) for axis in zip(*corners, strict=True))
    return round(latitude, 4) + 0.0, round(longitude, 4) + 0.0


def _hourly(properties: Mapping[str, Any], asked_at: datetime) -> tuple[Hourly, tuple[str, ...]]:
    layers = {column: _layer(properties.get(name), name) for name, (column, _) in LAYERS.items()}
    told = [time for time, _ in layers.values() if time.size]
    if not told:
        raise PayloadRefused(Reason.NO_HOURS)
    first, last = min(time[0] for time in told), max(time[-1] for time in told)
    now = np.datetime64(int(asked_at.timestamp()), "s")
    if not first - HOUR <= now <= last:  # a grid that is just out may begin with the next hour
        raise PayloadRefused(Reason.NOT_NOW, f"{first}Z to {last}Z, asked at {now}Z")
    if last - first > LONGEST_H * HOUR:
        raise PayloadRefused(Reason.WRONG_HOURS, f"from {first}Z to {last}Z")
    axis = np.arange(first, last + HOUR, HOUR)
    columns = {}
    for column, (time, values) in layers.items():
        columns[column] = np.full(axis.size, np.nan)
        columns[column][((time - first) // HOUR).astype(int)] = values
    absent = [f"{column} is not carried" for column, values in columns.items() if np.isnan(values).all()]
    if len(absent) == len(columns):
        raise PayloadRefused(Reason.NO_HOURS)
    notes = [*absent]
    if not np.isnan(columns["precip_mm"]).all():
        notes.append("precip_mm is disaggregated: sums over spans of hours, spread evenly")
    columns, out_of_range = believed(columns)
    return from_points(axis, columns), (*notes, *out_of_range)


def _layer(layer: Any, name: str) -> tuple[Times, Floats]:
    """The rows of one layer; none where it is empty."""
    column, divisors = LAYERS[name]
    rows = [] if layer is None else layer.get("values") if isinstance(layer, dict) else None
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} has no list of values")
    if not rows:
        return np.array([], "datetime64[s]"), np.array([])
    divisor = divisors.get(unit(layer.get("uom")))
    if divisor is None:
        raise PayloadRefused(
            Reason.WRONG_UNITS, f"{name} in {ascii(layer.get('uom'))[:40]}, not {' or '.join(divisors)}"
        )
    spans = [interval(row.get("validTime")) for row in rows]
    values = [_value(row, name) / divisor for row in rows]
    starts, hours = np.array([start for start, _ in spans]), np.array([long for _, long in spans])
    if column != "precip_mm":
        return each_hour(starts, hours, np.array(values))
    time, shares = each_hour(starts, hours, np.array(values) / hours)
    return time + HOUR, shares  # a sum stands at the end of its hour


def _value(row: Mapping[str, Any], name: str) -> float:
    value = row.get("value")
    if value is None:
        return np.nan
    found = number(value)
    if found is None:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} holds something that is neither a number nor null")
    return found
