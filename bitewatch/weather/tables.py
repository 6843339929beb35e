"""The archive of issues and of days, the fronts followed, official warnings, and the ledgers of politeness."""

from sqlalchemy import (
    Column,
    Date,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    String,
    Table,
    Text,
)

from bitewatch.store.metadata import Instant, metadata

#: what was received, as it came (gzip), append-only; the same body again moves only ``confirmed_at``, ``expires_at``
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
    Column("reference_time", Instant),  # where it is known from elsewhere than the body
)

#: one forecast of one cell as it was issued
issue = Table(
    "issue",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("cell", String(200), nullable=False),
    Column("source", String(40), nullable=False),
    Column("model", String(60), nullable=False),
    Column("reference_time", Instant),
    Column("retrieved_at", Instant, nullable=False),
    Column("payload_id", Integer, ForeignKey("payload.id"), nullable=False, index=True),
    Column("part", Integer, nullable=False),  # which location of a payload that holds several
    Column("grid_latitude", Float),
    Column("grid_longitude", Float),
    Column("grid_elevation_m", Float),
    Index("ix_issue_cell_retrieved_at", "cell", "retrieved_at"),
)

#: the cells that sources were asked for
cell = Table(
    "cell",
    metadata,
    Column("key", String(200), primary_key=True),
    Column("source", String(40), nullable=False),
    Column("latitude", Float, nullable=False),
    Column("longitude", Float, nullable=False),
    Column("elevation_m", Float),
    Column("route", Text, nullable=False),  # JSON
)

#: in which cell of a source a place lies, until when that is believed, and why it lies in none
place_cell = Table(
    "place_cell",
    metadata,
    Column("source", String(40), primary_key=True),
    Column("place", String(60), primary_key=True),
    Column("cell", String(200), ForeignKey("cell.key")),
    Column("why_none", Text),
    Column("until", Instant, nullable=False),
)

#: how each host has behaved: rests after failures, and stops until somebody acts
host = Table(
    "host",
    metadata,
    Column("name", String(255), primary_key=True),
    Column("failures", Integer, nullable=False),  # in a row
    Column("rests", Integer, nullable=False),  # in a row, each twice as long as the one before
    Column("open_until", Instant),
    Column("stopped", Text),  # why it is not asked again before somebody acts; null if it is
    Column("changed_at", Instant, nullable=False),
)

#: what was spent of a source's quota in the window that runs
spent = Table(
    "spent",
    metadata,
    Column("source", String(40), primary_key=True),
    Column("window", String(10), primary_key=True),  # minute, hour, day, month
    Column("began_at", Instant, nullable=False),
    Column("weight", Float, nullable=False),
)

#: a passage of a front at a lake, followed from issue to issue
front = Table(
    "front",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("lake", String(64), nullable=False),
    Column("kind", String(10), nullable=False),
    Column("onset", Instant, nullable=False),
    Column("earliest", Instant, nullable=False),
    Column("latest", Instant, nullable=False),
    Column("strength", Float, nullable=False),
    Column("surge_at", Instant),  # a second surge of cold within a day
    Column("told_onset", Instant, nullable=False),  # as the last event told it
    Column("source", String(40), nullable=False),  # who told of it last
    Column("found_at", Instant, nullable=False),
    Column("seen_at", Instant, nullable=False),
    Column("misses", Integer, nullable=False),  # issues in a row that did not show it
    Column("missed_in", String(200), nullable=False),  # the last of them
    Column("state", String(12), nullable=False),  # foretold, confirmed, gone, withdrawn
    Column("observed_onset", Instant),  # by station hours
    Index("ix_front_lake_onset", "lake", "onset"),
)

#: what one issue told of a passage; written when it differs from the issue before
sighting = Table(
    "sighting",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("front", Integer, ForeignKey("front.id"), nullable=False, index=True),
    Column("source", String(40), nullable=False),
    Column("model", String(60), nullable=False),
    Column("seen_at", Instant, nullable=False),
    Column("onset", Instant, nullable=False),
    Column("strength", Float, nullable=False),
)

#: how each feed of official warnings stands
feed = Table(
    "feed",
    metadata,
    Column("name", String(200), primary_key=True),
    Column("read_at", Instant),  # when it was last read whole
    Column("trouble", Text),  # why it could not be read since; null if it was
    Column("only_by_zone", Integer, nullable=False),  # warnings in force that name their area by codes alone
    Column("without_place", Integer, nullable=False),  # warnings in force that name their area in words alone
)

#: the lakes for which official warnings are looked for; a feed read before ``since`` tells nothing of the lake
warned_lake = Table(
    "warned_lake",
    metadata,
    Column("lake", String(64), primary_key=True),
    Column("latitude", Float, nullable=False),
    Column("longitude", Float, nullable=False),
    Column("zones", Text, nullable=False),  # JSON list of the codes of its areas
    Column("since", Instant, nullable=False),
)

#: an official warning as it was issued, unchanged
warning = Table(
    "warning",
    metadata,
    Column("feed", String(200), primary_key=True),
    Column("id", String(300), primary_key=True),
    Column("first_seen_at", Instant, nullable=False),
    Column("last_seen_at", Instant, nullable=False),
    Column("gone_at", Instant),  # when the feed no longer carried it
    Column("told", Text, nullable=False),  # JSON: `bitewatch.weather.warnings.Warning`
)

#: at which lakes an official warning holds, and whether it was told of
warning_at = Table(
    "warning_at",
    metadata,
    Column("feed", String(200), primary_key=True),
    Column("id", String(300), primary_key=True),
    Column("lake", String(64), primary_key=True),
    Column("issued_at", Instant, nullable=False),
    Column("ended_at", Instant),
    ForeignKeyConstraint(["feed", "id"], ["warning.feed", "warning.id"]),
    Index("ix_warning_at_lake_ended_at", "lake", "ended_at"),
)

#: the air over a lake, day by day: means of solar days that are over, from which the water is worked out
lake_air = Table(
    "lake_air",
    metadata,
    Column("lake", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("shortwave_wm2", Float),
    Column("air_temp_c", Float),
    Column("vapour_hpa", Float),
    Column("wind_speed_ms", Float),
    Column("pressure_hpa", Float),
    Column("source", String(40), nullable=False),
    Column("known_at", Instant, nullable=False),  # when it was first known: a replay looks at nothing that came later
)
