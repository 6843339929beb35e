"""Deciding: that a subscription is owed a message, and the message itself, in one transaction, once."""

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from sqlalchemy import Connection, insert, select
from sqlalchemy.dialects.sqlite import insert as insert_or

from bitewatch.delivery.address import Kind
from bitewatch.delivery.endpoints import read_endpoint, why_never
from bitewatch.delivery.frozen import Parts, check_webhook_size, keep_parts, payload_of, take_apart
from bitewatch.delivery.identity import message_id, message_key, stem
from bitewatch.delivery.message import Message
from bitewatch.delivery.outbox import State
from bitewatch.delivery.tables import decision, outbox
from bitewatch.store.events import Event, record
from bitewatch.store.facts import install_secret

RENDER = "render"  #: the reason of a message that could not be composed


class Verdict(StrEnum):
    """What became of a decision."""

    OWED = "the message is in the outbox"
    ALREADY = "it was decided before, with the same body"
    FIRST_STANDS = "it was decided before, with another body; the first one stands"
    CANCELLED = "nothing may be sent to this endpoint; the message is cancelled"
    UNSENDABLE = "the message could not be composed; it is dead"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """A decision and what became of it."""

    key: str
    verdict: Verdict

    @property
    def is_new(self) -> bool:
        """True if this call made the decision."""
        return self.verdict not in (Verdict.ALREADY, Verdict.FIRST_STANDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Owed:
    """What is owed to whom: the first four are the identity of the decision."""

    subscription: str
    local_date: date
    kind: str  #: ``brief``; the day's messages of one kind are told apart by ``seq``
    seq: int
    endpoint: str
    expires_at: datetime
    inputs_ref: str  #: what the message was made from


def decide(connection: Connection, owed: Owed, message: Message, *, now: datetime, domain: str) -> Decided:
    """Write down that a message is owed, and freeze it; both in the caller's transaction.

    ``domain`` is the right side of its Message-ID. A message that cannot be frozen is treated as one that could not
    be composed.
    """
    try:
        parts = take_apart(message, now=now)
        if read_endpoint(connection, owed.endpoint).kind is Kind.WEBHOOK:
            check_webhook_size(parts)
    except (ValueError, TypeError) as error:
        return decide_failed(connection, owed, str(error), now=now, domain=domain)
    return _write(connection, owed, parts, "", now=now, domain=domain)


def decide_failed(connection: Connection, owed: Owed, fault: str, *, now: datetime, domain: str) -> Decided:
    """Write down that a message is owed and could not be composed: it is dead from the start, and seen to be."""
    return _write(connection, owed, None, f"{RENDER}: {fault}", now=now, domain=domain)


def _write(
    connection: Connection, owed: Owed, parts: Parts | None, fault: str, *, now: datetime, domain: str
) -> Decided:
    key = message_key(owed.subscription, owed.local_date, owed.kind, owed.seq)
    body_hash = None if parts is None else parts.body_hash
    identity = {
        "subscription": owed.subscription, "local_date": owed.local_date, "kind": owed.kind, "seq": owed.seq,
    }  # fmt: skip
    fact = insert_or(decision).values(**identity, body_hash=body_hash, inputs_ref=owed.inputs_ref, decided_at=now)
    if not connection.execute(fact.on_conflict_do_nothing()).rowcount:
        first = connection.execute(select(decision.c.body_hash).filter_by(**identity)).scalar()
        return Decided(key=key, verdict=Verdict.ALREADY if first == body_hash else Verdict.FIRST_STANDS)
    stem_hex = stem(install_secret(connection), key)
    never = why_never(connection, owed.endpoint)
    if parts is None:
        state, verdict, reason = State.DEAD, Verdict.UNSENDABLE, fault
    elif never is not None:
        state, verdict, reason = State.CANCELLED, Verdict.CANCELLED, never
    else:
        state, verdict, reason = State.PENDING, Verdict.OWED, None
    payload = "{}"
    if parts is not None:
        keep_parts(connection, parts)
        payload = payload_of(parts, stem=stem_hex, local_date=owed.local_date, kind=owed.kind, now=now)
    channel = read_endpoint(connection, owed.endpoint).kind
    row = {"key": key, "channel": channel, "endpoint": owed.endpoint, "payload": payload, "state": state}
    when = {"not_before": now, "expires_at": owed.expires_at, "last_error": reason}
    counters = {"epoch": 0, "attempts": 0, "uncertain": 0}
    connection.execute(insert(outbox).values(**row, **when, **counters, message_id=message_id(stem_hex, domain)))
    if reason is not None:
        details = {"channel": channel, "state": state}
        record(connection, Event.MESSAGE_FAILED, at=now, subject=key, reason=reason, details=details)
    return Decided(key=key, verdict=verdict)
