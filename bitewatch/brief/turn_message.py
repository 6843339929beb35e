"""The message that a call has turned: what changed, from what to what, when, why, and what to re-rig."""

from collections.abc import Hashable, Iterator, Sequence
from typing import Any

from bitewatch.brief import front_lines, official_lines
from bitewatch.brief.cautions import LIGHTNING, SUN, BoatLimits, Caution, cautions
from bitewatch.brief.choice import choose
from bitewatch.brief.compose import Brief, Section, message_facts, official_section
from bitewatch.brief.doubts import weather_doubts
from bitewatch.brief.facts import band_facts, instant_text, window_reasons
from bitewatch.brief.headline import alert_lines, subject_prefix
from bitewatch.brief.how import handling_words
from bitewatch.brief.lake_day import LakeDay
from bitewatch.brief.outlook_lines import reason_lines
from bitewatch.brief.turn_pieces import Turned, by_position, is_moved, pieces, turned_piece
from bitewatch.brief.weather_lines import age_words, attributions, source_lines, switch_words
from bitewatch.brief.words import SPOT_WORDS, Words, listed, position_words, sentence, technique_words
from bitewatch.position.turn import FrontAhead, Judgement, Told, ToldWindow, Verdict
from bitewatch.presentation.depths import Band
from bitewatch.presentation.plan import PlannedWindow
from bitewatch.presentation.technique import Techniques
from bitewatch.units import UnitSystem
from bitewatch.weather.following import KnownFront

TURN_FORM = "bitewatch.turn/1"
SHORT = 2  #: reasons told; the brief tells more
UNPROVEN = (
    "When a front passes is known to some hours only. That fish go into the cover behind one is common practice; no "
    "published study followed these fish through a front."
)


def compose_turn(
    turned: Sequence[tuple[LakeDay, Judgement, Told, Told]], *, table: Techniques, limits: BoatLimits,
    units: UnitSystem, seq: int,
) -> Brief:  # fmt: skip
    """The turn of one or more lakes of one reader, short.

    Parameters
    ----------
    turned
        At least one lake with its judgement, what was told before and what is told now; the most urgent first.
    seq
        How many turns this reader has had that day before this one.

    Raises
    ------
    ValueError
        If there is no lake.
    """
    if not turned:
        raise ValueError("a turn is of at least one lake")
    first, *others = (Turned(*one) for one in turned)
    main = first.lake_day
    words = Words(units, main.lake.zone_info)
    heeded = cautions(main, limits, words)
    alerts = alert_lines(main, words, heeded, first.judgement.warnings)
    lake_days = [main, *(one.lake_day for one in others)]
    sections = [
        official_section(main, words),
        Section(key="changed", title="What changed", lines=tuple(_changed_lines(first, words))),
        Section(key="why", title="Why", lines=tuple(_why_lines(first, words))),
        Section(key="rig", title="What to re-rig", lines=tuple(_rig_lines(first, table, words))),
        Section(key="stays", title="What stays", lines=tuple(_stay_lines(first, words))),
        *(_also(one, table, limits, Words(units, one.lake_day.lake.zone_info)) for one in others),
        Section(key="cautions", title="Cautions", lines=tuple(_caution_lines(main, words, heeded))),
        Section(key="doubts", title="Not known", lines=tuple(_doubt_lines(lake_days))),
        Section(key="source", title="Weather", lines=source_lines(lake_days, units)),
    ]
    by_lake = {choice.lake_day.lake.id: choice for choice in choose(lake_days, limits, words)}
    facts = message_facts(
        [by_lake[lake_day.lake.id] for lake_day in lake_days], limits, units,
        turn={"seq": seq, "lakes": [_facts(Turned(*one)) for one in turned]},
    )  # fmt: skip
    return Brief(
        form=TURN_FORM, day=main.day, subject=_subject(first, words, heeded), danger=bool(alerts),
        headline=(*alerts, *_first_lines(first, words)), alerts=len(alerts),
        sections=tuple(section for section in sections if section.lines),
        facts=facts, attributions=attributions(lake_days), strip=None,
    )  # fmt: skip


def _subject(turned: Turned, words: Words, heeded: Sequence[Caution]) -> str:
    lake_day, verdict = turned.lake_day, turned.judgement.verdict
    where = f"{lake_day.lake.name}, {words.day(lake_day.day)}"
    if verdict is Verdict.WARNED:
        return f"OFFICIAL WARNING: {_new_events(turned)}, {where}"
    what = f"{lake_day.main_species.value} as told"
    if verdict is Verdict.EARLIER:
        what = "cold front earlier than told"
    elif verdict is Verdict.GONE:
        what = "cold front no longer seen"
    elif (piece := turned_piece(turned)) is not None and piece.new is not None:
        what = f"{lake_day.main_species.value} now {position_words(piece.new.position, lake_day.lake)}"
    return f"{subject_prefix(lake_day, heeded)}Turn: {what}, {where}"


