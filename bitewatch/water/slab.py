"""Surface temperature of lakes: one well-mixed slab that the air warms and cools, marched from day to day.

A lake is one number, the temperature of its surface layer. The layer is as deep as the wind can keep it, and deeper the
colder it is. The constants were fitted on 17 lakes of the US Upper Midwest, held near published values [own].
"""

from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bitewatch.water.radiation import KELVIN, STEFAN_BOLTZMANN, cloud_share, extraterrestrial_wm2, longwave_in_wm2
from bitewatch.water.waves import fetch_from_area_m
from bitewatch.weather.daily import Days, day_of_year
from bitewatch.weather.humidity import saturation_vapour_hpa

Floats = NDArray[np.float64]

# fitted [own]
TRANSFER = 1.3e-3  #: exchange coefficient of heat and vapour
CALM_MS = 0.9  #: stirring that is left without wind [m/s]
SHELTER_LAND, SHELTER_PER_KM = 0.42, 0.94  #: wind over a small lake is that over land, less than half of the open's
CONVECTION = 2.0  #: gustiness of air that rises from warm water [m/s per K^(1/3)]
LONGWAVE_SHARE, SHORTWAVE_SHARE = 0.98, 0.96
FLOOR_SHARE, COOLING_C = 0.965, 5.3  #: how deep the wind reaches [of Hanna's depth], and how fast cold water deepens
LOST_SHARE = 0.13 * 0.55  #: of the sunshine, which goes through the layer into the deep
# physical
ALBEDO_KEEPS, EMISSIVITY = 0.93, 0.97  #: share of sunshine that enters; of radiated heat
CP_AIR, LATENT, GRAVITY, R_AIR, MOLAR_SHARE = 1005.0, 2.466e6, 9.81, 287.05, 0.622
HEAT_PER_M = 1000.0 * 4186.0 / 86400.0  #: heat capacity of a metre of water over a day [W/m2/K]
MIXES_WHOLLY_C = 4.0  #: near the greatest density the whole lake mixes


Size = TypeVar("Size", float, Floats)


@dataclass(frozen=True, slots=True, kw_only=True)
class Basin(Generic[Size]):
    """The size and clarity of a lake, or of many: numbers, or arrays of one shape (...,).

    Raises
    ------
    ValueError
        If one of them is not above 0.
    """

    area_km2: Size
    mean_depth_m: Size
    secchi_m: Size

    def __post_init__(self) -> None:
        for name in ("area_km2", "mean_depth_m", "secchi_m"):
            if not (np.asarray(getattr(self, name), float) > 0.0).all():
                raise ValueError(f"{name} must be above 0")


def wind_depth_m(area_km2: ArrayLike) -> Floats:
    """How deep the summer's surface layer of a lake reaches, from the run that the wind has over it.

    Parameters
    ----------
    area_km2 : array_like
        Lake area. [km2]

    Returns
    -------
    ndarray
        Of the same shape. [m]

    References
    ----------
    .. [1] M. Hanna, "Evaluation of models predicting mixing depth," Can. J. Fish. Aquat. Sci., vol. 47, 1990
       (from memory).

    Examples
    --------
    >>> round(float(wind_depth_m(1.0)), 3)
    6.034
    """
    return np.asarray(10.0 ** (0.336 * np.log10(fetch_from_area_m(area_km2)) - 0.245))


