"""Why, when it changes, and the days to come, in sentences."""

from collections.abc import Sequence
from datetime import timedelta
from itertools import pairwise

import numpy as np

from bitewatch.brief import front_lines
from bitewatch.brief.air_lines import air_line
from bitewatch.brief.facts import trip_reasons, window_times
from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.words import Words, chance, position_words, sentence
from bitewatch.position.call import Reason
from bitewatch.position.engine import Position
from bitewatch.presentation.plan import POSITIONS

REASONS_SHOWN = 3
WORTH_TELLING = 0.1  #: a push below this, in log-odds, moves a chance by a few in a hundred: not told [own]
DAYS_SHOWN = 4
PRESSURE_RULES = ("pressure-falling", "pressure-rising")


def why_lines(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[str]:
    """The strongest reasons for the first position, the strongest against it, and the last front."""
    position = outlook.plans[lake_day.main_species][0].position
    return [
        *reason_lines(trip_reasons(outlook, lake_day.main_species), position_words(position, lake_day.lake)),
        *front_lines.why_words(lake_day, words, seen=outlook.front_strength_seen),
        air_line(lake_day, outlook, words),
    ]


def reason_lines(found: Sequence[Reason], where: str, most: int = REASONS_SHOWN) -> list[str]:
    """The strongest reasons for a position, the strongest first, and the strongest against it."""
    told = [reason for reason in found if reason.push >= WORTH_TELLING and reason.rule_id != "baseline"][:most]
    lines = [f"{reason.name}: {sentence(reason.sentence)}" for reason in told]
    against = found[-1] if found else None
    if against and against.push <= -WORTH_TELLING and against.rule_id != "baseline":
        lines.append(f"Against it: {against.name.lower()}.")
    if not told:
        lines.insert(0, f"No rule speaks clearly; {where} is where they lean with nothing else known.")
    if {reason.rule_id for reason in told}.intersection(PRESSURE_RULES):
        lines.append("Air pressure alone has no proven direction; it weighs next to nothing here.")
    return lines


def change_lines(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[str]:
    """What changes during the trip, and the fronts from then on."""
    lines = []
    plan = outlook.plans[lake_day.main_species]
    for before, window in pairwise(plan):
        if window.position is not before.position:
            at = window_times(lake_day, outlook, window)[0]
            lines.append(f"{words.clock(at)}: {position_words(window.position, lake_day.lake)} instead.")
    if not lines:
        lines.append("The call holds for the whole trip.")
    lines += front_lines.ahead_words(lake_day, words)
    if not front_lines.cold_ahead(lake_day):
        if np.isnan(outlook.conditions["hours_to_front"][0, outlook.trip.start]):
            lines.append("The next two days are not all in these hours: a front there would not be seen.")
        else:
            lines.append("No cold front seen in the next two days.")
    else:
        cover = position_words(Position.TIGHT, lake_day.lake)
        lines.append(f"For about a day behind a cold front more likely {cover}.")
    return lines


def next_day_lines(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[str]:
    """The following days at the same hours, one line each, as far as the hours reach."""
    lines = []
    zone = lake_day.lake.zone_info
    fronts = [*front_lines.cold(lake_day), *front_lines.warm(lake_day)]
    for ahead in range(1, DAYS_SHOWN + 1):
        day = lake_day.day + timedelta(days=ahead)
        trip = lake_day.trip_hours.on(outlook.hourly.time, day, zone)
        if trip.stop <= trip.start:
            break
        mean = outlook.calls[lake_day.main_species].probability[..., trip].mean(axis=(1, 2))
        position = POSITIONS[int(mean.argmax())]
        wind, air = outlook.hourly["wind_speed_ms"][trip], outlook.hourly["air_temp_c"][trip]
        line = f"{words.day(day)}: {position_words(position, lake_day.lake)} ({chance(float(mean.max()))})"
        if not np.isnan(wind).all():
            line += f", wind to {words.wind(float(np.nanmax(wind)))}"
        if not np.isnan(air).all():
            line += f", air {words.temperature(float(np.nanmean(air)))}"
        passing = [front for front in fronts if front_lines.onset(front).astimezone(zone).date() == day]
        lines.append(f"{line}{front_lines.passing_words(passing, words)}.")
    return lines or ["These hours end before the next trip could be told."]
