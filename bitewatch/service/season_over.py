"""When a lake freezes its season is over: that is told once, and nothing more until the water is open again."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection

from bitewatch.brief.lake_day import LakeDay
from bitewatch.service.shown import last_shown
from bitewatch.store.events import Event, record
from bitewatch.store.facts import read_fact, set_fact

OVER, OPEN = "over", "open"


def note_season(connection: Connection, lake_day: LakeDay, now: datetime) -> None:
    """Write down that a lake's season is over, or that the next one has begun: each once."""
    fact = f"season:{lake_day.lake.id}"
    state = read_fact(connection, fact)
    if lake_day.season.over and state != OVER:
        set_fact(connection, fact, OVER)
        record(
            connection, Event.SEASON_OVER, at=now, subject=lake_day.lake.id,
            reason=lake_day.season.ice.words if lake_day.season.ice else "ice",
        )  # fmt: skip
    elif lake_day.outlook is not None and state == OVER:
        set_fact(connection, fact, OPEN)
        record(connection, Event.SEASON_BEGAN, at=now, subject=lake_day.lake.id, reason="the water is open again")


def all_told_over(connection: Connection, reader: str, lake_days: Sequence[LakeDay]) -> bool:
    """True if every lake's season is over, and this reader was told so of each."""
    return all(
        lake_day.season.over and bool((last_shown(connection, reader, lake_day.lake.id) or {}).get("season_over"))
        for lake_day in lake_days
    )
