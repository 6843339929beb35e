"""The only clock."""

import functools
import os
from datetime import UTC, datetime, timedelta

MOVED = "BITEWATCH_TEST_CLOCK"  #: tests of the whole service start its clock at this instant (ISO, with offset)


def now() -> datetime:
    """This instant, aware, UTC."""
    return datetime.now(UTC) + _shift()


@functools.cache
def _shift() -> timedelta:
    moved = os.environ.get(MOVED)
    return datetime.fromisoformat(moved) - datetime.now(UTC) if moved else timedelta(0)
