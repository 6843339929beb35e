"""Forecasts in steps of one hour and then of several: what may be said of the hours between, and what may not."""

from collections.abc import Mapping

import numpy as np

from bitewatch.weather.hourly import HOUR, Floats, Times
from bitewatch.weather.humidity import humidity_pct

LINEAR = ("air_temp_c", "dew_point_c", "cloud_pct")


def hours_between(time: Times, columns: Mapping[str, Floats]) -> tuple[Times, dict[str, Floats]]:
    """Every hour from the first point to the last, with those between points interpolated where that is honest.

    Temperature, dew point and cloud go in a straight line from point to point, the wind as a vector, and humidity
    follows from temperature and dew point. Everything else stays missing between points: a gust or a shower is not the
    mean of its neighbours, and a tendency of interpolated pressure would be one that nobody forecast.

    Parameters
    ----------
    time : ndarray of datetime64[s], shape (N,)
        Whole hours, increasing; at least one.
    columns : mapping of str to ndarray of float64, shape (N,)
        Instants at those hours, in the units of the hourly table; NaN where missing.

    Returns
    -------
    hours : ndarray of datetime64[s], shape (T,)
        Every hour from the first to the last.
    values : dict of str to ndarray of float64, shape (T,)
        Each column over them. At the points themselves values are those given, bit for bit.

    Examples
    --------
    >>> points = np.array(["2026-06-01T00", "2026-06-01T06"], "datetime64[s]")
    >>> hours, values = hours_between(points, {"air_temp_c": np.array([10.0, 16.0])})
    >>> values["air_temp_c"].tolist()
    [10.0, 11.0, 12.0, 13.0, 14.0, 15.0, 16.0]
    """
    hours = np.arange(time[0], time[-1] + HOUR, HOUR)
    at = ((time - time[0]) // HOUR).astype(int)
    values = {}
    for column, given in columns.items():
        values[column] = np.full(hours.size, np.nan)
        values[column][at] = given
    between = np.setdiff1d(np.arange(hours.size), at)
    after = np.searchsorted(at, between)
    share = (between - at[after - 1]) / (at[after] - at[after - 1])

    def line(given: Floats) -> Floats:
        between_points: Floats = given[after - 1] + share * (given[after] - given[after - 1])
        return between_points

    for column in set(LINEAR) & set(columns):
        values[column][between] = line(columns[column])
    if {"humidity_pct", "air_temp_c", "dew_point_c"} <= set(columns):
        humidity = humidity_pct(values["air_temp_c"][between], values["dew_point_c"][between])
        values["humidity_pct"][between] = np.minimum(humidity, 100.0)
    if {"wind_speed_ms", "wind_from_deg"} <= set(columns):
        speed, angle = columns["wind_speed_ms"], np.radians(columns["wind_from_deg"])
        north, east = line(speed * np.cos(angle)), line(speed * np.sin(angle))
        # no mean of two vectors is longer than the longer one; rounding may say so
        values["wind_speed_ms"][between] = np.minimum(np.hypot(north, east), np.maximum(speed[after - 1], speed[after]))
        values["wind_from_deg"][between] = np.degrees(np.arctan2(east, north)) % 360.0
    return hours, values
