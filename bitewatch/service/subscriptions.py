"""Subscriptions: one endpoint, one wall time, trip hours, one or more lakes."""

import json
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any, Literal

from sqlalchemy import Connection, Row, insert, select, update

from bitewatch.delivery.tables import endpoint
from bitewatch.errors import Refused
from bitewatch.presentation.trip import TripHours, wall_time
from bitewatch.service.tables import subscription

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
SpeaksOf = Literal["today", "tomorrow"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Subscription:
    """Who is told what and when; days are those that the reader fishes."""

    id: str
    endpoint: str
    channel: str
    address: str
    lakes: tuple[str, ...]  #: the first gives the zone
    at: time
    speaks_of: SpeaksOf
    trip_hours: TripHours
    days: tuple[str, ...]
    created_at: datetime
    ended_at: datetime | None
    quiet: str | None = None  #: hours in which no turn goes out; None: as the settings say, empty: none


def parse_days(text: str | None) -> tuple[str, ...]:
    """Days of the week from ``sat,sun`` or ``mon-fri``; all seven if nothing is given.

    Raises
    ------
    Refused
        If the text is anything else.
    """
    if text is None:
        return DAYS
    chosen: set[str] = set()
    for part in text.lower().split(","):
        first, dash, last = (piece.strip() for piece in part.partition("-"))
        if first not in DAYS or (dash and last not in DAYS):
            raise Refused(f'"{text}" are not days; write them as sat,sun or mon-fri')
        start, end = DAYS.index(first), DAYS.index(last) if dash else DAYS.index(first)
        chosen.update(DAYS[(start + k) % 7] for k in range((end - start) % 7 + 1))
    return tuple(day for day in DAYS if day in chosen)


def add_subscription(
    connection: Connection, *, endpoint_id: str, lakes: Sequence[str], at: time, speaks_of: SpeaksOf,
    trip_hours: TripHours, days: Sequence[str], now: datetime, quiet: str | None = None,
) -> str:  # fmt: skip
    """Write a subscription down; hands back its id.

    Raises
    ------
    Refused
        If the very same one is there already.
    """
    said = {
        "endpoint": endpoint_id, "lakes": json.dumps(list(lakes)), "at": f"{at:%H:%M}", "speaks_of": speaks_of,
        "trip_from": f"{trip_hours.start:%H:%M}", "trip_to": f"{trip_hours.end:%H:%M}", "days": ",".join(days),
        "state": "active",
    }  # fmt: skip
    same = connection.execute(select(subscription.c.id).filter_by(**said)).scalar()
    if same is not None:
        raise Refused(f"that subscription is there already: {same}")
    new = secrets.token_hex(8)
    connection.execute(insert(subscription).values(id=new, created_at=now, quiet=quiet, **said))
    return new


def end_subscription(connection: Connection, subscription_id: str, *, now: datetime) -> Subscription:
    """End a subscription; its row stays, so that it is known that it was there.

    Raises
    ------
    Refused
        If no active subscription has this id.
    """
    for known in list_subscriptions(connection):
        if known.id == subscription_id:
            ended = update(subscription).where(subscription.c.id == subscription_id)
            connection.execute(ended.values(state="ended", ended_at=now))
            return known
    raise Refused(f'no subscription "{subscription_id}"; bitewatch subscriptions lists them')


def list_subscriptions(connection: Connection) -> list[Subscription]:
    """The active subscriptions, oldest first."""
    rows = connection.execute(
        select(subscription, endpoint.c.kind.label("channel"), endpoint.c.address)
        .join(endpoint, endpoint.c.id == subscription.c.endpoint)
        .where(subscription.c.state == "active")
        .order_by(subscription.c.created_at, subscription.c.id)
    )
    return [_subscription(row) for row in rows]


def _subscription(row: Row[Any]) -> Subscription:
    return Subscription(
        id=row.id, endpoint=row.endpoint, channel=row.channel, address=row.address,
        lakes=tuple(json.loads(row.lakes)), at=wall_time(row.at), speaks_of=row.speaks_of,
        trip_hours=TripHours(wall_time(row.trip_from), wall_time(row.trip_to)), days=tuple(row.days.split(",")),
        created_at=row.created_at, ended_at=row.ended_at, quiet=row.quiet,
    )  # fmt: skip
