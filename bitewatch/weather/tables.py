"""The archive of issues: every payload as it came, and what each was an issue of."""

from sqlalchemy import Column, Float, ForeignKey, Integer, LargeBinary, String, Table, Text

from bitewatch.store.metadata import Instant, metadata

#: what was received, as it came (gzip), append-only; the same body again moves only ``confirmed_at`` and ``expires_at``
payload = Table(
    "payload",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("source", String(40), nullable=False),
    Column("url_key", String(400), nullable=False, index=True),
    Column("fetched_at", Instant, nullable=False),
    Column("confirmed_at", Instant, nullable=False),  # when the source last said the very same
    Column("expires_at", Instant),
    Column("etag", String(200)),
    Column("last_modified", String(60)),
    Column("content_type", String(100)),
    Column("body_sha256", String(64), nullable=False),
    Column("body_gz", LargeBinary, nullable=False),
    Column("set_aside", Text),  # the named reason why this payload is never used; null if it is an issue
)

#: one forecast of one cell as it was issued
issue = Table(
    "issue",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("cell", String(200), nullable=False, index=True),
    Column("source", String(40), nullable=False),
    Column("model", String(60), nullable=False),
    Column("reference_time", Instant),
    Column("retrieved_at", Instant, nullable=False),
    Column("payload_id", Integer, ForeignKey("payload.id"), nullable=False),
    Column("part", Integer, nullable=False),  # which location of a payload that holds several
    Column("grid_latitude", Float),
    Column("grid_longitude", Float),
    Column("grid_elevation_m", Float),
)
