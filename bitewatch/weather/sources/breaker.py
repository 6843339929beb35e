"""Whether a host may be asked: it rests after failures, and is left alone for good where it shows us the door. Pure."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

FAILURES = 5  #: in a row, before a host rests; this and the lengths of the rests are own choices
FIRST_REST = timedelta(minutes=10)
LONGEST_REST = timedelta(hours=2)
MOST_ASKED = timedelta(days=32)  #: no provider asks for more; a later date was written under a clock that was wrong


@dataclass(frozen=True, slots=True, kw_only=True)
class HostStanding:
    """How a host has behaved of late."""

    failures: int = 0  #: in a row
    rests: int = 0  #: in a row
    open_until: datetime | None = None  #: not asked before
    stopped: str | None = None  #: who was shown the door, and why

    def after_failure(self, now: datetime, wait_s: float | None = None) -> "HostStanding":
        """One more failure; ``wait_s`` is how long the host itself asks to be left alone."""
        failures = self.failures + 1
        rests = self.rests + 1 if failures >= FAILURES else self.rests
        rest = min(FIRST_REST * 2 ** min(rests - 1, 10), LONGEST_REST) if failures >= FAILURES else timedelta(0)
        until = now + max(rest, timedelta(seconds=wait_s or 0.0))
        return replace(self, failures=failures, rests=rests, open_until=until if until > now else None)

    def after_success(self) -> "HostStanding":
        """All is forgiven."""
        return HostStanding()

    def stop(self, who: str, reason: str) -> "HostStanding":
        """Not asked again before somebody acts: ``who`` must be someone else by then."""
        return replace(self, stopped=f"{who}: {reason}")

    def why_stopped(self, who: str) -> str | None:
        """Why ``who`` is not to ask at all; None if nothing forbids it.

        Who asks is program, version and contact: another one says that somebody has acted.
        """
        if self.stopped is None or not self.stopped.startswith(f"{who}: "):
            return None
        return self.stopped.removeprefix(f"{who}: ")

    def rests_until(self, now: datetime) -> datetime | None:
        """Until when the host is left alone; None if it may be asked."""
        if self.open_until is None or not now < self.open_until <= now + MOST_ASKED:
            return None
        return self.open_until
