"""Readings of thermometers: read from text, questioned, and held against the model."""

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from bitewatch.errors import Refused
from bitewatch.units import M_PER_FT, c_from_f, f_from_c
from bitewatch.water.correction import LAKE_SD_C, SCATTER_C, WANDER_SD_C, ReadingErrors
from bitewatch.water.day_course import ABOVE_C, day_course_c
from bitewatch.water.reading import Reading
from bitewatch.weather.daily import Days, solar_shift_h

Floats = NDArray[np.float64]

COLDEST_C, HOTTEST_C = -0.5, 40.0  #: beyond it no lake that fish live in [own]
FAR_OFF_C, FAR_OFF_SD = 5.0, 4.0  #: from the model on, a reading is questioned before it is taken [own]
NOT_BELIEVED_SD = 5.0  #: beyond so many spreads a reading corrects nothing [own]
MANY = 4  #: readings of one source in one day are joined, for they are not that many thermometers
UNITS = {"f": "F", "degf": "F", "°f": "F", "c": "C", "degc": "C", "°c": "C"}
COLUMNS = ("time", "date", "water_temp_c", "water_temp_f", "depth_m", "depth_ft")
FAULTS_TOLD = 5
NOON = time(12)


def parse_temperature(text: str) -> float:
    """Degrees Celsius from a number with its unit.

    Raises
    ------
    Refused
        Without a number or a unit; says how to write it.

    Examples
    --------
    >>> round(parse_temperature("72F"), 1), parse_temperature("22.5 degC")
    (22.2, 22.5)
    """
    found = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*(°?[a-z]*)\s*", text.lower())
    if found is None:
        raise Refused(f'"{text}" is not a temperature; write it as 72F or 22.5C')
    value, unit = float(found[1]), UNITS.get(found[2])
    if unit is None:
        raise Refused(f'"{text}": in which unit? write {found[1]}F or {found[1]}C')
    return c_from_f(value) if unit == "F" else value


def parse_depth_m(text: str) -> float:
    """Metres from a depth with its unit.

    Raises
    ------
    Refused
        Without a number or a unit, or below 0.

    Examples
    --------
    >>> parse_depth_m("2ft")
    0.6096
    """
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(ft|m)\s*", text.lower())
    if found is None:
        raise Refused(f'"{text}" is not a depth; write it as 2ft or 0.6m')
    return float(found[1]) * (M_PER_FT if found[2] == "ft" else 1.0)


def question(temp_c: float, *, expected_c: float | None = None, expected_sd_c: float = 0.0) -> str:
    """What to ask before a reading is believed; empty if nothing.

    Parameters
    ----------
    temp_c : float
        As it was understood. [degC]
    expected_c, expected_sd_c : float
        What the lake model gives for then, if it is known, with its spread. [degC]

    Examples
    --------
    >>> question(72.0)
    '72 degC is hotter than any lake; in degF it would be 22.2 degC'
    >>> question(22.0, expected_c=21.0, expected_sd_c=0.9)
    ''
    """
    in_f, in_c = c_from_f(temp_c), f_from_c(temp_c)  # had the number been meant in the other unit
    if not COLDEST_C <= temp_c <= HOTTEST_C:
        if temp_c > HOTTEST_C:
            hint = f"; in degF it would be {in_f:.1f} degC" if _possible(in_f) else ""
            return f"{temp_c:.3g} degC is hotter than any lake{hint}"
        hint = f"; {in_c:.3g} degC would make sense" if _possible(in_c) else ""
        return f"{temp_c:.1f} degC ({in_c:.3g} degF) is colder than any open water{hint}"
    if expected_c is None:
        return ""
    off = temp_c - expected_c
    if abs(off) <= max(FAR_OFF_C, FAR_OFF_SD * float(np.hypot(expected_sd_c, SCATTER_C))):
        return ""
    other = next(
        (hint for value, hint in ((in_f, f"as {temp_c:.3g} degF"), (in_c, f"as {in_c:.3g} degC"))
         if _possible(value) and abs(value - expected_c) < FAR_OFF_C), "",
    )  # fmt: skip
    hint = f"; {other} it would fit" if other else ""
    return (
        f"{temp_c:.1f} degC is {abs(off):.0f} degC {'warmer' if off > 0 else 'colder'} than this lake should be "
        f"({expected_c:.0f}, give or take {expected_sd_c:.0f}){hint}"
    )


