"""bitewatch water: the surface temperature and layers of a lake through its seasons, from weather and readings."""

import csv
import io
import re
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bitewatch.cli.at_work import at_work, echo_json
from bitewatch.errors import PayloadRefused, Refused

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bitewatch.lake.profile import Lake
    from bitewatch.units import UnitSystem
    from bitewatch.water.lake_water import LakeWater
    from bitewatch.weather.daily import Daily

HEADER = ("date", "surface_temp_c", "sd_c", "mixed_depth_m", "thermocline_m")


@click.command()
@click.argument("what", metavar="LAKE|FILE.csv")
@click.option("--lake", "lake_file", metavar="LAKE.toml", help="Of a file: the profile of the lake under that weather.")
@click.option("--logs", metavar="LOGS.csv", help="Readings of a thermometer: time, water_temp_c or _f, depth_m or _ft.")
@click.option("--plot", metavar="FILE", help="Draw the newest season into a .png, .svg or .pdf file.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a program.")
@click.pass_context
def water(
    ctx: click.Context, what: str, lake_file: str | None, logs: str | None, plot: str | None, as_json: bool
) -> None:  # fmt: skip
    """The water of a lake, day by day: surface temperature with its spread, mixed layer and thermocline.

    Printed as CSV with the columns date,surface_temp_c,sd_c,mixed_depth_m,thermocline_m, each day as it was known then:
    with the readings of that day and before. The spread is one standard deviation.

    A name that ends in .csv is a file of weather, hourly or with one row a day, over one or many years: it has a column
    time and any of the hourly columns. Where lakes freeze, each season starts afresh. Any other name is a lake of the
    config folder, with all that is known of its weather.
    """
    form = _form(plot)
    if what.lower().endswith(".csv"):
        if lake_file is None:
            raise click.UsageError("give --lake, the profile of the lake under that weather")
        told = _of_file(what, lake_file, logs)
    else:
        if lake_file is not None:
            raise click.UsageError("--lake is for a file of weather; a lake of the config folder has its own profile")
        told = _of_lake(ctx, what, logs)
    if plot is not None:
        _draw(told, plot, form)
    for note in told.notes:
        click.echo(note, err=True)
    rows = _rows(told)
    if as_json:
        echo_json({"lake": told.water.lake.id, "notes": list(told.notes), "days": rows})
        return
    out = io.StringIO()
    table = csv.DictWriter(out, HEADER, lineterminator="\n")
    table.writeheader()
    table.writerows(rows)
    click.echo(out.getvalue(), nl=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    water: "LakeWater"
    open: "NDArray[Any]"  #: days that are no ice
    notes: tuple[str, ...]
    units: "UnitSystem"
    fronts: tuple[datetime, ...] = ()
    now: datetime | None = None  #: from when on the weather is a forecast; None where all of it is past


def _of_file(file: str, lake_file: str, logs: str | None) -> _Told:
    from bitewatch.settings import read_lake
    from bitewatch.units import UnitSystem
    from bitewatch.water.lake_water import typed_reading
    from bitewatch.weather.daily import daily_means
    from bitewatch.weather.fronts import FrontKind, fronts_of
    from bitewatch.weather.signs import cold, front_signs, warm
    from bitewatch.weather.sources.hourly_csv import hourly_from_csv

    path = Path(lake_file)
    slug = re.sub(r"[^a-z0-9]+", "-", path.stem.lower()).strip("-")[:64] or "lake"
    lake = read_lake(path, shown_as=lake_file, lake_id=slug)
    try:
        hourly, notes = hourly_from_csv(Path(file).read_bytes(), days_as_written=True)
    except OSError as error:
        raise Refused(f"{file}: cannot be read: {error.strerror}") from error
    except PayloadRefused as error:
        raise Refused(f"{file}: {error}") from error
    daily, derived = daily_means(hourly, latitude=lake.latitude, longitude=lake.longitude)
    end = datetime.combine(daily.day[-1].item() + timedelta(days=2), time(0), tzinfo=UTC)
    typed = typed_reading(lake, end) if lake.water_temp_on is not None else None
    readings, faults = _logs(logs, lake, end)
    fronts = tuple(
        front.onset
        for front in fronts_of(hourly.time, *front_signs(hourly, lake.latitude, cold, warm))
        if front.kind is FrontKind.COLD
    )
    return _told(
        lake, [daily], [*readings, *([typed] if typed else [])], end, (*notes, *derived, *faults), UnitSystem.US,
        fronts=fronts,
    )  # fmt: skip


def _of_lake(ctx: click.Context, lake_id: str, logs: str | None) -> _Told:
    from bitewatch.service import clock
    from bitewatch.service.known_fronts import load
    from bitewatch.water.lake_water import typed_reading
    from bitewatch.weather.daily import daily_means
    from bitewatch.weather.following import Standing
    from bitewatch.weather.fronts import FrontKind

    now = clock.now()
    with at_work(ctx) as work:
        lake = work.settings.lake(lake_id)
        outside = work.outside()
        outside.refresh([lake], now)
        weather = outside.weather_now.weather(lake, now)
        known = outside.waters.known(lake, until=now, now=now)
        days = outside.waters.all_days(lake)
        notes = [*weather.failures, *known.failures]
        if weather.hourly is not None:
            own, derived = daily_means(weather.hourly, latitude=lake.latitude, longitude=lake.longitude)
            days, notes = [own, *days], [*notes, *derived]
        with work.store.read() as connection:
            fronts = [
                one.onset
                for one in load(connection, lake.id, since=now - timedelta(days=300))
                if one.kind is FrontKind.COLD and one.standing in (Standing.CONFIRMED, Standing.FORETOLD)
            ]
        readings, faults = _logs(logs, lake, now)
        if not days:
            raise Refused(f"{lake.id}: no weather is known: {'; '.join(notes) or 'no source has answered yet'}")
        typed = typed_reading(lake, now) if lake.water_temp_on is not None else None
        readings += [typed] if typed is not None and typed.at <= now else []
        return _told(
            lake, days, [*known.readings, *readings], now, (*notes, *faults), work.settings.config.units,
            fronts=tuple(fronts), now=now,
        )  # fmt: skip


def _logs(logs: str | None, lake: "Lake", now: datetime) -> tuple[list[Any], list[str]]:
    from bitewatch.water.readings import readings_from_csv

    if logs is None:
        return [], []
    try:
        readings, faults = readings_from_csv(Path(logs).read_text("utf-8-sig"), zone=lake.zone_info, now=now)
    except OSError as error:
        raise Refused(f"{logs}: cannot be read: {error.strerror}") from error
    except (UnicodeDecodeError, Refused) as error:
        raise Refused(f"{logs}: {error}") from error
    return list(readings), [f"{logs}: {fault}" for fault in faults]


def _told(
    lake: "Lake", days: "list[Daily]", readings: list[Any], until: datetime, notes: tuple[str, ...],
    units: "UnitSystem", *, fronts: tuple[datetime, ...], now: datetime | None = None,
) -> _Told:  # fmt: skip
    import numpy as np

    from bitewatch.water.lake_water import lake_water
    from bitewatch.water.open_water import open_water
    from bitewatch.weather.daily import joined

    try:
        found = lake_water(lake, joined(*days), readings, forecast_from=until)
    except Refused as error:
        raise Refused("; ".join([str(error), *dict.fromkeys(notes)])) from error
    is_open = open_water(found.day, found.surface.model_c, found.season, lake.latitude, ice_out=lake.ice_out)
    if not is_open.any():
        raise Refused(f"{lake.id}: the lake is at the freezing point on every day of that weather: no season to tell")
    said = [*notes, *found.notes, *([found.layers.doubt] if found.layers.doubt else [])]
    last, known = found.day[is_open][-1], found.day[np.isfinite(found.surface.model_c)][-1]
    if last < known:
        said.append(f"from {last + 1} on the lake is at the freezing point: ice is not modelled")
    return _Told(water=found, open=is_open, notes=tuple(dict.fromkeys(said)), units=units, fronts=fronts, now=now)


def _rows(told: _Told) -> list[dict[str, Any]]:
    import numpy as np

    surface, sd = told.water.daily_as_known()
    columns = (surface, sd, told.water.layers.mixed_m, told.water.layers.thermocline_m)
    return [
        {"date": str(told.water.day[at])}
        | {
            name: round(float(values[at]), 2) if np.isfinite(values[at]) else None
            for name, values in zip(HEADER[1:], columns, strict=True)
        }
        for at in np.flatnonzero(told.open)
    ]


def _form(plot: str | None) -> str:
    from bitewatch.brief.pictures.water_plot import FORMATS

    form = "png" if plot is None else Path(plot).suffix.lower().removeprefix(".")
    if form not in FORMATS:
        raise click.UsageError(f"--plot draws {', '.join(FORMATS)}; name the file so")
    return form


def _draw(told: _Told, file: str, form: str) -> None:
    import numpy as np

    from bitewatch.brief.pictures.water_plot import Span, WaterPlot, draw_water
    from bitewatch.lake.weeds import weed_depths
    from bitewatch.water.lake_water import day_in_season
    from bitewatch.water.layers import likely_range_m
    from bitewatch.water.season import spawning_days

    lake, found = told.water.lake, told.water
    season = found.season
    shown = told.open & (season == season[told.open][-1])
    here = (found.day >= found.day[shown][0]) & (found.day <= found.day[shown][-1])
    known = (*found.daily_as_known(), found.surface.model_c)
    surface, sd, model = (np.where(told.open, values, np.nan) for values in known)  # gaps stay gaps
    low, high = likely_range_m(found.layers.thermocline_m, lake.max_depth_m)
    first, last = found.day[here][0], found.day[here][-1]
    place = day_in_season(found.day, lake.latitude)
    past = told.open & (season != season[here][0])
    normal = np.full(found.day.size, np.nan)
    if np.unique(season[past]).size > 1:
        sums, counts = (np.zeros(366) for _ in range(2))
        np.add.at(sums, place[past], found.surface.model_c[past])
        np.add.at(counts, place[past], 1.0)
        normal = np.where(counts[place] > 1, sums[place] / np.maximum(counts[place], 1.0), np.nan)
    spans = [
        Span(first=days[0], last=days[-1], words=f"{species.value} spawning")
        for species in lake.species
        if (days := found.day[here][spawning_days(species, found.day[here], surface[here], lake.latitude)]).size
    ]
    readings = [(one, True) for one in found.used] + [(one, False) for one in found.unused]
    readings = [(one, used) for one, used in readings if first <= np.datetime64(one.at.date()) <= last]

    def instants(times: list[datetime]) -> "NDArray[Any]":
        return np.array([np.datetime64(int(one.timestamp()), "s") for one in times], "datetime64[s]")

    onsets = instants(list(told.fronts))
    now = None if told.now is None else np.datetime64(int(told.now.timestamp()), "s")
    picture = draw_water(
        WaterPlot(
            day=found.day[here], surface_c=surface[here], sd_c=sd[here], model_c=model[here],
            normal_c=normal[here], mixed_m=found.layers.mixed_m[here], thermocline_m=found.layers.thermocline_m[here],
            thermocline_low_m=low[here], thermocline_high_m=high[here],
            reading_at=instants([one.at for one, _ in readings]),
            reading_c=np.array([one.temp_c for one, _ in readings], float),
            reading_used=np.array([used for _, used in readings], bool),
            front_at=onsets[(onsets >= first) & (onsets <= last + 1)], weed_edge_m=weed_depths(lake).edge_m,
            spans=tuple(spans), edge_words="foot of the rock" if lake.is_rock else "weed edge",
            max_depth_m=lake.max_depth_m, forecast_from=now if now is not None and first <= now <= last else None,
        ),
        title=f"{lake.name}: water of the season from {first}", units=told.units, form=form,
    )  # fmt: skip
    try:
        Path(file).write_bytes(picture)
    except OSError as error:
        raise Refused(f"{file}: cannot be written: {error.strerror}") from error
