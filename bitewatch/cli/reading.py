"""bitewatch reading: what a thermometer showed, typed; listed, and taken back."""

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import click

from bitewatch.cli.at_work import Work, at_work, echo_json
from bitewatch.errors import Refused

if TYPE_CHECKING:
    from bitewatch.lake.profile import Lake
    from bitewatch.water.reading import Reading


@click.command()
@click.argument("lake_id", metavar="LAKE")
@click.argument("temperature", required=False)
@click.option("--at", "at", metavar="TIME", help="When, by the lake's clock, such as 2026-07-20T15:00 [now].")
@click.option("--depth", metavar="DEPTH", help="How deep the thermometer was, such as 2ft or 0.6m.")
@click.option("--sure", is_flag=True, help="Take it although the model would question it.")
@click.option("--undo", metavar="NUMBER", type=int, help="Take a reading back; it stays in the store.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a program.")
@click.pass_context
def reading(
    ctx: click.Context, lake_id: str, temperature: str | None, at: str | None, depth: str | None, sure: bool,
    undo: int | None, as_json: bool,
) -> None:  # fmt: skip
    """Tell what your thermometer showed, such as 72F or 22.5C; without a temperature, list the readings of a lake.

    Readings correct the modelled water of the lake, the more the newer they are. One that cannot be is questioned.
    """
    if undo is not None and temperature is not None:
        raise click.UsageError("give a temperature or --undo, not both")
    if temperature is None and (at or depth or sure):
        raise click.UsageError("--at, --depth and --sure go with a temperature")
    with at_work(ctx) as work:
        lake = work.settings.lake(lake_id)
        if undo is not None:
            _undo(work, lake, undo, as_json)
        elif temperature is not None:
            _add(work, lake, temperature, at, depth, sure, as_json)
        else:
            _list(work, lake, as_json)


def _add(
    work: Work, lake: "Lake", temperature: str, at: str | None, depth: str | None, sure: bool, as_json: bool
) -> None:
    from bitewatch.service import clock
    from bitewatch.service.readings import add_readings
    from bitewatch.water.reading import Reading
    from bitewatch.water.readings import FIRST_YEAR, parse_depth_m, parse_temperature, question

    now = clock.now()
    temp_c = parse_temperature(temperature)
    taken, hour_known = (now, True) if at is None else _instant(at, lake)
    if taken.year < FIRST_YEAR:
        raise Refused(f"{at}: is the year mistyped?")
    if taken > now + (timedelta(minutes=1) if hour_known else timedelta(days=1)):
        raise Refused(f"{at} is in the future by the clock of {lake.name}")
    one = Reading(
        at=min(taken, now).replace(second=0, microsecond=0), temp_c=temp_c,
        depth_m=None if depth is None else parse_depth_m(depth), hour_known=hour_known, source="typed",
        known_at=now,
    )  # fmt: skip
    if one.depth_m is not None and lake.max_depth_m is not None and one.depth_m > lake.max_depth_m:
        raise Refused(f"{depth}: {lake.name} is not so deep")
    if asked := question(temp_c):
        raise Refused(f"{temperature}: {asked}")
    if not sure and (asked := _doubted(work, lake, one, now)):
        raise Refused(f"{temperature}: {asked}; if it is right, add --sure")
    with work.store.write() as connection:
        numbers = add_readings(connection, lake.id, [one], now=now)
    if as_json:
        echo_json({"added": numbers})
    elif numbers:
        click.echo(
            f"Reading {numbers[0]} of {lake.name}: {_shown(work, one, lake)}. --undo {numbers[0]} takes it back."
        )
    else:
        click.echo(f"{lake.name}: that reading is kept already.")


