"""Days of the air: means over solar days, which have 24 hours everywhere and always, from hours or from a daily table.

A lake has warmed or cooled by what a day brought on the whole. Days are counted by the sun, UTC shifted by whole hours
of longitude: no clock change makes one shorter, and day and night of one place fall into one day.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bitewatch.weather.hourly import HOUR, Floats, Hourly, Times
from bitewatch.weather.humidity import saturation_vapour_hpa
from bitewatch.weather.sky import clear_sky_wm2, cloud_transmission, sky_shortwave_wm2
from bitewatch.weather.sun import sun_position

DAILY_COLUMNS = ("shortwave_wm2", "air_temp_c", "vapour_hpa", "wind_speed_ms", "pressure_hpa")
ENOUGH_HOURS = 22  #: of 24; without more of its night a day would count as warmer and sunnier than it was [own]
SKY_NOTE = "sunshine from the sun's height and the clouds where it is not given"
BRIDGED_H = 6  #: hours; a longer gap hides a part of the day's course [own]
DAY = np.timedelta64(1, "D")

Days = NDArray[np.datetime64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Daily:
    """Daily means of one place or of many, day after day without a gap in the axis; NaN where missing.

    Attributes
    ----------
    day : ndarray of datetime64[D], shape (D,)
        Solar days, increasing by one.
    columns : mapping of str to ndarray of float64, shape (..., D)
        Each of `DAILY_COLUMNS`: global radiation [W/m2], air [degC], vapour pressure [hPa], wind at 10 m [m/s], and
        air pressure at mean sea level [hPa].
    """

    day: Days
    columns: Mapping[str, Floats]

    def __post_init__(self) -> None:
        if self.day.size and (np.diff(self.day) != DAY).any():
            raise ValueError("days must follow each other without a gap")
        if set(self.columns) != set(DAILY_COLUMNS):
            raise ValueError(f"columns must be {DAILY_COLUMNS}")

    def __getitem__(self, column: str) -> Floats:
        return self.columns[column]

    def within(self, first: np.datetime64, last: np.datetime64) -> "Daily":
        """The same from one day to another, both included."""
        inside = (self.day >= first) & (self.day <= last)
        return Daily(day=self.day[inside], columns={name: self[name][..., inside] for name in DAILY_COLUMNS})


def day_of_year(day: Days) -> NDArray[np.int64]:
    """1 to 366, of each day.

    >>> day_of_year(np.array(["2028-12-31"], "datetime64[D]")).tolist()
    [366]
    """
    return np.asarray((day - day.astype("datetime64[Y]")).astype(int) + 1)


def sunshine_wm2(hourly: Hourly, *, latitude: float, longitude: float) -> Floats:
    """Sunshine by the hour: as given, else from the sun's height and the clouds, and none while the sun is down.

    Parameters
    ----------
    hourly : Hourly
        Of one place, shape (T,).
    latitude, longitude : float
        Degrees north and east.

    Returns
    -------
    ndarray, shape (T,)
        Mean of the hour that ends; NaN by day where neither is known. [W/m2]
    """
    # half an hour before, in the middle of the hour that the mean is of
    elevation = sun_position(hourly.time - HOUR // 2, latitude, longitude).elevation_deg
    given = hourly["shortwave_wm2"]
    found = np.where(np.isnan(given), sky_shortwave_wm2(elevation, hourly["cloud_pct"]), given)
    return np.where(np.isnan(found) & (elevation < 0.0), 0.0, found)


def solar_days(hours: NDArray[np.datetime64], longitude: float) -> Days:
    """The solar day that each hour ends in.

    Parameters
    ----------
    hours : ndarray of datetime64[s], shape (T,)
        Whole hours, UTC; what is summed or averaged belongs to the hour before.
    longitude : float
        Degrees east.

    Examples
    --------
    >>> str(solar_days(np.array(["2026-07-21T05:00:00"], "datetime64[s]"), -75.0)[0])
    '2026-07-20'
    """
    return np.asarray((hours + (solar_shift_h(longitude) * 3600 - 1) * np.timedelta64(1, "s")).astype("datetime64[D]"))


def solar_shift_h(longitude: float) -> int:
    """Whole hours by which the sun's clock is ahead of UTC."""
    return round(longitude / 15.0)


def is_daily(hourly: Hourly) -> bool:
    """True for a table that has one row a day, as climate files do."""
    told = np.isfinite(hourly["air_temp_c"])
    return told.sum() == 1 or bool(told.sum() and np.median(np.diff(hourly.time[told])) >= 20 * HOUR)


