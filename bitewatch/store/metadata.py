"""The one metadata on which every room declares its tables, and the column type for instants."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Column, Integer, LargeBinary, MetaData, String, Table, Text
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

INSTANT_TEXT = "%Y-%m-%dT%H:%M:%SZ"


class Instant(TypeDecorator[datetime]):
    """An aware instant, kept as ISO text in UTC with whole seconds: it sorts, and a person can read it."""

    impl = String(20)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:  # noqa: ARG002
        """To text; a naive time is a bug and is refused."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"an instant must be aware, got {value!r}")
        return value.astimezone(UTC).strftime(INSTANT_TEXT)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """To an aware datetime in UTC."""
        return None if value is None else datetime.fromisoformat(value)


#: what happened, in the past tense, written in the transaction of the change it tells of
event = Table(
    "event",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at", Instant, nullable=False, index=True),
    Column("name", String(40), nullable=False),
    Column("subject", String(200), nullable=False, index=True),
    Column("reason", Text, nullable=False),
    Column("details", Text, nullable=False),
)

#: facts about this store itself: epoch, hold, heartbeat, install secret
meta = Table("meta", metadata, Column("name", String(40), primary_key=True), Column("value", Text, nullable=False))

#: bodies and pictures, once each by the SHA-256 of their bytes
body = Table(
    "body",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("bytes", LargeBinary, nullable=False),
)
