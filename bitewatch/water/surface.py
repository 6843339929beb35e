"""One lake's surface temperature through every season of which the air is known, started afresh where lakes freeze."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bitewatch.errors import Refused
from bitewatch.water.forcing import SHORT_GAP_DAYS, Forcing, forcing
from bitewatch.water.slab import Basin, march
from bitewatch.weather.daily import DAY, Daily, Days

Floats = NDArray[np.float64]

ICE_OUT_C = 4.0  #: a lake whose ice has just gone has mixed to here; a wrong start has washed out by mid May
START_DAYS = 20  #: of April, or October in the south, in which such a start may fall [own]
START_SD_C, LATE_SD_C = 3.0, 4.0  #: how wrong a start at 4 degC may be, and one from the air alone [own]
BEFORE_DAYS, LEAST_BEFORE, FIRST_DAYS = 30, 10, 7  #: over which air tells a start [own]
LATE_FLOOR_C = 0.5
TROPIC_DEG = 23.44  #: nearer to the equator there is no spring to start from
EARLY_ICE_OUT = 91 * DAY  #: so long before the first day of its season the ice may go [own]
#: where the fit holds, and by how much the spread grows outside it and for each thing that had to be assumed [own]
MOST_AREA_KM2, MOST_DEPTH_M, LATITUDES = 100.0, 25.0, (35.0, 55.0)
OUTSIDE, ASSUMED = 1.5, 1.1
IMPOSSIBLE_C = 50.0  #: no lake under any weather: the weather was in another unit [own]
GUESSED = 0.5  #: the same where all of a season's sunshine, moisture or wind is guessed, and in proportion [own]
DOUBTS_TOLD = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """Daily surface temperature as the model has it, without any reading. Arrays of shape (D,)."""

    day: Days  #: solar days
    season: NDArray[np.int64]  #: by the year of its spring
    model_c: Floats  #: NaN where the season's weather is not known
    start_sd_c: Floats  #: what is left of the doubt about the season's start
    widen: float  #: by how much the spread is to be widened: 1 inside the range that the model was fitted on
    notes: tuple[str, ...]  #: what was made up for or assumed, in words


@dataclass(frozen=True, slots=True, kw_only=True)
class _Start:
    at: int  #: index of the first day
    until: int  #: index behind the last day
    temp_c: float
    sd_c: float
    doubt: str = ""  #: why the start is that wide, in words


def season_of(day: Days, latitude: float) -> NDArray[np.int64]:
    """The season that a day belongs to, by the year of its spring: from 1 April, south of the equator from 1 October.

    >>> season_of(np.array(["2026-03-31", "2026-04-01"], "datetime64[D]"), 45.0).tolist()
    [2025, 2026]
    """
    months = day.astype("datetime64[M]").astype(int) - (9 if latitude < 0 else 3)
    return np.asarray(1970 + months // 12)


def surface(
    daily: Daily, *, basin: Basin[float], latitude: float, elevation_m: float | None, ice_out: date | None = None,
    assumed: Sequence[str] = (),
) -> Surface:  # fmt: skip
    """The march of one lake through each season in a table of days.

    A season starts at 4 degC on the day the ice went out, which may be in March, or on the first day of April (October
    in the south) that the table has, up to the twentieth; or, where April is warmer, at the mean of the air before. A
    table that begins later, or goes on behind a gap, starts at the mean of its first week, with a wide spread. Nearer
    to the equator than 35 degrees, where no ice is, the water goes on from one season into the next. How much of the
    doubt about the start is left is found by marching a warmer and a colder start beside it.

    Parameters
    ----------
    daily : Daily
        Of one place, shape (D,).
    basin : Basin
        Numbers.
    ice_out : date, optional
        When the ice went out, for the season of that date.
    assumed : sequence of str
        What of the basin is not known, in words.

    Raises
    ------
    Refused
        If what the model needs is missing throughout, by name, or no day of any season is known.
    """
    given = forcing(daily, latitude=latitude, elevation_m=elevation_m)
    starts = _starts(given, latitude, ice_out)
    if not starts:
        known = (
            "no day of a season with known air" if ice_out is None else f"no air known from the ice-out of {ice_out} on"
        )
        raise Refused(f"the water cannot be worked out: {known}")
    at, until = np.array([start.at for start in starts]), np.array([start.until for start in starts])
    lanes = at[:, None] + np.arange(int((until - at).max()))
    inside = lanes < until[:, None]
    lanes = np.minimum(lanes, given.day.size - 1)
    columns = {
        name: _held(getattr(given, name)[lanes], inside)
        for name in ("shortwave_wm2", "air_temp_c", "vapour_hpa", "wind_speed_ms", "pressure_hpa")
    }
    begin, spread = np.array([start.temp_c for start in starts]), np.array([start.sd_c for start in starts])
    members = march(
        latitude=latitude, day=given.day[lanes], **columns, basin=basin,
        start_c=np.maximum(0.0, np.stack([begin - spread, begin, begin + spread])),
    )  # fmt: skip
    model, doubt = np.full(given.day.size, np.nan), np.full(given.day.size, np.nan)
    model[lanes[inside]] = members[1][inside]
    doubt[lanes[inside]] = 0.5 * np.abs(members[2] - members[0])[inside]  # met again, they may differ by a last bit
    if (hottest := float(np.nanmax(model))) > IMPOSSIBLE_C:
        raise Refused(f"the water would be {hottest:.0f} degC: is the weather in other units, such as degF?")
    widen, notes = _widen(basin, latitude, assumed)
    newest = lanes[-1][inside[-1]]
    if (guessed := float(given.guessed[newest].mean())) > 0.0:
        widen *= 1.0 + GUESSED * guessed
    doubts = list(dict.fromkeys(start.doubt for start in starts if start.doubt))
    notes += [f"{one}: the water started from the air, with a wide spread" for one in doubts[-DOUBTS_TOLD:]]
    return Surface(
        day=given.day, season=_seasons(given.day, latitude, ice_out), model_c=model, start_sd_c=doubt, widen=widen,
        notes=(*given.notes, *notes),
    )  # fmt: skip


def _held(values: Floats, inside: NDArray[np.bool_]) -> Floats:
    """Lanes of one length: behind the end of a season its last day is repeated, and what comes of it is not used."""
    last = inside.sum(axis=1) - 1
    return np.where(inside, values, values[np.arange(len(values)), last][:, None])


def _starts(given: Forcing, latitude: float, ice_out: date | None) -> list[_Start]:
    """Every stretch of days that is marched: seasons, cut where the air is not known."""
    known = np.isfinite(given.air_temp_c)
    season = _seasons(given.day, latitude, ice_out)
    found = []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(int), [0]])))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        # the march begins anew with each season, for ice has made an end of what the lake remembers of the last
        anew = np.diff(season[first:end], prepend=season[first] - 1) > 0
        if not _has_ice(latitude, ice_out):
            anew[1:] = False
        begins = [*(first + np.flatnonzero(anew)), end]
        for at, until in pairwise(begins):
            start = _start(given, int(at), int(until), int(season[at]), latitude, ice_out)
            if start is not None:
                found.append(start)
    return found


def _seasons(day: Days, latitude: float, ice_out: date | None) -> NDArray[np.int64]:
    """The season of each day; where the ice goes before the season's first day, the season begins with it."""
    season = season_of(day, latitude)
    if ice_out is not None:
        season[(day >= np.datetime64(ice_out)) & (season == _begun_by(ice_out, latitude) - 1)] += 1
    return season


