"""One composition of a brief, which the text, the page and the JSON all render: they cannot say different things."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from bitewatch.brief.cautions import STANDING, WARNINGS_UNAVAILABLE, BoatLimits, Caution, cautions
from bitewatch.brief.choice import Choice, choose
from bitewatch.brief.facts import instant_text, lake_facts
from bitewatch.brief.how import how_lines, other_species_lines, spot_words, where_lines
from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.outlook_lines import change_lines, first_window, next_day_lines, since_last_lines, why_lines
from bitewatch.brief.pictures.depth_strip import DepthStrip, depth_strip
from bitewatch.brief.words import Words, listed, position_words, sentence
from bitewatch.position.variables import VARIABLES
from bitewatch.presentation.technique import Techniques
from bitewatch.units import UnitSystem

HONEST = (
    "That fish leave the weed tops after a cold front is supported by nets on many lakes; that they go into the cover "
    "is common practice, and no published study followed these fish through a front. "
    "Air pressure alone has no proven direction."
)
NOT_SHOWN_YET = "Track record: not shown yet. No call of this lake has been scored against a logbook."


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading and its lines."""

    key: str
    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Brief:
    """A brief, composed: every sentence in the reader's words, and the facts they were made from."""

    day: date
    subject: str
    danger: bool
    headline: tuple[str, str]
    sections: tuple[Section, ...]
    facts: dict[str, Any]
    attributions: tuple[str, ...]
    strip: DepthStrip | None


def compose(
    lake_days: Sequence[LakeDay],
    *,
    table: Techniques,
    limits: BoatLimits,
    units: UnitSystem,
    notices: Sequence[str] = (),
) -> Brief:
    """The brief of one or more lakes for one trip.

    Parameters
    ----------
    lake_days
        At least one, all for the same day; the lake to run stands first in the result.
    notices
        What the reader must know of this brief itself, in sentences: that it is late, or for a day of its own choice.

    Raises
    ------
    ValueError
        If there is no lake.
    """
    if not lake_days:
        raise ValueError("a brief is of at least one lake")
    asked = lake_days[0]
    choices = choose(lake_days, limits, Words(units, asked.lake.zone_info))
    main = choices[0].lake_day
    words = Words(units, main.lake.zone_info)
    heeded = cautions(main, limits, words)
    headline = _headline(main, words, heeded, several=len(lake_days) > 1)
    sections = [
        Section(key="notice", title="Note", lines=tuple(notices)),
        *_lakes(choices),
        *_main_sections(main, table, words),
        *_other_lakes(choices[1:], table, limits, units),
        _cautions(heeded),
        _doubts(lake_days, units),
        *_sources(lake_days, units),
    ]
    attributions = [day.weather.attribution for day in lake_days if day.weather and day.weather.attribution]
    return Brief(
        day=main.day, subject=_subject(main, words, heeded),
        danger=any(caution.danger for caution in heeded), headline=headline,
        sections=tuple(section for section in sections if section.lines),
        facts={
            "made_at": instant_text(main.now), "day": main.day.isoformat(), "run": main.lake.id,
            "lakes": [
                lake_facts(choice.lake_day) | {"fishable": choice.fishable if choice.lake_day.outlook else None}
                for choice in choices
            ],
        },
        attributions=tuple(dict.fromkeys(attributions)),
        strip=depth_strip(main, words) if main.outlook else None,
    )  # fmt: skip


def _subject(main: LakeDay, words: Words, heeded: Sequence[Caution]) -> str:
    warned = "DANGER, see inside: " if any(caution.danger for caution in heeded) else ""
    return f"{warned}{main.lake.name}, {words.day(main.day)}: {_call_phrase(main)}"


def _call_phrase(main: LakeDay) -> str:
    if main.outlook is None:
        return "no call"
    first = first_window(main, main.outlook)
    if first.toss_up:
        return f"{main.main_species.value} toss-up, {position_words(first.position, main.lake)} or " + position_words(
            first.toss_up, main.lake
        )
    return f"{main.main_species.value} {position_words(first.position, main.lake)}"


def _headline(main: LakeDay, words: Words, heeded: Sequence[Caution], *, several: bool) -> tuple[str, str]:
    """Position, depth, place and start; and danger, which stands first when there is some."""
    if main.outlook is None:
        told = sentence(f"no call for {main.lake.name}, {words.day(main.day)}: {main.no_call}")
    else:
        first = first_window(main, main.outlook)
        depth = words.depths(first.main.bait.top_m, first.main.bait.bottom_m)
        run = f"Run {main.lake.name}: " if several else f"{main.lake.name}: "
        place = spot_words(first, main)
        told = f"{run}{_call_phrase(main)}, bait {depth} down, {place}, from {words.clock(main.start)}."
    dangers = [caution.short for caution in heeded if caution.danger]
    if dangers:
        return (f"DANGER: {'; '.join(dangers)}.", told)
    seen = "Dangers cannot be seen without a forecast"
    if main.outlook is not None:
        blind = f", but {listed(list(main.outlook.unseen))} cannot be seen in it" if main.outlook.unseen else ""
        seen = f"No danger seen in this forecast{blind}"
    return (told, f"{seen}; official warnings unavailable, check before you launch.")


