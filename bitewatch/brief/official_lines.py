"""Official warnings as a reader is told of them: above the call, in the words of whoever issued them.

Nothing in a warning is reworded or cut in its own section. Signs that only turn the direction of writing, and control
characters, are left out everywhere: they would let one text disguise the line that it stands in.
"""

import re
from collections.abc import Sequence
from datetime import datetime

from bitewatch.brief.lake_day import LakeDay
from bitewatch.brief.words import Words, sentence
from bitewatch.weather.warnings import Kind, WarningsState, kind, overlaps, stands_above
from bitewatch.weather.warnings import Warning as OfficialWarning

SEVERITY_ORDER = ("extreme", "severe", "moderate", "minor")
TITLE_LENGTH = 240  #: headlines and events are cut to this in lines of our own; CAP 1.2 advises 160 for headlines
LINK_LENGTH = 500
_BREAKS = re.compile("\r\n?|\u2028|\u2029")
#: C0 but tab and line feed, DEL, C1, surrogates, and the embeddings, overrides and isolates of Unicode's UAX 9
_HIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\u202a-\u202e\u2066-\u2069]")


def in_trip(lake_day: LakeDay) -> tuple[OfficialWarning, ...]:
    """The warnings in force at some time of the trip; those that hurt people in boats first, then the most severe."""
    inside = [one for one in lake_day.official.warnings if overlaps(one, lake_day.start, lake_day.end)]
    return tuple(sorted(inside, key=lambda one: (not stands_above(one), _severity(one))))


def _severity(warning: OfficialWarning) -> int:
    named = warning.severity.casefold()
    # one that is not known may be any
    return SEVERITY_ORDER.index(named) if named in SEVERITY_ORDER else SEVERITY_ORDER.index("severe")


def bars(warning: OfficialWarning) -> bool:
    """True if a lake under it is not called fishable: a danger in a boat, severe, or of a kind that is not known."""
    return stands_above(warning) or kind(warning) is Kind.OTHER


def cleaned(text: str) -> str:
    """A text of an authority without control characters and signs that turn the direction of writing."""
    return _HIDDEN.sub("", _BREAKS.sub("\n", text)).strip("\n")


def one_line(text: str) -> str:
    """The same on one line, and cut where it is far longer than a headline."""
    line = " ".join(cleaned(text).split())
    return line if len(line) <= TITLE_LENGTH else f"{line[: TITLE_LENGTH - 1]}…"


def title(warning: OfficialWarning) -> str:
    """Its headline, else its event, unchanged; cut only where it is far too long for a line."""
    return one_line(warning.headline) or one_line(warning.event) or "no headline"


def link(warning: OfficialWarning) -> str:
    """Where the authority shows it; empty if that is no single address of a usual length."""
    address = cleaned(warning.web).strip()
    return address if len(address) <= LINK_LENGTH and len(address.split()) == 1 else ""


def headline_words(lake_day: LakeDay, words: Words, new: Sequence[str] = ()) -> list[str]:
    """The first line of a message under a warning; none if none touches the trip.

    It names the most severe one, or of ``new`` ids the most severe.
    """
    inside = sorted(in_trip(lake_day), key=lambda warning: warning.id not in new)
    if not inside:
        return []
    first = inside[0]
    until = f", until {_moment(first.ends, lake_day, words)}" if first.ends else ", no end given"
    more = len(inside) - 1
    others = f" And {more} more official warning{'s' if more > 1 else ''}, see below." if more else ""
    return [f"OFFICIAL WARNING: {title(first)}{until} ({one_line(first.sender_name) or 'sender not named'}).{others}"]


def official_lines(lake_day: LakeDay, words: Words) -> list[str]:
    """All warnings of the day in full, those inside the trip first; verbatim, with their own line breaks."""
    inside = in_trip(lake_day)
    outside = [one for one in lake_day.official.warnings if one not in inside]
    lines = []
    for warning in (*inside, *outside):
        begins = _moment(warning.onset, lake_day, words)
        lasts = f"from {begins}, no end given"
        if warning.ends is not None:
            lasts = f"{begins} to {_moment(warning.ends, lake_day, words)}"
        where = "" if warning in inside else "Outside your trip hours: "
        sender = one_line(warning.sender_name) or "sender not named"
        opening = f"{where}{one_line(warning.event) or 'Official warning'}, {lasts} ({sender})"
        texts = [cleaned(text) for text in (warning.headline, warning.description, warning.instruction)]
        lines.append("\n\n".join(text for text in (opening, *texts, link(warning)) if text))
    if lines:
        lines.append(state_line(lake_day, words))
    return lines


def state_line(lake_day: LakeDay, words: Words) -> str:
    """What is known of official warnings for this place, and as of when; "not known" is never "none"."""
    official = lake_day.official
    read = words.clock(official.read_at) if official.read_at else ""
    if official.state is WarningsState.UNAVAILABLE:
        why = [f"last read {read}"] if read else []
        why += [one_line(official.why)] if official.why else []
        told = f": {'; '.join(why)}" if why else ""
        newer = " There may be newer ones." if official.warnings else ""
        return f"Official warnings: unavailable{told}.{newer} Look at your weather service before you launch."
    as_of = f", as of {read}" if read else ""
    if official.state is WarningsState.NONE:
        return f"No official warnings for this place{as_of}."
    feeds = ", ".join(dict.fromkeys(one_line(one.feed) for one in official.warnings))
    placed = f" {sentence(one_line(official.why))}" if official.why else ""  # some could not be placed
    return f"Official warnings{as_of} ({feeds}).{placed}"


def state_words(lake_day: LakeDay, words: Words) -> str:
    """The same in a few words, for the first lines."""
    official = lake_day.official
    if official.state is WarningsState.UNAVAILABLE:
        return "official warnings unavailable, check before you launch"
    as_of = f" as of {words.clock(official.read_at)}" if official.read_at else ""
    if not official.warnings:
        return f"no official warnings{as_of}"
    return f"no official warning for the trip hours{as_of}, but for other hours of the day, see below"


def _moment(instant: datetime, lake_day: LakeDay, words: Words) -> str:
    """A clock time to the minute, as the authority gave it, with its day where that is not the trip's."""
    day = instant.astimezone(words.zone).date()
    clock = words.clock(instant)
    return clock if day == lake_day.day else f"{words.day(day)} {clock}"
