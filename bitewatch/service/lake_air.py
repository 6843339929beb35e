"""The air over each lake, day by day: what of a forecast's past hours is over is written down, and stays known."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np
from sqlalchemy import Connection, select
from sqlalchemy.dialects.sqlite import insert

from bitewatch.lake.profile import Lake
from bitewatch.weather.daily import DAILY_COLUMNS, DAY, Daily, solar_shift_h
from bitewatch.weather.tables import lake_air


def keep_days(
    connection: Connection, lake: Lake, daily: Daily, *, source: str, now: datetime, known_at: datetime | None = None
) -> int:  # fmt: skip
    """Write down the days of a table that are over; a day that is known already is left as it was first known.

    Parameters
    ----------
    known_at
        When they were known, if that is not now.

    Returns
    -------
    int
        How many days were new.
    """
    last = last_day_over(lake, now)
    rows = [
        {"lake": lake.id, "day": day.astype(date), "source": source, "known_at": known_at or now}
        | {name: None if np.isnan(daily[name][at]) else float(daily[name][at]) for name in DAILY_COLUMNS}
        for at, day in enumerate(daily.day)
        if day <= last and np.isfinite(daily["air_temp_c"][at])
    ]
    if not rows:
        return 0
    return connection.execute(insert(lake_air).on_conflict_do_nothing(), rows).rowcount


def kept_days(connection: Connection, lake: Lake, *, known_by: datetime | None = None) -> Daily | None:
    """All days that are written down of a lake; None if there are none.

    Parameters
    ----------
    known_by
        If given, only what was known by then.
    """
    wanted = lake_air.c.lake == lake.id
    if known_by is not None:
        wanted &= lake_air.c.known_at <= known_by
    rows = connection.execute(select(lake_air).where(wanted).order_by(lake_air.c.day)).all()
    if not rows:
        return None
    days = np.array([row.day for row in rows], "datetime64[D]")
    place = (days - days[0]).astype(int)
    columns = {name: np.full(int(place[-1]) + 1, np.nan) for name in DAILY_COLUMNS}
    for name in DAILY_COLUMNS:
        columns[name][place] = [np.nan if (value := getattr(row, name)) is None else value for row in rows]
    return Daily(day=np.arange(days[0], days[-1] + DAY, DAY), columns=columns)


def missing_days(known: Sequence[Daily], first: date, last: date) -> list[date]:
    """The days from one to another of which no table knows the air."""
    wanted = {first + timedelta(days=n) for n in range((last - first).days + 1)}
    for table in known:
        wanted -= {day.astype(date) for day, air in zip(table.day, table["air_temp_c"], strict=True) if air == air}
    return sorted(wanted)


def last_day_over(lake: Lake, now: datetime) -> np.datetime64:
    """The last solar day that has ended."""
    by_the_sun = now.astimezone(UTC) + timedelta(hours=solar_shift_h(lake.longitude))
    return np.datetime64(by_the_sun.date()) - DAY
