"""What every source of weather is, and what passes through its hands."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Protocol, runtime_checkable

from bitewatch.weather.hourly import Hourly

Params = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where weather is asked for."""

    lake: str  #: lake id; a file source finds its file by it
    latitude: float
    longitude: float
    elevation_m: float | None = None

    @property
    def point(self) -> str:
        """The place without its lake: lakes at one point have one key."""
        height = "" if self.elevation_m is None else f",{self.elevation_m:.0f}"
        return f"{self.latitude:.4f},{self.longitude:.4f}{height}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Where a source answers for: asked once for all lakes in it."""

    key: str  #: unique among all sources, begins with the name of the source
    latitude: float  #: the point that is asked for
    longitude: float
    elevation_m: float | None = None  #: said in the question; None: left to the source
    route: Mapping[str, Any] = field(default_factory=dict)  #: what else the source needs to ask, as JSON would hold it


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One request, without its answer."""

    key: str  #: what is asked, without secrets; the same question has the same key
    url: str
    form: Params | None = None  #: sent as a POST if there is one
    headers: Params = field(default_factory=dict)
    weight: float = 1.0  #: against the provider's quota
    good_for: timedelta = timedelta(0)  #: how long an answer stands where the provider does not say


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """One payload as it came, nothing in it believed yet."""

    source: str
    url_key: str  #: the key of the question
    fetched_at: datetime
    body: bytes
    content_type: str = ""
    expires_at: datetime | None = None
    etag: str | None = None
    last_modified: str | None = None
    reference_time: datetime | None = None  #: where it is known from elsewhere than the body


@dataclass(frozen=True, slots=True, kw_only=True)
class Issue:
    """One forecast of one cell as it was issued, or what a station has measured; accepted."""

    cell: str  #: the cell's key
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


class Asking(Protocol):
    """The one polite way to ask: see `bitewatch.weather.sources.asking`."""

    def issues(
        self, source: str, question: Question, read: Callable[[Received], tuple[Issue, ...]], *, now: datetime,
        reference_time: Callable[[], datetime | None] = lambda: None,
    ) -> tuple[Issue, ...]:  # fmt: skip
        """Ask, read and archive; what cannot be believed is set aside and raised."""

    def facts(self, source: str, question: Question, read: Callable[[Received], Any], *, now: datetime) -> Any:
        """The same for what is not an issue: where a cell lies, when a model ran."""

    def from_file(self, received: Received, read: Callable[[Received], tuple[Issue, ...]]) -> tuple[Issue, ...]:
        """Read and archive what was not asked for over a network."""


class Source(Protocol):
    """One provider: what it is asked, and a pure reading of what comes back."""

    name: str
    grid: str  #: name of the grid that its cells lie in; another grid has other cells for the same places
    attribution: str  #: the line that messages showing this data must carry; empty if none
    terms: str  #: under what terms it may be used, in a few words
    commercial_ok: bool  #: True if its terms let one earn money with it
    is_file: bool  #: True if what it serves lies on this machine and may end in the past
    gives: frozenset[str]  #: the columns that it can give; without the core columns it only adds to another source
    has_past: bool  #: True if each issue brings the days before with it
    cells_per_question: int
    every: timedelta  #: how often a cell is worth asking
    stalls_after: timedelta  #: a reference time older than this says that the source stands still

    def covers(self, place: Place) -> bool:
        """False where it is known, without asking, that the source has nothing."""

    def cell(self, place: Place, asking: Asking, *, now: datetime) -> Cell:
        """The cell that a place lies in.

        Raises
        ------
        OutsideFailed
            If it had to be asked for, and that failed; `SourceRefused` where the source has nothing for the place.
        """

    def settle(self, place: Place, asked: Cell, issue: Issue) -> Cell:
        """The cell that a place is asked as from now on, now that an issue for the cell asked has come.

        Where the grid is known only from an answer this is the cell that all lakes of the grid cell share, or one of
        the place's own where its height calls for that; everywhere else it is the cell that was asked. Pure.
        """

    def newest_run_at(self, asking: Asking, *, now: datetime) -> datetime | None:
        """From when on the newest run of the model may be asked for; None where that is not known."""

    def fetch(self, cells: Sequence[Cell], asking: Asking, *, now: datetime) -> tuple[Issue, ...]:
        """Ask for these cells; one issue for each, in their order, all archived.

        Raises
        ------
        SourceWaits
            Nothing was asked: a quota, a Retry-After or a rest after failures is not over.
        SourceUnavailable
            Nothing usable came; try again later.
        SourceRefused
            The request or the settings are wrong.
        PayloadRefused
            What came must not be used; it was set aside.
        """

    def read(self, received: Received, cells: Sequence[Cell]) -> tuple[Issue, ...]:
        """The issues in a payload, one for each cell, in their order. Pure.

        Raises
        ------
        PayloadRefused
            With the named reason why nothing of it may be used.
        """


@runtime_checkable
class HasPastWeather(Protocol):
    """A source that can be asked for hours that are long over; not every one can."""

    def past(self, cell: Cell, first: date, last: date, asking: Asking, *, now: datetime) -> Hourly:
        """The hours of a cell from one day to another, both UTC and whole, that are over; no issue is made of them.

        Raises
        ------
        ValueError
            If these are not days of the past, in order.
        OutsideFailed
            As for `Source.fetch`.
        """

    def past_source(self, first: date, *, now: datetime) -> str:
        """Whose hours those from a day on are, to be kept beside them."""
