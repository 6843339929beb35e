"""The past hours of a cell from Open-Meteo: the last three months of the pinned model, and the years of a reanalysis.

A reanalysis has seen what was observed afterwards. It tells what is normal and what truly was, and must never stand
in for a forecast: whoever keeps its hours keeps `past_source` beside them.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial

import numpy as np
from pydantic import SecretStr

from bitewatch.errors import PayloadRefused
from bitewatch.weather.hourly import COLUMNS, HOUR, Hourly
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Asking, Cell, Question, Received
from bitewatch.weather.sources.open_meteo_answer import hours_of, parts_of, place_of
from bitewatch.weather.sources.quota import call_weight

NAME = "open-meteo"
REANALYSIS = f"{NAME} reanalysis"
REANALYSIS_MODEL = "era5"  #: one model for all years: a mix would have steps that no lake has felt
REACH = timedelta(days=92)  #: how far back the forecast service goes
FIRST_DAY = date(1940, 1, 1)  #: of the reanalysis
LATE = timedelta(days=10)  #: the reanalysis comes five days late; twice that, to be sure (own choice)
MODEL_GOOD_FOR = timedelta(days=1)
REANALYSIS_GOOD_FOR = timedelta(days=30)
#: what the water needs; theirs -> ours, and the unit in which it must come
PAST_VARIABLES: Mapping[str, tuple[str, str]] = {
    "temperature_2m": ("air_temp_c", "°C"),
    "relative_humidity_2m": ("humidity_pct", "%"),
    "wind_speed_10m": ("wind_speed_ms", "m/s"),
    "shortwave_radiation": ("shortwave_wm2", "W/m²"),
    "pressure_msl": ("pressure_hpa", "hPa"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PastWays:
    """Where past hours are asked for."""

    forecast_url: str  #: answers for the last `REACH` days
    archive_url: str  #: answers for the years before
    model: str  #: whose past the first one tells
    api_key: SecretStr | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Whole days, UTC, that one question is about."""

    first: date
    last: date
    is_reanalysis: bool

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1


def past_source(first: date, *, now: datetime) -> str:
    """Whose hours those from a day on are: the model's own past, or a reanalysis that knows later observations.

    >>> now = datetime(2026, 7, 20, tzinfo=UTC)
    >>> past_source(date(2026, 5, 1), now=now), past_source(date(2019, 4, 1), now=now)
    ('open-meteo', 'open-meteo reanalysis')
    """
    return NAME if now.astimezone(UTC).date() - first <= REACH else REANALYSIS


def spans(first: date, last: date, *, now: datetime) -> tuple[Span, ...]:
    """The questions that a span of days takes: one for what the model still has, else one a calendar year.

    Raises
    ------
    ValueError
        If the days are not in order, have not come yet, or lie before the reanalysis begins.
    """
    if not FIRST_DAY <= first <= last <= now.astimezone(UTC).date():
        raise ValueError(f"{first} to {last} are not days of the past since {FIRST_DAY}")
    if past_source(first, now=now) == NAME:
        return (Span(first=first, last=last, is_reanalysis=False),)
    return tuple(
        Span(first=max(first, date(year, 1, 1)), last=min(last, date(year, 12, 31)), is_reanalysis=True)
        for year in range(first.year, last.year + 1)
    )


def question(cell: Cell, span: Span, ways: PastWays, *, now: datetime) -> Question:
    """One form for one cell; the key of a customer is in the form and nowhere else."""
    model = REANALYSIS_MODEL if span.is_reanalysis else ways.model
    height = "nan" if cell.elevation_m is None else f"{cell.elevation_m:.0f}"
    form = {
        "latitude": f"{cell.latitude:.4f}", "longitude": f"{cell.longitude:.4f}", "elevation": height,
        "hourly": ",".join(PAST_VARIABLES), "start_date": f"{span.first}", "end_date": f"{span.last}",
        "timezone": "GMT", "timeformat": "unixtime", "wind_speed_unit": "ms", "models": model,
    }  # fmt: skip
    if ways.api_key is not None:
        form["apikey"] = ways.api_key.get_secret_value()
    place = f"{cell.latitude:.4f},{cell.longitude:.4f},{height}"
    settled = span.is_reanalysis and now.astimezone(UTC).date() - span.last > LATE
    return Question(
        key=f"{NAME}:{model}:past:{place}:{span.first}:{span.last}",
        url=ways.archive_url if span.is_reanalysis else ways.forecast_url, form=form,
        weight=call_weight(len(PAST_VARIABLES), span.days),
        good_for=REANALYSIS_GOOD_FOR if settled else MODEL_GOOD_FOR,
    )  # fmt: skip


def read_past(received: Received, cell: Cell, span: Span) -> Hourly:
    """The hours in an answer, from the first to the last of the days asked for.

    Raises
    ------
    PayloadRefused
        If anything in the answer is not as it was asked for, or no hour has a value.
    """
    (part,) = parts_of(received, 1)
    place_of(part, 0, cell)
    hourly, _ = hours_of(part, PAST_VARIABLES)
    first, end = np.datetime64(span.first, "s"), np.datetime64(span.last + timedelta(days=1), "s")
    if (hourly.time[0], hourly.time[-1]) != (first, end - HOUR):
        told = f"{hourly.time[0]}Z to {hourly.time[-1]}Z"
        raise PayloadRefused(Reason.WRONG_HOURS, f"asked for {span.first} to {span.last}, answered for {told}")
    if all(np.isnan(values).all() for values in hourly.columns.values()):
        raise PayloadRefused(Reason.NO_HOURS, f"nothing is known of {span.first} to {span.last}")
    return hourly


def ask_past(cell: Cell, first: date, last: date, asking: Asking, *, now: datetime, ways: PastWays) -> Hourly:
    """The hours of a cell from one day to another, both whole and UTC; what lies ahead of ``now`` is left out.

    Raises
    ------
    ValueError
        As `spans` does.
    OutsideFailed
        As `Asking.facts` does; the years that have come are at hand when it is asked again.
    """
    tables = []
    for span in spans(first, last, now=now):
        read: Callable[[Received], Hourly] = partial(read_past, cell=cell, span=span)
        tables.append(asking.facts(NAME, question(cell, span, ways, now=now), read, now=now))
    time = np.concatenate([table.time for table in tables])
    over = time <= np.datetime64(int(now.timestamp()), "s")
    return Hourly(
        time=time[over],
        columns={name: np.concatenate([table[name] for table in tables])[over] for name in COLUMNS},
    )
