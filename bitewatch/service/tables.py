"""Who is told what and when, and what each reader was last shown."""

from sqlalchemy import Column, Date, Float, ForeignKey, Index, Integer, String, Table, Text

from bitewatch.store.metadata import Instant, metadata

#: one endpoint, one wall time, trip hours, one or more lakes
subscription = Table(
    "subscription",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("endpoint", String(32), ForeignKey("endpoint.id"), nullable=False),
    Column("lakes", Text, nullable=False),  # JSON list of lake ids; the first gives the zone
    Column("at", String(5), nullable=False),  # wall time, HH:MM
    Column("speaks_of", String(10), nullable=False),  # today or tomorrow
    Column("trip_from", String(5), nullable=False),
    Column("trip_to", String(5), nullable=False),
    Column("days", String(40), nullable=False),  # mon,tue,...
    Column("state", String(20), nullable=False),  # active, ended
    Column("created_at", Instant, nullable=False),
    Column("ended_at", Instant),
    Column("quiet", String(11)),  # FROM-TO in which no turn goes out; null: as the settings say
)

#: what a reader was shown of a lake, so that the next brief can say what changed
shown = Table(
    "shown",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("reader", String(40), nullable=False, index=True),  # a subscription, or "terminal"
    Column("lake", String(64), nullable=False),
    Column("for_day", Date, nullable=False),
    Column("made_at", Instant, nullable=False),
    Column("facts", Text, nullable=False),  # JSON: positions, depths, fronts as told
)

#: what is watched between a brief and the end of its trip, so that a turn of the call is noticed
watched = Table(
    "watched",
    metadata,
    Column("subscription", String(32), ForeignKey("subscription.id"), primary_key=True),
    Column("lake", String(64), primary_key=True),
    Column("for_day", Date, primary_key=True),
    Column("told", Text, nullable=False),  # JSON: what the reader was told last
    Column("memory", Text, nullable=False),  # JSON: what the present source said then, and a turned call that waits
    Column("mark", String(64), nullable=False),  # of the issue and the warnings that were looked at last
    Column("updated_at", Instant, nullable=False),
)

#: what thermometers showed: typed, from a gauge, from the logbook; nothing is deleted, what was wrong is undone
reading = Table(
    "reading",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("lake", String(64), nullable=False),
    Column("at", Instant, nullable=False),
    Column("temp_c", Float, nullable=False),
    Column("depth_m", Float),
    Column("hour_known", Integer, nullable=False),  # 0: only the day is known
    Column("source", String(40), nullable=False),  # typed, usgs, logbook
    Column("note", Text),  # what its source says of it: provisional, a series
    Column("known_at", Instant, nullable=False),
    Column("undone_at", Instant),
    Index("ix_reading_lake_at", "lake", "at"),
)

#: what is remembered of each lake between two looks: that its season is over, when its gauge was asked
lake_fact = Table(
    "lake_fact",
    metadata,
    Column("lake", String(64), primary_key=True),
    Column("name", String(40), primary_key=True),
    Column("value", Text, nullable=False),
)
