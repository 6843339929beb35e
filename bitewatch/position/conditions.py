"""The hourly table of every variable that a rule may name, from the weather and from what is known of the water."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bitewatch.position.variables import VARIABLES
from bitewatch.water.light import light_at_tops
from bitewatch.weather.hourly import Floats, Hourly, Times

if TYPE_CHECKING:
    from bitewatch.weather.governing import FrontVariables
    from bitewatch.weather.sun import Sun

CALM_MS = 0.3  #: below this a missing direction does not matter, as in the search for fronts [own]


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Every rule variable for every hour; a missing value is NaN.

    Attributes
    ----------
    time : ndarray of datetime64[s], shape (T,)
        Whole hours, UTC.
    values : mapping of str to ndarray of float64, shape (..., T)
        Each of the rule variables, all of one shape.
    """

    time: Times
    values: Mapping[str, Floats]

    def __post_init__(self) -> None:
        if set(self.values) != set(VARIABLES):
            raise ValueError(f"values must be {tuple(VARIABLES)}")
        if len({values.shape for values in self.values.values()}) != 1 or self.shape[-1:] != self.time.shape:
            raise ValueError("every variable must have the hours on its last axis")

    def __getitem__(self, variable: str) -> Floats:
        return self.values[variable]

    @property
    def shape(self) -> tuple[int, ...]:
        """Leading axes, then hours."""
        return self["water_temp_c"].shape


def make_conditions(
    *,
    hourly: Hourly,
    fronts: "FrontVariables",
    stable_days: ArrayLike,
    sun: "Sun",
    day_of_year: ArrayLike | None,
    water_temp_c: ArrayLike | None,
    water_temp_change_3d_c: ArrayLike | None,
    secchi_m: ArrayLike | None,
    weed_cover: ArrayLike | None,
    weed_tops_m: ArrayLike | None,
    open_water_bearing_deg: ArrayLike | None,
    oxygen_margin_m: ArrayLike | None,
) -> Conditions:
    """Conditions of one lake, of its spots, or of many lakes at once.

    Whatever is given must broadcast against hours on the last axis: a number, hours (T,), or one value a spot (S, 1).
    None and NaN are missing, and what follows from a missing value is missing too.

    Parameters
    ----------
    hourly : Hourly
        The air.
    fronts : FrontVariables
        The governing fronts, passed and to come.
    stable_days : array_like
        The run of stable days at each hour. [d]
    sun : Sun
        Its elevation, and whether it rises.
    day_of_year : array_like or None
        Local date, 1 to 366; None where the calendar of the rules does not hold.
    water_temp_c, water_temp_change_3d_c : array_like or None
        Surface temperature, and how it differs from 72 hours before. Whoever knows the water knows whether it was
        followed: one reading held for days tells of no change, which is not a change of 0. [degC]
    secchi_m, weed_cover, weed_tops_m, oxygen_margin_m : array_like or None
        From the profile. [m, share, m, m]
    open_water_bearing_deg : array_like or None
        Compass bearing from the spot to its open water. [deg]

    Raises
    ------
    ValueError
        If shapes do not go together, or a Secchi depth or depth of weed tops is impossible.
    """
    hours = hourly.time.size
    water_temp, secchi = _known(water_temp_c), _known(secchi_m)
    derived = {
        "front_strength": fronts.front_strength,
        "hours_since_front": fronts.hours_since_front,
        "front_strength_ahead": fronts.front_strength_ahead,
        "hours_to_front": fronts.hours_to_front,
        "pressure_change_6h_hpa": _change(hourly["pressure_hpa"], 6),
        "stable_days": stable_days,
        "water_temp_c": water_temp,
        "water_temp_change_3d_c": _known(water_temp_change_3d_c),
        "day_of_year": _known(day_of_year),
        "sun_elevation_deg": sun.elevation_deg,
        "sun_rising": sun.rising,
        "light_at_tops": light_at_tops(hourly["shortwave_wm2"], secchi, _known(weed_tops_m)),
        "wind_speed_ms": hourly["wind_speed_ms"],
        "onshore_wind_ms": onshore_wind(
            hourly["wind_speed_ms"], hourly["wind_from_deg"], _known(open_water_bearing_deg)
        ),
        "secchi_m": secchi,
        "weed_cover": _known(weed_cover),
        "oxygen_margin_m": _known(oxygen_margin_m),
        "rain_24h_mm": _trailing_sum(hourly["precip_mm"], 24),
        "air_minus_water_c": hourly["air_temp_c"] - water_temp,
    }
    arrays = {name: np.asarray(values, float) for name, values in derived.items()}
    shape = np.broadcast_shapes((hours,), *(values.shape for values in arrays.values()))
    return Conditions(
        time=hourly.time, values={name: np.broadcast_to(values, shape) for name, values in arrays.items()}
    )


def onshore_wind(wind_speed_ms: ArrayLike, wind_from_deg: ArrayLike, open_water_bearing_deg: ArrayLike) -> Floats:
    """Wind blowing from open water onto a spot, mean of the last six hours.

    Parameters
    ----------
    wind_speed_ms, wind_from_deg : array_like, shape (..., T)
        Hourly wind. [m/s, deg]
    open_water_bearing_deg : array_like
        Compass bearing from the spot to its open water. [deg]

    Returns
    -------
    ndarray, shape (..., T)
        NaN unless all six hours and the bearing are known. A calm hour counts as 0 even without a direction. [m/s]

    Raises
    ------
    ValueError
        If the shapes do not broadcast.

    References
    ----------
    The six hours, as the time in which drift piles up, are our own choice.

    Examples
    --------
    >>> round(float(onshore_wind([4.0] * 6, [240.0] * 6, 180.0)[-1]), 3)
    2.0
    """
    speed, direction, bearing = (
        np.asarray(given, float) for given in (wind_speed_ms, wind_from_deg, open_water_bearing_deg)
    )
    is_calm = np.isnan(direction) & (speed < CALM_MS)
    speed, direction = np.where(is_calm, 0.0, speed), np.where(is_calm, bearing, direction)
    onto = speed * np.maximum(0.0, np.cos(np.radians(direction - bearing)))
    return _trailing_sum(onto, 6) / 6.0


def _known(given: ArrayLike | None) -> Floats:
    return np.asarray(np.nan if given is None else given, float)


def _change(values: Floats, hours: int) -> Floats:
    """Each hour minus the hour so many before; missing while there is none."""
    change = np.full(values.shape, np.nan)
    change[..., hours:] = values[..., hours:] - values[..., :-hours]
    return change


def _trailing_sum(values: Floats, hours: int) -> Floats:
    """Sum over each hour and those before it; missing if any is. Added in one fixed order, so that a lane in a batch
    gets the very bits it gets alone."""
    total = np.full(values.shape, np.nan)
    if values.shape[-1] >= hours:
        count = values.shape[-1] - hours + 1
        total[..., hours - 1 :] = values[..., :count]
        for later in range(1, hours):
            total[..., hours - 1 :] += values[..., later : later + count]
    return total
