"""Readings of thermometers: read from text, questioned, and held against the model."""

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time
from itertools import groupby
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from bitewatch.errors import Refused
from bitewatch.lake.profile import COLDEST_C, HOTTEST_C
from bitewatch.units import M_PER_FT, c_from_f, f_from_c
from bitewatch.water.correction import LAKE_SD_C, SCATTER_C, WANDER_SD_C, ReadingErrors
from bitewatch.water.day_course import ABOVE_C, day_course_c
from bitewatch.water.reading import Reading
from bitewatch.weather.daily import Days, solar_shift_h

Floats = NDArray[np.float64]

FUTURE = "is in the future"  #: how a fault ends of which a replay sees many
FAR_OFF_C, FAR_OFF_SD = 5.0, 4.0  #: from the model on, a reading is questioned before it is taken [own]
NOT_BELIEVED_SD = 5.0  #: beyond so many spreads a reading corrects nothing [own]
MANY = 4  #: readings of one thermometer in one day are joined, for they are not that many thermometers
BY_HAND = ("file", "profile", "typed")  #: sources of what one thermometer in a hand showed
MODEL_DEPTHS_M = (0.5, 1.0)  #: where the readings were taken that the model was fitted on [own]
FIRST_YEAR = 1900  #: before it, a year is mistyped
SECONDS_A_DAY = 86400.0
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
    found = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*(°?[a-z]*)\s*", text.lower().replace(",", "."))
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
        f"({expected_c:.0f}, give or take {max(1.0, expected_sd_c):.0f}){hint}"
    )


def _possible(temp_c: float) -> bool:
    return COLDEST_C <= temp_c <= HOTTEST_C


def readings_from_csv(text: str, *, zone: ZoneInfo, now: datetime) -> tuple[tuple[Reading, ...], tuple[str, ...]]:
    """The readings of a CSV text, and what is wrong with others, by line.

    The first line names the columns: ``time`` (ISO 8601; the lake's wall time unless it carries an offset) or ``date``
    (the hour is then not known, and noon stands for it), ``water_temp_c`` or ``water_temp_f``, and perhaps ``depth_m``
    or ``depth_ft``. Lines that begin with ``#`` are remarks. Each reading counts as known when it was taken; one of
    today without an hour is no reading from the future, but counts from noon on.

    Raises
    ------
    Refused
        If the first line is not such a header.
    """
    lines = [
        (number, line)
        for number, line in enumerate(io.StringIO(text, newline=None), 1)
        if line.strip(" \t\n,") and not line.lstrip().startswith("#")
    ]
    header = [cell.lower() for cell in _cells(lines[0][1])] if lines else []
    named = [name for name in header if name in COLUMNS]
    for either in (("time", "date"), ("water_temp_c", "water_temp_f")):
        if sum(named.count(name) for name in either) != 1:
            raise Refused(f"the first line must name one column {either[0]} or {either[1]}")
    if named.count("depth_m") + named.count("depth_ft") > 1:
        raise Refused("the first line must name depth_m or depth_ft, not both")
    unknown = dict.fromkeys(name for name in header if name and name not in COLUMNS)
    faults = [f"column {name} is not known and left out" for name in unknown]
    found: dict[tuple[datetime, float, float | None], Reading] = {}
    for number, line in lines[1:]:
        try:
            reading = _reading(_row(header, _cells(line)), zone, now)
            if asked := question(reading.temp_c):
                raise Refused(asked)
        except Refused as error:
            faults.append(f"line {number}: {error}")
            continue
        found.setdefault((reading.at, reading.temp_c, reading.depth_m), reading)
    return tuple(sorted(found.values(), key=lambda one: one.at)), tuple(faults)


def _cells(line: str) -> list[str]:
    """Each line is read by itself, so that a quote left open spoils no other."""
    try:
        return [cell.strip() for cell in next(csv.reader([line], strict=True))]
    except csv.Error as error:
        raise Refused(f"not a line of CSV: {error}") from None


def _row(header: Sequence[str], cells: Sequence[str]) -> dict[str, str]:
    if any(cells[len(header) :]):
        raise Refused("more cells than the first line names; write 22.5 with a point")
    return dict(zip(header, [*cells, *[""] * len(header)], strict=False))


