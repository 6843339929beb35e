"""The water of one lake: the model's season, corrected by readings, with layers, and told for any hour.

What is known comes in as plain data and nothing is looked up. A reading corrects from its own hour on: whoever asks
for the past as it was known then hands in what was known then.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.clarity import secchi_used
from bitewatch.lake.profile import Lake
from bitewatch.water.correction import Moments, ReadingErrors, change_sd_c, condition, condition_causally
from bitewatch.water.day_course import day_course_c
from bitewatch.water.layers import SHALLOW, Layers, layers, midsummer_thermocline_m
from bitewatch.water.reading import Reading
from bitewatch.water.readings import reading_errors
from bitewatch.water.slab import Basin
from bitewatch.water.surface import Surface, season_of, surface
from bitewatch.weather.daily import Daily, Days, day_of_year, solar_shift_h
from bitewatch.weather.hourly import Floats, Times

#: what stands in for what a profile leaves out: of a middling weedy lake; the surface hardly feels them [own]
TYPICAL_AREA_KM2, TYPICAL_MEAN_DEPTH_M, TYPICAL_SECCHI_M = 1.0, 5.0, 2.0
MEAN_SHARE = 0.4  #: mean depth over greatest depth, where only the greatest is known [own]
FORECAST_SD_C = 0.15  #: what each day ahead adds to the spread: the weather of that day may come otherwise [own]
HELD_DAYS = 1.5  #: from the noon of the first and last day on
SECONDS_A_DAY = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterHours:
    """Surface temperature by hour with its spread, and how it differs from three days before; NaN where not known.

    Each of shape (T,). A spread is a standard deviation: about two chances in three lie within it. [degC]
    """

    value_c: Floats
    sd_c: Floats
    change_3d_c: Floats
    change_sd_c: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class LakeWater:
    """What is known of a lake's water, day by day, through every season of which the weather is known."""

    lake: Lake
    surface: Surface
    layers: Layers
    logs: ReadingErrors
    used: tuple[Reading, ...]  #: readings that correct the model
    unused: tuple[Reading, ...]
    forecast_from: float  #: days since 1970 by the sun's clock; beyond it the weather is a forecast
    notes: tuple[str, ...]  #: what was derived, assumed or left out, in words

    @property
    def day(self) -> Days:
        """The solar days, shape (D,)."""
        return self.surface.day

    @property
    def season(self) -> NDArray[np.int64]:
        """The season of each day, by the year of its spring."""
        return self.surface.season

    def daily(self) -> tuple[Floats, Floats]:
        """Daily surface temperature and its spread, shape (D,) each, with all readings that are known."""
        noon = noons(self.day)
        told = condition(self._moments(noon), self.logs, widen=self.surface.widen)
        return self.surface.model_c + told.correction_c, self._spread(told.sd_c, noon)

    def daily_as_known(self) -> tuple[Floats, Floats]:
        """The same, each day only with the readings of that day and before: as it was known then.

        A reading is of the later of its dates by the sun and by the lake's clock: no day knows one of the day after.
        """
        noon = noons(self.day)
        by_the_clock = [one.at.astimezone(self.lake.zone_info).date() for one in self.used]
        known_from = np.maximum(np.floor(self.logs.at) + 0.5, noons(np.array(by_the_clock, "datetime64[D]")))
        told = condition_causally(self._moments(noon), self.logs, known_from=known_from, widen=self.surface.widen)
        known = np.isfinite(self.surface.model_c)
        return self.surface.model_c + told.correction_c, np.where(known, self._spread(told.sd_c, noon), np.nan)

    def at_hours(self, time: Times) -> WaterHours:
        """By the hour, with the course of the day laid over the daily means.

        Parameters
        ----------
        time : ndarray of datetime64[s], shape (T,)
            UTC.
        """
        now = days_since_1970(time) + solar_shift_h(self.lake.longitude) / 24.0
        before = now - 3.0
        told, earlier = (condition(self._moments(at), self.logs, widen=self.surface.widen) for at in (now, before))
        value = self._model(now) + told.correction_c
        change = value - self._model(before) - earlier.correction_c
        apart = change_sd_c(self._moments(now), self._moments(before), self.logs, widen=self.surface.widen)
        ahead = self._ahead(now) - self._ahead(before)
        return WaterHours(
            value_c=value, sd_c=np.where(np.isfinite(value), self._spread(told.sd_c, now), np.nan),
            change_3d_c=change, change_sd_c=np.where(np.isfinite(change), np.hypot(apart, ahead), np.nan),
        )  # fmt: skip

    def _model(self, at: Floats) -> Floats:
        noon = noons(self.day)
        known = np.flatnonzero(np.isfinite(self.surface.model_c))
        first, last = noon[known[0]], noon[known[-1]]
        # the first and the last day stand for the half day beyond them that hours at hand may reach
        daily = np.interp(np.clip(at, first, last), noon, self.surface.model_c)
        near = (at >= first - HELD_DAYS) & (at <= last + HELD_DAYS)
        return np.where(near, daily + day_course_c((at % 1.0) * 24.0), np.nan)

    def _moments(self, at: Floats) -> Moments:
        """Each in the state of its day; of a day that is not known, in that of the last one before it that is."""
        known = np.flatnonzero(np.isfinite(self.surface.start_sd_c))
        before = np.searchsorted(noons(self.day)[known], np.floor(at) + 0.5, side="right") - 1
        place = known[np.maximum(before, 0)]
        return Moments(at=at, start_sd_c=self.surface.start_sd_c[place], season=self.season[place])

    def _spread(self, sd_c: Floats, at: Floats) -> Floats:
        return np.asarray(np.hypot(sd_c, self._ahead(at)))

    def _ahead(self, at: Floats) -> Floats:
        return np.asarray(FORECAST_SD_C * np.maximum(0.0, at - self.forecast_from))


