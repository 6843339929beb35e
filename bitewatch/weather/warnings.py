"""Official warnings: what is in force at a place, unchanged from what its authority said. Pure.

References
----------
.. [1] OASIS, "Common Alerting Protocol Version 1.2," OASIS Standard, 1 July 2010.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from bitewatch.weather.areas import Flags, inside_circle, inside_ring

FRESH_FOR = timedelta(minutes=10)  #: a feed that was last read longer ago tells nothing of now
NO_END = timedelta(days=30)  #: one without any end stands as long as its feed carries it, but not for ever (own choice)
REPLACES = ("Update", "Cancel")  #: types of message that take the place of what they refer to [1]_, 3.2.1
ZONE_HINT = "give warning_zones in its file"


class WarningsState(StrEnum):
    """What is known of official warnings at a place; "not known" is never "none"."""

    NONE = "none"
    SOME = "some"
    UNAVAILABLE = "unavailable"


class Kind(StrEnum):
    """What a warning warns of, as far as it matters in a small boat."""

    THUNDERSTORM = "thunderstorm"
    WIND = "wind"
    FOG = "fog"
    HEAT = "heat"
    COLD = "cold"
    FLOOD = "flood"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Warning:  # noqa: A001 - the word of this trade; Python's own is not used in this project
    """One official warning; texts are the authority's own, unchanged."""

    feed: str
    id: str  #: of this message: sender, identifier and time of sending; "#2" and on where one message warns twice
    event: str
    headline: str
    description: str
    instruction: str
    web: str  #: an http or https address, or nothing
    sender_name: str
    severity: str
    urgency: str
    certainty: str
    sent: datetime
    onset: datetime  #: when it begins; when it takes effect or was sent, if that is not said
    ends: datetime | None  #: None where no end was given
    zones: tuple[str, ...] = ()  #: codes of the areas
    polygons: tuple[tuple[tuple[float, float], ...], ...] = ()  #: rings of latitude, longitude
    circles: tuple[tuple[float, float, float], ...] = ()  #: latitude, longitude, radius in km
    references: tuple[str, ...] = ()  #: messages that it takes the place of
    area: str = ""
    message: str = ""  #: id of the message, where one message holds several warnings
    message_type: str = "Alert"  #: Alert, Update or Cancel
    is_over: bool = False  #: all clear, or a thing of the past
    codes: tuple[str, ...] = ()  #: codes of the event
    language: str = ""

    @property
    def message_id(self) -> str:
        """What a later message refers to it by."""
        return self.message or self.id


