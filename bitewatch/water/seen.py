"""All that a brief needs to know of a lake's water for the hours at hand, from what is known of air and readings."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime

import numpy as np
from numpy.typing import NDArray

from bitewatch.errors import Refused
from bitewatch.lake.clarity import secchi_used
from bitewatch.lake.profile import Lake
from bitewatch.water.degree_days import DaysAhead, days_ahead, season_sums
from bitewatch.water.lake_water import LakeWater, WaterHours, day_in_season, lake_water, typed_reading
from bitewatch.water.layers import likely_range_m, measured_thermocline_m
from bitewatch.water.oxygen import OxygenMargin, oxygen_margin, standing_profiles
from bitewatch.water.reading import Reading
from bitewatch.water.season import DEEP_C, Season, mixes_with, season_at
from bitewatch.water.temperature import held_reading
from bitewatch.weather.daily import Daily, Days, daily_means, joined
from bitewatch.weather.hourly import Floats, Hourly

TOO_UNSURE_C = 3.0  #: a temperature that is known no better tells rules nothing, and is not told [own]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterKnown:
    """What is known of a lake beside its profile and the hours at hand."""

    days: tuple[Daily, ...] = ()  #: the air of past days; of several tables the first knows best
    readings: tuple[Reading, ...] = ()  #: those that may be looked at
    before: Mapping[int, Floats] = field(default_factory=dict)  #: season -> its sum of degree days by day, (366,)
    longest_m: Floats | None = None  #: the longest run over the water by bearing, where the shore is known
    fetch_m: Floats | None = None  #: the same from each spot, shape (S, B); NaN for spots without a place
    failures: tuple[str, ...] = ()  #: what could not be read, in words


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterSeen:
    """The water of one lake over the hours at hand, and on the day that is spoken of."""

    hours: WaterHours  #: NaN where not known well enough
    raw: WaterHours  #: the same however unsure: for what is dangerous
    model: LakeWater | None  #: None where no weather carries it
    used: tuple[Reading, ...]  #: the readings that it was made from
    mixed_m: float  #: depth of the mixed layer
    thermocline_m: float  #: NaN where there is none, or it is not known
    thermocline_range_m: tuple[float, float]
    layered: bool | None
    mixed_through: bool  #: cold water has no layers, whatever the lake has in summer
    oxygen: OxygenMargin
    season: Season
    ahead: DaysAhead | None
    doubts: tuple[str, ...]


def see_water(
    lake: Lake, hourly: Hourly, known: WaterKnown, *, edge_m: float, day: date, now: datetime, until: datetime
) -> WaterSeen:  # fmt: skip
    """The water of a lake; where no weather carries the model, its newest reading, and that is said.

    Parameters
    ----------
    hourly : Hourly
        The hours at hand, past and foretold, of the lake's place.
    edge_m : float
        Depth of the weed edge. [m]
    day : date
        The day that is spoken of.
    now : datetime
        From here on the weather is a forecast.
    until : datetime
        No reading after it is looked at: the launch, or now if that is sooner.
    """
    readings, doubts = _with_typed(lake, known, until, now)
    model: LakeWater | None = None
    try:
        own, notes = daily_means(hourly, latitude=lake.latitude, longitude=lake.longitude)
        model = lake_water(lake, joined(own, *known.days), readings, forecast_from=now)
        raw, used = model.at_hours(hourly.time), model.used
        doubts += [*notes, *model.notes]
    except Refused as error:
        raw, used, told = held_reading(readings, hourly.time)
        doubts += [str(error), told]
    unsure = ~(raw.sd_c <= TOO_UNSURE_C)
    of_day = hourly.time.astype("datetime64[D]") == np.datetime64(day)
    if model is not None and unsure[of_day & np.isfinite(raw.value_c)].any():
        doubts.append("the water temperature is too unsure to tell yet")
    curve = _Curve.of(model)
    layers, said = _layers(lake, model, curve, day)
    season = _season(lake, curve, layers, day)
    if season.turned_over:
        layers, said = _mixed_through(lake), ""
    secchi = secchi_used(lake)
    oxygen = oxygen_margin(
        day=day, profiles=() if season.turned_over else lake.profile, edge_m=edge_m,
        thermocline_m=layers.thermocline_m if layers.layered else np.nan,
        secchi_m=secchi.secchi_m, latitude=lake.latitude,
    )  # fmt: skip
    low, high = (float(depth) for depth in likely_range_m(layers.thermocline_m, lake.max_depth_m))
    doubts += [line for line in (said, secchi.doubt, oxygen.words, season.outside) if line]
    return WaterSeen(
        hours=_without(raw, unsure), raw=raw, model=model, used=used, mixed_m=layers.mixed_m,
        thermocline_m=layers.thermocline_m, thermocline_range_m=(low, high), layered=layers.layered,
        mixed_through=layers.mixed_through, oxygen=oxygen, season=season,
        ahead=None if model is None else _ahead(model, known.before, np.datetime64(day)),
        doubts=tuple(dict.fromkeys(doubts)),
    )  # fmt: skip


def _with_typed(
    lake: Lake, known: WaterKnown, until: datetime, now: datetime
) -> tuple[list[Reading], list[str]]:  # fmt: skip
    """All readings that count, that of the profile among them, and what to say of them."""
    doubts = list(known.failures)
    # without a day a reading is taken as of the trip that is asked for, and that is said
    typed = typed_reading(lake, until if lake.water_temp_on is None else now)
    if typed is None:
        doubts += [] if known.readings else ["no water temperature entered: what is told of it is the model's alone"]
        return list(known.readings), doubts
    if typed.at > until:
        doubts.append("the water temperature entered is of a later hour than the launch and not used")
        return list(known.readings), doubts
    if lake.water_temp_on is None:
        doubts.append("the water temperature entered has no day; taken as of this trip")
    return [*known.readings, typed], doubts


def _season(lake: Lake, curve: "_Curve", layers: "_Layers", day: date) -> Season:
    season = season_at(
        day, day=curve.day, surface_c=curve.surface_c, sd_c=curve.sd_c, latitude=lake.latitude,
        layered=True if layers.mixed_through else layers.layered, ice_out=lake.ice_out, profiles=lake.profile,
    )  # fmt: skip
    here = curve.day == np.datetime64(day)
    if here.any() and not curve.sd_c[here][0] <= TOO_UNSURE_C:  # nothing is told from what is not known, but for ice
        lines = () if season.ice is None else (season.ice,)
        return replace(season, lines=lines)
    return season


def _without(hours: WaterHours, unsure: NDArray[np.bool_]) -> WaterHours:
    def known(values: Floats) -> Floats:
        return np.where(unsure, np.nan, values)

    return WaterHours(
        value_c=known(hours.value_c), sd_c=known(hours.sd_c), change_3d_c=known(hours.change_3d_c),
        change_sd_c=known(hours.change_sd_c),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layers:
    mixed_m: float
    thermocline_m: float
    layered: bool | None
    mixed_through: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Curve:
    """Daily surface temperature with all readings, shape (D,); without days where no weather carries it."""

    day: Days
    surface_c: Floats
    sd_c: Floats

    @classmethod
    def of(cls, model: LakeWater | None) -> "_Curve":
        if model is None:
            return cls(day=np.zeros(0, "datetime64[D]"), surface_c=np.zeros(0), sd_c=np.zeros(0))
        surface, sd = model.daily()
        return cls(day=model.day, surface_c=surface, sd_c=sd)


def _mixed_through(lake: Lake) -> _Layers:
    deepest = np.nan if lake.max_depth_m is None else lake.max_depth_m
    return _Layers(mixed_m=deepest, thermocline_m=np.nan, layered=False, mixed_through=True)


def _layers(lake: Lake, model: LakeWater | None, curve: _Curve, day: date) -> tuple[_Layers, str]:
    """Layers of a day, and what to say; what a probe saw goes first, and cold water has none."""
    here = curve.day == np.datetime64(day)
    if model is None or not here.any():
        return _Layers(mixed_m=np.nan, thermocline_m=np.nan, layered=None), ""
    settled = model.layers
    if settled.layered is not False and mixes_with(curve.surface_c[here], DEEP_C[0])[0]:
        return _mixed_through(lake), ""
    mixed, thermocline = float(settled.mixed_m[here][0]), float(settled.thermocline_m[here][0])
    for one in standing_profiles(lake.profile, day=day, latitude=lake.latitude):
        if (measured := measured_thermocline_m(one)) is not None:
            seen = _Layers(mixed_m=min(mixed, measured), thermocline_m=measured, layered=True)
            return seen, f"the thermocline is that of your profile of {one.on}"
    return _Layers(mixed_m=mixed, thermocline_m=thermocline, layered=settled.layered), settled.doubt


def _ahead(model: LakeWater, before: Mapping[int, Floats], on: np.datetime64) -> DaysAhead | None:
    """Days ahead of the lake's own normal, the model without readings held against itself in seasons before."""
    here = np.flatnonzero(model.day == on)
    if not here.size or not before:
        return None
    season, place = model.season, day_in_season(model.day, model.lake.latitude)
    this = int(season[here[0]])
    sums = season_sums(model.surface.model_c, season, place)
    at = int(place[here[0]])
    others = [curve for year, curve in before.items() if year != this]
    if this not in sums or not others or np.isnan(sums[this][at]):
        return None
    return days_ahead(float(sums[this][at]), at, np.array(others))


def sums_of_seasons(model: LakeWater) -> dict[int, Floats]:
    """Degree days of every season that a model knows, by day of the season."""
    return season_sums(model.surface.model_c, model.season, day_in_season(model.day, model.lake.latitude))
