"""What each reader was last shown of a lake, so that the next brief can say what changed."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select

from bitewatch.brief.compose import Brief
from bitewatch.service.tables import shown

TERMINAL = "terminal"  #: the reader at the command line


def last_shown(connection: Connection, reader: str, lake: str) -> Mapping[str, Any] | None:
    """The facts of the last brief that a reader had of a lake."""
    mine = (shown.c.reader == reader) & (shown.c.lake == lake)
    facts = connection.execute(select(shown.c.facts).where(mine).order_by(shown.c.id.desc()).limit(1)).scalar()
    return None if facts is None else dict(json.loads(facts))


def keep_shown(connection: Connection, reader: str, brief: Brief, now: datetime) -> None:
    """Write down what a brief told a reader, lake by lake."""
    rows = [
        {"reader": reader, "lake": lake["lake"], "for_day": brief.day, "made_at": now, "facts": json.dumps(lake)}
        for lake in brief.facts["lakes"]
    ]
    connection.execute(insert(shown), rows)
