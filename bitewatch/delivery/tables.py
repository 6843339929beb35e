"""The messages owed: decisions, the outbox, every attempt, endpoints and reasons never to send."""

from sqlalchemy import Column, Date, ForeignKey, Index, Integer, String, Table, Text, text

from bitewatch.store.metadata import Instant, metadata

#: one address that messages go to; the breaker lives here
endpoint = Table(
    "endpoint",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("kind", String(20), nullable=False),  # email, webhook, file
    Column("address", String(2048), nullable=False),
    Column("state", String(20), nullable=False),  # active, paused, disabled
    Column("reason", Text),
    Column("consecutive_failures", Integer, nullable=False),
    Column("fail_since", Instant),
    Column("open_until", Instant),
    Column("lan_allowed", Integer, nullable=False),  # 1: added by the operator, may use webhook.allow_lan
    Column("secret", Text),  # the signing secret of a webhook
    Column("created_at", Instant, nullable=False),
)

#: the fact that a subscription is owed one message
decision = Table(
    "decision",
    metadata,
    Column("subscription", String(32), primary_key=True),
    Column("local_date", Date, primary_key=True),
    Column("kind", String(20), primary_key=True),
    Column("seq", Integer, primary_key=True),
    Column("body_hash", String(64)),  # null: the message could not be composed
    Column("inputs_ref", Text, nullable=False),  # the issues it was made from
    Column("decided_at", Instant, nullable=False),
)

#: that message, frozen; the row is the truth about it
outbox = Table(
    "outbox",
    metadata,
    Column("key", String(120), primary_key=True),
    Column("channel", String(20), nullable=False),
    Column("endpoint", String(32), ForeignKey("endpoint.id"), nullable=False),
    Column("message_id", String(200), nullable=False, unique=True),
    Column("payload", Text, nullable=False),  # JSON: hashes of bodies and pictures, and the personal fields
    Column("state", String(20), nullable=False),
    Column("not_before", Instant, nullable=False),
    Column("expires_at", Instant, nullable=False),
    Column("epoch", Integer, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("uncertain", Integer, nullable=False),
    Column("last_error", Text),
    Column("sent_at", Instant),
    Index("ix_outbox_pending", "not_before", sqlite_where=text("state = 'pending'")),
)

#: every try, append-only
attempt = Table(
    "attempt",
    metadata,
    Column("key", String(120), ForeignKey("outbox.key"), primary_key=True),
    Column("n", Integer, primary_key=True),
    Column("epoch", Integer, nullable=False),
    Column("started", Instant, nullable=False),
    Column("phase", String(20), nullable=False),
    Column("reply", Text),
    Column("ended", Instant),
)

#: a reason never to send to an endpoint
suppression = Table(
    "suppression",
    metadata,
    Column("endpoint", String(32), ForeignKey("endpoint.id"), primary_key=True),
    Column("reason", String(20), primary_key=True),
    Column("since", Instant, nullable=False),
    Column("evidence", Text, nullable=False),
)