@dataclass(frozen=True, slots=True, kw_only=True)
class WarningsSeen:
    """The warnings at one place at one moment.

    Unavailable and yet some warnings: these are known, and there may be more.
    """

    state: WarningsState
    warnings: tuple[Warning, ...] = ()  #: in force or coming, the soonest first
    read_at: datetime | None = None  #: when the oldest of the feeds was last read whole
    why: str = ""  #: why they are unavailable, or what could not be placed


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """Something in a feed that could not be read."""

    why: str
    zones: tuple[str, ...] | None = None  #: the areas that it is about; None: it may be about any place


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedRead:
    """What came out of a feed, and what did not."""

    warnings: tuple[Warning, ...] = ()  #: with the updates and cancellations, whatever is in force
    unread: tuple[Unread, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedState:
    """How a feed stands, as far as one place is concerned."""

    name: str
    read_at: datetime | None  #: when it was last read whole
    trouble: str = ""  #: why it could not be read since
    only_by_zone: int = 0  #: warnings in force that name their area by codes alone
    without_place: int = 0  #: warnings in force that name their area in words alone


#: words of an event -> its kind, the first that fits (own table). Fog that freezes is fog first, a winter storm is cold
#: and not thunder, a storm surge is water; "Storm Warning" by itself is the wind of the open sea.
WORDS: Sequence[tuple[Kind, re.Pattern[str]]] = tuple(
    (kind, re.compile(rf"\b(?:{words})\b", re.IGNORECASE))
    for kind, words in (
        (Kind.THUNDERSTORM, "thunder[a-z]*|tornado(es)?|lightning|hail|waterspouts?|special marine"),
        (Kind.FOG, "fog|visibility"),
        (Kind.FLOOD, r"flood[a-z]*|surge|hydrologic|rain[a-z]*|high water"),
        (Kind.COLD, "cold|wind chill|freez[a-z]*|frost|ice|icing|winter|blizzard|snow[a-z]*|low temperatures?|sleet"),
        (Kind.HEAT, "heat|hot|high temperatures?"),
        (Kind.WIND, r"winds?|gales?|small craft|squalls?|storms?|hurricanes?|typhoons?|seas|surf|brisk|waves?"),
    )
)

#: EAS and NWS event codes -> kind, where the words do not tell (47 CFR 11.31 and NWS Directive 10-1703 [memory])
CODES: Mapping[str, Kind] = {
    "SVR": Kind.THUNDERSTORM, "SVA": Kind.THUNDERSTORM, "SVS": Kind.THUNDERSTORM, "TOR": Kind.THUNDERSTORM,
    "TOA": Kind.THUNDERSTORM, "SMW": Kind.THUNDERSTORM, "HWW": Kind.WIND, "HWA": Kind.WIND, "HUW": Kind.WIND,
    "HUA": Kind.WIND, "TRW": Kind.WIND, "TRA": Kind.WIND, "EWW": Kind.WIND, "DSW": Kind.WIND, "WSW": Kind.COLD,
    "WSA": Kind.COLD, "BZW": Kind.COLD, "FFW": Kind.FLOOD, "FFA": Kind.FLOOD, "FLW": Kind.FLOOD, "FLA": Kind.FLOOD,
}  # fmt: skip
DANGERS = (Kind.THUNDERSTORM, Kind.WIND, Kind.FOG, Kind.HEAT)  #: what hurts people in small boats in open water (own)
MINOR = ("Minor", "Moderate")


def kind(warning: Warning) -> Kind:
    """What a warning warns of, by the words of its event, else by the code; for the order of showing only."""
    for found, words in WORDS:
        if words.search(warning.event):
            return found
    return next((CODES[code] for code in warning.codes if code in CODES), Kind.OTHER)


def stands_above(warning: Warning) -> bool:
    """True if it must stand above the call: a danger in a boat, or anything not said to be minor or moderate."""
    return kind(warning) in DANGERS or warning.severity not in MINOR


def end_of(warning: Warning) -> datetime:
    """When it is over; where its authority does not say, `NO_END` after it was sent."""
    return warning.sent + NO_END if warning.ends is None else warning.ends


def in_force(warnings: Iterable[Warning], now: datetime) -> tuple[Warning, ...]:
    """Those that stand, in force or still to come: not taken back, not replaced and not over.

    A message is replaced by a later one of the same feed that refers to it, also when the later one is over itself.
    """
    everything = tuple(warnings)
    replaced: dict[tuple[str, str], datetime] = {}
    for one in everything:
        for reference in one.references if one.message_type in REPLACES else ():
            if reference != one.message_id:
                key = (one.feed, reference)
                replaced[key] = max(one.sent, replaced.get(key, one.sent))
    return tuple(
        one
        for one in everything
        if one.message_type != "Cancel" and not one.is_over and now < end_of(one)
        # an older message cannot know of a newer one: one that refers to it refers to something else, or is broken
        and replaced.get((one.feed, one.message_id), datetime.min.replace(tzinfo=UTC)) < one.sent
    )  # fmt: skip


def touching(
    warning: Warning, latitude_deg: ArrayLike, longitude_deg: ArrayLike, in_zone: Mapping[str, Sequence[int]]
) -> Flags:
    """Which of many places a warning is for.

    Parameters
    ----------
    warning
        The warning. One whose area is told in words alone is for none of them.
    latitude_deg, longitude_deg : array_like
        The places, one axis. [degree]
    in_zone
        Code of an area, in capitals -> which of the places lie in it.

    Returns
    -------
    ndarray
        True for the places that lie in one of its zones, or in or on the edge of one of its polygons or circles.
    """
    latitude, longitude = np.asarray(latitude_deg, float), np.asarray(longitude_deg, float)
    inside = np.zeros(latitude.shape, bool)
    for zone in warning.zones:
        inside[list(in_zone.get(zone.upper(), ()))] = True
    for ring in warning.polygons:
        inside |= inside_ring(latitude, longitude, ring)
    for centre_latitude, centre_longitude, radius_km in warning.circles:
        inside |= inside_circle(latitude, longitude, (centre_latitude, centre_longitude), radius_km)
    return inside


def touches(warning: Warning, latitude_deg: float, longitude_deg: float, zones: Iterable[str]) -> bool:
    """True if a warning is for a place: see `touching`."""
    here = {zone.upper(): (0,) for zone in zones}
    return bool(touching(warning, [latitude_deg], [longitude_deg], here)[0])


def overlaps(warning: Warning, start: datetime, end: datetime) -> bool:
    """True if it holds at some moment from ``start`` to ``end``, both included; not at the moment of its own end."""
    over_at = end_of(warning)
    return min(warning.onset, over_at) <= end and start < over_at


def seen_at(
    feeds: Sequence[FeedState], warnings: Iterable[Warning], *, latitude_deg: float, longitude_deg: float,
    zones: Sequence[str], now: datetime, until: datetime,
) -> WarningsSeen:  # fmt: skip
    """What is known of the warnings at a place between now and a later moment.

    Unavailable where there is no feed or one of them is not fresh, and also where no warning was found but some could
    not be placed: an area in words alone, or codes of areas where none is known for the place.
    """
    here = [one for one in in_force(warnings, now) if touches(one, latitude_deg, longitude_deg, zones)]
    return seen_here(feeds, here, has_zones=bool(zones), now=now, until=until)


def seen_here(
    feeds: Sequence[FeedState], here: Iterable[Warning], *, has_zones: bool, now: datetime, until: datetime
) -> WarningsSeen:
    """The same from warnings that are known to be for the place, and to be neither taken back nor replaced."""
    if not feeds:
        return WarningsSeen(state=WarningsState.UNAVAILABLE, why="no feed of official warnings is set up")
    shown = [one for one in here if now < end_of(one) and overlaps(one, now, until)]
    shown.sort(key=lambda one: (max(one.onset, now), not stands_above(one), one.onset, one.feed, one.id))
    stale = [_not_fresh(feed) for feed in feeds if feed.read_at is None or abs(now - feed.read_at) > FRESH_FOR]
    gaps = [gap for feed in feeds for gap in _gaps(feed, has_zones)]
    if stale or (gaps and not shown):
        state = WarningsState.UNAVAILABLE
    else:
        state = WarningsState.SOME if shown else WarningsState.NONE
    read = [feed.read_at for feed in feeds if feed.read_at is not None]
    return WarningsSeen(
        state=state, warnings=tuple(shown), why="; ".join([*stale, *gaps]),
        read_at=min(read) if len(read) == len(feeds) else None,
    )  # fmt: skip


def _not_fresh(feed: FeedState) -> str:
    since = "has not been read yet" if feed.read_at is None else f"was last read at {feed.read_at:%Y-%m-%d %H:%M} UTC"
    return f"{feed.name} {since}" + (f" ({feed.trouble})" if feed.trouble else "")


def _gaps(feed: FeedState, has_zones: bool) -> list[str]:
    gaps = []
    if feed.only_by_zone and not has_zones:
        gaps.append(
            f"{feed.name}: {_warnings(feed.only_by_zone)} for areas told by codes alone, "
            f"and no code is known for this lake; {ZONE_HINT}"
        )
    if feed.without_place:
        gaps.append(f"{feed.name}: {_warnings(feed.without_place)} for areas told in words alone")
    return gaps


def _warnings(count: int) -> str:
    return "1 warning is" if count == 1 else f"{count} warnings are"


def to_json(warning: Warning) -> dict[str, Any]:
    """A warning as JSON holds it; `from_json` gives the very same back."""
    told = asdict(warning)
    for name in ("sent", "onset", "ends"):
        told[name] = None if told[name] is None else told[name].isoformat()
    return told


def from_json(told: Mapping[str, Any]) -> Warning:
    """The warning that `to_json` was given."""
    table = {field.name: _tuples(told[field.name]) for field in fields(Warning) if field.name in told}
    for name in ("sent", "onset", "ends"):
        table[name] = None if table[name] is None else datetime.fromisoformat(table[name])
    return Warning(**table)


def _tuples(value: Any) -> Any:
    return tuple(_tuples(each) for each in value) if isinstance(value, list | tuple) else value


TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,6})?(Z|[+-][0-9]{2}:[0-9]{2})")


def official_time(text: str) -> datetime:
    """A time of the Common Alerting Protocol, in UTC; UTC itself is written -00:00 there ([1]_, 3.3.2), or Z by some.

    Raises
    ------
    ValueError
        If it is no time, has no offset, or lies outside of the years 1990 to 2199.
    """
    if not TIME.fullmatch(text):
        raise ValueError(f"{ascii(text)[:60]} is not a time with an offset")
    try:
        time = datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise ValueError(f"{ascii(text)[:60]} is not a time") from error
    if not 1990 <= time.year < 2200:
        raise ValueError(f"{ascii(text)[:60]} is not of our days")
    return time


def safe_link(text: str) -> str:
    """A link that a page may carry: http or https in one line of visible ASCII, else nothing."""
    link = text.strip()
    return link if re.fullmatch(r"https?://[!-~]{1,2000}", link, re.IGNORECASE) else ""