def _first_lines(turned: Turned, words: Words) -> list[str]:
    """What changed; then the call with its bait depth and place."""
    lake_day, judgement, name = turned.lake_day, turned.judgement, turned.lake_day.lake.name
    lines = []
    if judgement.verdict is Verdict.WARNED:
        lines.append(f"{name}: new official warning inside your trip hours: {_new_events(turned)}.")
    elif judgement.verdict is Verdict.EARLIER:
        lines.append(f"{name}: {_earlier_words(turned, words)}")
    elif judgement.verdict is Verdict.GONE:
        lines.append(f"{name}: {_gone_words(turned, words)}")
    call = _call_words(turned, words)
    lines.append(f"{name}: {call}" if not lines else sentence(call))
    lines += front_lines.in_trip_words(lake_day, words) if judgement.verdict is not Verdict.EARLIER else []
    if age := age_words(lake_day):
        lines[-1] += f" {sentence(age)}"
    return lines


def _new_events(turned: Turned) -> str:
    new = [one for one in official_lines.in_trip(turned.lake_day) if one.id in turned.judgement.warnings]
    events = [official_lines.one_line(one.event) or official_lines.title(one) for one in new]
    return listed(list(dict.fromkeys(events))) or "see below"


def _earlier_words(turned: Turned, words: Words) -> str:
    front, announced = turned.judgement.front, turned.judgement.announced
    assert front is not None
    assert announced is not None
    hours = round((announced.onset - front.onset).total_seconds() / 3600)
    found = _known(turned.lake_day, front)
    when = words.moment(front.onset) if found is None else front_lines.told(found, words)
    return f"cold front about {hours} hours earlier: now {when}; announced for {words.moment(announced.onset)}."


def _gone_words(turned: Turned, words: Words) -> str:
    announced = turned.judgement.announced
    assert announced is not None
    for front in front_lines.gone(turned.lake_day):
        if _is_announced(front, turned):
            text = front_lines.gone_words(front, words)
            return text[0].lower() + text[1:]
    return f"the cold front announced for {words.moment(announced.onset)} is no longer seen."


def _is_announced(front: KnownFront, turned: Turned) -> bool:
    """True if this is the front that was announced and is gone."""
    announced = turned.judgement.announced
    return announced is not None and front.id is not None and front.id == announced.id


def _known(lake_day: LakeDay, front: FrontAhead) -> KnownFront | None:
    """The front as it is followed."""
    same = [one for one in front_lines.cold(lake_day) if one.id == front.id and front_lines.onset(one) == front.onset]
    return same[0] if same else None


def _call_words(turned: Turned, words: Words) -> str:
    """The call as it turned, else as it stands."""
    lake_day = turned.lake_day
    species = lake_day.main_species.value
    if lake_day.outlook is None or not turned.now.windows:
        return f"no call now: {lake_day.no_call}."
    piece = turned_piece(turned)
    if piece is not None and piece.new is not None and piece.old is not None:
        new, old = (position_words(one.position, lake_day.lake) for one in (piece.new, piece.old))
        from_when = "from now on" if piece.start <= lake_day.now else f"from {words.clock(piece.start)}"
        return f"{species} now {new}, not {old}, {from_when}; {_bait_words(piece.new, lake_day, words)}."
    stands = next((piece.new for piece in pieces(turned, by_position) if piece.new), turned.now.windows[0])
    opening = "the call stays: " if turned.told.windows else ""
    where = position_words(stands.position, lake_day.lake)
    return f"{opening}{species} {where}; {_bait_words(stands, lake_day, words)}."


def _bait_words(window: ToldWindow, lake_day: LakeDay, words: Words) -> str:
    kind = next((f" ({SPOT_WORDS[spot.kind]})" for spot in lake_day.lake.spot if spot.name == window.place), "")
    place = f"{window.place}{kind}" or ("any sharp rock" if lake_day.lake.is_rock else "the deep weed edge")
    return f"bait {words.depths(window.bait_top_m, window.bait_bottom_m)} down, {place}"


def _changed_lines(turned: Turned, words: Words) -> list[str]:
    lines = []
    for piece in pieces(turned, by_position):
        if piece.new is not None and (piece.old is None or is_moved(piece)):
            new = position_words(piece.new.position, turned.lake_day.lake)
            was = "there was no call"
            if piece.old is not None:
                was = f"you were told {position_words(piece.old.position, turned.lake_day.lake)}"
            lines.append(f"{words.span(piece.start, piece.end)}: {turned.lake_day.main_species.value} {new}; {was}.")
    return lines


def _stay_lines(turned: Turned, words: Words) -> list[str]:
    return [
        f"{words.span(piece.start, piece.end)}: still {position_words(piece.new.position, turned.lake_day.lake)}."
        for piece in pieces(turned, by_position)
        if piece.new is not None and piece.old is not None and not is_moved(piece)
    ]


