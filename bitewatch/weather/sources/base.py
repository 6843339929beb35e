"""What every source of weather is, and what passes through its hands."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from bitewatch.weather.hourly import Hourly


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where weather is asked for."""

    lake: str  #: lake id; a file source finds its file by it
    latitude: float
    longitude: float
    elevation_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """One payload as it came, nothing in it believed yet."""

    source: str
    url_key: str  #: what was asked, without secrets; the same question has the same key
    fetched_at: datetime
    body: bytes
    content_type: str = ""
    expires_at: datetime | None = None
    etag: str | None = None
    last_modified: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Issue:
    """One forecast of one cell as it was issued, accepted."""

    cell: str  #: the cell's key within its source
    source: str
    model: str
    reference_time: datetime | None  #: None where the source does not tell
    retrieved_at: datetime
    part: int  #: which location of the payload
    hourly: Hourly
    notes: tuple[str, ...] = ()  #: what was put aside while reading, in words
    grid_latitude: float | None = None
    grid_longitude: float | None = None
    grid_elevation_m: float | None = None


class Source(Protocol):
    """One provider. `fetch` may touch the network or a file; `read` is pure."""

    name: str
    attribution: str  #: the line that messages showing this data must carry; empty if none
    is_file: bool  #: True if what it serves lies on this machine and may end in the past
    places_per_fetch: int  #: how many places one `fetch` may ask for at most

    def url_key(self, places: Sequence[Place]) -> str:
        """The key under which the answer for these places is archived, so that an old one is found when none comes."""

    def fetch(self, places: Sequence[Place], now: datetime) -> Received:
        """Ask for these places.

        Raises
        ------
        SourceUnavailable
            Nothing usable came; try again later.
        SourceRefused
            The request or the settings are wrong.
        """

    def read(self, received: Received, places: Sequence[Place]) -> tuple[Issue, ...]:
        """The issues in a payload, one for each place, in their order.

        Raises
        ------
        PayloadRefused
            With the named reason why nothing of it may be used.
        """
