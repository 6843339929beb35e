"""When to try again. Each wait is spread by a fifth either way, so that failures do not come back as one."""

from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from random import Random

from bitewatch.delivery.address import Kind

_MIN, _HOUR, _DAY = 60.0, 3600.0, 86400.0
#: minutes at first, since a morning message is soon stale; RFC 5321 4.5.4.1 asks relays for 30 minutes or more
EMAIL_WAITS_S = (1 * _MIN, 5 * _MIN, 15 * _MIN, 30 * _MIN, 60 * _MIN, 120 * _MIN)
#: the example schedule of Standard Webhooks 1.0.0, "Deliverability"
WEBHOOK_WAITS_S = (
    5.0, 5 * _MIN, 30 * _MIN, 2 * _HOUR, 5 * _HOUR, 10 * _HOUR, 14 * _HOUR, 20 * _HOUR, 24 * _HOUR,
)  # fmt: skip
WEBHOOK_TRIES = len(WEBHOOK_WAITS_S) + 1
LONGEST_RETRY_AFTER_S = _DAY


def email_wait_s(n: int, rng: Random) -> float:
    """Seconds to wait after the ``n``-th try of a mail or file; the last wait repeats until the row expires."""
    return EMAIL_WAITS_S[min(n, len(EMAIL_WAITS_S)) - 1] * rng.uniform(0.8, 1.2)


def webhook_wait_s(n: int, retry_after: float | None, rng: Random) -> float | None:
    """Seconds to wait after the ``n``-th try of a webhook, at least what the receiver asked; None after the last."""
    if n >= WEBHOOK_TRIES:
        return None
    return max(WEBHOOK_WAITS_S[n - 1] * rng.uniform(0.8, 1.2), min(retry_after or 0.0, LONGEST_RETRY_AFTER_S))


def retry_after_s(value: str | None, now: datetime) -> float | None:
    """The wait that a ``Retry-After`` header asks for, at most a day; None if it is unreadable or past.

    >>> retry_after_s("999999999", datetime(1970, 1, 1, tzinfo=UTC))
    86400.0
    """
    text = (value or "").strip()
    if text.isascii() and text.isdecimal():
        return min(float(text[:12]), LONGEST_RETRY_AFTER_S)
    try:
        when = parsedate_to_datetime(text)
    except ValueError:
        return None
    wait_s = (when.replace(tzinfo=when.tzinfo or UTC) - now).total_seconds()
    return min(wait_s, LONGEST_RETRY_AFTER_S) if wait_s >= 0 else None


def next_try(kind: Kind, n: int, *, now: datetime, asked_s: float | None, rng: Random) -> datetime | None:
    """The instant of the next try after the ``n``-th failed; None if it was the last."""
    if kind is Kind.WEBHOOK:
        wait_s = webhook_wait_s(n, asked_s, rng)
    else:
        wait_s = max(email_wait_s(n, rng), min(asked_s or 0.0, LONGEST_RETRY_AFTER_S))
    return None if wait_s is None else now + timedelta(seconds=wait_s)