def _why_lines(turned: Turned, words: Words) -> list[str]:
    """The fronts with who says so, and what speaks for the new position."""
    lake_day, outlook = turned.lake_day, turned.lake_day.outlook
    lines = [
        f"Cold front {front_lines.told(front, words)}, says {front.source}."
        for front in front_lines.cold(lake_day)
        if front_lines.touches_call(front, lake_day)
    ]
    if turned.judgement.verdict is Verdict.GONE:  # that it is gone stands in the first line
        lines += [
            f"Last told of by {front.source}." for front in front_lines.gone(lake_day) if _is_announced(front, turned)
        ]
    else:
        lines += front_lines.gone_lines(lake_day, words)
    window = _planned(turned)
    if outlook is not None and window is not None:
        found = window_reasons(outlook, lake_day.main_species, window)
        lines += reason_lines(found, position_words(window.position, lake_day.lake), most=SHORT)
    return lines


def _planned(turned: Turned) -> PlannedWindow | None:
    """The window of the plan that the turned hours begin in; None if the call has not turned."""
    outlook, piece = turned.lake_day.outlook, turned_piece(turned)
    if outlook is None or piece is None:
        return None
    at = turned.now.windows.index(piece.new) if piece.new in turned.now.windows else 0
    return outlook.plans[turned.lake_day.main_species][at]


def _rig_lines(turned: Turned, table: Techniques, words: Words) -> list[str]:
    lake = turned.lake_day.lake
    rows = {row.id: row for row in table.technique}
    lines, shown = [], set[str]()

    def name(window: ToldWindow) -> str:
        row = rows.get(window.technique)
        return technique_words(row.name, lake) if row else "what you were told"

    def depth(window: ToldWindow) -> str:
        return words.depths(window.bait_top_m, window.bait_bottom_m)

    def by_rig(window: ToldWindow) -> Hashable:
        return window.technique, depth(window)

    for piece in pieces(turned, by_rig):
        new, old, span = piece.new, piece.old, words.span(piece.start, piece.end)
        if new is None or (old is not None and by_rig(new) == by_rig(old)):
            continue
        if old is not None and new.technique == old.technique:
            lines.append(f"{span}: same rig, bait {depth(new)} down instead of {depth(old)}.")
            continue
        instead = f", instead of {name(old)}, {depth(old)} down" if old is not None else ""
        lines.append(f"{span}: re-rig: {name(new)}, bait {depth(new)} down{instead}.")
        if new.technique in rows and new.technique not in shown:
            lines.append(handling_words(rows[new.technique], turned.lake_day))
            shown.add(new.technique)
    if not lines and turned.now.windows:
        return ["No need to re-rig."]
    return lines


def _also(turned: Turned, table: Techniques, limits: BoatLimits, words: Words) -> Section:
    """Another lake that turned, in one section."""
    lake_day = turned.lake_day
    alerts = alert_lines(lake_day, words, cautions(lake_day, limits, words), turned.judgement.warnings)
    lines = [*alerts, *_first_lines(turned, words), *_changed_lines(turned, words), *_rig_lines(turned, table, words)]
    return Section(key=f"also-{lake_day.lake.id}", title=f"Also: {lake_day.lake.name}", lines=tuple(lines))


def _caution_lines(lake_day: LakeDay, words: Words, heeded: Sequence[Caution]) -> Iterator[str]:
    if not lake_day.official.warnings:
        yield official_lines.state_line(lake_day, words)
    for caution in heeded:
        if caution.kind == SUN:  # the sun has not turned: the brief told of it
            continue
        yield f"{'DANGER: ' if caution.danger else ''}{sentence(caution.text)}"
    yield LIGHTNING


def _doubt_lines(lake_days: Sequence[LakeDay]) -> Iterator[str]:
    for lake_day in lake_days:
        prefix = f"{lake_day.lake.name}: " if len(lake_days) > 1 else ""
        for said in (switch_words(lake_day), *weather_doubts(lake_day)):
            if said:
                yield sentence(f"{prefix}{said}")
    yield UNPROVEN


def _facts(turned: Turned) -> dict[str, Any]:
    return {
        "lake": turned.lake_day.lake.id,
        "verdict": turned.judgement.verdict.name.lower(),
        "reasons": list(turned.judgement.reasons),
        "changed": [instant_text(hour) for hour in turned.judgement.changed],
        "told": [
            {
                "start": instant_text(one.start), "end": instant_text(one.end), "position": one.position.value,
                "technique": one.technique, "bait": band_facts(Band(top_m=one.bait_top_m, bottom_m=one.bait_bottom_m)),
            }
            for one in turned.told.windows
        ],
    }  # fmt: skip
