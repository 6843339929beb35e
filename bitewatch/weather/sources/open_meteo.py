"""Open-Meteo: gridded forecasts of one pinned model, with seven past days, for up to a hundred cells at once."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any
from urllib.parse import urlsplit

import numpy as np
from pydantic import SecretStr

from bitewatch.errors import OutsideFailed, PayloadRefused, SourceWaits
from bitewatch.weather.hourly import Floats, Hourly, Times, from_points
from bitewatch.weather.sources.acceptance import Reason, believed, check_hours, check_near, check_reference
from bitewatch.weather.sources.base import Asking, Cell, Issue, Place, Question, Received
from bitewatch.weather.sources.settings import OPEN_METEO_URL, OpenMeteoSettings
from bitewatch.weather.sources.strict_json import parse_strictly

CUSTOMER_URL = "https://customer-api.open-meteo.com/v1/forecast"  #: where a customer's key is asked for
PROVIDER = "open-meteo.com"  #: its hosts; the free one tells of the runs, whichever of them is asked for hours
PAST_DAYS = 7  #: the rules look back five days and spells longer
#: theirs -> ours, and the unit in which it must come; ten variables count as one call in the provider's quota
VARIABLES: Mapping[str, tuple[str, str]] = {
    "pressure_msl": ("pressure_hpa", "hPa"),
    "temperature_2m": ("air_temp_c", "°C"),
    "relative_humidity_2m": ("humidity_pct", "%"),
    "wind_speed_10m": ("wind_speed_ms", "m/s"),
    "wind_direction_10m": ("wind_from_deg", "°"),
    "wind_gusts_10m": ("wind_gust_ms", "m/s"),
    "cloud_cover": ("cloud_pct", "%"),
    "precipitation": ("precip_mm", "mm"),
    "shortwave_radiation": ("shortwave_wm2", "W/m²"),
    "cape": ("cape_jkg", "J/kg"),
}
#: a lake no farther above or below its grid cell shares the cell's air uncorrected: at 6.5 K/km (ICAO standard
#: atmosphere) that is under 0.35 K, less than the forecast is wrong by on a good day
SAME_HEIGHT_M = 50.0
SETTLED = timedelta(minutes=10)  #: after a run is there, until all of the provider's servers have it (their advice)
EVERY = timedelta(hours=6)  #: as often as global models run
EVERY_UNTOLD = timedelta(hours=3)  #: where the server does not tell when a run is there
META_GOOD_FOR = timedelta(minutes=15)
NO_META_FOR = timedelta(hours=1)  #: a server that does not tell of its runs is not asked for them again so soon
STREAM_FAILED = b"Unexpected error while streaming data"  #: stands behind a body that was cut on their side
READABLE = 120  #: characters of places that a key shows; longer lists are shown by their hash
LAST_SECOND = 4_102_444_800  #: 2100-01-01; no forecast reaches it


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One run of the model, as the server tells of it."""

    began_at: datetime
    available_at: datetime


