"""Where a lake stands in its year: spawning, summer, cooling, turnover, die-back, ice; each with its source.

The rules' seasons are those of the north. South of the equator the same is told half a year later, and the rules of the
season are silent.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.profile import DepthProfile, Species
from bitewatch.water.density import water_density
from bitewatch.water.surface import TROPIC_DEG
from bitewatch.weather.daily import DAY, Days, day_of_year

Floats = NDArray[np.float64]


class SeasonStage(StrEnum):
    """What a lake may be in; several can hold at once."""

    ICE = "ice"
    ICE_UP = "ice-up"
    BEFORE_SPAWNING = "before spawning"
    CRAPPIE_SPAWNING = "crappie spawning"
    BLUEGILL_SPAWNING = "bluegill spawning"
    SUMMER = "summer"
    COOLING = "autumn cooling"
    TURNOVER = "turnover"
    TURNED_OVER = "turned over"
    DIE_BACK = "weeds dying back"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spawning:
    """When a fish spawns: while the water is in its range, and only while the length of the days allows."""

    stage: SeasonStage
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
            stage=SeasonStage.CRAPPIE_SPAWNING, begins_c=16.0, ends_c=22.0, first_day=100, last_day=175,
            source="Siefert 1968, TAFS 97 (abstract read); South Dakota agency, 60-62 °F (cited)",
        ),
        Species.BLUEGILL: Spawning(
            stage=SeasonStage.BLUEGILL_SPAWNING, begins_c=20.0, ends_c=28.0, first_day=120, last_day=200,
            source="South Dakota agency, 68-70 °F (cited)",
        ),
    }
)  # fmt: skip
CALENDAR = "own choice: the calendar of the rules, for 43 to 48 degrees north"
COOLING_AFTER, COOLING_BY_C = 225, 2.0  #: from the warmest week down, after mid August [own]
SPRING = 91  #: 1 April, from where on the warmest week of a season is sought
WEEK = 7 * DAY
LEAST_OF_WEEK = 4  #: known days of the seven [own]
DIE_BACK_DAY, DIE_BACK_C = 265, 15.0  #: where the rule for it is half on (common practice)
DEEP_C = (4.0, 8.0)  #: of the deep water of layered lakes in autumn, where it was not measured (common practice)
MIXED_KGM3 = 0.1  #: top and bottom that differ by less are taken as mixed (Woolway and others 2021, from memory)
COLD_C = 8.0  #: colder water is not the season that the rules are of [own]
TRUST_OUTSIDE = 0.5  #: share of the rules' push that is kept there [own]
ICE_C = 0.5  #: a modelled surface that stays under it stands for ice, which is not modelled [own]
ICE_DAYS = 2
WARM_HALF = (152, 258)  #: June to mid September: no ice is looked for; at 60 degrees north May still has some [own]
WINTER, WINTER_LATITUDE = (335, 90), 40.0  #: when and where ice is not ruled out if the water is not known [own]
SURE_OF_OPEN_DAYS = 60  #: so long the owner's word that the ice went out outweighs the model [own]
KNOWN_WITHIN = 3 * DAY  #: what was known earlier than that says nothing of today [own]
HALF_YEAR_DAYS = 182
DANGER = "ice of unknown thickness is a danger"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonLine:
    """One sentence on the season, with what it rests on."""

    stage: SeasonStage
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

    @property
    def turned_over(self) -> bool:
        """The lake's layers have mixed for this year."""
        return any(line.stage is SeasonStage.TURNED_OVER for line in self.lines)

    @property
    def ice(self) -> SeasonLine | None:
        """What is to be said of ice."""
        return next((line for line in self.lines if line.stage in (SeasonStage.ICE, SeasonStage.ICE_UP)), None)


