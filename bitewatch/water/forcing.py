"""The air as the lake model takes it: without gaps, at the lake's height; what cannot be had is refused by name."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bitewatch.errors import Refused
from bitewatch.water.radiation import extraterrestrial_wm2
from bitewatch.weather.daily import Daily, Days, day_of_year
from bitewatch.weather.humidity import saturation_vapour_hpa

Floats = NDArray[np.float64]

SHORT_GAP_DAYS = 3  #: over so many days air is taken straight from one side to the other [own]
CLEARNESS = (0.1, 0.8)  #: share of the sunshine above the air that can reach the ground over a day [own]
DARK_WM2 = 1.0  #: below so much above the air a day tells nothing of the sky: polar night [own]
#: half of so many days or more, each with so much above the air, let this share through: another unit [own]
ENOUGH_DAYS, BRIGHT_WM2, GLOOM = 10, 100.0, 0.08
SEA_LEVEL_HPA = 1013.25  #: ICAO standard atmosphere


@dataclass(frozen=True, slots=True, kw_only=True)
class Forcing:
    """Daily means for the march, shape (D,); air is NaN, and all that hangs on it, in gaps longer than three days."""

    day: Days
    shortwave_wm2: Floats
    air_temp_c: Floats
    vapour_hpa: Floats
    wind_speed_ms: Floats
    pressure_hpa: Floats  #: at the height of the lake
    guessed: NDArray[np.bool_]  #: days of which sunshine, moisture or wind is made up
    notes: tuple[str, ...]  #: what was made up for, in words


def forcing(daily: Daily, *, latitude: float, elevation_m: float | None) -> Forcing:
    """The air over one lake without gaps.

    Gaps are filled by rules of our own, each told where it was used: air and vapour straight across up to three days;
    longer gaps of vapour by the mean share of saturation; sunshine by the clearness of the days around; wind by its
    mean; air pressure by the standard atmosphere, which is told only if no day has any, for the water hardly feels it.
    Longer gaps of air stay: nothing stands in for what drives the water most.

    Raises
    ------
    Refused
        If a column is missing throughout; says which columns of hours would give it.
    """
    air, notes = _bridged(daily["air_temp_c"], "air temperature")
    if np.isnan(air).all():
        raise Refused("the water cannot be worked out: no air_temp_c, or no day with enough hours of it")
    known = np.isfinite(air)
    vapour, more = _vapour(daily["vapour_hpa"], air)
    notes += more
    sun, more = _sunshine(daily, latitude, known)
    notes += more
    wind = daily["wind_speed_ms"]
    if np.isnan(wind).all():
        raise Refused("the water cannot be worked out: no wind_speed_ms, or no day with enough hours of it")
    notes += _note(known & np.isnan(wind), "wind", "its mean over the known days")
    wind = np.where(np.isnan(wind), np.nanmean(wind), wind)
    missing = (np.isnan(daily[name]) for name in ("shortwave_wm2", "vapour_hpa", "wind_speed_ms"))
    guessed = np.logical_or.reduce(list(missing)) & known
    height = elevation_m or 0.0
    if elevation_m is None:
        notes.append("elevation not entered: taken as sea level, which the water hardly feels")
    if np.isnan(daily["pressure_hpa"]).all():
        notes.append("air pressure not given: the standard atmosphere, which the water hardly feels")
    pressure = np.where(np.isnan(daily["pressure_hpa"]), SEA_LEVEL_HPA, daily["pressure_hpa"])
    return Forcing(
        day=daily.day, shortwave_wm2=sun, air_temp_c=air, vapour_hpa=vapour, wind_speed_ms=wind, guessed=guessed,
        pressure_hpa=at_height_hpa(pressure, height), notes=tuple(notes),
    )  # fmt: skip


def at_height_hpa(sea_level_hpa: Floats | float, elevation_m: float) -> Floats:
    """Air pressure at a height, from that at mean sea level.

    Parameters
    ----------
    sea_level_hpa : array_like
        At mean sea level. [hPa]
    elevation_m : float
        Height above the sea. [m]

    Returns
    -------
    ndarray
        Of the same shape. [hPa]

    References
    ----------
    .. [1] International Standard Atmosphere, ICAO Doc 7488 (from memory).

    Examples
    --------
    >>> round(float(at_height_hpa(1013.25, 1000.0)), 1)
    898.7
    """
    return np.asarray(np.asarray(sea_level_hpa, float) * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588)


def _vapour(given: Floats, air: Floats) -> tuple[Floats, list[str]]:
    vapour, notes = _bridged(given, "vapour pressure")
    saturated = saturation_vapour_hpa(air)
    share = vapour / saturated
    if np.isnan(share).all():
        raise Refused("the water cannot be worked out: no dew_point_c, and no humidity_pct to take it from")
    lacking = np.isnan(vapour) & np.isfinite(air)
    notes += _note(lacking, "vapour pressure", "its mean share of saturation")
    return np.where(lacking, np.nanmean(share) * saturated, vapour), notes


def _sunshine(daily: Daily, latitude: float, known: NDArray[np.bool_]) -> tuple[Floats, list[str]]:
    above = extraterrestrial_wm2(latitude, day_of_year(daily.day))
    given = daily["shortwave_wm2"]
    told = np.isfinite(given)
    if not told.any():
        raise Refused("the water cannot be worked out: no shortwave_wm2, and no cloud_pct to take it from")
    tells = told & (above > DARK_WM2)
    bright = told & (above > BRIGHT_WM2)
    if bright.sum() >= ENOUGH_DAYS and np.median(given[bright] / above[bright]) < GLOOM:
        mean = float(given[bright].mean())
        raise Refused(
            f"the water cannot be worked out: shortwave_wm2 is {mean:.0f} W/m2 in the mean, darker than under any sky: "
            "is it in MJ/m2?"
        )
    at = np.arange(given.size, dtype=float)
    if tells.any():
        clearness = np.interp(at, at[tells], np.clip(given[tells] / above[tells], *CLEARNESS))
    else:
        clearness = np.full(at.size, np.mean(CLEARNESS))
    filled = clearness * above
    return np.where(told, given, filled), _note(known & ~told, "sunshine", "the clearness of the days around")


def _bridged(values: Floats, what: str) -> tuple[Floats, list[str]]:
    """Gaps of up to three days filled straight across; longer ones, and the ends, stay."""
    told = np.isfinite(values)
    if not told.any():
        return values, []
    at = np.arange(values.size)
    before = np.maximum.accumulate(np.where(told, at, -1))
    after = np.minimum.accumulate(np.where(told, at, values.size)[::-1])[::-1]
    short = ~told & (before >= 0) & (after < values.size) & (after - before - 1 <= SHORT_GAP_DAYS)
    filled = np.interp(at.astype(float), at[told].astype(float), values[told])
    return np.where(short, filled, values), _note(short, what, "the days around")


def _note(where: NDArray[np.bool_], what: str, by: str) -> list[str]:
    days = int(where.sum())
    return [f"{what} of {days} {'day' if days == 1 else 'days'} not given: from {by}"] if days else []
