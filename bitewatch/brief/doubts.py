"""What is missing or only guessed, lake by lake, and what the whole tool does not know."""

from collections.abc import Sequence

from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.weather_lines import age_words
from bitewatch.brief.words import Words, sentence
from bitewatch.position.variables import VARIABLES
from bitewatch.units import UnitSystem

HONEST = (
    "That fish leave the weed tops after a cold front is supported by nets on many lakes; that they go into the cover "
    "is common practice, and no published study followed these fish through a front. "
    "Air pressure alone has no proven direction."
)
NOT_SHOWN_YET = "Track record: not shown yet. No call of this lake has been scored against a logbook."


def doubt_lines(lake_days: Sequence[LakeDay], units: UnitSystem) -> tuple[str, ...]:
    """The doubts of every lake, then those of the tool."""
    lines: list[str] = []
    for lake_day in lake_days:
        prefix = f"{lake_day.lake.name}: " if len(lake_days) > 1 else ""
        words = Words(units, lake_day.lake.zone_info)
        if said := [*_guessed_depths(lake_day, words), *lake_day.doubts]:
            lines.append(sentence(prefix + "; ".join(said)))
        lines += [sentence(prefix + said) for said in weather_doubts(lake_day)]
        if lake_day.outlook and lake_day.outlook.missing:
            names = [VARIABLES[name].label.removeprefix("the ") for name in lake_day.outlook.missing]
            lines.append(sentence(f"{prefix}missing: {', '.join(names)}"))
            if silent := _silent_rules(lake_day.outlook):
                lines.append(sentence(f"{prefix}rules silent for that: {', '.join(silent)}"))
    return (*lines, HONEST, NOT_SHOWN_YET)


def weather_doubts(lake_day: LakeDay) -> list[str]:
    """How old the forecast is, and what in its hours came from elsewhere."""
    filled = lake_day.weather.filled if lake_day.weather else ()
    return [said for said in (age_words(lake_day), *filled) if said]


def _guessed_depths(lake_day: LakeDay, words: Words) -> list[str]:
    """The depths that were not entered, each with the range in which it lies two times in three."""
    depths, rock = lake_day.depths, lake_day.lake.is_rock
    edge = (depths.edge_m, depths.edge_low_m, depths.edge_high_m)
    tops = (depths.tops_m, depths.tops_low_m, depths.tops_high_m)
    guesses = [
        ("foot of the rock" if rock else "weed edge", lake_day.lake.weed_edge_m, edge),
        ("its upper half down to" if rock else "weed tops", lake_day.lake.weed_tops_m, tops),
    ]
    return [
        f"{name} {words.depth(at)}, likely {words.depths(low, high)}"
        for name, entered, (at, low, high) in guesses
        if entered is None and low < high
    ]


def _silent_rules(outlook: Outlook) -> list[str]:
    """Names of rules that stay silent in some trip hour because a variable is missing."""
    names = []
    said = next(iter(outlook.calls.values()))
    for rule, silent in zip(said.book.rule, said.silent, strict=True):
        if silent[..., outlook.trip].any():
            names.append(rule.name.lower())
    return names
