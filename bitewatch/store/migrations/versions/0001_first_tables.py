"""The first tables: events, archive of issues, messages owed, subscriptions."""

import sqlalchemy as sa
from alembic import op

from bitewatch.store.metadata import Instant

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table."""
    op.create_table(
        "body",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("bytes", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_body")),
    )
    op.create_table(
        "decision",
        sa.Column("subscription", sa.String(length=32), nullable=False),
        sa.Column("local_date", sa.Date(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("body_hash", sa.String(length=64), nullable=True),
        sa.Column("inputs_ref", sa.Text(), nullable=False),
        sa.Column("decided_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("subscription", "local_date", "kind", "seq", name=op.f("pk_decision")),
    )
    op.create_table(
        "endpoint",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("address", sa.String(length=2048), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("consecutive_failures", sa.Integer(), nullable=False),
        sa.Column("fail_since", Instant(), nullable=True),
        sa.Column("open_until", Instant(), nullable=True),
        sa.Column("lan_allowed", sa.Integer(), nullable=False),
        sa.Column("secret", sa.Text(), nullable=True),
        sa.Column("created_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_endpoint")),
    )
    op.create_table(
        "event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.String(length=200), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("details", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_event")),
    )
    op.create_index(op.f("ix_event_at"), "event", ["at"], unique=False)
    op.create_index(op.f("ix_event_subject"), "event", ["subject"], unique=False)
    op.create_table(
        "meta",
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_meta")),
    )
    op.create_table(
        "payload",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("url_key", sa.String(length=400), nullable=False),
        sa.Column("fetched_at", Instant(), nullable=False),
        sa.Column("confirmed_at", Instant(), nullable=False),
        sa.Column("expires_at", Instant(), nullable=True),
        sa.Column("etag", sa.String(length=200), nullable=True),
        sa.Column("last_modified", sa.String(length=60), nullable=True),
        sa.Column("content_type", sa.String(length=100), nullable=True),
        sa.Column("body_sha256", sa.String(length=64), nullable=False),
        sa.Column("body_gz", sa.LargeBinary(), nullable=False),
        sa.Column("set_aside", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_payload")),
    )
    op.create_index(op.f("ix_payload_url_key"), "payload", ["url_key"], unique=False)
    op.create_table(
        "shown",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reader", sa.String(length=40), nullable=False),
        sa.Column("lake", sa.String(length=64), nullable=False),
        sa.Column("for_day", sa.Date(), nullable=False),
        sa.Column("made_at", Instant(), nullable=False),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shown")),
    )
    op.create_index(op.f("ix_shown_reader"), "shown", ["reader"], unique=False)
    op.create_table(
        "issue",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cell", sa.String(length=200), nullable=False),
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("model", sa.String(length=60), nullable=False),
        sa.Column("reference_time", Instant(), nullable=True),
        sa.Column("retrieved_at", Instant(), nullable=False),
        sa.Column("payload_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
        sa.Column("grid_latitude", sa.Float(), nullable=True),
        sa.Column("grid_longitude", sa.Float(), nullable=True),
        sa.Column("grid_elevation_m", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["payload_id"], ["payload.id"], name=op.f("fk_issue_payload_id_payload")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_issue")),
    )
    op.create_index(op.f("ix_issue_cell"), "issue", ["cell"], unique=False)
    op.create_table(
        "outbox",
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("channel", sa.String(length=20), nullable=False),
        sa.Column("endpoint", sa.String(length=32), nullable=False),
        sa.Column("message_id", sa.String(length=200), nullable=False),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("not_before", Instant(), nullable=False),
        sa.Column("expires_at", Instant(), nullable=False),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("uncertain", sa.Integer(), nullable=False),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.Column("sent_at", Instant(), nullable=True),
        sa.ForeignKeyConstraint(["endpoint"], ["endpoint.id"], name=op.f("fk_outbox_endpoint_endpoint")),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_outbox")),
        sa.UniqueConstraint("message_id", name=op.f("uq_outbox_message_id")),
    )
    op.create_index(
        "ix_outbox_pending", "outbox", ["not_before"], unique=False, sqlite_where=sa.text("state = 'pending'")
    )
    op.create_table(
        "subscription",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("endpoint", sa.String(length=32), nullable=False),
        sa.Column("lakes", sa.Text(), nullable=False),
        sa.Column("at", sa.String(length=5), nullable=False),
        sa.Column("speaks_of", sa.String(length=10), nullable=False),
        sa.Column("trip_from", sa.String(length=5), nullable=False),
        sa.Column("trip_to", sa.String(length=5), nullable=False),
        sa.Column("days", sa.String(length=40), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("ended_at", Instant(), nullable=True),
        sa.ForeignKeyConstraint(["endpoint"], ["endpoint.id"], name=op.f("fk_subscription_endpoint_endpoint")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_subscription")),
    )
    op.create_table(
        "suppression",
        sa.Column("endpoint", sa.String(length=32), nullable=False),
        sa.Column("reason", sa.String(length=20), nullable=False),
        sa.Column("since", Instant(), nullable=False),
        sa.Column("evidence", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["endpoint"], ["endpoint.id"], name=op.f("fk_suppression_endpoint_endpoint")),
        sa.PrimaryKeyConstraint("endpoint", "reason", name=op.f("pk_suppression")),
    )
    op.create_table(
        "attempt",
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("started", Instant(), nullable=False),
        sa.Column("phase", sa.String(length=20), nullable=False),
        sa.Column("reply", sa.Text(), nullable=True),
        sa.Column("ended", Instant(), nullable=True),
        sa.ForeignKeyConstraint(["key"], ["outbox.key"], name=op.f("fk_attempt_key_outbox")),
        sa.PrimaryKeyConstraint("key", "n", name=op.f("pk_attempt")),
    )


def downgrade() -> None:
    """Take every table away."""
    op.drop_table("attempt")
    op.drop_table("suppression")
    op.drop_table("subscription")
    op.drop_index("ix_outbox_pending", table_name="outbox", sqlite_where=sa.text("state = 'pending'"))
    op.drop_table("outbox")
    op.drop_index(op.f("ix_issue_cell"), table_name="issue")
    op.drop_table("issue")
    op.drop_index(op.f("ix_shown_reader"), table_name="shown")
    op.drop_table("shown")
    op.drop_index(op.f("ix_payload_url_key"), table_name="payload")
    op.drop_table("payload")
    op.drop_table("meta")
    op.drop_index(op.f("ix_event_subject"), table_name="event")
    op.drop_index(op.f("ix_event_at"), table_name="event")
    op.drop_table("event")
    op.drop_table("endpoint")
    op.drop_table("decision")
    op.drop_table("body")
