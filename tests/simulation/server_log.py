"""What a simulated provider has seen of its clients: every request, and what it adds up to."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from threading import Lock

from tests.simulation.exchange import Route

WINDOWS: Mapping[str, timedelta] = {
    "second": timedelta(seconds=1), "minute": timedelta(minutes=1), "hour": timedelta(hours=1),
    "day": timedelta(days=1),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One request and its answer, in simulated time."""

    at: datetime
    route: Route
    key: str  #: path, query and form
    method: str
    weight: float  #: against the quota of the provider; every refusal costs 1
    locations: int
    user_agent: str
    if_modified_since: str | None
    in_flight: int
    status: int
    sent: int  #: bytes of the body that went out
    whole: bool  #: the answer was sent to its end and can be unpacked
    fault: str | None
    expires: datetime | None = None
    last_modified: str | None = None
    not_before: datetime | None = None  #: when the client may come back, as it was told

    @property
    def source(self) -> str:
        return self.route.source


@dataclass(slots=True)
class ServerLog:
    """All entries, in order of arrival."""

    entries: list[Entry] = field(default_factory=list)
    _lock: Lock = field(default_factory=Lock)

    def add(self, entry: Entry) -> int:
        """Write down a request as it arrives; the number under which `amend` finds it."""
        with self._lock:
            self.entries.append(entry)
            return len(self.entries) - 1

    def amend(self, number: int, *, sent: int, whole: bool) -> None:
        """Say what truly went out, where that was not what was meant to."""
        with self._lock:
            self.entries[number] = replace(self.entries[number], sent=sent, whole=whole)

    def of(self, source: str) -> tuple[Entry, ...]:
        return tuple(entry for entry in self.entries if entry.source == source)

    def sums(self, source: str, window: str) -> dict[datetime, float]:
        """Weight in each window that saw a request; windows are fixed, days begin at 00 UTC."""
        total: dict[datetime, float] = defaultdict(float)
        for entry in self.of(source):
            total[window_of(entry.at, window)] += entry.weight
        return dict(total)

    def peak(self, source: str, window: str) -> float:
        """The largest weight of any fixed window."""
        return max(self.sums(source, window).values(), default=0.0)

    def peak_rate(self, source: str, seconds: float = 1.0) -> int:
        """The most requests in any span of so many seconds, wherever it begins."""
        return peak_rate((entry.at for entry in self.of(source)), seconds)

    def sent(self, source: str) -> int:
        return sum(entry.sent for entry in self.of(source))

    def table(self) -> str:
        """Requests, bytes, weight and peak of each source, one a line."""
        lines = [
            f"{'source':<12}{'requests':>9}{'304':>8}{'errors':>8}{'MB':>9}{'weight':>10}"
            f"{'peak/s':>8}{'peak/min':>10}{'peak/h':>10}{'peak/day':>10}"
        ]
        for source in sorted({entry.source for entry in self.entries}):
            mine = self.of(source)
            lines.append(
                f"{source:<12}{len(mine):>9}{sum(e.status == 304 for e in mine):>8}"
                f"{sum(e.status >= 400 for e in mine):>8}{self.sent(source) / 1e6:>9.2f}"
                f"{sum(e.weight for e in mine):>10.1f}{self.peak_rate(source):>8}"
                + "".join(f"{self.peak(source, window):>10.1f}" for window in ("minute", "hour", "day"))
            )
        return "\n".join(lines)


def window_of(at: datetime, window: str) -> datetime:
    """The beginning of the fixed window of an instant in UTC."""
    midnight = at.replace(hour=0, minute=0, second=0, microsecond=0)
    return midnight + (at - midnight) // WINDOWS[window] * WINDOWS[window]


def peak_rate(instants: Iterable[datetime], seconds: float) -> int:
    """The most instants in any half-open span of so many seconds."""
    ordered, span = sorted(instants), timedelta(seconds=seconds)
    most = first = 0
    for last, at in enumerate(ordered):
        while at - ordered[first] >= span:
            first += 1
        most = max(most, last - first + 1)
    return most


def open_meteo_weight(variables: int, locations: int, days: float) -> float:
    """The weight of a call: for each location max(1, v, v * days / 14), v being tenths of variables."""
    tenths = variables / 10
    return locations * max(1.0, tenths, tenths * days / 14)