def season_at(
    on: date, *, day: Days, surface_c: Floats, sd_c: Floats, latitude: float, layered: bool | None,
    ice_out: date | None = None, profiles: Sequence[DepthProfile] = (),
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
    profiles : sequence of DepthProfile
        What a probe saw; the newest of the season tells how cold the deep water is.
    """
    outside = _strange_latitude(latitude)
    of_year = northern_day(on, latitude)
    cold_half = not WARM_HALF[0] <= of_year <= WARM_HALF[1]
    if ice_out is not None and on < ice_out and ice_out.year == on.year and cold_half:
        line = SeasonLine(stage=SeasonStage.ICE, words="the ice is not out", source="as entered")
        return Season(over=True, outside=outside, lines=(line,))
    open_water = ice_out is not None and 0 <= (on - ice_out).days < SURE_OF_OPEN_DAYS
    can_freeze = cold_half and not open_water
    told = np.flatnonzero((day <= np.datetime64(on)) & np.isfinite(surface_c))
    if not told.size or day[told[-1]] < np.datetime64(on) - KNOWN_WITHIN:
        winter = of_year >= WINTER[0] or of_year <= WINTER[1]
        if not (can_freeze and winter and abs(latitude) >= WINTER_LATITUDE):
            return Season(outside=outside)
        words = f"it is winter and the water's temperature is not known: {DANGER}"
        line = SeasonLine(stage=SeasonStage.ICE_UP, words=words, source="own rule")
        return Season(outside=outside, may_freeze=True, lines=(line,))
    days, surface = day[told], surface_c[told]
    now, spread = float(surface[-1]), float(sd_c[told[-1]])
    if can_freeze and _frozen(days, surface):
        words = f"by its heat balance the lake is at the freezing point; {DANGER}"
        return Season(
            over=True, outside=outside, lines=(SeasonLine(stage=SeasonStage.ICE, words=words, source="own model"),)
        )
    if not outside and now < COLD_C:
        outside = "the water is colder than in the season that the rules are of"
    # twice the spread: bays freeze before the lake does, and the safer side is told
    may_freeze = can_freeze and now - 2.0 * spread <= ICE_C
    if of_year < COOLING_AFTER:
        lines = _spring_and_summer(of_year, days[-1], now, spread, latitude)
    else:
        since = np.datetime64(on) - (of_year - SPRING) * DAY
        deep_c = deep_water_c(profiles, since, on)
        lines = _autumn(of_year, days[days >= since], surface[days >= since], spread, deep_c if layered else None)
    if may_freeze:
        words = f"{'ice may still be there' if of_year < WARM_HALF[0] else 'ice may be forming'}; {DANGER}"
        lines.append(SeasonLine(stage=SeasonStage.ICE_UP, words=words, source="own model and its spread"))
    return Season(lines=tuple(lines), outside=outside, may_freeze=may_freeze)


def northern_day(on: date, latitude: float) -> int:
    """Day of the year, as if the lake lay in the north: half a year later south of the equator.

    >>> northern_day(date(2026, 12, 31), -38.0)
    182
    """
    return int(northern_days(np.array([on], "datetime64[D]"), latitude)[0])


def northern_days(day: Days, latitude: float) -> NDArray[np.int64]:
    """The same of many days, shape (D,)."""
    of_year = day_of_year(day)
    return (of_year + HALF_YEAR_DAYS - 1) % 365 + 1 if latitude < 0 else of_year


def spawning_days(species: Species, day: Days, surface_c: Floats, latitude: float) -> NDArray[np.bool_]:
    """On which days a fish should be on its nests: by the water, and by the calendar that holds it.

    Parameters
    ----------
    day, surface_c : ndarray, shape (D,)
        Days, and their surface temperature; never on a day on which it is not known. [degC]

    Returns
    -------
    ndarray of bool, shape (D,)
    """
    known = SPAWNING[species]
    of_year = northern_days(day, latitude)
    inside = (of_year >= known.first_day) & (of_year <= known.last_day)
    return np.asarray(inside & (surface_c >= known.begins_c) & (surface_c <= known.ends_c))


def deep_water_c(profiles: Sequence[DepthProfile], since: np.datetime64, on: date) -> tuple[float, float]:
    """From the coldest to the warmest that the deep water of a layered lake may be. [degC]

    The same twice where a probe saw it in this season; else a range that fits most lakes.
    """
    seen = [one for one in profiles if one.water_temp_c and since <= np.datetime64(one.on) <= np.datetime64(on)]
    if not seen:
        return DEEP_C
    deepest = max(seen, key=lambda one: one.on).water_temp_c[-1]
    return (deepest, deepest)


def mixes_with(surface_c: Floats, deep_c: float) -> NDArray[np.bool_]:
    """Where the surface is so nearly as heavy as the deep water that wind can mix them.

    Parameters
    ----------
    surface_c : ndarray
        Surface temperature while a lake cools; once it is under that of the greatest density it has mixed. [degC]
    deep_c : float
        Temperature of the deep water. [degC]

    References
    ----------
    .. [1] R. I. Woolway and others, "Phenological shifts in lake stratification under climate change," Nature Comm.,
       vol. 12, 2021: a lake is layered while bottom and top differ by 0.1 kg/m3 or more (from memory).

    Examples
    --------
    >>> mixes_with(np.array([12.0, 9.0, 7.0, 3.0]), 5.0).tolist()
    [False, False, True, True]
    """
    lighter = water_density(deep_c) - water_density(np.maximum(surface_c, 4.0))
    return np.asarray(lighter < MIXED_KGM3)


def _strange_latitude(latitude: float) -> str:
    if abs(latitude) < TROPIC_DEG:
        return "the rules know the seasons of middle latitudes, not of the tropics"
    return "the rules know the seasons of the northern hemisphere only" if latitude < 0 else ""


def _frozen(days: Days, surface: Floats) -> bool:
    last, of_them = surface[-ICE_DAYS:], days[-ICE_DAYS:]
    return bool(last.size == ICE_DAYS and (last <= ICE_C).all() and of_them[-1] - of_them[0] < ICE_DAYS * DAY)


def _spring_and_summer(
    of_year: int, day: np.datetime64, now: float, spread: float, latitude: float
) -> list[SeasonLine]:  # fmt: skip
    around = now + spread * np.array([-1.0, 0.0, 1.0])
    found = []
    for species, known in SPAWNING.items():
        fits = spawning_days(species, np.full(3, day), around, latitude)
        if fits.any():
            verb = "should" if fits.all() else "may"
            words = f"{species.value} {verb} be spawning, by the water and the calendar"
            found.append(SeasonLine(stage=known.stage, words=words, source=known.source))
    if found:
        return found
    coming = [known for known in SPAWNING.values() if of_year <= known.last_day and now < known.begins_c]
    early = [known for known in SPAWNING.values() if of_year < known.first_day]
    if coming:
        words = "the water is still colder than at spawning"
        return [SeasonLine(stage=SeasonStage.BEFORE_SPAWNING, words=words, source=coming[0].source)]
    if early:
        words = "the water is warm enough for spawning, but the calendar of the rules is not there yet"
        return [SeasonLine(stage=SeasonStage.BEFORE_SPAWNING, words=words, source=CALENDAR)]
    return [SeasonLine(stage=SeasonStage.SUMMER, words="summer: most spawning should be over", source=CALENDAR)]


def _autumn(
    of_year: int, days: Days, surface: Floats, spread: float, deep_c: tuple[float, float] | None
) -> list[SeasonLine]:  # fmt: skip
    """From mid August on; ``deep_c`` is None for a lake that does not layer, or of which that is not known."""
    now, warmest = float(surface[-1]), _warmest_week(days, surface)
    found = []
    turnover = None if deep_c is None else _turnover(days, surface, spread, deep_c)
    lately = float(surface[days > days[-1] - WEEK].mean())  # like against like: single days come and go
    if warmest is not None and lately < warmest - COOLING_BY_C:
        words = "the lake is cooling for the autumn"
        if deep_c is not None and turnover is None and of_year >= DIE_BACK_DAY:
            words += " and has not turned over yet"
        found.append(SeasonLine(stage=SeasonStage.COOLING, words=words, source="own rule on the model"))
    if turnover is not None:
        found.append(turnover)
    if of_year >= DIE_BACK_DAY and now <= DIE_BACK_C:
        words = "weeds are dying back; look for those that stand"
        found.append(SeasonLine(stage=SeasonStage.DIE_BACK, words=words, source="common practice"))
    if not found and warmest is not None:
        words = "the water still has its summer warmth"
        found = [SeasonLine(stage=SeasonStage.SUMMER, words=words, source="own model")]
    return found


def _warmest_week(days: Days, surface: Floats) -> float | None:
    """Mean of the warmest seven days, of which most are known; None if there are none such."""
    place = (days - days[0]).astype(int)
    values, known = np.zeros(place[-1] + 1), np.zeros(place[-1] + 1)
    values[place], known[place] = surface, 1.0
    sums, counts = np.convolve(values, np.ones(7)), np.convolve(known, np.ones(7))
    enough = counts >= LEAST_OF_WEEK - 0.5
    return float((sums[enough] / counts[enough]).max()) if enough.any() else None


def _turnover(days: Days, surface: Floats, spread: float, deep_c: tuple[float, float]) -> SeasonLine | None:
    """What can be said of it: it may have begun once the lake's colder end mixes with the warmest that the deep water
    may be, and is over once its warmer end mixes with the coldest."""
    coldest, warmest = deep_c
    how = "your profile" if coldest == warmest else f"deep water of {coldest:g} to {warmest:g} °C assumed"
    source = f"density of water (Martin and McCutcheon 1999, cited), mixed under 0.1 kg/m3 (from memory); {how}"
    if mixes_with(surface[-1:] + spread, coldest)[0]:
        words = "the lake should have turned over: it is mixed to the bottom"
        return SeasonLine(stage=SeasonStage.TURNED_OVER, words=words, source=source)
    may = mixes_with(surface - spread, warmest)
    if not may[-1]:
        return None
    warm = np.flatnonzero(~may)
    begun = 0 if not warm.size else int(warm[-1]) + 1  # of the run that lasts till now
    since = int((days[-1] - days[begun]).astype(int))
    words = "the lake may be turning over" + (f", for about {since} days now" if since > 1 else "")
    return SeasonLine(stage=SeasonStage.TURNOVER, words=words, source=source)