def _doubted(work: Work, lake: "Lake", one: "Reading", now: datetime) -> str:
    """What the modelled water of that hour makes of a reading; empty where it is not known."""
    import numpy as np

    from bitewatch.lake.local_time import datetime_to_np
    from bitewatch.water.lake_water import lake_layers, lake_water
    from bitewatch.water.readings import question
    from bitewatch.weather.daily import daily_means, joined

    outside = work.outside()
    weather = outside.weather_now.weather(lake, now)
    days = outside.waters.all_days(lake)
    if weather.hourly is not None:
        days = [daily_means(weather.hourly, latitude=lake.latitude, longitude=lake.longitude)[0], *days]
    if not days:
        return ""
    mixed = float(lake_layers(lake, np.array([one.at.date()], "datetime64[D]")).mixed_m[0])
    if one.depth_m is not None and one.depth_m > mixed:
        click.echo("It is from below the mixed layer and does not correct the surface.", err=True)
        return ""
    try:
        known = outside.waters.known(lake, until=one.at, now=now)
        hours = lake_water(lake, joined(*days), known.readings, forecast_from=now).at_hours(
            np.array([datetime_to_np(one.at)], "datetime64[s]")
        )
    except Refused:
        return ""
    expected, spread = float(hours.value_c[0]), float(hours.sd_c[0])
    return "" if np.isnan(expected) else question(one.temp_c, expected_c=expected, expected_sd_c=spread)


def _undo(work: Work, lake: "Lake", number: int, as_json: bool) -> None:
    from bitewatch.service import clock
    from bitewatch.service.readings import kept_readings, undo_reading

    with work.store.write() as connection:
        if number not in {one.id for one in kept_readings(connection, lake.id)}:
            raise Refused(f"{lake.id}: no reading {number}")
        undone = undo_reading(connection, number, now=clock.now())
    if as_json:
        echo_json({"undone": [number]})
        return
    click.echo(f"Taken back: {_shown(work, undone.reading, lake)}.")


def _list(work: Work, lake: "Lake", as_json: bool) -> None:
    from bitewatch.service import clock
    from bitewatch.service.readings import kept_readings

    with work.store.read() as connection:
        kept = kept_readings(connection, lake.id)
    of_file, faults = work.outside().waters.readings_of_file(lake, clock.now())
    for fault in faults:
        click.echo(fault, err=True)
    told: list[tuple[int | None, Any]] = [(one.id, one.reading) for one in kept] + [(None, one) for one in of_file]
    told.sort(key=lambda each: each[1].at)
    if as_json:
        echo_json(
            [
                {
                    "number": number, "at": one.at.strftime("%Y-%m-%dT%H:%M:%SZ"), "temp_c": round(one.temp_c, 2),
                    "depth_m": None if one.depth_m is None else round(one.depth_m, 2), "hour_known": one.hour_known,
                    "source": one.source,
                }
                for number, one in told
            ]
        )  # fmt: skip
        return
    for number, one in told:
        click.echo(f"{'file' if number is None else number:>6}  {_shown(work, one, lake)}")
    if not told:
        click.echo(f"No reading of {lake.name} yet.")


def _shown(work: Work, one: "Reading", lake: "Lake") -> str:
    from bitewatch.brief.words import Words

    words = Words(work.settings.config.units, lake.zone_info)
    local = one.at.astimezone(lake.zone_info)
    when = f"{local:%Y-%m-%d %H:%M}" if one.hour_known else f"{local:%Y-%m-%d}, no hour"
    depth = "" if one.depth_m is None else f", {words.depth(one.depth_m)} down"
    return f"{words.temperature(one.temp_c)}{depth}, {when}, {one.source}"


def _instant(text: str, lake: "Lake") -> tuple[datetime, bool]:
    """When, and whether the hour is known: noon stands for a bare day."""
    try:
        if len(text) == len("2026-07-20"):
            return datetime.combine(date.fromisoformat(text), time(12), tzinfo=lake.zone_info), False
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise Refused(f'"{text}" is not a time; write it as 2026-07-20T15:00') from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=lake.zone_info)), True