def _possible(temp_c: float) -> bool:
    return COLDEST_C <= temp_c <= HOTTEST_C


def readings_from_csv(text: str, *, zone: ZoneInfo, now: datetime) -> tuple[tuple[Reading, ...], tuple[str, ...]]:
    """The readings of a CSV text, and what is wrong with others, by line.

    The first line names the columns: ``time`` (ISO 8601; the lake's wall time unless it carries an offset) or ``date``
    (the hour is then not known), ``water_temp_c`` or ``water_temp_f``, and perhaps ``depth_m`` or ``depth_ft``. Lines
    that begin with ``#`` are remarks. Each reading counts as known when it was taken.

    Raises
    ------
    Refused
        If the first line is not such a header.
    """
    lines = [(n, line) for n, line in enumerate(io.StringIO(text), 1) if line.strip() and not line.startswith("#")]
    rows = list(csv.reader(line for _, line in lines))
    header = [cell.strip().lower() for cell in rows[0]] if rows else []
    named = [name for name in header if name in COLUMNS]
    for either in (("time", "date"), ("water_temp_c", "water_temp_f")):
        if sum(named.count(name) for name in either) != 1:
            raise Refused(f"the first line must name one column {either[0]} or {either[1]}")
    if named.count("depth_m") + named.count("depth_ft") > 1:
        raise Refused("the first line must name depth_m or depth_ft, not both")
    faults = [f"column {name} is not known and left out" for name in header if name and name not in COLUMNS]
    found: dict[tuple[datetime, float, float | None], Reading] = {}
    for (number, _), row in zip(lines[1:], rows[1:], strict=True):
        told = dict(zip(header, (cell.strip() for cell in row), strict=False))
        try:
            reading = _reading(told, zone)
            if reading.at > now:
                raise Refused(f"{told.get('time') or told.get('date')} is in the future")
            if asked := question(reading.temp_c):
                raise Refused(asked)
        except Refused as error:
            faults.append(f"line {number}: {error}")
            continue
        found.setdefault((reading.at, reading.temp_c, reading.depth_m), reading)
    return tuple(sorted(found.values(), key=lambda one: one.at)), tuple(faults)


def _reading(told: Mapping[str, str], zone: ZoneInfo) -> Reading:
    at, hour_known = _instant(told.get("time") or told.get("date") or "", zone)
    unit = "c" if "water_temp_c" in told else "f"
    value = _number(told[f"water_temp_{unit}"], "temperature")
    depth = None
    for name, scale in (("depth_m", 1.0), ("depth_ft", M_PER_FT)):
        if told.get(name):
            depth = _number(told[name], "depth") * scale
            if depth < 0:
                raise Refused("a depth must be 0 or more")
    return Reading(
        at=at, temp_c=c_from_f(value) if unit == "f" else value, depth_m=depth, hour_known=hour_known, source="file",
        known_at=at,
    )  # fmt: skip


def _instant(text: str, zone: ZoneInfo) -> tuple[datetime, bool]:
    try:
        if len(text) == len("2026-07-20"):
            return datetime.combine(date.fromisoformat(text), NOON, tzinfo=zone).astimezone(UTC), False
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise Refused(f'"{text}" is not a time; write 2026-07-20T15:00, or 2026-07-20') from None
    try:
        return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC), True
    except OverflowError:
        raise Refused(f'"{text}" is out of the calendar') from None


