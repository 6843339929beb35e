"""Who is told what and when, and what each reader was last shown."""

from sqlalchemy import Column, Date, ForeignKey, Integer, String, Table, Text

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
    Column("baseline", Text, nullable=False),  # JSON: what the source said when the reader was last told
    Column("candidate", Text),  # JSON: a turned call that waits for the next issue
    Column("issue", String(64), nullable=False),  # the last issue that was looked at, by the hash of its payload
    Column("updated_at", Instant, nullable=False),
)
