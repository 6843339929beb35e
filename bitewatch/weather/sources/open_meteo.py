"""Open-Meteo: gridded forecasts of one pinned model, with seven past days, for up to a hundred cells at once."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Any
from urllib.parse import urlsplit

import numpy as np
from pydantic import SecretStr

from bitewatch.errors import OutsideFailed, PayloadRefused, SourceWaits
from bitewatch.weather.hourly import Hourly
from bitewatch.weather.sources.acceptance import Reason, check_reference
from bitewatch.weather.sources.base import Asking, Cell, Issue, Place, Question, Received
from bitewatch.weather.sources.open_meteo_answer import LAST_SECOND, finite, hours_of, parts_of, place_of
from bitewatch.weather.sources.open_meteo_past import PastWays, ask_past, past_source
from bitewatch.weather.sources.quota import call_weight
from bitewatch.weather.sources.settings import OPEN_METEO_URL, OpenMeteoSettings
from bitewatch.weather.sources.strict_json import parse_strictly

CUSTOMER_URL = "https://customer-api.open-meteo.com/v1/forecast"  #: where a customer's key is asked for
ARCHIVE_URL = "https://archive-api.open-meteo.com/v1/archive"
CUSTOMER_ARCHIVE_URL = "https://customer-archive-api.open-meteo.com/v1/archive"
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
READABLE = 120  #: characters of places that a key shows; longer lists are shown by their hash


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

    def past(self, cell: Cell, first: date, last: date, asking: Asking, *, now: datetime) -> Hourly:
        """The hours of a cell from one day to another, both UTC, that are over; no issue is made of them.

        From the last 92 days they are the model's own past, from earlier ones those of a reanalysis: `past_source`.

        Raises
        ------
        ValueError
            If these are not days of the past, in order.
        OutsideFailed
            As for `fetch`; a server of one's own may have no archive.
        """
        return ask_past(cell, first, last, asking, now=now, ways=self._past_ways)

    def past_source(self, first: date, *, now: datetime) -> str:
        """Whose hours `past` gives from a day on: those of a reanalysis must not stand in for a forecast."""
        return past_source(first, now=now)

    @property
    def _past_ways(self) -> PastWays:
        own, key = self._settings.url, self._api_key
        if not self._is_provider:
            parts = urlsplit(own)
            before = parts.path.removesuffix("/forecast") if parts.path.endswith("/forecast") else "/v1"
            archive = f"{parts.scheme}://{parts.netloc}{before}/archive"
        else:
            own, archive = (own, ARCHIVE_URL) if key is None else (CUSTOMER_URL, CUSTOMER_ARCHIVE_URL)
        return PastWays(forecast_url=own, archive_url=archive, model=self._settings.model, api_key=key)

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
        parts = parts_of(received, len(cells))
        return tuple(
            self._issue(received, n, part, cell) for n, (part, cell) in enumerate(zip(parts, cells, strict=True))
        )

    def _issue(self, received: Received, number: int, part: Any, cell: Cell) -> Issue:
        latitude, longitude = place_of(part, number, cell)
        hourly, notes = hours_of(part, VARIABLES)
        now, time = np.datetime64(int(received.fetched_at.timestamp()), "s"), hourly.time
        if not time[0] <= now <= time[-1]:
            raise PayloadRefused(Reason.NOT_NOW, f"{time[0]}Z to {time[-1]}Z, asked at {now}Z")
        # a height that was asked for comes back as it was asked, and says nothing of the cell
        tells_height = cell.elevation_m is None and part.get("elevation") is not None
        return Issue(
            cell=cell.key, source=self.name, model=self._settings.model, reference_time=received.reference_time,
            retrieved_at=received.fetched_at, part=number, hourly=hourly, notes=notes,
            grid_latitude=round(latitude, 3) + 0.0, grid_longitude=round(longitude, 3) + 0.0,
            grid_elevation_m=finite(part, "elevation") if tells_height else None,
        )  # fmt: skip


def is_provider(url: str) -> bool:
    """True for an address of the provider's own, whose terms and quotas then hold.

    >>> is_provider("https://api.open-meteo.com/v1/forecast"), is_provider("http://127.0.0.1:8080/v1/forecast")
    (True, False)
    """
    host = urlsplit(url).hostname or ""
    return host == PROVIDER or host.endswith(f".{PROVIDER}")


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
    began, available = (finite(table, f"last_run_{what}_time") for what in ("initialisation", "availability"))
    if not 0 <= began <= available < LAST_SECOND:
        raise PayloadRefused(Reason.WRONG_SHAPE, "the run is there before it begins, or not in this century")
    run = Run(began_at=datetime.fromtimestamp(began, UTC), available_at=datetime.fromtimestamp(available, UTC))
    check_reference(run.available_at, received.fetched_at)
    return run