def _begun_by(ice_out: date, latitude: float) -> int:
    return int(season_of(np.array([np.datetime64(ice_out) + EARLY_ICE_OUT]), latitude)[0])


def _start(given: Forcing, at: int, until: int, year: int, latitude: float, ice_out: date | None) -> _Start | None:
    if ice_out is not None and _begun_by(ice_out, latitude) == year:
        gone = int((np.datetime64(ice_out) - given.day[0]).astype(int))
        if gone >= until:
            return None
        if gone >= at:
            return _Start(at=gone, until=until, temp_c=ICE_OUT_C, sd_c=START_SD_C)
    spring = np.datetime64(f"{year}-{10 if latitude < 0 else 4:02d}-01")
    air = given.air_temp_c
    before = air[max(0, at - BEFORE_DAYS) : at]
    before = before[np.isfinite(before)]
    has_ice = _has_ice(latitude, ice_out)
    in_spring = given.day[at] < spring + START_DAYS * DAY
    if in_spring and abs(latitude) > TROPIC_DEG and (has_ice or before.size >= LEAST_BEFORE):
        warm = float(before.mean()) if before.size >= LEAST_BEFORE else ICE_OUT_C
        return _Start(at=at, until=until, temp_c=max(ICE_OUT_C, warm), sd_c=START_SD_C)
    if abs(latitude) <= TROPIC_DEG:
        doubt = "no ice goes out so near the equator"
    elif np.isfinite(air[:at]).any():
        doubt = f"no air temperature for more than {SHORT_GAP_DAYS} days before {given.day[at]}"
    else:
        doubt = f"no weather is known before {given.day[at]}"
    first = max(LATE_FLOOR_C, float(air[at : min(at + FIRST_DAYS, until)].mean()))
    told = doubt if first > LATE_FLOOR_C else ""  # of a lake under ice nothing is told, so there is nothing to doubt
    return _Start(at=at, until=until, temp_c=first, sd_c=LATE_SD_C, doubt=told)


def _has_ice(latitude: float, ice_out: date | None) -> bool:
    """Nearer to the equator nothing says that a lake begins its year at 4 degC."""
    return abs(latitude) >= LATITUDES[0] or ice_out is not None


def _widen(basin: Basin[float], latitude: float, assumed: Sequence[str]) -> tuple[float, list[str]]:
    widen, notes = 1.0, []
    beyond = [
        what
        for what, is_beyond in (
            (f"an area over {MOST_AREA_KM2:.0f} km2", basin.area_km2 > MOST_AREA_KM2),
            (f"a mean depth over {MOST_DEPTH_M:.0f} m", basin.mean_depth_m > MOST_DEPTH_M),
            (f"a latitude of {latitude:.0f}", not LATITUDES[0] <= abs(latitude) <= LATITUDES[1]),
        )
        if is_beyond
    ]
    if beyond:
        widen *= OUTSIDE
        notes.append(f"{' and '.join(beyond)} is outside what the water model was fitted on: the spread is wider")
    if assumed:
        widen *= ASSUMED ** len(assumed)
        notes.append(f"{', '.join(assumed)} not entered: for the water a middling lake is assumed")
    return widen, notes
