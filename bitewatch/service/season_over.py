"""When a lake freezes its season is over: that is told once, and nothing more until the water is open again."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection

from bitewatch.brief.lake_day import LakeDay
from bitewatch.service.lake_facts import read_lake_fact, set_lake_fact
from bitewatch.service.shown import last_shown
from bitewatch.store.events import Event, record

SEASON, OVER, OPEN = "season", "over", "open"


def note_season(connection: Connection, lake_day: LakeDay, now: datetime) -> None:
    """Write down that a lake's season is over, or that the next one has begun: each once."""
    lake = lake_day.lake.id
    state = read_lake_fact(connection, lake, SEASON)
    if lake_day.season.over and state != OVER:
        set_lake_fact(connection, lake, SEASON, OVER)
        record(
            connection, Event.SEASON_OVER, at=now, subject=lake_day.lake.id,
            reason=lake_day.season.ice.words if lake_day.season.ice else "ice",
        )  # fmt: skip
    elif lake_day.outlook is not None and state == OVER:
        set_lake_fact(connection, lake, SEASON, OPEN)
        record(connection, Event.SEASON_BEGAN, at=now, subject=lake_day.lake.id, reason="the water is open again")


def all_told_over(connection: Connection, reader: str, lake_days: Sequence[LakeDay]) -> bool:
    """True if every lake's season is over, and this reader was told so of each.

    A lake of which nothing can be seen now is still under the ice that was seen before.
    """
    for lake_day in lake_days:
        unseen = lake_day.outlook is None and read_lake_fact(connection, lake_day.lake.id, SEASON) == OVER
        if not lake_day.season.over and not unseen:
            return False
        if not (last_shown(connection, reader, lake_day.lake.id) or {}).get("season_over"):
            return False
    return True
