"""Where the sun stands, and when it rises and sets: good to about 0.01 degree and a few seconds.

Low-accuracy theory of J. Meeus, "Astronomical Algorithms," 2nd ed., 1998, ch. 25 and 28, in the form of the NOAA Global
Monitoring Laboratory's solar calculator, whose refraction it takes (the equations from memory; the tests hold them
against pvlib).
"""

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bitewatch.weather.hourly import Floats, Times

RISE_DEG = -0.833  #: true altitude of the centre when the upper edge is seen to rise: refraction and radius
CIVIL_DEG = -6.0
EPOCH = np.datetime64("1970-01-01T00:00:00", "s")
UNIX_EPOCH_JD, J2000_JD = 2440587.5, 2451545.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sun:
    """Where the sun stands, on arrays of shape (..., T).

    Attributes
    ----------
    elevation_deg : ndarray
        As it is seen: with the refraction of an ordinary atmosphere. [deg]
    azimuth_deg : ndarray
        Clockwise from north, 0 to 360. [deg]
    rising : ndarray of bool
        True from solar midnight to solar noon.
    """

    elevation_deg: Floats
    azimuth_deg: Floats
    rising: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class SunEvents:
    """The sun's day, aware times in UTC; None where it does not happen, as in polar night."""

    civil_dawn: datetime | None
    sunrise: datetime | None
    sunset: datetime | None
    civil_dusk: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ephemeris:
    """The sun seen from the middle of the earth.

    Attributes
    ----------
    longitude_deg : ndarray
        Apparent ecliptic longitude. [deg]
    declination_rad : ndarray
        [rad]
    distance_au : ndarray
        [au]
    equation_of_time_min : ndarray
        Sundial minus clock. [min]
    """

    longitude_deg: Floats
    declination_rad: Floats
    distance_au: Floats
    equation_of_time_min: Floats


def ephemeris(unix_s: ArrayLike) -> Ephemeris:
    """The sun at some instants.

    Parameters
    ----------
    unix_s : array_like
        Seconds since 1970-01-01 00 UTC. [s]

    Returns
    -------
    Ephemeris
        Arrays of the same shape.

    References
    ----------
    .. [1] J. Meeus, "Astronomical Algorithms," 2nd ed., Willmann-Bell, 1998, ch. 25 and eq. 28.3 (from memory).

    Examples
    --------
    >>> sun = ephemeris(718_934_400)  # 1992-10-13 00 UTC, Meeus example 25.a
    >>> round(float(np.degrees(sun.declination_rad)), 3), round(float(sun.distance_au), 5)
    (-7.785, 0.99766)
    """
    t = (np.asarray(unix_s, float) / 86400 + UNIX_EPOCH_JD - J2000_JD) / 36525
    L0 = np.radians((280.46646 + t * (36000.76983 + 0.0003032 * t)) % 360)
    M = np.radians((357.52911 + t * (35999.05029 - 0.0001537 * t)) % 360)
    e = 0.016708634 - t * (0.000042037 + 0.0000001267 * t)
    centre_deg = (
        np.sin(M) * (1.914602 - t * (0.004817 + 0.000014 * t))
        + np.sin(2 * M) * (0.019993 - 0.000101 * t)
        + 0.000289 * np.sin(3 * M)
    )
    node = np.radians(125.04 - 1934.136 * t)
    longitude_deg = (np.degrees(L0) + centre_deg - 0.00569 - 0.00478 * np.sin(node)) % 360
    arcseconds = 21.448 - t * (46.815 + t * (0.00059 - 0.001813 * t))
    obliquity = np.radians(23 + (26 + arcseconds / 60) / 60 + 0.00256 * np.cos(node))
    y = np.tan(obliquity / 2) ** 2
    return Ephemeris(
        longitude_deg=longitude_deg,
        declination_rad=np.arcsin(np.sin(obliquity) * np.sin(np.radians(longitude_deg))),
        distance_au=1.000001018 * (1 - e**2) / (1 + e * np.cos(M + np.radians(centre_deg))),
        equation_of_time_min=4
        * np.degrees(
            y * np.sin(2 * L0)
            - 2 * e * np.sin(M)
            + 4 * e * y * np.sin(M) * np.cos(2 * L0)
            - 0.5 * y**2 * np.sin(4 * L0)
            - 1.25 * e**2 * np.sin(2 * M)
        ),
    )


