"""Waits between tries: the vectors of Standard Webhooks' schedule and of Retry-After."""

from datetime import UTC, datetime, timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.delivery.address import Kind
from bitewatch.delivery.schedule import email_wait_s, next_try, retry_after_s, webhook_wait_s

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Middle(Random):
    """No jitter: the middle of every range."""

    def uniform(self, a: float, b: float) -> float:
        return (a + b) / 2


def test_mail_waits_get_longer_and_then_stay() -> None:
    waits = [email_wait_s(n, Middle()) / 60 for n in range(1, 10)]
    assert waits == pytest.approx([1, 5, 15, 30, 60, 120, 120, 120, 120])


def test_ten_tries_of_a_webhook_in_75_h_35_min_5_s() -> None:
    # Standard Webhooks 1.0.0: 5 s, 5 min, 30 min, 2 h, 5 h, 10 h, 14 h, 20 h, 24 h after the first try
    waits = [webhook_wait_s(n, None, Middle()) for n in range(1, 11)]
    assert waits[-1] is None
    assert sum(wait for wait in waits if wait) == pytest.approx(75 * 3600 + 35 * 60 + 5)


@pytest.mark.parametrize(
    ("value", "wait_s"),
    [
        ("120", 120.0), ("999999999", 86_400.0), ("9" * 5000, 86_400.0), ("Thu, 01 Jan 1970 00:02:00 GMT", 120.0),
        ("-5", None), ("x", None), ("", None), (None, None), ("Wed, 31 Dec 1969 23:59:00 GMT", None), ("1.5", None),
        ("Thu, 01 Jan 1970 02:02:00 +0200", 120.0), ("Thu, 99 Jan 1970 00:02:00 GMT", None),
    ],
)  # fmt: skip
def test_retry_after(value: str | None, wait_s: float | None) -> None:
    assert retry_after_s(value, EPOCH) == wait_s


@given(st.text(max_size=60))
def test_no_retry_after_header_breaks_it(value: str) -> None:
    wait_s = retry_after_s(value, EPOCH)
    assert wait_s is None or 0 <= wait_s <= 86_400


@given(st.integers(1, 9), st.floats(0, 1e9), st.integers())
def test_a_receiver_may_ask_for_more_but_never_for_more_than_a_day(n: int, asked: float, seed: int) -> None:
    plain = webhook_wait_s(n, None, Random(seed))
    wait_s = webhook_wait_s(n, asked, Random(seed))
    assert plain is not None
    assert wait_s is not None
    assert wait_s == max(plain, min(asked, 86_400.0))
    again = next_try(Kind.WEBHOOK, n, now=EPOCH, asked_s=asked, rng=Random(seed))
    assert again == EPOCH + timedelta(seconds=wait_s)
