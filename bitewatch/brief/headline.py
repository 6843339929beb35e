"""The first lines: official warnings and dangers above the call, then position, depth, place and start."""

from collections.abc import Sequence

from bitewatch.brief import front_lines, official_lines
from bitewatch.brief.cautions import Caution
from bitewatch.brief.how import spot_words
from bitewatch.brief.lake_day import LakeDay
from bitewatch.brief.weather_lines import age_words
from bitewatch.brief.words import Words, listed, position_words, sentence


def alert_lines(
    lake_day: LakeDay, words: Words, heeded: Sequence[Caution], new_warnings: Sequence[str] = ()
) -> list[str]:
    """What stands above the call: an official warning inside the trip hours, then the dangers seen here."""
    dangers = [caution.short for caution in heeded if caution.danger]
    seen = [f"DANGER: {'; '.join(dangers)}."] if dangers else []
    return [*official_lines.headline_words(lake_day, words, new_warnings), *seen]


def call_lines(lake_day: LakeDay, words: Words, *, several: bool, calm: bool) -> list[str]:
    """The call, a front that falls into the trip, what is known of dangers where none is told, and an old forecast."""
    lines = [_call_line(lake_day, words, several=several), *front_lines.in_trip_words(lake_day, words)]
    if calm:
        lines.append(_no_danger_line(lake_day, words))
    if age := age_words(lake_day):
        lines[-1] += f" {sentence(age)}"
    return lines


def call_phrase(lake_day: LakeDay) -> str:
    """The main species and where it sits at the start of the trip."""
    if lake_day.outlook is None:
        return "no call"
    first = lake_day.outlook.plans[lake_day.main_species][0]
    species, where = lake_day.main_species.value, position_words(first.position, lake_day.lake)
    if first.toss_up:
        return f"{species} toss-up, {where} or {position_words(first.toss_up, lake_day.lake)}"
    return f"{species} {where}"


def subject_prefix(lake_day: LakeDay, heeded: Sequence[Caution]) -> str:
    """What a subject begins with where something stands above the call."""
    if official_lines.in_trip(lake_day):
        return "OFFICIAL WARNING, see inside: "
    return "DANGER, see inside: " if any(caution.danger for caution in heeded) else ""


def _call_line(lake_day: LakeDay, words: Words, *, several: bool) -> str:
    outlook, name = lake_day.outlook, lake_day.lake.name
    if outlook is None:
        return sentence(f"no call for {name}, {words.day(lake_day.day)}: {lake_day.no_call}")
    first = outlook.plans[lake_day.main_species][0]
    depth = words.depths(first.main.bait.top_m, first.main.bait.bottom_m)
    run = f"Run {name}: " if several else f"{name}: "
    place = spot_words(first, lake_day)
    return f"{run}{call_phrase(lake_day)}, bait {depth} down, {place}, from {words.clock(lake_day.start)}."


def _no_danger_line(lake_day: LakeDay, words: Words) -> str:
    seen = "Dangers cannot be seen without a forecast"
    if lake_day.outlook is not None:
        unseen = lake_day.outlook.unseen
        blind = f", but {listed(list(unseen))} cannot be seen in it" if unseen else ""
        seen = f"No danger seen in this forecast{blind}"
    return f"{seen}; {official_lines.state_words(lake_day, words)}."