def march(
    *, latitude: ArrayLike, day: Days, shortwave_wm2: ArrayLike, air_temp_c: ArrayLike, vapour_hpa: ArrayLike,
    wind_speed_ms: ArrayLike, pressure_hpa: ArrayLike, basin: Basin[Any], start_c: ArrayLike, start: ArrayLike = 0,
) -> Floats:  # fmt: skip
    """Surface temperature day by day, for any number of lakes at once.

    Parameters
    ----------
    latitude : array_like, shape (...,)
        Degrees north.
    day : ndarray of datetime64[D], shape (D,) or (..., D)
        One day after another; lanes may march through different years.
    shortwave_wm2, air_temp_c, vapour_hpa, wind_speed_ms, pressure_hpa : array_like, shape (..., D)
        Daily means: radiation [W/m2], air [degC], vapour pressure [hPa], wind at 10 m over land [m/s], and air pressure
        at the height of the lake [hPa]. Days before a lane's start may be missing.
    basin : Basin
        Fields of shape (...,).
    start_c : array_like, shape (...,)
        Temperature on the morning of the first day that is marched. [degC]
    start : array_like of int, shape (...,)
        Index of that day.

    Returns
    -------
    ndarray, shape (..., D)
        Temperature of each day, not below 0, for ice is not modelled; NaN before the start, and from a day on whose air
        is missing. [degC]

    Notes
    -----
    Heat is balanced with the temperature at the end of each day (two Newton steps), so no step is too long. A lane in
    a batch gets the very bits it gets alone. Each left out of the fit, the 17 lakes were 1.25 degC off on the mean
    (root mean square, May to September), six others 0.96. Rivers through a lake, very large lakes, bays and weed beds
    in calm sun are not covered.

    References
    ----------
    The model and its constants are our own; the parts name their sources.

    Examples
    --------
    >>> days = np.arange("2026-07-15", "2026-08-04", dtype="datetime64[D]")
    >>> same = {"shortwave_wm2": 230.0, "air_temp_c": 20.0, "vapour_hpa": 15.0, "wind_speed_ms": 4.0}
    >>> lake = Basin(area_km2=1.0, mean_depth_m=5.0, secchi_m=2.0)
    >>> end = march(latitude=45.0, day=days, **same, pressure_hpa=970.0, basin=lake, start_c=21.0)[-1]
    >>> bool(21.0 < end < 22.3)
    True
    """
    of_year = day_of_year(day).astype(float)
    sun, air, vapour, wind, pressure = (
        np.asarray(given, float) for given in (shortwave_wm2, air_temp_c, vapour_hpa, wind_speed_ms, pressure_hpa)
    )
    area, depth, secchi, north, begun, first = np.broadcast_arrays(
        *(
            np.asarray(given, float)
            for given in (basin.area_km2, basin.mean_depth_m, basin.secchi_m, latitude, start_c)
        ),
        np.asarray(start),
    )
    shape = np.broadcast_shapes(
        (*area.shape, day.shape[-1]), day.shape, sun.shape, air.shape, vapour.shape, wind.shape, pressure.shape
    )

    def by_day(values: Floats) -> Floats:  # days first: each step reads one stretch of memory
        return np.ascontiguousarray(np.moveaxis(np.broadcast_to(values, shape), -1, 0))

    cloud = cloud_share(sun, extraterrestrial_wm2(north[..., None], of_year))
    sky = by_day(EMISSIVITY * LONGWAVE_SHARE * longwave_in_wm2(air, vapour, cloud))
    over_water = by_day(
        wind * (SHELTER_LAND + (1.0 - SHELTER_LAND) * (1.0 - np.exp(-SHELTER_PER_KM * np.sqrt(area))))[..., None]
    )
    kelvin = by_day(air + KELVIN)
    exchange = by_day(100.0 * pressure / (R_AIR * (air + KELVIN)) * TRANSFER)  # air density x exchange coefficient
    moist = by_day(MOLAR_SHARE / pressure)
    sun_in, air, vapour = by_day(ALBEDO_KEEPS * SHORTWAVE_SHARE * sun), by_day(air), by_day(vapour)
    least_depth = np.minimum(FLOOR_SHARE * wind_depth_m(area), 0.9 * depth)
    temp = np.array(np.broadcast_to(begun, shape[:-1]))
    result = np.full((shape[-1], *shape[:-1]), np.nan)
    late = bool((first > 0).any())
    for n in range(shape[-1]):
        layer = mixing_depth_m(temp, depth, least_depth)
        lost = np.where(layer < 0.95 * depth, LOST_SHARE * np.exp(-1.7 * layer / secchi), 0.0)
        gained = sun_in[n] * (1.0 - lost) + sky[n]
        now = _one_day(
            temp, HEAT_PER_M * layer, gained, air[n], vapour[n], over_water[n], kelvin[n], exchange[n], moist[n]
        )
        temp = np.where(first <= n, now, temp) if late else now
        result[n] = np.where(first <= n, temp, np.nan) if late else temp
    return np.moveaxis(result, 0, -1)


def mixing_depth_m(temp_c: Floats, mean_depth_m: Floats, least_depth_m: Floats) -> Floats:
    """Depth of the layer that one temperature stands for: all of a cold lake, as far as the wind reaches in summer.

    Parameters
    ----------
    temp_c : ndarray
        Surface temperature. [degC]
    mean_depth_m, least_depth_m : ndarray
        Of the whole lake, and of the layer at its thinnest, which the wind keeps mixed; broadcast. [m]

    Returns
    -------
    ndarray
        Of the broadcast shape. [m]

    References
    ----------
    The form is part of the fitted lake model [own].

    Examples
    --------
    >>> mixing_depth_m(np.array([3.0, 6.0, 22.0]), np.array(5.0), np.array(4.5)).tolist()
    [5.0, 4.5, 4.5]
    """
    deepens = np.maximum(least_depth_m, mean_depth_m * np.exp((MIXES_WHOLLY_C - temp_c) / COOLING_C))
    return np.where(temp_c <= MIXES_WHOLLY_C, mean_depth_m, deepens)


def _one_day(
    temp: Floats, capacity: Floats, gained: Floats, air: Floats, vapour: Floats, wind: Floats, kelvin: Floats,
    exchange: Floats, moist: Floats,
) -> Floats:  # fmt: skip
    """The temperature at the end of a day, by two Newton steps on the balance of heat."""
    after = temp
    for _ in range(2):
        saturated = saturation_vapour_hpa(after)
        lighter = (after - air) + 0.61 * kelvin * moist * (saturated - vapour)  # virtual temperature, water over air
        rising = CONVECTION * np.cbrt(np.maximum(lighter, 0.0))
        speed = np.sqrt(wind * wind + CALM_MS * CALM_MS + rising * rising)
        stable = GRAVITY * 10.0 * np.maximum(-lighter, 0.0) / (kelvin * speed * speed)
        reach = exchange * speed / (1.0 + 5.0 * np.minimum(stable, 0.5))
        sensible, latent = CP_AIR * reach, LATENT * moist * reach
        surface = after + KELVIN
        radiated = EMISSIVITY * STEFAN_BOLTZMANN * surface * surface * surface
        balance = gained - radiated * surface - latent * (saturated - vapour) - sensible * (after - air)
        steep = 243.12 + after
        slope = -(4.0 * radiated + sensible + latent * saturated * (17.62 * 243.12) / (steep * steep))
        after = np.maximum(0.0, (capacity * temp + balance - slope * after) / (capacity - slope))
    return after
