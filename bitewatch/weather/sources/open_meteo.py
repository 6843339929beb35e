"""Open-Meteo: gridded forecasts of one pinned model, with seven past days, for up to a hundred places at once."""

import hashlib
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from pydantic import SecretStr

from bitewatch.errors import PayloadRefused, SourceUnavailable
from bitewatch.weather.hourly import Floats, Hourly, Times, from_points
from bitewatch.weather.sources.acceptance import Reason, believed, check_hours, check_near
from bitewatch.weather.sources.base import Issue, Place, Received
from bitewatch.weather.sources.http import PoliteClient
from bitewatch.weather.sources.settings import OPEN_METEO_URL, OpenMeteoSettings
from bitewatch.weather.sources.strict_json import parse_strictly

CUSTOMER_URL = "https://customer-api.open-meteo.com/v1/forecast"  #: where a customer's key is asked for
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
STREAM_FAILED = b"Unexpected error while streaming data"  #: stands behind a body that was cut on their side
READABLE = 120  #: characters of places that a key shows; longer lists are shown by their hash
LAST_SECOND = 4_102_444_800  #: 2100-01-01; no forecast reaches it


class OpenMeteo:
    """The forecast service of open-meteo.com, or a server that speaks like it."""

    name = "open-meteo"
    attribution = "Weather data by Open-Meteo.com (https://open-meteo.com/), CC BY 4.0"
    is_file = False
    places_per_fetch = 100  #: the provider takes 1000; a hundred keeps the answer under the cap of size

    def __init__(self, settings: OpenMeteoSettings, client: PoliteClient, api_key: SecretStr | None = None):
        self._settings = settings
        self._client = client
        self._api_key = api_key

    def url_key(self, places: Sequence[Place]) -> str:
        """Model, days ahead and places, without the key of a customer."""
        asked = ";".join(
            f"{place.latitude:.4f},{place.longitude:.4f}"
            + ("" if place.elevation_m is None else f",{place.elevation_m:g}")
            for place in places
        )
        if len(asked) > READABLE:
            asked = f"{len(places)} places {hashlib.sha256(asked.encode()).hexdigest()[:32]}"
        return f"{self.name}:{self._settings.model}:{self._settings.forecast_days}:{asked}"

    def fetch(self, places: Sequence[Place], now: datetime) -> Received:
        """One request for all the places.

        Raises
        ------
        SourceUnavailable
            No whole answer came; try again later.
        SourceRefused
            The request or the key is wrong.
        """
        if not 1 <= len(places) <= self.places_per_fetch:
            raise ValueError(f"ask for 1 to {self.places_per_fetch} places at once, not {len(places)}")
        url, form = self._settings.url, self._form(places)
        if self._api_key is not None:
            form["apikey"] = self._api_key.get_secret_value()
            url = CUSTOMER_URL if url == OPEN_METEO_URL else url
        answer = self._client.post(url, form)
        if STREAM_FAILED in answer.body[-1000:]:
            raise SourceUnavailable(f"{self.name}: the answer broke off while it was sent")
        return Received(
            source=self.name, url_key=self.url_key(places), fetched_at=now,
            body=answer.body, content_type=answer.content_type,
        )  # fmt: skip

    def _form(self, places: Sequence[Place]) -> dict[str, str]:
        form = {
            "latitude": ",".join(f"{place.latitude:.4f}" for place in places),
            "longitude": ",".join(f"{place.longitude:.4f}" for place in places),
            "hourly": ",".join(VARIABLES),
            "past_days": str(PAST_DAYS),
            "forecast_days": str(self._settings.forecast_days),
            "timezone": "GMT",
            "timeformat": "unixtime",
            "wind_speed_unit": "ms",
            "models": self._settings.model,
        }
        if any(place.elevation_m is not None for place in places):
            # one for each place is wanted; nan leaves the temperature at the height of the cell
            form["elevation"] = ",".join("nan" if p.elevation_m is None else f"{p.elevation_m:g}" for p in places)
        return form

    def read(self, received: Received, places: Sequence[Place]) -> tuple[Issue, ...]:
        """The issues, one for each place.

        Raises
        ------
        PayloadRefused
            If anything in the answer is not as it was asked for.
        """
        if received.content_type and "json" not in received.content_type.lower():
            raise PayloadRefused(Reason.NOT_JSON, f"the content type is {ascii(received.content_type)[:80]}")
        answer = parse_strictly(received.body)
        if isinstance(answer, dict) and answer.get("error"):
            raise PayloadRefused(Reason.REPORTS_ERROR, ascii(answer.get("reason", ""))[:160])
        parts = answer if isinstance(answer, list) else [answer]
        if len(parts) != len(places):
            raise PayloadRefused(Reason.WRONG_SHAPE, f"asked for {len(places)} places, answered for {len(parts)}")
        return tuple(
            self._issue(received, n, part, place) for n, (part, place) in enumerate(zip(parts, places, strict=True))
        )

    def _issue(self, received: Received, number: int, part: Any, place: Place) -> Issue:
        if not isinstance(part, dict) or part.get("location_id", number) != number:
            raise PayloadRefused(Reason.WRONG_SHAPE, f"part {number} is not the answer for place {number}")
        latitude, longitude = _finite(part, "latitude"), _finite(part, "longitude")
        check_near(place, latitude, longitude)
        hourly, notes = _hourly(part, received.fetched_at)
        cell = f"{self.name}:{self._settings.model}:{round(latitude, 3) + 0.0:.3f},{round(longitude, 3) + 0.0:.3f}"
        if place.elevation_m is not None:  # its temperatures are its own, not those of the cell
            cell += f",{place.elevation_m:g}m"
        return Issue(
            cell=cell, source=self.name, model=self._settings.model, reference_time=None,
            retrieved_at=received.fetched_at, part=number, hourly=hourly, notes=notes,
            grid_latitude=round(latitude, 3), grid_longitude=round(longitude, 3),
            grid_elevation_m=_finite(part, "elevation") if part.get("elevation") is not None else None,
        )  # fmt: skip


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
