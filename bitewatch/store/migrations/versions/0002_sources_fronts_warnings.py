"""Sources, fronts and warnings: cells, ledgers of politeness, fronts followed, official warnings, calls watched."""

import sqlalchemy as sa
from alembic import op

from bitewatch.store.metadata import Instant

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables and columns; nothing that was there is touched."""
    op.create_table(
        "cell",
        sa.Column("key", sa.String(length=200), nullable=False),
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("latitude", sa.Float(), nullable=False),
        sa.Column("longitude", sa.Float(), nullable=False),
        sa.Column("elevation_m", sa.Float(), nullable=True),
        sa.Column("route", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_cell")),
    )
    op.create_table(
        "feed",
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("read_at", Instant(), nullable=True),
        sa.Column("trouble", sa.Text(), nullable=True),
        sa.Column("only_by_zone", sa.Integer(), nullable=False),
        sa.Column("without_place", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_feed")),
    )
    op.create_table(
        "front",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lake", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("onset", Instant(), nullable=False),
        sa.Column("earliest", Instant(), nullable=False),
        sa.Column("latest", Instant(), nullable=False),
        sa.Column("strength", sa.Float(), nullable=False),
        sa.Column("surge_at", Instant(), nullable=True),
        sa.Column("told_onset", Instant(), nullable=False),
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("found_at", Instant(), nullable=False),
        sa.Column("seen_at", Instant(), nullable=False),
        sa.Column("misses", sa.Integer(), nullable=False),
        sa.Column("missed_in", sa.String(length=200), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("observed_onset", Instant(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_front")),
    )
    with op.batch_alter_table("front") as batch_op:
        batch_op.create_index("ix_front_lake_onset", ["lake", "onset"], unique=False)
    op.create_table(
        "host",
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("rests", sa.Integer(), nullable=False),
        sa.Column("open_until", Instant(), nullable=True),
        sa.Column("stopped", sa.Text(), nullable=True),
        sa.Column("changed_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_host")),
    )
    op.create_table(
        "spent",
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("window", sa.String(length=10), nullable=False),
        sa.Column("began_at", Instant(), nullable=False),
        sa.Column("weight", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("source", "window", name=op.f("pk_spent")),
    )
    op.create_table(
        "warned_lake",
        sa.Column("lake", sa.String(length=64), nullable=False),
        sa.Column("latitude", sa.Float(), nullable=False),
        sa.Column("longitude", sa.Float(), nullable=False),
        sa.Column("zones", sa.Text(), nullable=False),
        sa.Column("since", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("lake", name=op.f("pk_warned_lake")),
    )
    op.create_table(
        "warning",
        sa.Column("feed", sa.String(length=200), nullable=False),
        sa.Column("id", sa.String(length=300), nullable=False),
        sa.Column("first_seen_at", Instant(), nullable=False),
        sa.Column("last_seen_at", Instant(), nullable=False),
        sa.Column("gone_at", Instant(), nullable=True),
        sa.Column("told", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("feed", "id", name=op.f("pk_warning")),
    )
    op.create_table(
        "place_cell",
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("place", sa.String(length=60), nullable=False),
        sa.Column("cell", sa.String(length=200), nullable=True),
        sa.Column("why_none", sa.Text(), nullable=True),
        sa.Column("until", Instant(), nullable=False),
        sa.ForeignKeyConstraint(["cell"], ["cell.key"], name=op.f("fk_place_cell_cell_cell")),
        sa.PrimaryKeyConstraint("source", "place", name=op.f("pk_place_cell")),
    )
    op.create_table(
        "sighting",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("front", sa.Integer(), nullable=False),
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("model", sa.String(length=60), nullable=False),
        sa.Column("seen_at", Instant(), nullable=False),
        sa.Column("onset", Instant(), nullable=False),
        sa.Column("strength", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["front"], ["front.id"], name=op.f("fk_sighting_front_front")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sighting")),
    )
    with op.batch_alter_table("sighting") as batch_op:
        batch_op.create_index(batch_op.f("ix_sighting_front"), ["front"], unique=False)
    op.create_table(
        "warning_at",
        sa.Column("feed", sa.String(length=200), nullable=False),
        sa.Column("id", sa.String(length=300), nullable=False),
        sa.Column("lake", sa.String(length=64), nullable=False),
        sa.Column("issued_at", Instant(), nullable=False),
        sa.Column("ended_at", Instant(), nullable=True),
        sa.ForeignKeyConstraint(
            ["feed", "id"], ["warning.feed", "warning.id"], name=op.f("fk_warning_at_feed_warning")
        ),
        sa.PrimaryKeyConstraint("feed", "id", "lake", name=op.f("pk_warning_at")),
    )
    with op.batch_alter_table("warning_at") as batch_op:
        batch_op.create_index("ix_warning_at_lake_ended_at", ["lake", "ended_at"], unique=False)
    op.create_table(
        "watched",
        sa.Column("subscription", sa.String(length=32), nullable=False),
        sa.Column("lake", sa.String(length=64), nullable=False),
        sa.Column("for_day", sa.Date(), nullable=False),
        sa.Column("told", sa.Text(), nullable=False),
        sa.Column("memory", sa.Text(), nullable=False),
        sa.Column("mark", sa.String(length=64), nullable=False),
        sa.Column("updated_at", Instant(), nullable=False),
        sa.ForeignKeyConstraint(
            ["subscription"], ["subscription.id"], name=op.f("fk_watched_subscription_subscription")
        ),
        sa.PrimaryKeyConstraint("subscription", "lake", "for_day", name=op.f("pk_watched")),
    )
    with op.batch_alter_table("issue") as batch_op:
        batch_op.drop_index(batch_op.f("ix_issue_cell"))
        batch_op.create_index("ix_issue_cell_retrieved_at", ["cell", "retrieved_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_issue_payload_id"), ["payload_id"], unique=False)
    with op.batch_alter_table("payload") as batch_op:
        batch_op.add_column(sa.Column("reference_time", Instant(), nullable=True))
    with op.batch_alter_table("subscription") as batch_op:
        batch_op.add_column(sa.Column("quiet", sa.String(length=11), nullable=True))
