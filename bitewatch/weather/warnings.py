"""Official warnings: what is in force at a place, unchanged from what its authority said. Pure."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class WarningsState(StrEnum):
    """What is known of official warnings at a place; "not known" is never "none"."""

    NONE = "none"
    SOME = "some"
    UNAVAILABLE = "unavailable"


@dataclass(frozen=True, slots=True, kw_only=True)
class Warning:
    """One official warning; texts are the authority's own, unchanged."""

    feed: str
    id: str  #: of this message: sender, identifier and time of sending
    event: str
    headline: str
    description: str
    instruction: str
    web: str
    sender_name: str
    severity: str
    urgency: str
    certainty: str
    sent: datetime
    onset: datetime  #: when it begins; when it was sent, if that is not said
    ends: datetime | None  #: None where no end was given
    zones: tuple[str, ...] = ()  #: codes of the areas
    polygons: tuple[tuple[tuple[float, float], ...], ...] = ()  #: rings of latitude, longitude
    circles: tuple[tuple[float, float, float], ...] = ()  #: latitude, longitude, radius in km
    references: tuple[str, ...] = ()  #: ids that it takes the place of
    area: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WarningsSeen:
    """The warnings at one place at one moment."""

    state: WarningsState
    warnings: tuple[Warning, ...] = ()  #: in force or coming, the soonest first
    read_at: datetime | None = None  #: when the oldest of the feeds was last read whole
    why: str = ""  #: why they are unavailable