class OpenMeteo:
    """The forecast service of open-meteo.com, or a server that speaks like it."""

    name = "open-meteo"
    attribution = "Weather data by Open-Meteo.com (https://open-meteo.com/), CC BY 4.0"
    is_file = False
    gives = frozenset(ours for ours, _ in VARIABLES.values()) | {"dew_point_c"}
    has_past = True
    cells_per_question = 100  #: the provider takes 1000; a hundred keeps the answer under the cap of size
    stalls_after = timedelta(hours=24)

    def __init__(self, settings: OpenMeteoSettings, *, api_key: SecretStr | None = None):
        self._settings = settings
        self._api_key = api_key
        self._no_meta_until: datetime | None = None
        self.grid = f"{self.name}:{settings.model}"
        self.every = EVERY
        self._is_provider = is_provider(settings.url)
        self.commercial_ok = api_key is not None or not self._is_provider
        if not self._is_provider:
            self.terms = "from a server of one's own; CC BY 4.0"
        elif api_key is not None:
            self.terms = "commercial use with the customer key; CC BY 4.0"
        else:
            self.terms = "free for non-commercial use; CC BY 4.0"

    def covers(self, place: Place) -> bool:  # noqa: ARG002 - the models that one pins mostly span the globe
        """True: only an answer tells what a model does not cover."""
        return True

    def cell(self, place: Place, asking: Asking, *, now: datetime) -> Cell:  # noqa: ARG002 - known without asking
        """The place itself, at the height of its grid cell; what comes back tells which grid cell that is."""
        return self._at_its_own_point(place, None)

    def settle(self, place: Place, asked: Cell, issue: Issue) -> Cell:
        """The grid cell that the place lies in, or the place with its own height where that differs."""
        own = self._at_its_own_point(place, None)
        if asked.key != own.key or issue.grid_latitude is None or issue.grid_longitude is None:
            return asked
        high = place.elevation_m
        if high is not None and (issue.grid_elevation_m is None or abs(high - issue.grid_elevation_m) > SAME_HEIGHT_M):
            return self._at_its_own_point(place, high)
        key = f"{self.grid}:{issue.grid_latitude:.3f},{issue.grid_longitude:.3f}"
        return Cell(key=key, latitude=issue.grid_latitude, longitude=issue.grid_longitude)

    def _at_its_own_point(self, place: Place, elevation_m: float | None) -> Cell:
        height = "" if elevation_m is None else f",{elevation_m:.0f}"
        return Cell(
            key=f"{self.grid}:{place.latitude:.4f},{place.longitude:.4f}{height}",
            latitude=place.latitude, longitude=place.longitude, elevation_m=elevation_m,
        )  # fmt: skip

    def question(self, cells: Sequence[Cell]) -> Question:
        """One form for all the cells; the key of a customer is in the form and nowhere else."""
        if not 1 <= len(cells) <= self.cells_per_question:
            raise ValueError(f"ask for 1 to {self.cells_per_question} cells at once, not {len(cells)}")
        days = self._settings.forecast_days
        url, form = self._settings.url, {
            "latitude": ",".join(f"{cell.latitude:.4f}" for cell in cells),
            "longitude": ",".join(f"{cell.longitude:.4f}" for cell in cells),
            # nan: the nearest grid cell at its own height, which the answer then tells; without it the height of the
            # ground at the point is looked up, steers which cell is taken, and comes back in place of the cell's
            "elevation": ",".join("nan" if cell.elevation_m is None else f"{cell.elevation_m:.0f}" for cell in cells),
            "hourly": ",".join(VARIABLES),
            "past_days": str(PAST_DAYS),
            "forecast_days": str(days),
            "timezone": "GMT",
            "timeformat": "unixtime",
            "wind_speed_unit": "ms",
            "models": self._settings.model,
        }  # fmt: skip
        if self._api_key is not None:
            form["apikey"] = self._api_key.get_secret_value()
            url = CUSTOMER_URL if self._is_provider else url
        places = ";".join(cell.key.removeprefix(f"{self.grid}:") for cell in cells)
        if len(places) > READABLE:
            places = f"{len(cells)} places {hashlib.sha256(places.encode()).hexdigest()[:32]}"
        per_place = call_weight(len(VARIABLES), PAST_DAYS + days)
        return Question(key=f"{self.grid}:{days}:{places}", url=url, form=form, weight=len(cells) * per_place)

    def fetch(self, cells: Sequence[Cell], asking: Asking, *, now: datetime) -> tuple[Issue, ...]:
        """One request for all the cells, between two looks at which run the server serves."""
        before = self._run(asking, now)

        def reference_time() -> datetime | None:
            if before is None or now < before.available_at + SETTLED:
                return None
            return before.began_at if self._run(asking, now, again=True) == before else None

        read = partial(self.read, cells=cells)
        return asking.issues(self.name, self.question(cells), read, now=now, reference_time=reference_time)

    def newest_run_at(self, asking: Asking, *, now: datetime) -> datetime | None:
        """When the newest run may be asked for, from all of the provider's servers."""
        run = self._run(asking, now)
        return None if run is None else run.available_at + SETTLED

    def _run(self, asking: Asking, now: datetime, *, again: bool = False) -> Run | None:
        """The newest run; None where the server does not tell, which must not keep its hours away."""
        if self._no_meta_until is not None and now < self._no_meta_until:
            return None
        parts = urlsplit(OPEN_METEO_URL if self._is_provider else self._settings.url)
        question = Question(
            # the second look is a question of its own: the answer to the first still stands
            key=f"{self.grid}:meta:after" if again else f"{self.grid}:meta",
            url=f"{parts.scheme}://{parts.netloc}/data/{self._settings.model}/static/meta.json",
            good_for=timedelta(0) if again else META_GOOD_FOR,
        )
        try:
            run: Run = asking.facts(self.name, question, run_from_meta, now=now)
        except SourceWaits:
            return None
        except OutsideFailed:
            self._no_meta_until = now + NO_META_FOR
            self.every = EVERY_UNTOLD
            return None
        self.every = EVERY
        return run

    def read(self, received: Received, cells: Sequence[Cell]) -> tuple[Issue, ...]:
        """The issues, one for each cell.

        Raises
        ------
        PayloadRefused
            If anything in the answer is not as it was asked for.
        """
        if STREAM_FAILED in received.body[-1000:]:
            raise PayloadRefused(Reason.BROKE_OFF)
        if received.content_type and "json" not in received.content_type.lower():
            raise PayloadRefused(Reason.NOT_JSON, f"the content type is {ascii(received.content_type)[:80]}")
        answer = parse_strictly(received.body)
        if isinstance(answer, dict) and answer.get("error"):
            raise PayloadRefused(Reason.REPORTS_ERROR, ascii(answer.get("reason", ""))[:160])
        parts = answer if isinstance(answer, list) else [answer]
        if len(parts) != len(cells):
            raise PayloadRefused(Reason.WRONG_SHAPE, f"asked for {len(cells)} places, answered for {len(parts)}")
        return tuple(
            self._issue(received, n, part, cell) for n, (part, cell) in enumerate(zip(parts, cells, strict=True))
        )

    def _issue(self, received: Received, number: int, part: Any, cell: Cell) -> Issue:
        if not isinstance(part, dict) or part.get("location_id", number) != number:
            raise PayloadRefused(Reason.WRONG_SHAPE, f"part {number} is not the answer for place {number}")
        latitude, longitude = _finite(part, "latitude"), _finite(part, "longitude")
        check_near(cell, latitude, longitude)
        hourly, notes = _hourly(part, received.fetched_at)
        # a height that was asked for comes back as it was asked, and says nothing of the cell
        tells_height = cell.elevation_m is None and part.get("elevation") is not None
        return Issue(
            cell=cell.key, source=self.name, model=self._settings.model, reference_time=received.reference_time,
            retrieved_at=received.fetched_at, part=number, hourly=hourly, notes=notes,
            grid_latitude=round(latitude, 3) + 0.0, grid_longitude=round(longitude, 3) + 0.0,
            grid_elevation_m=_finite(part, "elevation") if tells_height else None,
        )  # fmt: skip


