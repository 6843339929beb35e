"""Where a lake stands in its year: spawning, summer, cooling, turnover, die-back, ice; each with its source."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.profile import Species
from bitewatch.water.density import water_density
from bitewatch.weather.daily import DAY, Days

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spawning:
    """When a fish spawns: while the water is in its range, and only while the length of the days allows."""

    begins_c: float
    ends_c: float
    first_day: int  #: of the year, in the north
    last_day: int
    source: str


#: the days are where the rules for nests are half on; warm springs do not move spawning by as many days as their warmth
#: is early: in water 4.5 degC colder it began only three days later (Siefert 1968, TAFS 97, abstract read)
SPAWNING: Mapping[Species, Spawning] = MappingProxyType(
    {
        Species.CRAPPIE: Spawning(
            begins_c=16.0, ends_c=22.0, first_day=100, last_day=175,
            source="Siefert 1968, TAFS 97 (abstract read); South Dakota agency, 60-62 °F (cited)",
        ),
        Species.BLUEGILL: Spawning(
            begins_c=20.0, ends_c=28.0, first_day=120, last_day=200, source="South Dakota agency, 68-70 °F (cited)"
        ),
    }
)  # fmt: skip
COOLING_AFTER, COOLING_BY_C = 225, 2.0  #: from the warmest week down, after mid August [own]
DIE_BACK_DAY, DIE_BACK_C = 265, 15.0  #: where the rule for it is half on (common practice)
DEEP_C = (4.0, 8.0)  #: of the deep water of layered lakes in autumn, where it was not measured (common practice)
COLD_C = 8.0  #: colder water is not the season that the rules are of [own]
TRUST_OUTSIDE = 0.5  #: share of the rules' push that is kept there [own]
ICE_C = 0.5  #: a modelled surface that stays under it stands for ice, which is not modelled [own]
ICE_DAYS = 2
WARM_HALF = (121, 288)  #: May to mid October: no ice is looked for [own]
HALF_YEAR_DAYS = 182
TROPIC_DEG = 23.44


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonLine:
    """One sentence on the season, with what it rests on."""

    words: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """Where a lake stands in its year on one day."""

    lines: tuple[SeasonLine, ...] = ()
    over: bool = False  #: ice: there is nothing to call
    may_freeze: bool = False  #: ice cannot be ruled out
    outside: str = ""  #: why this is not a season that the rules know; empty if they do

    @property
    def trust(self) -> float:
        """Share of the rules' push that is kept."""
        return TRUST_OUTSIDE if self.outside else 1.0


def season_at(
    on: date, *, day: Days, surface_c: Floats, sd_c: Floats, latitude: float, layered: bool | None,
    ice_out: date | None = None,
) -> Season:  # fmt: skip
    """The season of a lake on a day.

    Parameters
    ----------
    day : ndarray of datetime64[D], shape (D,)
        Days up to that one and beyond; later ones are not looked at.
    surface_c, sd_c : ndarray, shape (D,)
        Daily surface temperature and its spread, NaN where not known. [degC]
    layered : bool or None
        Whether the lake layers in summer; None where that is not known.
    ice_out : date, optional
        When the ice went out.
    """
    outside = _strange_latitude(latitude)
    until = day <= np.datetime64(on)
    told = np.flatnonzero(until & np.isfinite(surface_c))
    of_year = northern_day(on, latitude)
    if ice_out is not None and on < ice_out and ice_out.year == on.year and not WARM_HALF[0] <= of_year <= WARM_HALF[1]:
        return Season(over=True, outside=outside, lines=(SeasonLine(words="the ice is not out", source="as entered"),))
    if not told.size or day[told[-1]] < np.datetime64(on) - 3 * DAY:
        return Season(outside=outside)
    days, surface, now, spread = day[told], surface_c[told], float(surface_c[told[-1]]), float(sd_c[told[-1]])
    cold_half = not WARM_HALF[0] <= of_year <= WARM_HALF[1]
    if cold_half and surface.size >= ICE_DAYS and (surface[-ICE_DAYS:] <= ICE_C).all():
        line = SeasonLine(words="the lake is at the freezing point by its heat balance", source="own model")
        return Season(over=True, outside=outside, lines=(line,))
    if not outside and now < COLD_C:
        outside = "the water is colder than in the season that the rules are of"
    return Season(
        lines=tuple(_lines(days, surface, of_year, now, latitude, layered)), outside=outside,
        may_freeze=cold_half and now - 2.0 * spread <= ICE_C,
    )  # fmt: skip


