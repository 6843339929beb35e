"""The outbox: who may send a row, the gate before the byte that counts, and every outcome with its event.

Each change is one conditional update. One that changes no row was made too late: the row has another owner by now.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection, and_, func, not_, or_, select, update
from sqlalchemy import insert as insert_row

from bitewatch.delivery.address import Kind
from bitewatch.delivery.endpoints import EndpointState
from bitewatch.delivery.schedule import WEBHOOK_TRIES
from bitewatch.delivery.tables import attempt, endpoint, outbox, suppression
from bitewatch.errors import DeliveryError
from bitewatch.store.events import Event, record

UNKNOWN = "unknown outcome"
LATE = "late"


class State(StrEnum):
    """Where a message stands; the last four are final."""

    PENDING = "pending"
    SENDING = "sending"  #: claimed; the receiver is not yet responsible
    COMMITTING = "committing"  #: past the gate; the receiver may be
    SENT = "sent"
    DEAD = "dead"
    EXPIRED = "expired"
    CANCELLED = "cancelled"


class Phase(StrEnum):
    """How a try ended."""

    CLAIMED = "claimed"  #: it has not ended
    SENT = "sent"
    DEFERRED = "deferred"
    REFUSED = "refused"
    UNKNOWN = "unknown"
    SHUT = "shut"  #: the gate was
    CRASHED = "crashed"
    BUG = "bug"


class Shut(StrEnum):
    """Why a gate was shut."""

    LOST = "the row has another owner, or was cancelled"
    EXPIRED = "the message expired on its way"
    SUPPRESSED = "the reader left on its way"


class GateShut(DeliveryError):
    """The last byte must not be sent."""

    def __init__(self, why: Shut):
        self.why = why
        super().__init__(why.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimed:
    """A row that is ours to send."""

    key: str
    channel: Kind
    endpoint: str
    message_id: str
    payload: str
    attempts: int
    uncertain: int
    epoch: int


def claim(connection: Connection, *, epoch: int, now: datetime, without: Collection[Kind] = ()) -> Claimed | None:
    """Take the row that has been due longest, or None; rows of the channels in ``without`` are left to wait."""
    due = (
        select(outbox.c.key)
        .join(endpoint, endpoint.c.id == outbox.c.endpoint)
        .where(
            outbox.c.state == State.PENDING,
            outbox.c.not_before <= now,
            outbox.c.expires_at > now,
            outbox.c.channel.not_in([kind.value for kind in without]),
            endpoint.c.state == EndpointState.ACTIVE,
            or_(endpoint.c.open_until.is_(None), endpoint.c.open_until <= now),
            not_(_suppressed()),
        )
        .order_by(outbox.c.not_before, outbox.c.key)
        .limit(1)
    )
    row = connection.execute(
        update(outbox)
        .where(outbox.c.key == due.scalar_subquery(), outbox.c.state == State.PENDING)
        .values(state=State.SENDING, epoch=epoch, attempts=outbox.c.attempts + 1)
        .returning(outbox)
    ).one_or_none()
    if row is None:
        return None
    start = {"n": row.attempts, "epoch": epoch, "started": now, "phase": Phase.CLAIMED}
    connection.execute(insert_row(attempt).values(key=row.key, **start))
    return claimed_row(row)


def claimed_row(row: Any) -> Claimed:
    """A row of the outbox as its owner holds it."""
    return Claimed(
        key=row.key, channel=Kind(row.channel), endpoint=row.endpoint, message_id=row.message_id, payload=row.payload,
        attempts=row.attempts, uncertain=row.uncertain, epoch=row.epoch,
    )  # fmt: skip


def gate(connection: Connection, claimed: Claimed, *, now: datetime) -> None:
    """Pass the gate; the caller commits, and only then sends the last byte.

    Raises
    ------
    GateShut
        If the last byte must not be sent.
    """
    mine = and_(outbox.c.key == claimed.key, outbox.c.epoch == claimed.epoch, outbox.c.state == State.SENDING)
    passed = connection.execute(
        update(outbox).where(mine, outbox.c.expires_at > now, not_(_suppressed())).values(state=State.COMMITTING)
    )
    if passed.rowcount:
        return
    expires_at = connection.execute(select(outbox.c.expires_at).where(mine)).scalar()
    if expires_at is None:
        raise GateShut(Shut.LOST)
    raise GateShut(Shut.EXPIRED if expires_at <= now else Shut.SUPPRESSED)


def mark_sent(connection: Connection, claimed: Claimed, *, now: datetime, reply: str) -> bool:
    """The receiver took it."""
    return _settle(connection, claimed, State.SENT, Phase.SENT, now=now, reason=reply, sent_at=now, last_error=None)


def mark_deferred(
    connection: Connection,
    claimed: Claimed,
    *,
    now: datetime,
    reason: str,
    not_before: datetime | None,
    phase: Phase = Phase.DEFERRED,
) -> bool:
    """Known not taken; another try at ``not_before``, or none if that is None."""
    if not_before is None:
        return mark_failed(connection, claimed, now=now, reason=f"{reason} (the last try)", phase=phase)
    return _settle(connection, claimed, State.PENDING, phase, now=now, reason=reason, not_before=not_before)


def mark_failed(
    connection: Connection,
    claimed: Claimed,
    *,
    now: datetime,
    reason: str,
    state: State = State.DEAD,
    phase: Phase = Phase.REFUSED,
) -> bool:
    """Known not taken, and never to be tried again."""
    return _settle(connection, claimed, state, phase, now=now, reason=reason)


def mark_shut(connection: Connection, claimed: Claimed, *, now: datetime, why: Shut) -> bool:
    """The gate was shut: nothing was handed over."""
    if why is Shut.LOST:
        return False
    state = State.EXPIRED if why is Shut.EXPIRED else State.CANCELLED
    return mark_failed(connection, claimed, now=now, reason=why.value, state=state, phase=Phase.SHUT)


def mark_unknown(
    connection: Connection,
    claimed: Claimed,
    *,
    now: datetime,
    reason: str,
    not_before: datetime | None,
    phase: Phase = Phase.UNKNOWN,
) -> bool:
    """It may or may not have been taken: a mail is sent once more, with the same Message-ID, and then no more.

    The other channels repeat safely, so their schedule alone limits them.
    """
    if claimed.channel is Kind.EMAIL and claimed.uncertain:
        return mark_failed(connection, claimed, now=now, reason=f"{UNKNOWN}: {reason}", phase=phase)
    if not_before is None or (claimed.channel is Kind.WEBHOOK and claimed.attempts >= WEBHOOK_TRIES):
        return mark_failed(connection, claimed, now=now, reason=f"{UNKNOWN}: {reason} (the last try)", phase=phase)
    uncertain = claimed.uncertain + 1
    return _settle(
        connection, claimed, State.PENDING, phase, now=now, reason=f"{UNKNOWN}: {reason}",
        not_before=not_before, uncertain=uncertain,
    )  # fmt: skip


def count_phase(connection: Connection, key: str, phase: Phase) -> int:
    """How many tries of a message ended in this way."""
    those = (attempt.c.key == key) & (attempt.c.phase == phase)
    return connection.execute(select(func.count()).select_from(attempt).where(those)).scalar_one()


def sweep_expired(connection: Connection, *, now: datetime) -> int:
    """Close what was not sent in time; the last error, if there was one, is the reason."""
    late = and_(outbox.c.state == State.PENDING, outbox.c.expires_at <= now)
    return _close(connection, late, State.EXPIRED, LATE, now=now)


def cancel_messages(
    connection: Connection, *, now: datetime, reason: str, subscription: str | None = None, endpoint: str | None = None
) -> int:
    """Cancel what a subscription, or an endpoint, is still owed; a try under way finds its gate shut."""
    if (subscription is None) == (endpoint is None):
        raise ValueError("cancel what one subscription or one endpoint is owed")
    whose = outbox.c.key.startswith(f"{subscription}:", autoescape=True) if subscription else None
    whose = outbox.c.endpoint == endpoint if whose is None else whose
    open_rows = and_(whose, outbox.c.state.in_([State.PENDING, State.SENDING]))
    return _close(connection, open_rows, State.CANCELLED, reason, now=now)


def note_why_waiting(connection: Connection, channel: Kind, *, reason: str) -> None:
    """Say on the rows of a channel that is not tried why they wait, where nothing is said yet."""
    silent = and_(outbox.c.state == State.PENDING, outbox.c.channel == channel, outbox.c.last_error.is_(None))
    connection.execute(update(outbox).where(silent).values(last_error=reason))


def _close(connection: Connection, which: Any, state: State, reason: str, *, now: datetime) -> int:
    said = func.coalesce(outbox.c.last_error, reason) if state is State.EXPIRED else reason
    closed = connection.execute(
        update(outbox).where(which).values(state=state, last_error=said).returning(outbox.c.key, outbox.c.last_error)
    ).all()
    for key, last_error in closed:
        details = {"state": state.value}
        record(connection, Event.MESSAGE_FAILED, at=now, subject=key, reason=last_error, details=details)
    return len(closed)


def _settle(
    connection: Connection, claimed: Claimed, state: State, phase: Phase, *, now: datetime, reason: str, **values: Any
) -> bool:
    """Write an outcome, the end of its try and its event; False if the row has another owner by now."""
    mine = and_(
        outbox.c.key == claimed.key,
        outbox.c.epoch == claimed.epoch,
        outbox.c.state.in_([State.SENDING, State.COMMITTING]),
    )
    changed = connection.execute(update(outbox).where(mine).values(**{"last_error": reason, "state": state, **values}))
    if not changed.rowcount:
        return False
    this_try = and_(attempt.c.key == claimed.key, attempt.c.n == claimed.attempts)
    connection.execute(update(attempt).where(this_try).values(phase=phase, reply=reason, ended=now))
    details: dict[str, Any] = {"channel": claimed.channel, "try": claimed.attempts, "state": state}
    if state is State.PENDING:
        details["not_before"] = values["not_before"].isoformat(timespec="seconds")
    name = Event.MESSAGE_SENT if state is State.SENT else Event.MESSAGE_FAILED
    record(connection, name, at=now, subject=claimed.key, reason=reason, details=details)
    return True


def _suppressed() -> Any:
    return select(suppression.c.endpoint).where(suppression.c.endpoint == outbox.c.endpoint).exists()
