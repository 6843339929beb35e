"""The gate between a payload and an issue: what of it is believed, and why the rest is not."""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np

from bitewatch.errors import PayloadRefused
from bitewatch.weather.hourly import HOUR, LIMITS, Floats, Times
from bitewatch.weather.humidity import dew_point_c, humidity_pct
from bitewatch.weather.sources.base import Cell, Issue, Place

NEAR_DEG = 0.3  #: a cell centre farther from the place asked for is not its cell (own choice; coarse grids step 0.25)
ENOUGH_TO_TELL = 10  #: values of humidity that must all be 1 or less to be taken for a fraction (own choice)
AHEAD = timedelta(minutes=10)  #: a provider's clock runs no farther before ours than this (own choice)


class Reason(StrEnum):
    """Why a whole payload is set aside."""

    NOT_TEXT = "the body is not UTF-8 text"
    NOT_JSON = "the body is not strict JSON"
    NOT_CSV = "the body is not a table of hours in CSV"
    REPORTS_ERROR = "the source reports an error"
    WRONG_SHAPE = "the body does not have the agreed shape"
    WRONG_UNITS = "a unit is not the one asked for"
    WRONG_HOURS = "the hours are not whole hours that follow each other"
    NO_HOURS = "there are no usable hours"
    NOT_NOW = "the hours do not include the hour of asking"
    WRONG_PLACE = "the grid cell is not near the place asked for"
    NOT_YET = "the reference time lies in the future"
    OLDER = "an older issue than the one that is stored"
    BROKE_OFF = "the answer broke off while it was sent"


def believed(columns: Mapping[str, Floats]) -> tuple[dict[str, Floats], tuple[str, ...]]:
    """The columns with every value out of range missing, and humidity or dew point completed from the other.

    Returns the columns, and a note for each one that lost values. A humidity of 0 counts as missing (no air is that
    dry: sensors say so when they fail), and 100 to 105 as saturated.
    """
    kept, notes = {}, []
    for column, values in columns.items():
        low, high = LIMITS[column]
        out = (values < low) | (values > high)
        if column == "humidity_pct":
            told = np.isfinite(values)
            if told.sum() >= ENOUGH_TO_TELL and 0.0 < values[told].max() <= 1.0:
                kept[column] = np.full_like(values, np.nan)
                notes.append("humidity_pct: left out, no value is over 1 %; is it a fraction?")
                continue
            out |= values == 0.0
        if out.any():
            notes.append(
                f"{column}: values out of range left out: {np.count_nonzero(out)}, the first {values[out][0]:g}"
            )
        kept[column] = np.where(out, np.nan, values)
    if "humidity_pct" in kept:
        kept["humidity_pct"] = np.minimum(kept["humidity_pct"], 100.0)
    _complete_moisture(kept)
    return kept, tuple(notes)


def _complete_moisture(columns: dict[str, Floats]) -> None:
    if "air_temp_c" not in columns:
        return
    temp = columns["air_temp_c"]
    missing = np.full_like(temp, np.nan)
    humidity, dew = columns.get("humidity_pct", missing), columns.get("dew_point_c", missing)
    columns["dew_point_c"] = _inside("dew_point_c", np.where(np.isnan(dew), dew_point_c(temp, humidity), dew))
    derived = _inside("humidity_pct", humidity_pct(temp, dew))
    columns["humidity_pct"] = np.where(np.isnan(humidity), np.minimum(derived, 100.0), humidity)


def _inside(column: str, values: Floats) -> Floats:
    low, high = LIMITS[column]
    return np.where((values >= low) & (values <= high), values, np.nan)


def check_hours(time: Times) -> None:
    """Refuse hours that a gridded source cannot mean.

    Raises
    ------
    PayloadRefused
        If there are none, or they are not whole hours, each one hour after the last.
    """
    if time.size == 0:
        raise PayloadRefused(Reason.NO_HOURS)
    steps = np.diff(time)
    if (steps != HOUR).any():
        at = int(np.flatnonzero(steps != HOUR)[0])
        raise PayloadRefused(Reason.WRONG_HOURS, f"{time[at + 1]}Z stands after {time[at]}Z")
    if time[0] != time[0].astype("datetime64[h]"):
        raise PayloadRefused(Reason.WRONG_HOURS, f"{time[0]}Z is not a whole hour")


def check_near(place: Place | Cell, latitude: float, longitude: float) -> None:
    """Refuse a cell that is not where it was asked for.

    Raises
    ------
    PayloadRefused
        If its centre is `NEAR_DEG` or more away in latitude or longitude.
    """
    off_longitude = abs((longitude - place.longitude + 180.0) % 360.0 - 180.0)
    if not (abs(latitude - place.latitude) < NEAR_DEG and off_longitude < NEAR_DEG and abs(latitude) <= 90.0):
        raise PayloadRefused(
            Reason.WRONG_PLACE,
            f"asked for {place.latitude:g}, {place.longitude:g}, answered for {latitude:g}, {longitude:g}",
        )


def check_reference(reference_time: datetime, fetched_at: datetime) -> None:
    """Refuse what says that it was made after it came.

    Raises
    ------
    PayloadRefused
        If it was made more than `AHEAD` after it was fetched.
    """
    if reference_time > fetched_at + AHEAD:
        raise PayloadRefused(Reason.NOT_YET, f"{reference_time:%Y-%m-%d %H:%M}Z, asked at {fetched_at:%Y-%m-%d %H:%M}Z")


def check_not_older(issues: Iterable[Issue], stored: Mapping[str, datetime]) -> None:
    """Refuse issues older than those at hand; ``stored`` is the newest reference time at hand for each cell.

    Raises
    ------
    PayloadRefused
        If one was made before the one at hand: a server that lags behind the others of its provider has answered.
    """
    for issue in issues:
        made, newest = issue.reference_time, stored.get(issue.cell)
        if made is not None and newest is not None and made < newest:
            raise PayloadRefused(Reason.OLDER, f"made at {made:%Y-%m-%d %H:%M}Z, stored is {newest:%Y-%m-%d %H:%M}Z")
