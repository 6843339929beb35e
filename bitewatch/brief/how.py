"""The plan of a trip in sentences: where, how deep, with what, and what to change to."""

from bitewatch.brief.facts import window_times
from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.water_lines import wave_words
from bitewatch.brief.words import SPOT_WORDS, Words, chance, position_words, sentence, technique_words
from bitewatch.presentation.plan import POSITIONS, Offer, PlannedWindow
from bitewatch.presentation.technique import Technique, Techniques

PACE_SENTENCES = {
    "slow": "slow pace: the fish should be unwilling",
    "steady": "steady pace",
    "active": "active pace: the fish should be willing",
}


def where_lines(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[str]:
    """One line for each place, in the order of the clock."""
    lines = []
    before = None
    for window in outlook.plans[lake_day.main_species]:
        start, end = window_times(lake_day, outlook, window)
        place = spot_words(window, lake_day)
        if place != before:
            hours = slice(outlook.trip.start + window.hours.start, outlook.trip.start + window.hours.stop)
            waves = wave_words(outlook, window.lane, hours, words)
            told = f"{place}: {window.spot_reason}{f'; {waves}' if waves else ''}"
            lines.append(f"{words.span(start, end)}: {sentence(told)}")
        before = place
    return lines


def spot_words(window: PlannedWindow, lake_day: LakeDay) -> str:
    """A window's place in words."""
    if window.spot is None:
        return "any sharp rock" if lake_day.lake.is_rock else "the deep weed edge"
    return f"{window.spot.name} ({SPOT_WORDS[window.spot.kind]})"


def how_lines(lake_day: LakeDay, outlook: Outlook, table: Techniques, words: Words) -> list[str]:
    """A few lines for each window of the lake's main species; what is the same as before is not said again."""
    lines: list[str] = []
    before: PlannedWindow | None = None
    said: set[str] = set()
    for window in outlook.plans[lake_day.main_species]:
        start, end = window_times(lake_day, outlook, window)
        opening = f"{words.span(start, end)}: {_call_words(window, lake_day)}, {PACE_SENTENCES[window.pace.value]}"
        lines.append(f"{opening}, at {spot_words(window, lake_day)}.")
        same = before is not None and before.main.technique.id == window.main.technique.id
        depth = words.depths(window.main.bait.top_m, window.main.bait.bottom_m)
        name = technique_words(window.main.technique.name, lake_day.lake)
        lines.append(f"Still the {name}, {depth} down." if same else _offer_words(window.main, lake_day, words))
        before = window
        if window.toss_up and window.then:
            minutes = table.toss_up.minutes
            lines.append(
                f"Level with {position_words(window.toss_up, lake_day.lake)}: give each {minutes} minutes, log both. "
                f"The other half: {_short_offer(window.then, lake_day, words)}."
            )
        elif window.then:
            lines.append(f"If nothing bites: {_short_offer(window.then, lake_day, words)}.")
        lines += [sentence(modifier.says) for modifier in window.modifiers if modifier.id not in said]
        said |= {modifier.id for modifier in window.modifiers}
    return lines


def other_species_lines(lake_day: LakeDay, outlook: Outlook, words: Words) -> list[str]:
    """The other species, one line a window, neighbours that say the same joined."""
    lines = []
    for species in lake_day.lake.species[1:]:
        told: list[list[str]] = []
        for window in outlook.plans[species]:
            start, end = window_times(lake_day, outlook, window)
            what = f"{_call_words(window, lake_day)}; {_short_offer(window.main, lake_day, words)}"
            told.append([words.span(start, end), what])
        lines += [f"{species.value.capitalize()}, {span}: {what}." for span, what in told]
    return lines


def _call_words(window: PlannedWindow, lake_day: LakeDay) -> str:
    likely = window.probability[POSITIONS.index(window.position)]
    where = position_words(window.position, lake_day.lake)
    if window.toss_up:
        return f"toss-up between {where} and {position_words(window.toss_up, lake_day.lake)}"
    nests = ", on or near their nests in shallow cover" if window.spawning else ""
    return f"{where} ({chance(likely)}){nests}"


def _offer_words(offer: Offer, lake_day: LakeDay, words: Words) -> str:
    name = sentence(technique_words(offer.technique.name, lake_day.lake)).rstrip(".")
    depth = words.depths(offer.bait.top_m, offer.bait.bottom_m)
    return f"{name}. Bait {depth} down. {handling_words(offer.technique, lake_day)}"


def handling_words(technique: Technique, lake_day: LakeDay) -> str:
    """How a technique is fished, with what pause and weight."""
    how = sentence(technique_words(technique.how, lake_day.lake))
    return f"{how} Pause: {technique.pause}. Weight: {technique.weight}."


def _short_offer(offer: Offer, lake_day: LakeDay, words: Words) -> str:
    name = technique_words(offer.technique.name, lake_day.lake)
    where = position_words(offer.position, lake_day.lake)
    return f"{name}, {words.depths(offer.bait.top_m, offer.bait.bottom_m)} down, {where}"