def _number(text: str, what: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = float("nan")
    if not np.isfinite(value) or "_" in text:
        raise Refused(f'the {what} "{text}" is not a number')
    return value


def joined_by_day(readings: Iterable[Reading], longitude: float) -> list[Reading]:
    """Many readings of one source in one solar day as one, their mean: a gauge is one thermometer, not twenty-four."""
    shift = timedelta(hours=solar_shift_h(longitude))

    def of_day(one: Reading) -> tuple[str, date]:
        return one.source, (one.at + shift).date()

    found = []
    for (_, day), group in groupby(sorted(readings, key=lambda one: (*of_day(one), one.at)), key=of_day):
        same = list(group)
        if len(same) < MANY:
            found += same
            continue
        noon = datetime.combine(day, NOON, tzinfo=UTC) - shift
        spread_h = (same[-1].at - same[0].at) / timedelta(hours=1)
        if spread_h < 12:  # a morning's worth is no mean of the day: its middle stands for it
            found.append(same[len(same) // 2])
            continue
        mean = float(np.mean([one.temp_c for one in same]))
        found.append(replace(same[-1], at=min(noon, same[-1].at), temp_c=mean, is_day_mean=True))
    return sorted(found, key=lambda one: one.at)


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Readings held against the model."""

    errors: ReadingErrors
    used: tuple[Reading, ...]
    unused: tuple[Reading, ...]
    left_out: tuple[str, ...]  #: why, in words


def reading_errors(
    readings: Sequence[Reading], *, longitude: float, day: Days, model_c: Floats, start_sd_c: Floats,
    season: NDArray[np.int64], mixed_m: Floats, widen: float = 1.0,
) -> Held:  # fmt: skip
    """What readings showed above the model, each reduced to the mean of its day by the course of the day.

    Left out, and told, are readings from below the mixed layer, on days that the model does not know, and those so far
    off that the thermometer, the lake or the unit must be another.

    Parameters
    ----------
    day, model_c, start_sd_c, season, mixed_m : ndarray, shape (D,)
        The model, and how deep the surface layer is. [degC, m]
    """
    used, unused, at, errors, place, scatter = [], [], list[float](), list[float](), list[int](), list[float]()
    reasons: list[str] = []

    def leave(one: Reading, why: str) -> None:
        unused.append(one)
        reasons.append(f"the reading of {one.at:%Y-%m-%d}, {one.temp_c:.1f} degC, is not used: {why}")

    for one in joined_by_day(readings, longitude):
        by_the_sun = one.at.timestamp() / 86400.0 + solar_shift_h(longitude) / 24.0
        index = int(np.floor(by_the_sun)) - int(day[0].astype(int))
        if not 0 <= index < day.size or np.isnan(model_c[index]):
            leave(one, "no weather of that day")
            continue
        if one.depth_m is not None and one.depth_m > mixed_m[index]:
            leave(one, "it was taken below the mixed layer")
            continue
        exact = one.hour_known and not one.is_day_mean
        mean = one.temp_c - (float(day_course_c(by_the_sun % 1.0 * 24.0)) if exact else 0.0)
        error = mean - float(model_c[index])
        own = SCATTER_C if one.hour_known else float(np.hypot(SCATTER_C, ABOVE_C))
        spread = np.sqrt(widen**2 * (LAKE_SD_C**2 + WANDER_SD_C**2) + start_sd_c[index] ** 2 + own**2)
        if abs(error) > NOT_BELIEVED_SD * spread:
            leave(one, f"it is {abs(error):.0f} degC {'above' if error > 0 else 'below'} what this lake can have then")
            continue
        used.append(one)
        at.append(by_the_sun)
        errors.append(error)
        place.append(index)
        scatter.append(own)
    where = np.array(place, int)
    told = (
        reasons if len(reasons) <= FAULTS_TOLD else [*reasons[-FAULTS_TOLD:], f"and {len(reasons) - FAULTS_TOLD} more"]
    )
    return Held(
        errors=ReadingErrors(
            at=np.array(at, float), error_c=np.array(errors, float), start_sd_c=start_sd_c[where], season=season[where],
            scatter_c=np.array(scatter, float),
        ),
        used=tuple(used), unused=tuple(unused), left_out=tuple(told),
    )  # fmt: skip