def _lakes(choices: Sequence[Choice]) -> list[Section]:
    if len(choices) < 2:
        return []
    lines = []
    for place, choice in enumerate(choices):
        word = "Leave" if choice.lake_day.outlook is None else "Then" if place else "Run"
        lines.append(f"{word} {choice.lake_day.lake.name}: {choice.why}.")
    return [Section(key="lakes", title="Which lake", lines=tuple(lines))]


def _main_sections(main: LakeDay, table: Techniques, words: Words) -> list[Section]:
    outlook = main.outlook
    since = Section(key="since", title="Since the last brief", lines=tuple(since_last_lines(main, outlook, words)))
    if outlook is None:
        return [since]

    def section(key: str, title: str, lines: list[str]) -> Section:
        return Section(key=key, title=title, lines=tuple(lines))

    return [
        section("why", "Why", why_lines(main, outlook, words)),
        section("where", "Where", where_lines(main, outlook, words)),
        section("how", "How", how_lines(main, outlook, table, words)),
        section("others", "The other fish", other_species_lines(main, outlook, words)),
        section("changes", "When it changes", change_lines(main, outlook, words)),
        since,
        section("next", "Next days, same hours", next_day_lines(main, outlook, words)),
    ]


def _other_lakes(choices: Sequence[Choice], table: Techniques, limits: BoatLimits, units: UnitSystem) -> list[Section]:
    """If you run another lake after all: its plan, short, with its own dangers first."""
    sections = []
    for choice in choices:
        lake_day = choice.lake_day
        if lake_day.outlook is None:
            continue
        words = Words(units, lake_day.lake.zone_info)
        dangers = [
            f"DANGER: {sentence(caution.text)}" for caution in cautions(lake_day, limits, words) if caution.danger
        ]
        lines = [*dangers, *how_lines(lake_day, lake_day.outlook, table, words)]
        title = f"If you run {lake_day.lake.name} instead"
        sections.append(Section(key=f"instead-{lake_day.lake.id}", title=title, lines=tuple(lines)))
    return sections


def _cautions(heeded: Sequence[Caution]) -> Section:
    told = [f"{'DANGER: ' if caution.danger else ''}{sentence(caution.text)}" for caution in heeded]
    return Section(key="cautions", title="Cautions", lines=(WARNINGS_UNAVAILABLE, *told, *STANDING))


def _doubts(lake_days: Sequence[LakeDay], units: UnitSystem) -> Section:
    """What is missing or only guessed, lake by lake, and what the whole tool does not know."""
    lines: list[str] = []
    for lake_day in lake_days:
        prefix = f"{lake_day.lake.name}: " if len(lake_days) > 1 else ""
        words = Words(units, lake_day.lake.zone_info)
        if said := [*_guessed_depths(lake_day, words), *lake_day.doubts]:
            lines.append(sentence(prefix + "; ".join(said)))
        if lake_day.outlook and lake_day.outlook.missing:
            names = [VARIABLES[name].label.removeprefix("the ") for name in lake_day.outlook.missing]
            lines.append(sentence(f"{prefix}missing: {', '.join(names)}"))
            if silent := _silent_rules(lake_day.outlook):
                lines.append(sentence(f"{prefix}rules silent for that: {', '.join(silent)}"))
    return Section(key="doubts", title="Not known", lines=(*lines, HONEST, NOT_SHOWN_YET))


def _guessed_depths(lake_day: LakeDay, words: Words) -> list[str]:
    """The depths that were not entered, each with the range in which it lies two times in three."""
    depths, rock = lake_day.depths, lake_day.lake.is_rock
    guesses = [
        ("foot of the rock" if rock else "weed edge", depths.edge_m, depths.edge_low_m, depths.edge_high_m),
        ("its upper half down to" if rock else "weed tops", depths.tops_m, depths.tops_low_m, depths.tops_high_m),
    ]
    return [
        f"{name} {words.depth(at)}, likely {words.depths(low, high)}" for name, at, low, high in guesses if low < high
    ]


def _silent_rules(outlook: Outlook) -> list[str]:
    """Names of rules that stay silent in some trip hour because a variable is missing."""
    names = []
    said = next(iter(outlook.calls.values()))
    for rule, silent in zip(said.book.rule, said.silent, strict=True):
        if silent[..., outlook.trip].any():
            names.append(rule.name.lower())
    return names


def _sources(lake_days: Sequence[LakeDay], units: UnitSystem) -> list[Section]:
    lines = []
    for lake_day in lake_days:
        weather = lake_day.weather
        if weather is None:
            continue
        words = Words(units, lake_day.lake.zone_info)
        if weather.is_file:
            told = f"Weather for {lake_day.lake.name}: {weather.source}, a file of hours."
        else:
            received = words.clock(weather.retrieved_at)
            told = f"Weather for {lake_day.lake.name}: {weather.source}, {weather.model}, received {received}."
        lines.append(f"{told} {weather.attribution}".strip())
    return [Section(key="source", title="Weather", lines=tuple(dict.fromkeys(lines)))]