def daily_means(hourly: Hourly, *, latitude: float, longitude: float) -> tuple[Daily, tuple[str, ...]]:
    """Means of each solar day of one place, and in words what had to be derived for them.

    Vapour pressure comes from the dew point, else from humidity and air temperature; sunshine that is not given, from
    the sun's height and the clouds. A table with one row a day is taken as it is, each row for its date, and its
    clouds as those of the whole day.

    Parameters
    ----------
    hourly : Hourly
        Of one place, shape (T,).
    latitude, longitude : float
        Degrees north and east.

    Returns
    -------
    Daily
        A day of which fewer than 22 hours are known is missing, column by column.
    tuple of str
        What was derived, and from what.
    """
    once_a_day = is_daily(hourly)
    values, notes = _complete(hourly, latitude, longitude, once_a_day)
    days = hourly.time.astype("datetime64[D]") if once_a_day else solar_days(hourly.time, longitude)
    place = (days - days[0]).astype(int)
    count = int(place[-1]) + 1
    least = 1 if once_a_day else ENOUGH_HOURS
    columns = {}
    for name, hours in values.items():
        known = np.isfinite(hours)
        sums = np.bincount(place[known], hours[known], minlength=count)
        counts = np.bincount(place[known], minlength=count)
        columns[name] = np.where(counts >= least, sums / np.maximum(counts, 1), np.nan)
    return Daily(day=np.arange(days[0], days[-1] + DAY, DAY), columns=columns), notes


def joined(*tables: Daily) -> Daily:
    """Several tables of one place as one, over all their days; where several know a value, the first of them tells.

    Raises
    ------
    ValueError
        If there is none.
    """
    known = [table for table in tables if table.day.size]
    if not known:
        raise ValueError("there are no days")
    first, last = min(table.day[0] for table in known), max(table.day[-1] for table in known)
    day = np.arange(first, last + DAY, DAY)
    columns = {name: np.full(day.size, np.nan) for name in DAILY_COLUMNS}
    for table in reversed(known):
        at = slice(int((table.day[0] - first).astype(int)), int((table.day[-1] - first).astype(int)) + 1)
        for name in DAILY_COLUMNS:
            columns[name][at] = np.where(np.isfinite(table[name]), table[name], columns[name][at])
    return Daily(day=day, columns=columns)


def _complete(
    hourly: Hourly, latitude: float, longitude: float, once_a_day: bool
) -> tuple[dict[str, Floats], tuple[str, ...]]:
    """The daily columns by the hour, before they are averaged, and what was derived."""
    notes = []
    moist = saturation_vapour_hpa(hourly["dew_point_c"])
    of_humidity = hourly["humidity_pct"] / 100.0 * saturation_vapour_hpa(hourly["air_temp_c"])
    if (np.isnan(moist) & np.isfinite(of_humidity)).any():
        notes.append("vapour pressure from humidity and air temperature where there is no dew point")
    shining = hourly["shortwave_wm2"]
    if once_a_day:  # the clouds of a row are those of its day, as its air and its sunshine are
        cloudy = np.isnan(shining) & np.isfinite(hourly["cloud_pct"])
        shining = shining.copy()
        shining[cloudy] = _clear_days_wm2(hourly.time[cloudy], latitude, longitude)
        shining[cloudy] *= cloud_transmission(hourly["cloud_pct"][cloudy])
    else:
        shining = sunshine_wm2(hourly, latitude=latitude, longitude=longitude)
    if (np.isnan(hourly["shortwave_wm2"]) & (shining > 0.0)).any():
        notes.append(SKY_NOTE)
    values = {
        "shortwave_wm2": shining, "air_temp_c": hourly["air_temp_c"],
        "vapour_hpa": np.where(np.isnan(moist), of_humidity, moist),
        "wind_speed_ms": hourly["wind_speed_ms"], "pressure_hpa": hourly["pressure_hpa"],
    }  # fmt: skip
    if once_a_day:
        return values, tuple(notes)
    bridged = {name: _bridged(hours) for name, hours in values.items()}
    if any((np.isfinite(bridged[name]) & np.isnan(values[name])).any() for name in values):
        notes.append(f"gaps of up to {BRIDGED_H} hours filled straight across")
    return bridged, tuple(notes)


def _clear_days_wm2(time: Times, latitude: float, longitude: float) -> Floats:
    """Sunshine of a clear sky, mean over the solar day of each date."""
    dawns = time.astype("datetime64[D]").astype("datetime64[s]") - solar_shift_h(longitude) * HOUR
    middles: Times = np.asarray(dawns[:, None] + (np.arange(24) * HOUR + HOUR // 2), "datetime64[s]")
    elevation = sun_position(middles.reshape(-1), latitude, longitude).elevation_deg
    return np.asarray(clear_sky_wm2(elevation).reshape(middles.shape).mean(axis=1))


def _bridged(hours: Floats) -> Floats:
    """Short gaps between two known hours filled straight across, as in tables of every third or sixth hour."""
    known = np.flatnonzero(np.isfinite(hours))
    if known.size < 2:
        return hours
    at = np.arange(hours.size)
    after = np.clip(np.searchsorted(known, at), 1, known.size - 1)
    gap = known[after] - known[after - 1] - 1
    inside = (at > known[0]) & (at < known[-1]) & (gap <= BRIDGED_H)
    return np.where(np.isnan(hours) & inside, np.interp(at, known, hours[known]), hours)