def refraction_deg(true_elevation_deg: ArrayLike) -> Floats:
    """How much higher the sun is seen than it stands.

    Parameters
    ----------
    true_elevation_deg : array_like
        Elevation without an atmosphere. [deg]

    Returns
    -------
    ndarray
        Of the same shape. [deg]

    References
    ----------
    .. [1] NOAA Global Monitoring Laboratory, "Solar Calculation Details," approximate refraction (from memory).

    Examples
    --------
    >>> print(refraction_deg([90.0, 10.0, 0.0]).round(3))
    [0.    0.088 0.482]
    """
    el = np.asarray(true_elevation_deg, float)
    te = np.tan(np.radians(np.where(abs(el) < 0.1, 0.1, el)))  # 0.1: a branch that is not taken there divides by it
    high = 58.1 / te - 0.07 / te**3 + 0.000086 / te**5
    low = 1735 + el * (-518.2 + el * (103.4 + el * (-12.79 + 0.711 * el)))
    return np.select([el > 85, el > 5, el > -0.575], [np.zeros(el.shape), high, low], -20.772 / te) / 3600


def sun_position(time: Times, latitude: ArrayLike, longitude: ArrayLike) -> Sun:
    """Where the sun stands over some places.

    Parameters
    ----------
    time : ndarray of datetime64[s], shape (T,)
        UTC.
    latitude, longitude : array_like
        Of the places, north and east positive; their broadcast shape becomes the leading axes. [deg]

    Returns
    -------
    Sun
        Arrays of shape (..., T).

    References
    ----------
    .. [1] J. Meeus, "Astronomical Algorithms," 2nd ed., Willmann-Bell, 1998, eq. 13.5 and 13.6 (from memory).

    Examples
    --------
    >>> sun = sun_position(np.array(["2003-10-17T19:30:30"], "datetime64[s]"), 39.742476, -105.1786)
    >>> round(float(sun.elevation_deg[0]), 1), round(float(sun.azimuth_deg[0]), 1), bool(sun.rising[0])
    (39.9, 194.3, False)
    """
    unix_s = (time - EPOCH) / np.timedelta64(1, "s")
    sun = ephemeris(unix_s)
    north = np.radians(np.asarray(latitude, float))[..., None]
    east_min = 4 * np.asarray(longitude, float)[..., None]
    hour_angle_deg = (unix_s % 86400 / 60 + sun.equation_of_time_min + east_min) % 1440 / 4 - 180
    hour_angle_deg, north = np.broadcast_arrays(hour_angle_deg, north)
    ha = np.radians(hour_angle_deg)
    sin_el = np.sin(north) * np.sin(sun.declination_rad) + np.cos(north) * np.cos(sun.declination_rad) * np.cos(ha)
    true_deg = np.degrees(np.arcsin(np.clip(sin_el, -1.0, 1.0)))
    south_deg = np.degrees(
        np.arctan2(np.sin(ha), np.cos(ha) * np.sin(north) - np.tan(sun.declination_rad) * np.cos(north))
    )
    return Sun(
        elevation_deg=true_deg + refraction_deg(true_deg),
        azimuth_deg=(south_deg + 180) % 360,
        rising=hour_angle_deg < 0,
    )


def sun_events(day: date, latitude: float, longitude: float) -> SunEvents:
    """When the sun rises and sets on a local date.

    Parameters
    ----------
    day : date
        The local date, by the sun: the day around the noon that falls at 12 h minus a fifteenth of the longitude, UTC.
        West of Greenwich its evening may be the next day in UTC.
    latitude, longitude : float
        Of the place, north and east positive. [deg]

    Returns
    -------
    SunEvents
        To the second; None for what does not happen.

    References
    ----------
    .. [1] J. Meeus, "Astronomical Algorithms," 2nd ed., Willmann-Bell, 1998, ch. 15 (from memory), repeated until it
       stands.

    Examples
    --------
    >>> from datetime import date
    >>> sun_events(date(2026, 5, 15), 46.35, -94.20).sunrise.strftime("%H:%M")
    '10:43'
    """
    return SunEvents(
        civil_dawn=_event(day, latitude, longitude, CIVIL_DEG, 1),
        sunrise=_event(day, latitude, longitude, RISE_DEG, 1),
        sunset=_event(day, latitude, longitude, RISE_DEG, -1),
        civil_dusk=_event(day, latitude, longitude, CIVIL_DEG, -1),
    )


def _event(day: date, latitude: float, longitude: float, altitude_deg: float, side: int) -> datetime | None:
    """When the sun stands at a true altitude before (side 1) or after (side -1) noon."""
    midnight = datetime(day.year, day.month, day.day, tzinfo=UTC)
    north, altitude = math.radians(latitude), math.radians(altitude_deg)
    minutes = 720 - 4 * longitude
    for _ in range(6):  # each round leaves about a hundredth of the error
        sun = ephemeris(midnight.timestamp() + 60 * minutes)
        declination = float(sun.declination_rad)
        cos_angle = (math.sin(altitude) - math.sin(north) * math.sin(declination)) / (
            math.cos(north) * math.cos(declination)
        )
        if abs(cos_angle) > 1:
            return None
        angle_deg = side * math.degrees(math.acos(cos_angle))
        minutes = 720 - 4 * (longitude + angle_deg) - float(sun.equation_of_time_min)
    return midnight + timedelta(seconds=round(60 * minutes))