def is_provider(url: str) -> bool:
    """True for an address of the provider's own, whose terms and quotas then hold.

    >>> is_provider("https://api.open-meteo.com/v1/forecast"), is_provider("http://127.0.0.1:8080/v1/forecast")
    (True, False)
    """
    host = urlsplit(url).hostname or ""
    return host == PROVIDER or host.endswith(f".{PROVIDER}")


def call_weight(variables: int, days: int) -> float:
    """What a call for one place weighs against the quota, as the provider counts it.

    Checks from the provider's own documentation: 13 variables over 9 days weigh 1.3.

    >>> call_weight(13, 9)
    1.3
    >>> call_weight(10, 14)
    1.0
    """
    tens = variables / 10
    return max(1.0, tens, days / 14 * tens)


def run_from_meta(received: Received) -> Run:
    """The newest run that the server tells of.

    Raises
    ------
    PayloadRefused
        If it is not such a table, or a run that is yet to come.
    """
    table = parse_strictly(received.body)
    if not isinstance(table, dict):
        raise PayloadRefused(Reason.WRONG_SHAPE, "not a table of times")
    began, available = (_finite(table, f"last_run_{what}_time") for what in ("initialisation", "availability"))
    if not 0 <= began <= available < LAST_SECOND:
        raise PayloadRefused(Reason.WRONG_SHAPE, "the run is there before it begins, or not in this century")
    run = Run(began_at=datetime.fromtimestamp(began, UTC), available_at=datetime.fromtimestamp(available, UTC))
    check_reference(run.available_at, received.fetched_at)
    return run


def _hourly(part: Mapping[str, Any], asked_at: datetime) -> tuple[Hourly, tuple[str, ...]]:
    hourly, units = part.get("hourly"), part.get("hourly_units")
    if not isinstance(hourly, dict) or not isinstance(units, dict):
        raise PayloadRefused(Reason.WRONG_SHAPE, "no table hourly, or no hourly_units")
    for name, unit in (("time", "unixtime"), *((name, unit) for name, (_, unit) in VARIABLES.items())):
        if units.get(name) != unit:
            raise PayloadRefused(Reason.WRONG_UNITS, f"{name} in {ascii(units.get(name))[:40]}, not {unit}")
    if part.get("utc_offset_seconds", 0) != 0:
        raise PayloadRefused(Reason.WRONG_UNITS, f"times {ascii(part['utc_offset_seconds'])[:40]} s off UTC")
    time = _times(hourly.get("time"))
    check_hours(time)
    now = np.datetime64(int(asked_at.timestamp()), "s")
    if not time[0] <= now <= time[-1]:
        raise PayloadRefused(Reason.NOT_NOW, f"{time[0]}Z to {time[-1]}Z, asked at {now}Z")
    columns = {ours: _values(hourly, theirs, time.size) for theirs, (ours, _) in VARIABLES.items()}
    absent = [f"{column} is not carried" for column, values in columns.items() if np.isnan(values).all()]
    columns, notes = believed(columns)
    return from_points(time, columns), (*absent, *notes)


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


def _finite(part: Mapping[str, Any], name: str) -> float:
    value = part.get(name)
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} is not a number")
    return float(value)
