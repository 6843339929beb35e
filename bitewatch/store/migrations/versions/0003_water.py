"""Water: the air over a lake day by day, and what thermometers showed."""

import sqlalchemy as sa
from alembic import op

from bitewatch.store.metadata import Instant

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables and columns; nothing that was there is touched."""
    op.create_table(
        "lake_air",
        sa.Column("lake", sa.String(length=64), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("shortwave_wm2", sa.Float(), nullable=True),
        sa.Column("air_temp_c", sa.Float(), nullable=True),
        sa.Column("vapour_hpa", sa.Float(), nullable=True),
        sa.Column("wind_speed_ms", sa.Float(), nullable=True),
        sa.Column("pressure_hpa", sa.Float(), nullable=True),
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("known_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("lake", "day", name=op.f("pk_lake_air")),
    )
    op.create_table(
        "lake_fact",
        sa.Column("lake", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("lake", "name", name=op.f("pk_lake_fact")),
    )
    op.create_table(
        "reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lake", sa.String(length=64), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.Column("temp_c", sa.Float(), nullable=False),
        sa.Column("depth_m", sa.Float(), nullable=True),
        sa.Column("hour_known", sa.Integer(), nullable=False),
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("known_at", Instant(), nullable=False),
        sa.Column("undone_at", Instant(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading")),
    )
    with op.batch_alter_table("reading") as batch_op:
        batch_op.create_index("ix_reading_lake_at", ["lake", "at"], unique=False)