def open_water(day: Days, surface_c: Floats, season: NDArray[np.int64], latitude: float) -> NDArray[np.bool_]:
    """Days on which there is water to speak of: known, and not ice.

    In autumn ice stays until the next season; in spring single days at the freezing point count as ice.

    Parameters
    ----------
    day, surface_c, season : ndarray, shape (D,)
        Days, their modelled surface temperature [degC], and the season of each.

    Returns
    -------
    ndarray of bool, shape (D,)
    """
    known = np.isfinite(surface_c)
    of_year = (day - day.astype("datetime64[Y]")).astype(int) + 1
    of_year = (of_year + HALF_YEAR_DAYS - 1) % 365 + 1 if latitude < 0 else of_year
    cold = known & (surface_c <= ICE_C) & ((of_year < WARM_HALF[0]) | (of_year > WARM_HALF[1]))
    frozen = cold & np.concatenate([[False], cold[:-1]])
    for year in np.unique(season[frozen & (of_year > WARM_HALF[1])]):
        here = season == year
        first = np.flatnonzero(here & frozen & (of_year > WARM_HALF[1]))[0]
        frozen[first:] |= here[first:]
    return np.asarray(known & ~frozen)


def northern_day(on: date, latitude: float) -> int:
    """Day of the year, as if the lake lay in the north: half a year later south of the equator.

    >>> northern_day(date(2026, 12, 31), -38.0)
    182
    """
    of_year = (on - date(on.year, 1, 1)).days + 1
    return (of_year + HALF_YEAR_DAYS - 1) % 365 + 1 if latitude < 0 else of_year


def spawning_days(species: Species, day: Days, surface_c: Floats, latitude: float) -> NDArray[np.bool_]:
    """On which days a fish should be on its nests.

    Parameters
    ----------
    day, surface_c : ndarray, shape (D,)
        Days, and their surface temperature. [degC]

    Returns
    -------
    ndarray of bool, shape (D,)
    """
    known = SPAWNING[species]
    of_year = (day - day.astype("datetime64[Y]")).astype(int) + 1
    if latitude < 0:
        of_year = (of_year + HALF_YEAR_DAYS - 1) % 365 + 1
    inside = (of_year >= known.first_day) & (of_year <= known.last_day)
    return np.asarray(inside & (surface_c >= known.begins_c) & (surface_c <= known.ends_c))


def _strange_latitude(latitude: float) -> str:
    if abs(latitude) < TROPIC_DEG:
        return "the rules know the seasons of middle latitudes, not of the tropics"
    return "the rules know the seasons of the northern hemisphere only" if latitude < 0 else ""


def _lines(
    days: Days, surface: Floats, of_year: int, now: float, latitude: float, layered: bool | None
) -> list[SeasonLine]:  # fmt: skip
    found = [
        SeasonLine(words=f"{species.value} should be spawning: water and calendar are right", source=known.source)
        for species, known in SPAWNING.items()
        if spawning_days(species, days[-1:], surface[-1:], latitude)[0]
    ]
    if of_year < COOLING_AFTER:
        return found
    season = surface[-120:]
    warmest = np.convolve(season, np.full(7, 1 / 7), "valid").max() if season.size >= 7 else season.max()
    if now < warmest - COOLING_BY_C:
        found.append(SeasonLine(words="the lake is cooling for the autumn", source="own rule on the model"))
    if of_year >= DIE_BACK_DAY and now <= DIE_BACK_C:
        found.append(SeasonLine(words="weeds are dying back; look for those that stand", source="common practice"))
    if layered and water_density(now) >= water_density(DEEP_C[1]):
        sure = water_density(now) >= water_density(DEEP_C[0] + 0.5)
        words = "the lake has turned over, or is doing so" if sure else "the lake may be turning over"
        source = "density of water (Martin and McCutcheon 1999, cited); deep water of 4 to 8 °C assumed"
        found.append(SeasonLine(words=words, source=source))
    return found