def lake_water(lake: Lake, daily: Daily, readings: Sequence[Reading], *, forecast_from: datetime) -> LakeWater:
    """The water of a lake from the air over it and from what thermometers showed.

    Parameters
    ----------
    daily : Daily
        All days that are known, of one season or of many, on to the end of the forecast.
    readings : sequence of Reading
        Those that may be looked at.
    forecast_from : datetime
        From when on the weather is a forecast.

    Raises
    ------
    Refused
        If the weather does not carry it, by name.
    """
    basin, assumed = basin_of(lake)
    modelled = surface(
        daily, basin=basin, latitude=lake.latitude, elevation_m=lake.elevation_m, ice_out=lake.ice_out, assumed=assumed
    )
    settled = lake_layers(lake, modelled.day)
    held = reading_errors(
        readings, longitude=lake.longitude, day=modelled.day, model_c=modelled.model_c,
        start_sd_c=modelled.start_sd_c, season=modelled.season, mixed_m=settled.mixed_m,
        widen=modelled.widen,
    )  # fmt: skip
    from_when = forecast_from.timestamp() / SECONDS_A_DAY + solar_shift_h(lake.longitude) / 24.0
    return LakeWater(
        lake=lake, surface=modelled, layers=settled, logs=held.errors, used=held.used, unused=held.unused,
        forecast_from=from_when, notes=(*modelled.notes, *held.left_out),
    )  # fmt: skip


def lake_layers(lake: Lake, day: Days) -> Layers:
    """Mixed layer and thermocline of each day."""
    basin, _ = basin_of(lake)
    deepest = lake.max_depth_m
    if deepest is None and lake.mean_depth_m is not None:
        guess = lake.mean_depth_m / MEAN_SHARE
        # whether a lake layers is not known without its depth, but one that is shallow throughout does not
        deepest = guess if guess < SHALLOW * midsummer_thermocline_m(basin.area_km2, basin.secchi_m) else None
    return layers(
        day_of_year(day).astype(float), area_km2=basin.area_km2, secchi_m=basin.secchi_m, max_depth_m=deepest,
        latitude=lake.latitude,
    )  # fmt: skip


def basin_of(lake: Lake) -> tuple[Basin[float], tuple[str, ...]]:
    """A lake's size, depth and clarity as the model takes them, and the names of those that had to be assumed."""
    secchi = secchi_used(lake).secchi_m
    assumed = [
        name
        for name, known in (
            ("area", lake.area_km2), ("mean depth", mean_depth_m(lake)), ("Secchi depth", secchi)
        )
        if known is None
    ]  # fmt: skip
    basin = Basin(
        area_km2=lake.area_km2 or TYPICAL_AREA_KM2, mean_depth_m=mean_depth_m(lake) or TYPICAL_MEAN_DEPTH_M,
        secchi_m=secchi or TYPICAL_SECCHI_M,
    )  # fmt: skip
    return basin, tuple(assumed)


def mean_depth_m(lake: Lake) -> float | None:
    """As entered, else from the greatest depth; None where neither is known."""
    return lake.mean_depth_m or (MEAN_SHARE * lake.max_depth_m if lake.max_depth_m else None)


def noons(day: Days) -> Floats:
    """The middle of each day, in days since 1970."""
    return day.astype("datetime64[D]").astype(float) + 0.5


def days_since_1970(time: Times) -> Floats:
    """Instants as days since 1970."""
    return time.astype("datetime64[s]").astype(float) / SECONDS_A_DAY


def day_in_season(day: Days, latitude: float) -> NDArray[np.int64]:
    """Which day of its season each day is, from 0."""
    season = season_of(day, latitude)
    first = [np.datetime64(f"{year}-{10 if latitude < 0 else 4:02d}-01") for year in season.tolist()]
    return np.asarray((day - np.array(first, "datetime64[D]")).astype(int))


def typed_reading(lake: Lake, on: datetime) -> Reading | None:
    """The one reading that a profile can carry; without a day it is taken as of ``on``."""
    if lake.water_temp_c is None:
        return None
    if lake.water_temp_on is None:
        at, hour_known = on, False
    else:
        hour_known = lake.water_temp_at is not None
        wall = lake.water_temp_at or datetime.min.time().replace(hour=12)
        at = datetime.combine(lake.water_temp_on, wall, tzinfo=lake.zone_info).astimezone(UTC)
        if not hour_known and lake.water_temp_on == on.astimezone(lake.zone_info).date():
            at = min(at, on)  # today's, and it is not noon yet
    return Reading(
        at=at, temp_c=lake.water_temp_c, depth_m=lake.water_temp_depth_m, hour_known=hour_known, source="profile",
        known_at=at,
    )  # fmt: skip
