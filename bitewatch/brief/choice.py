"""Which of several lakes to run, and why."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bitewatch.brief import official_lines
from bitewatch.brief.cautions import BoatLimits, cautions, limit_words, rough_from
from bitewatch.brief.lake_day import LakeDay
from bitewatch.brief.words import Words, chance, position_words
from bitewatch.position.pace import Pace

PACE_ORDER = (Pace.ACTIVE, Pace.STEADY, Pace.SLOW)


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One lake of several, with what speaks for or against running it."""

    lake_day: LakeDay
    fishable: bool | None  #: None: wind or waves are not known, so it cannot be told
    why: str


def choose(lake_days: Sequence[LakeDay], limits: BoatLimits, words: Words) -> tuple[Choice, ...]:
    """Lakes in the order in which to run them.

    First those that can be fished in the wind for the whole trip, then those where the fish should be more willing,
    then those whose call is clearest, then the order asked for (common practice, no source).
    """
    choices = [_weigh(lake_day, limits, words) for lake_day in lake_days]
    return tuple(sorted(choices, key=_order))


def _order(choice: Choice) -> tuple[bool, bool, int, float]:
    outlook = choice.lake_day.outlook
    if outlook is None:
        return (True, True, len(PACE_ORDER), 0.0)
    first = outlook.plans[choice.lake_day.main_species][0]
    return (False, choice.fishable is not True, PACE_ORDER.index(first.pace), -round(max(first.probability), 2))


def _weigh(lake_day: LakeDay, limits: BoatLimits, words: Words) -> Choice:
    outlook = lake_day.outlook
    if outlook is None:
        return Choice(lake_day=lake_day, fishable=None, why=f"no call: {lake_day.no_call}")
    trip = outlook.trip
    rough = rough_from(outlook, limits)
    waves = outlook.wave_height_m[trip]
    known = waves[~np.isnan(waves)]
    wind = float(np.nanmax(outlook.hourly["wind_speed_ms"][trip]))
    told = f"wind to {words.wind(wind)}" + (f", waves {words.wave(float(known.max()))}" if known.size else "")
    dangers = [caution.short for caution in cautions(lake_day, limits, words) if caution.danger]
    warned = [official_lines.title(one) for one in official_lines.in_trip(lake_day) if official_lines.bars(one)]
    fishable: bool | None = None if {"wind", "gusts"} & set(outlook.unseen) or np.isnan(waves).any() else True
    fit = "fishable all trip" if fishable else "whether it is fishable cannot be told"
    if dangers:
        fishable, fit = False, f"danger: {'; '.join(dangers)}"
    if rough is not None:
        fishable, fit = False, f"over {limit_words(outlook, limits, rough)} for part of the trip"
    if warned:
        fishable, fit = False, f"official warning: {'; '.join(warned)}"
    first = outlook.plans[lake_day.main_species][0]
    where = position_words(first.position, lake_day.lake)
    what = f"{lake_day.main_species.value} {where}, {chance(max(first.probability))}"
    return Choice(lake_day=lake_day, fishable=fishable, why=f"{fit} ({told}); {first.pace.value} pace; {what}")
