"""One composition of a brief, which the text, the page and the JSON all render: they cannot say different things."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from bitewatch.brief import front_lines
from bitewatch.brief.cautions import STANDING, BoatLimits, Caution, cautions
from bitewatch.brief.choice import Choice, choose
from bitewatch.brief.doubts import doubt_lines
from bitewatch.brief.facts import instant_text, lake_facts
from bitewatch.brief.headline import alert_lines, call_lines, call_phrase, subject_prefix
from bitewatch.brief.how import how_lines, other_species_lines, where_lines
from bitewatch.brief.lake_day import LakeDay
from bitewatch.brief.official_lines import official_lines, state_line
from bitewatch.brief.outlook_lines import change_lines, next_day_lines, why_lines
from bitewatch.brief.pictures.depth_strip import DepthStrip, depth_strip
from bitewatch.brief.since_last import since_last_lines
from bitewatch.brief.water_lines import water_lines
from bitewatch.brief.weather_lines import attributions, source_lines, switch_words
from bitewatch.brief.words import Words, sentence
from bitewatch.presentation.technique import Techniques
from bitewatch.units import UnitSystem

BRIEF_FORM = "bitewatch.brief/1"
ALERTS = ("OFFICIAL WARNING: ", "DANGER: ")  #: what lines above the call begin with


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading and its lines."""

    key: str
    title: str
    lines: tuple[str, ...]
    verbatim: bool = False  #: the lines are another's text: their own breaks stay


@dataclass(frozen=True, slots=True, kw_only=True)
class Brief:
    """A brief or a turn, composed: every sentence in the reader's words, and the facts they were made from."""

    form: str  #: which of the two, and the version of its payload
    day: date
    subject: str
    danger: bool  #: a danger or an official warning stands above the call
    headline: tuple[str, ...]
    alerts: int  #: how many lines of the headline stand above the call
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
    alerts = alert_lines(main, words, heeded)
    call = call_lines(main, words, several=len(lake_days) > 1, calm=not alerts)
    switches = dict.fromkeys(sentence(said) for day in lake_days if (said := switch_words(day)))
    sections = [
        official_section(main, words),
        Section(key="notice", title="Note", lines=(*notices, *switches)),
        *_lakes(choices),
        *_main_sections(main, table, words, heeded),
        *_other_lakes(main, choices[1:], table, limits, units),
        caution_section(main, words, heeded),
        Section(key="doubts", title="Not known", lines=doubt_lines(lake_days, units)),
        Section(key="source", title="Weather", lines=source_lines(lake_days, units)),
    ]
    return Brief(
        form=BRIEF_FORM, day=main.day,
        subject=f"{subject_prefix(main, heeded)}{main.lake.name}, {words.day(main.day)}: {call_phrase(main)}",
        danger=bool(alerts), headline=(*alerts, *call), alerts=len(alerts),
        sections=tuple(section for section in sections if section.lines),
        facts=message_facts(choices, limits, units, turn=None),
        attributions=attributions(lake_days),
        strip=depth_strip(main, words) if main.outlook else None,
    )  # fmt: skip


def message_facts(
    choices: Sequence[Choice], limits: BoatLimits, units: UnitSystem, *, turn: dict[str, Any] | None
) -> dict[str, Any]:
    """The numbers behind a message; the lake to run, or that turned, first."""
    main = choices[0].lake_day
    return {
        "made_at": instant_text(main.now), "day": main.day.isoformat(), "run": main.lake.id, "turn": turn,
        "lakes": [
            lake_facts(choice.lake_day) | {
                "fishable": choice.fishable if choice.lake_day.outlook else None,
                "dangers": [one.kind for one in _heeded(choice.lake_day, limits, units) if one.danger],
            }
            for choice in choices
        ],
    }  # fmt: skip


def _heeded(lake_day: LakeDay, limits: BoatLimits, units: UnitSystem) -> tuple[Caution, ...]:
    return cautions(lake_day, limits, Words(units, lake_day.lake.zone_info))


def official_section(lake_day: LakeDay, words: Words) -> Section:
    """The official warnings of the day, word for word; without lines if there are none."""
    return Section(
        key="official", title="Official warnings", lines=tuple(official_lines(lake_day, words)), verbatim=True
    )  # fmt: skip


def caution_section(lake_day: LakeDay, words: Words, heeded: Sequence[Caution]) -> Section:
    """What is known of official warnings, the cautions seen here, and those that always stand."""
    told = [f"{'DANGER: ' if caution.danger else ''}{sentence(caution.text)}" for caution in heeded]
    state = () if lake_day.official.warnings else (state_line(lake_day, words),)  # else it stands with the warnings
    return Section(key="cautions", title="Cautions", lines=(*state, *told, *STANDING))


def _lakes(choices: Sequence[Choice]) -> list[Section]:
    if len(choices) < 2:
        return []
    lines = []
    for place, choice in enumerate(choices):
        word = "Leave" if choice.lake_day.outlook is None else "Then" if place else "Run"
        lines.append(f"{word} {choice.lake_day.lake.name}: {choice.why}.")
    return [Section(key="lakes", title="Which lake", lines=tuple(lines))]


def _main_sections(main: LakeDay, table: Techniques, words: Words, heeded: Sequence[Caution]) -> list[Section]:
    outlook = main.outlook
    since = Section(key="since", title="Since the last brief", lines=tuple(since_last_lines(main, words, heeded)))
    if outlook is None:  # what was found stays known, whether or not there are hours now
        fronts = (*front_lines.gone_lines(main, words), *front_lines.ahead_words(main, words))
        return [Section(key="fronts", title="Fronts known from before", lines=fronts), since]

    def section(key: str, title: str, lines: list[str]) -> Section:
        return Section(key=key, title=title, lines=tuple(lines))

    return [
        section("why", "Why", why_lines(main, outlook, words)),
        section("water", "The water", water_lines(main, outlook, words)),
        section("where", "Where", where_lines(main, outlook, words)),
        section("how", "How", how_lines(main, outlook, table, words)),
        section("others", "The other fish", other_species_lines(main, outlook, words)),
        section("changes", "When it changes", change_lines(main, outlook, words)),
        since,
        section("next", "Next days, same hours", next_day_lines(main, outlook, words)),
    ]


def _other_lakes(
    main: LakeDay, others: Sequence[Choice], table: Techniques, limits: BoatLimits, units: UnitSystem
) -> list[Section]:
    """If you run another lake after all: its plan, short, with its own dangers first."""
    sections = []
    for choice in others:
        lake_day = choice.lake_day
        if lake_day.outlook is None:
            continue
        words = Words(units, lake_day.lake.zone_info)
        alerts = alert_lines(lake_day, words, cautions(lake_day, limits, words))
        if lake_day.official.state is not main.official.state:
            alerts.append(state_line(lake_day, words))
        lines = [*alerts, *how_lines(lake_day, lake_day.outlook, table, words)]
        title = f"If you run {lake_day.lake.name} instead"
        sections.append(Section(key=f"instead-{lake_day.lake.id}", title=title, lines=tuple(lines)))
    return sections
