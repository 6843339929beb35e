"""The story of a day at a lake: what happened there, as it was written down when it happened."""

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from bitewatch.service.tables import subscription
from bitewatch.store.events import Event
from bitewatch.store.metadata import event

OF_MESSAGES = (Event.BRIEF_DECIDED, Event.MESSAGE_SENT, Event.MESSAGE_FAILED)
OF_SOURCES = (Event.SOURCE_DOWN, Event.SOURCE_BACK, Event.SOURCE_SWITCHED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """One event."""

    at: datetime
    name: Event
    subject: str
    reason: str  #: in words, one line
    details: Mapping[str, Any]


def story(
    connection: Connection, lake_id: str, *, since: datetime, before: datetime, cells: Collection[str],
    sources: Collection[str],
) -> tuple[Happened, ...]:  # fmt: skip
    """What happened that concerns a lake, in order of time.

    Parameters
    ----------
    since, before
        The span, its end left out.
    cells
        Keys of the cells in which the lake lies.
    sources
        Names of the sources that it is told from.
    """
    mine = _subscriptions(connection, lake_id)
    rows = connection.execute(
        select(event).where(event.c.at >= since, event.c.at < before).order_by(event.c.at, event.c.id)
    )
    found = []
    for row in rows:
        name, details = Event(row.name), json.loads(row.details)
        message = row.subject.split(":")
        if name in OF_MESSAGES:
            concerns = lake_id in details["lakes"] if "lakes" in details else message[0] in mine
        else:
            concerns = (
                lake_id in (row.subject, details.get("lake"))
                or lake_id in details.get("lakes", ())
                or not set(cells).isdisjoint(details.get("cells", ()))
                or (name in OF_SOURCES and row.subject in sources)
                or (name is Event.FORECAST_SET_ASIDE and row.subject in cells)
            )
        if concerns:
            what = f"{message[2]} of {message[1]}: " if name in OF_MESSAGES and len(message) == 4 else ""
            reason = what + " ".join(row.reason.split())
            found.append(Happened(at=row.at, name=name, subject=row.subject, reason=reason, details=details))
    return tuple(found)


def _subscriptions(connection: Connection, lake_id: str) -> frozenset[str]:
    """Those that speak of a lake, ended ones too."""
    rows = connection.execute(select(subscription.c.id, subscription.c.lakes))
    return frozenset(row.id for row in rows if lake_id in json.loads(row.lakes))