def _reading(told: Mapping[str, str], zone: ZoneInfo, now: datetime) -> Reading:
    when = told["time"] if "time" in told else told["date"]
    at, hour_known = _instant(when, zone)
    if at > now and (hour_known or at.astimezone(zone).date() > now.astimezone(zone).date()):
        raise Refused(f"{when} {FUTURE}")
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
        moment, hour_known = datetime.combine(date.fromisoformat(text), NOON), False
    except ValueError:
        try:
            moment, hour_known = datetime.fromisoformat(text), True
        except ValueError:
            raise Refused(f'"{text}" is not a time; write 2026-07-20T15:00, or 2026-07-20') from None
    if moment.year < FIRST_YEAR:
        raise Refused(f'"{text}": of which year? write 2026-07-20T15:00, or 2026-07-20')
    try:
        return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC), hour_known
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
    """Many readings of one thermometer in one solar day as one, the mean of the day that they tell of.

    A gauge is one thermometer, not twenty-four; and so is a probe that was let down: of what one source showed at one
    moment in several depths, only the depth nearest to 0.5 to 1 m is taken.
    """

    def thermometer(one: Reading) -> tuple[str, float, int]:
        depth = -1.0 if one.depth_m is None else one.depth_m
        return one.source, depth, int(np.floor(_solar_days(one, longitude)))

    ordered = sorted(_near_surface(_once_each(readings)), key=lambda one: (*thermometer(one), one.at))
    found = []
    for _, group in groupby(ordered, thermometer):
        same = list(group)
        if len(same) < MANY:
            found += same
            continue
        # each by its own hour: the mean of a morning alone is not that of its day
        mean = float(np.mean([_day_mean_c(one, longitude) for one in same]))
        found.append(
            replace(
                same[len(same) // 2], temp_c=mean, is_day_mean=True, hour_known=all(one.hour_known for one in same),
                known_at=max(one.known_at for one in same),
            )
        )  # fmt: skip
    return sorted(found, key=lambda one: one.at)


def _near_surface(readings: Iterable[Reading]) -> list[Reading]:
    taken: dict[tuple[str, datetime], list[Reading]] = {}
    for one in readings:
        same = taken.setdefault((one.source, one.at), [])
        if same and _off_depth_m(one) < _off_depth_m(same[0]):
            same.clear()
        if not same or _off_depth_m(one) == _off_depth_m(same[0]):
            same.append(one)
    return [one for same in taken.values() for one in same]


def _once_each(readings: Iterable[Reading]) -> list[Reading]:
    """The same reading may come by two ways, from a file and from the profile: it counts once."""
    found: dict[tuple[str, datetime, float], Reading] = {}
    for one in readings:
        who = BY_HAND if one.source in BY_HAND else (one.source,)
        depth = -1.0 if one.depth_m is None else round(one.depth_m, 2)
        found.setdefault((f"{who}:{depth}", one.at, round(one.temp_c, 2)), one)
    return list(found.values())


def _off_depth_m(one: Reading) -> float:
    low, high = MODEL_DEPTHS_M
    return 0.0 if one.depth_m is None else max(low - one.depth_m, one.depth_m - high, 0.0)


def _day_mean_c(one: Reading, longitude: float) -> float:
    if one.is_day_mean or not one.hour_known:
        return one.temp_c
    return one.temp_c - float(day_course_c(_solar_days(one, longitude) % 1.0 * 24.0))


def _solar_days(one: Reading, longitude: float) -> float:
    """Days since 1970 by the sun's clock."""
    return (one.at.timestamp() + 3600 * solar_shift_h(longitude)) / SECONDS_A_DAY


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
        by_the_sun = _solar_days(one, longitude)
        index = int(np.floor(by_the_sun)) - int(day[0].astype(int))
        if not 0 <= index < day.size or np.isnan(model_c[index]):
            leave(one, "no weather of that day")
            continue
        if one.depth_m is not None and one.depth_m > mixed_m[index]:
            leave(one, "it was taken below the mixed layer")
            continue
        error = _day_mean_c(one, longitude) - float(model_c[index])
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
