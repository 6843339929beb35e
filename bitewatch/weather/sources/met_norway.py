"""MET Norway: Locationforecast 2.0, for the whole world, hours first and then steps of six; no past, no runs told."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

import numpy as np

from bitewatch.errors import PayloadRefused
from bitewatch.weather.hourly import CORE_COLUMNS, HOUR, Floats, Hourly, Times, from_points
from bitewatch.weather.sources.acceptance import Reason, believed, check_near
from bitewatch.weather.sources.base import Asking, Cell, Issue, Place, Question, Received
from bitewatch.weather.sources.settings import MetNorwaySettings
from bitewatch.weather.sources.steps import hours_between
from bitewatch.weather.sources.strict_json import parse_strictly

#: theirs -> ours, and the unit in which it must come; instants
INSTANTS: Mapping[str, tuple[str, str]] = {
    "air_pressure_at_sea_level": ("pressure_hpa", "hPa"),
    "air_temperature": ("air_temp_c", "celsius"),
    "dew_point_temperature": ("dew_point_c", "celsius"),
    "relative_humidity": ("humidity_pct", "%"),
    "wind_speed": ("wind_speed_ms", "m/s"),
    "wind_from_direction": ("wind_from_deg", "degrees"),
    "wind_speed_of_gust": ("wind_gust_ms", "m/s"),
    "cloud_area_fraction": ("cloud_pct", "%"),
}
RAIN, RAIN_UNIT = "precipitation_amount", "mm"  #: of the hour that follows; ours is of the hour before
EARLY = np.timedelta64(2 * 3600, "s")  #: how long after the hour of asking the first hour may be
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class MetNorway:
    """The point forecast of the Norwegian Meteorological Institute, or a proxy that speaks like it."""

    name = "met-norway"
    grid = "met-norway"
    attribution = "Data from MET Norway (https://www.met.no/en), CC BY 4.0"
    terms = "free, also for commercial use, with a contact; CC BY 4.0 or NLOD"
    commercial_ok = True
    is_file = False
    gives = frozenset(ours for ours, _ in INSTANTS.values()) | {"precip_mm"}
    has_past = False
    cells_per_question = 1
    every = timedelta(hours=3)
    stalls_after = timedelta(hours=18)

    def __init__(self, settings: MetNorwaySettings):
        self._settings = settings

    def covers(self, place: Place) -> bool:  # noqa: ARG002 - the same for every place
        """True: it serves the whole world."""
        return True

    def cell(self, place: Place, asking: Asking, *, now: datetime) -> Cell:  # noqa: ARG002 - known without asking
        """The place to a hundredth of a degree.

        Under a kilometre and a half from the place, in a model of nine kilometres (2.5 in the north of Europe), and
        lakes beside each other are asked for once. More than four decimals would be refused.
        """
        latitude, longitude = round(place.latitude, 2) + 0.0, round(place.longitude, 2) + 0.0
        altitude = None if place.elevation_m is None else float(round(place.elevation_m))
        height = "" if altitude is None else f",{altitude:.0f}"
        key = f"{self.name}:{latitude:.2f},{longitude:.2f}{height}"
        return Cell(key=key, latitude=latitude, longitude=longitude, elevation_m=altitude)

    def settle(self, place: Place, asked: Cell, issue: Issue) -> Cell:  # noqa: ARG002 - an answer tells nothing new
        """The same cell."""
        return asked

    def newest_run_at(self, asking: Asking, *, now: datetime) -> None:
        """None: when it has something new is told by its Expires."""

    def question(self, cells: Sequence[Cell]) -> Question:
        """An address with two decimals; the altitude only where it is known, whole."""
        (cell,) = cells
        url = f"{self._settings.url}?lat={cell.latitude:.2f}&lon={cell.longitude:.2f}"
        if cell.elevation_m is not None:
            url += f"&altitude={cell.elevation_m:.0f}"
        return Question(key=cell.key, url=url, good_for=timedelta(minutes=30))

    def fetch(self, cells: Sequence[Cell], asking: Asking, *, now: datetime) -> tuple[Issue, ...]:
        """One request for one cell."""
        return asking.issues(self.name, self.question(cells), partial(self.read, cells=cells), now=now)

    def read(self, received: Received, cells: Sequence[Cell]) -> tuple[Issue, ...]:
        """The one issue.

        Raises
        ------
        PayloadRefused
            If anything in the answer does not have the documented shape.
        """
        (cell,) = cells
        if received.content_type and "json" not in received.content_type.lower():
            raise PayloadRefused(Reason.NOT_JSON, f"the content type is {ascii(received.content_type)[:80]}")
        answer = _table(parse_strictly(received.body), "the body")
        if answer.get("type") != "Feature":
            raise PayloadRefused(Reason.WRONG_SHAPE, "not a Feature")
        latitude, longitude, elevation_m = _where(answer)
        check_near(cell, latitude, longitude)
        properties = _table(answer.get("properties"), "properties")
        meta = _table(properties.get("meta"), "meta")
        issued_at = _moment(meta.get("updated_at"), "updated_at")
        hourly, notes = _hourly(properties.get("timeseries"), _table(meta.get("units"), "units"), received.fetched_at)
        issue = Issue(
            cell=cell.key, source=self.name, model="locationforecast-2.0", reference_time=issued_at,
            retrieved_at=received.fetched_at, part=0, hourly=hourly, notes=notes,
            grid_latitude=latitude, grid_longitude=longitude, grid_elevation_m=elevation_m,
        )  # fmt: skip
        return (issue,)


def _hourly(series: Any, units: Mapping[str, Any], asked_at: datetime) -> tuple[Hourly, tuple[str, ...]]:
    if not isinstance(series, list):
        raise PayloadRefused(Reason.WRONG_SHAPE, "timeseries is not a list")
    steps = [_table(step, "a step") for step in series]
    data = [_table(step.get("data"), "data") for step in steps]
    time = _times([_moment(step.get("time"), "time") for step in steps])
    now = np.datetime64(int(asked_at.timestamp()), "s")
    if not time[0] - EARLY <= now <= time[-1]:
        raise PayloadRefused(Reason.NOT_NOW, f"{time[0]}Z to {time[-1]}Z, asked at {now}Z")
    instants = [_table(_table(one.get("instant"), "instant").get("details"), "details") for one in data]
    next_hour = [_table(one.get("next_1_hours", {}), "next_1_hours") for one in data]
    rain = _values([_table(one.get("details", {}), "details") for one in next_hour], RAIN, RAIN_UNIT, units)
    points = {ours: _values(instants, theirs, unit, units) for theirs, (ours, unit) in INSTANTS.items()}
    absent = [f"{column} is not carried" for column in CORE_COLUMNS if np.isnan(points[column]).all()]
    points, notes = believed(points)
    hours, columns = hours_between(time, points)
    rain_kept, rain_notes = believed({"precip_mm": rain})
    columns["precip_mm"] = _ending_at(hours, time + HOUR, rain_kept["precip_mm"])
    long = np.flatnonzero(np.diff(time) > HOUR)
    if long.size:
        notes += (f"hours after {time[long[0]]}Z are interpolated from steps of six hours",)
    return from_points(hours, columns), (*absent, *notes, *rain_notes)


def _times(moments: Sequence[datetime]) -> Times:
    """The hours of the steps: one apart, then six, with one between that takes as long as there is to the first."""
    time = np.array([(moment - EPOCH).total_seconds() for moment in moments])
    if time.size == 0:
        raise PayloadRefused(Reason.NO_HOURS)
    if (time % 3600.0).any():
        raise PayloadRefused(Reason.WRONG_HOURS, f"{moments[int(np.flatnonzero(time % 3600.0)[0])]} is not whole")
    hours = time.astype("int64").astype("datetime64[s]")
    steps = np.diff(hours) // HOUR
    hourly = int(np.argmax(steps != 1)) if (steps != 1).any() else steps.size
    right = steps == np.where(np.arange(steps.size) < hourly, 1, 6)
    right[hourly : hourly + 1] = (steps[hourly : hourly + 1] >= 1) & (steps[hourly : hourly + 1] <= 6)
    if not right.all():
        at = int(np.argmin(right))
        raise PayloadRefused(Reason.WRONG_HOURS, f"{hours[at + 1]}Z stands after {hours[at]}Z")
    return hours


def _ending_at(hours: Times, ends: Times, sums: Floats) -> Floats:
    """Sums of hours on the rows at which those hours end; what ends after the last row is left out."""
    column = np.full(hours.size, np.nan)
    row = ((ends - hours[0]) // HOUR).astype(int)
    inside = row < hours.size
    column[row[inside]] = sums[inside]
    return column


def _values(details: Sequence[Mapping[str, Any]], name: str, unit: str, units: Mapping[str, Any]) -> Floats:
    """The values of a name; missing where the name is absent. A null is none: theirs are absent, never null."""
    if any(name in one for one in details) and units.get(name) != unit:
        raise PayloadRefused(Reason.WRONG_UNITS, f"{name} in {ascii(units.get(name))[:40]}, not {unit}")
    values = [one.get(name, np.nan) for one in details]
    if not set(map(type, values)) <= {float, int}:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} holds something that is not a number")
    return np.array(values, dtype=float)


def _where(answer: Mapping[str, Any]) -> tuple[float, float, float | None]:
    """Latitude, longitude and height of the answer; GeoJSON has the longitude first."""
    geometry = _table(answer.get("geometry"), "geometry")
    place = geometry.get("coordinates")
    if not isinstance(place, list) or not set(map(type, place)) <= {float, int}:
        raise PayloadRefused(Reason.WRONG_SHAPE, "coordinates are not a list of numbers")
    if geometry.get("type") != "Point" or len(place) not in (2, 3):
        raise PayloadRefused(Reason.WRONG_SHAPE, "geometry is not a point")
    longitude, latitude, *height = (float(number) for number in place)
    return latitude, longitude, height[0] if height else None


def _moment(text: Any, name: str) -> datetime:
    """A moment in UTC; one without an offset is no moment."""
    try:
        moment = datetime.fromisoformat(text) if isinstance(text, str) else None
        if moment is not None and moment.tzinfo is not None:
            return moment.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} is not a moment in UTC: {ascii(text)[:40]}")


def _table(value: Any, name: str) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} is not a table")
    return value
