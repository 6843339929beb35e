"""Every error of bitewatch, in one tree; a leaf says what to do.

`Refused` (exit code 1): what was given must be mended first. `OutsideFailed` (exit code 3): the outside world failed;
each leaf below says whether trying again helps.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong in one file: where it stands, what it says and what would be right."""

    file: str
    key: str
    value: str
    right: str

    def __str__(self) -> str:
        said = f" = {self.value}" if self.value else ""
        where = f"{self.file}: {self.key}{said}" if self.key else self.file
        return f"{where}: {self.right}"


class BitewatchError(Exception):
    """Root of the tree; ``exit_code`` is what the command line returns."""

    exit_code = 1


class Refused(BitewatchError):
    """What was given cannot be used; mend it and run again."""


class ConfigRefused(Refused):
    """One or more files of the config folder are wrong; ``faults`` names each, one a line."""

    def __init__(self, faults: Iterable[Fault]):
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class StoreRefused(Refused):
    """The data folder cannot be used as it is."""


class OutsideFailed(BitewatchError):
    """Something outside this program failed."""

    exit_code = 3


class SourceUnavailable(OutsideFailed):
    """A weather source did not answer usefully; try again later, not sooner than ``wait_s`` when that is given.

    ``status`` is that of the answer, if one came.
    """

    def __init__(self, reason: str, *, status: int | None = None, wait_s: float | None = None):
        self.status = status
        self.wait_s = wait_s
        super().__init__(reason)


class SourceWaits(OutsideFailed):
    """A weather source is not asked before ``until``: a quota, its own Retry-After, or a rest after failures.

    ``only_this``: only the one question waits, because its last answer, which was set aside, still stands.
    """

    def __init__(self, reason: str, until: datetime, *, only_this: bool = False):
        self.until = until
        self.only_this = only_this
        super().__init__(reason)


class SourceRefused(OutsideFailed):
    """A weather source refused the request; do not retry before the request or the settings change.

    ``status`` is that of the answer, if one came: 403 stops the host, 404 says that what was asked for is gone.
    """

    def __init__(self, reason: str, *, status: int | None = None):
        self.status = status
        super().__init__(reason)


class PayloadRefused(OutsideFailed):
    """A weather source answered with something that must not be used; the last good issue stays.

    ``reason`` is the named reason under which the payload is set aside.
    """

    def __init__(self, reason: str, detail: str = ""):
        self.reason = reason
        super().__init__(f"{reason}: {detail}" if detail else reason)


class DeliveryError(OutsideFailed):
    """A message was not handed over; the three leaves say what is known."""


class DeliveryDeferred(DeliveryError):
    """Known not accepted, and worth another try, not sooner than ``wait_s`` when that is given."""

    def __init__(self, reason: str, wait_s: float | None = None):
        self.wait_s = wait_s
        super().__init__(reason)


class DeliveryRefused(DeliveryError):
    """Known not accepted for good; do not retry."""


class DeliveryUnknown(DeliveryError):
    """No answer after the last byte: it may or may not have arrived."""
