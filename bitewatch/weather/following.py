"""Fronts followed from issue to issue: found, moved, gone, confirmed. Pure."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from bitewatch.weather.fronts import FrontKind


class Standing(StrEnum):
    """How a passage stands."""

    FORETOLD = "foretold"
    CONFIRMED = "confirmed"  #: station hours show it
    GONE = "gone"  #: issues no longer show it
    WITHDRAWN = "withdrawn"  #: station hours show that it did not come


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownFront:
    """One passage at one lake, as it is known from all issues so far."""

    id: int | None  #: of the row; None before it is written down
    kind: FrontKind
    onset: datetime
    earliest: datetime  #: the onset's range
    latest: datetime
    strength: float
    surge_at: datetime | None  #: a second surge of cold within a day
    told_onset: datetime  #: as the last event told it
    source: str  #: who told of it last
    found_at: datetime
    seen_at: datetime
    misses: int = 0  #: issues in a row that did not show it
    standing: Standing = Standing.FORETOLD
    observed_onset: datetime | None = None
