"""Layers of a lake through the season: how deep the mixed layer and the thermocline usually lie.

A norm of the season and not today's mixing: single profiles differ from it by more than a metre, so a range is told.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bitewatch.lake.profile import DepthProfile
from bitewatch.water.waves import fetch_from_area_m

Floats = NDArray[np.float64]

#: middles of half months from May on [day of year], and the two depths there over the midsummer thermocline's: fitted
#: on 18 lakes between about 43 and 49 degrees north [own]
MIDDLES = np.arange(127.5, 278.0, 15.0)
THERMOCLINE = np.array([0.77, 0.81, 0.79, 0.84, 0.89, 0.95, 1.01, 1.12, 1.22, 1.36, 1.50])
MIXED = np.array([0.60, 0.60, 0.57, 0.57, 0.64, 0.70, 0.79, 0.91, 1.02, 1.21, 1.34])
SPREAD_M = 1.35  #: mean distance of single profiles from the norm, some of it from probing by the metre [own]
SHALLOW = 1.2  #: a lake less deep than this many times its thermocline does not layer [own]
FITTED = (42.0, 50.0)  #: degrees north; the fit's own edges are not sharper than a degree [own]
HALF_YEAR = 182.5
STEEPEST_C_PER_M = 1.0  #: a thermocline falls at least so fast (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layers:
    """Layer depths by day, shape (D,); each is a norm, with its range by `likely_range_m`. [m]"""

    mixed_m: Floats  #: one degree colder than the surface; the whole depth where the lake does not layer
    thermocline_m: Floats  #: NaN where the lake does not layer
    layered: bool | None  #: None where the greatest depth is not known
    doubt: str  #: what to say of it, in words; empty if nothing


def midsummer_thermocline_m(area_km2: ArrayLike, secchi_m: ArrayLike) -> Floats:
    """Depth of the thermocline in midsummer, from the lake's size and clarity.

    Parameters
    ----------
    area_km2, secchi_m : array_like
        Lake area [km2] and Secchi depth [m].

    Returns
    -------
    ndarray
        Of the broadcast shape. [m]

    References
    ----------
    Fitted on 18 lakes of the US Upper Midwest; each lake left out in turn, 0.56 m off on the mean [own].

    Examples
    --------
    >>> round(float(midsummer_thermocline_m(1.0, 2.0)), 3)
    5.389
    """
    longest = fetch_from_area_m(area_km2)
    return np.asarray(np.exp(-0.411) * longest**0.271 * np.asarray(secchi_m, float) ** 0.275)


def layers(
    day_of_year: Floats, *, area_km2: float, secchi_m: float, max_depth_m: float | None, latitude: float
) -> Layers:  # fmt: skip
    """Layer depths of one lake for days of the year.

    Parameters
    ----------
    day_of_year : ndarray, shape (D,)
        1 to 366.
    area_km2, secchi_m : float
        Lake area [km2] and Secchi depth [m], both above 0.
    max_depth_m : float or None
        Greatest depth, None where it is not known: whether the lake layers is then not known either. [m]
    latitude : float
        South of the equator the season is half a year later. [degrees north]

    Returns
    -------
    Layers
        Clipped to the greatest depth.

    References
    ----------
    Season of 18 lakes of the US Upper Midwest, as `MIDDLES` has it [own].

    Examples
    --------
    >>> one = layers(np.array([202.5]), area_km2=1.0, secchi_m=2.0, max_depth_m=20.0, latitude=45.0)
    >>> one.mixed_m.round(3).tolist(), one.thermocline_m.round(3).tolist()
    ([3.772], [5.119])
    """
    summer = float(midsummer_thermocline_m(area_km2, secchi_m))
    day = (day_of_year + HALF_YEAR) % 365.0 if latitude < 0 else day_of_year
    doubts = []
    if not FITTED[0] <= latitude <= FITTED[1]:
        doubts.append("layer depths are a norm of lakes between about 43 and 49 degrees north, and less sure here")
    if max_depth_m is None:
        doubts.append("greatest depth not entered: whether the lake layers is not known")
    elif max_depth_m < SHALLOW * summer:
        return Layers(
            mixed_m=np.full(day.shape, max_depth_m), thermocline_m=np.full(day.shape, np.nan), layered=False,
            doubt="; ".join(["too shallow to layer", *doubts]),
        )  # fmt: skip
    deepest = np.inf if max_depth_m is None else max_depth_m
    return Layers(
        mixed_m=np.minimum(summer * np.interp(day, MIDDLES, MIXED), deepest),
        thermocline_m=np.minimum(summer * np.interp(day, MIDDLES, THERMOCLINE), deepest),
        layered=None if max_depth_m is None else True, doubt="; ".join(doubts),
    )  # fmt: skip


def likely_range_m(depth_m: ArrayLike, max_depth_m: float | None) -> tuple[Floats, Floats]:
    """From where to where a layer depth is likely to lie on one day, inside the lake.

    Examples
    --------
    >>> low, high = likely_range_m([1.0, 5.0], 6.0)
    >>> low.tolist(), high.tolist()
    ([0.0, 3.65], [2.35, 6.0])
    """
    depth = np.asarray(depth_m, float)
    deepest = np.inf if max_depth_m is None else max_depth_m
    return np.maximum(depth - SPREAD_M, 0.0), np.minimum(depth + SPREAD_M, deepest)


def measured_thermocline_m(profile: DepthProfile) -> float | None:
    """Where a probe saw the temperature fall fastest; None where it fell by less than a degree a metre.

    Parameters
    ----------
    profile : DepthProfile
        With or without temperatures.

    Returns
    -------
    float or None
        Middle of the steepest step; of steps that are equally steep, the upper one. [m]

    Notes
    -----
    A calm sunny afternoon warms the first metre so fast that a probe may see its steepest fall there.

    References
    ----------
    A degree a metre is common practice.

    Examples
    --------
    >>> from datetime import date
    >>> seen = DepthProfile(on=date(2026, 7, 15), depth_m=(0, 4, 5, 10), water_temp_c=(24, 23, 18, 12))
    >>> measured_thermocline_m(seen)
    4.5
    """
    if not profile.water_temp_c:
        return None
    depth, temp = np.array(profile.depth_m), np.array(profile.water_temp_c)
    fall = -np.diff(temp) / np.diff(depth)
    steepest = int(fall.argmax())
    return float(0.5 * (depth[steepest] + depth[steepest + 1])) if fall[steepest] >= STEEPEST_C_PER_M else None
