"""How much room the archive takes, and what goes when it is old.

Whole payloads go, never parts of one: a payload is read again only with every cell that it answered for. Freed room is
used again before the file of the store grows; the file itself shrinks only by `compact`. (SQLite could give pages
back at every commit, but then it moves others about at every commit too.)
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from sqlite3 import OperationalError
from typing import Any

from sqlalchemy import ColumnElement, Connection, String, and_, case, delete, func, or_, select, text, type_coerce

from bitewatch.errors import StoreRefused
from bitewatch.store.database import Store
from bitewatch.weather.settings import ArchiveSettings
from bitewatch.weather.tables import issue, payload

BATCH = 500  #: payloads that go in one transaction: other writers wait no longer than that takes
FACTS_FOR = timedelta(days=2)  #: for what was said of places, runs and warnings, and said anew since [own]
NEVER_BEFORE = timedelta(days=14)  #: the rules and the spells look back ten days: younger issues stay, however many
RATE_OVER = timedelta(days=7)  #: from how much of the past the present rate is told [own]
GB = 1e9
YEAR = timedelta(days=365.25)

KEPT_FOR = "issue", "fact", "aside"  #: why a payload is there


@dataclass(frozen=True, slots=True, kw_only=True)
class Pruned:
    """What went."""

    count: int  #: payloads
    bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRoom:
    """What is kept of one source."""

    source: str
    issues: int
    payloads: int  #: with issues in them
    facts: int  #: payloads that say something else: where a cell lies, when a model ran, warnings
    set_aside: Mapping[str, int]  #: by the named reason
    first: datetime | None  #: when the first payload that is kept came
    last: datetime | None
    bytes: int  #: of everything, compressed
    issue_bytes: int  #: of the payloads with issues
    bytes_a_year: float | None  #: of everything, as the last days came; None before there is a day of them

    @property
    def bytes_per_issue(self) -> float | None:
        """Mean size of an issue, compressed."""
        return self.issue_bytes / self.issues if self.issues else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What the whole archive keeps, and where its limits lie."""

    sources: tuple[SourceRoom, ...]
    bytes: int
    most_bytes: int
    oldest_whole: datetime | None  #: from here on every issue is kept
    file_bytes: int  #: of the whole store
    free_bytes: int  #: inside it, used before it grows


def past_their_time(connection: Connection, settings: ArchiveSettings, now: datetime) -> list[int]:
    """Payloads whose time is over, the oldest first."""
    whole_from, daily_from = (now - timedelta(days=days) for days in (settings.whole_days, settings.daily_days))
    fetched = payload.c.fetched_at
    old = and_(fetched < whole_from, _has_issues(), ~_is_newest(), or_(fetched < daily_from, ~_is_first_of_a_day()))
    gone = or_(old, _is_past_fact(now - FACTS_FOR), _is_past_aside(whole_from))
    return list(connection.execute(select(payload.c.id).where(gone).order_by(payload.c.id)).scalars())


def too_many(connection: Connection, settings: ArchiveSettings, now: datetime) -> list[int]:
    """The oldest payloads that must go for the archive to be no larger than it may be."""
    over = (connection.execute(select(func.sum(_size()))).scalar_one() or 0) - settings.most_gb * GB
    if over <= 0:
        return []
    oldest = connection.execute(
        select(payload.c.id, _size())
        .where(payload.c.fetched_at < now - NEVER_BEFORE, ~_is_newest(), _kept_for() != "fact")
        .order_by(payload.c.id)
    )
    chosen: list[int] = []
    for payload_id, size in oldest:
        if over <= 0:
            break
        chosen.append(payload_id)
        over -= size
    return chosen


def remove(connection: Connection, ids: Sequence[int]) -> Pruned:
    """Take payloads and their issues out of the archive."""
    these = payload.c.id.in_(ids)
    size = connection.execute(select(func.sum(_size())).where(these)).scalar_one() or 0
    connection.execute(delete(issue).where(issue.c.payload_id.in_(ids)))
    gone = connection.execute(delete(payload).where(these))
    return Pruned(count=gone.rowcount, bytes=size)


def prune_step(store: Store, settings: ArchiveSettings, now: datetime) -> Pruned:
    """All that may go, in batches with a transaction each. For a service to call once a day.

    What may go is looked for before the writes begin, so that nobody waits for the search; what comes meanwhile makes
    none of it needed again.
    """
    gone = Pruned(count=0, bytes=0)
    for which in (past_their_time, too_many):
        with store.read() as connection:
            ids = which(connection, settings, now)
        for at in range(0, len(ids), BATCH):
            with store.write() as connection:
                batch = remove(connection, ids[at : at + BATCH])
            gone = Pruned(count=gone.count + batch.count, bytes=gone.bytes + batch.bytes)
    return gone


def compact(store: Store) -> None:
    """Give the free room inside the store's file back to the disk; needs as much free disk as the store is large.

    Raises
    ------
    StoreRefused
        If another process is using the store, or the disk is too full.
    """
    try:
        with closing(store.engine.raw_connection()) as connection:
            connection.cursor().execute("VACUUM")
            connection.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except OperationalError as error:
        raise StoreRefused(f"the store cannot be compacted now: {error}") from error


def measure(connection: Connection, settings: ArchiveSettings, now: datetime) -> Room:
    """What is kept, source by source."""
    size, kept_for = _size(), _kept_for()
    rows = connection.execute(
        select(
            payload.c.source, kept_for.label("kept_for"), func.count().label("count"), func.sum(size).label("bytes"),
            func.min(payload.c.fetched_at).label("first"), func.max(payload.c.fetched_at).label("last"),
            func.coalesce(func.sum(case((payload.c.fetched_at >= now - RATE_OVER, size))), 0).label("recent"),
        ).group_by(payload.c.source, kept_for)
    ).all()  # fmt: skip
    by_source = select(issue.c.source, func.count()).group_by(issue.c.source)
    issues = {str(source): int(count) for source, count in connection.execute(by_source)}
    asides: dict[str, Counter[str]] = {}
    if any(row.kept_for == "aside" for row in rows):
        said = select(payload.c.source, payload.c.set_aside).where(~_has_issues(), payload.c.set_aside.is_not(None))
        for source, reason in connection.execute(said):
            asides.setdefault(source, Counter())[reason.partition(": ")[0]] += 1
    found = []
    for source in sorted({row.source for row in rows}):
        mine = {row.kept_for: row for row in rows if row.source == source}
        found.append(_of_source(source, mine, issues.get(source, 0), asides.get(source, Counter()), now))
    whole = select(func.min(payload.c.fetched_at)).where(
        payload.c.fetched_at >= now - timedelta(days=settings.whole_days), _has_issues()
    )
    page, pages, free = (
        int(connection.execute(text(f"PRAGMA {name}")).scalar_one())
        for name in ("page_size", "page_count", "freelist_count")
    )
    return Room(
        sources=tuple(found), bytes=sum(one.bytes for one in found), most_bytes=int(settings.most_gb * GB),
        oldest_whole=connection.execute(whole).scalar_one(), file_bytes=pages * page, free_bytes=free * page,
    )  # fmt: skip


def _of_source(source: str, rows: Mapping[str, Any], issues: int, asides: Counter[str], now: datetime) -> SourceRoom:
    first, last = min(row.first for row in rows.values()), max(row.last for row in rows.values())
    over = min(now - first, RATE_OVER)
    recent = sum(row.recent for row in rows.values())
    count = {name: rows[name].count if name in rows else 0 for name in KEPT_FOR}
    return SourceRoom(
        source=source, issues=issues, payloads=count["issue"], facts=count["fact"],
        set_aside=dict(sorted(asides.items())), first=first, last=last, bytes=sum(row.bytes for row in rows.values()),
        issue_bytes=rows["issue"].bytes if "issue" in rows else 0,
        bytes_a_year=recent * (YEAR / over) if over >= timedelta(days=1) else None,
    )  # fmt: skip


def _size() -> ColumnElement[int]:
    return func.length(payload.c.body_gz)


def _kept_for() -> ColumnElement[str]:
    """Why a payload is there."""
    return case((_has_issues(), "issue"), (payload.c.set_aside.is_not(None), "aside"), else_="fact")


def _has_issues() -> ColumnElement[bool]:
    return select(issue.c.id).where(issue.c.payload_id == payload.c.id).exists()


def _is_newest() -> ColumnElement[bool]:
    """The payload holds the newest issue of some cell."""
    mine, newer = issue.alias(), issue.alias()
    later = or_(
        newer.c.retrieved_at > mine.c.retrieved_at,
        and_(newer.c.retrieved_at == mine.c.retrieved_at, newer.c.id > mine.c.id),
    )
    after = select(newer.c.id).where(newer.c.cell == mine.c.cell, newer.c.retrieved_at >= mine.c.retrieved_at, later)
    return select(mine.c.id).where(mine.c.payload_id == payload.c.id, ~after.exists()).exists()


def _is_first_of_a_day() -> ColumnElement[bool]:
    """The payload holds what some cell received first on a day (UTC)."""
    mine, other = issue.alias(), issue.alias()
    day = func.substr(type_coerce(mine.c.retrieved_at, String), 1, 10)  # the text of a day sorts before its instants
    sooner = or_(
        other.c.retrieved_at < mine.c.retrieved_at,
        and_(other.c.retrieved_at == mine.c.retrieved_at, other.c.id < mine.c.id),
    )
    before = select(other.c.id).where(
        other.c.cell == mine.c.cell, type_coerce(other.c.retrieved_at, String) >= day,
        other.c.retrieved_at <= mine.c.retrieved_at, sooner,
    )  # fmt: skip
    return select(mine.c.id).where(mine.c.payload_id == payload.c.id, ~before.exists()).exists()


def _is_past_fact(before: datetime) -> ColumnElement[bool]:
    """Facts that were said anew since, or that have not been asked for in so long after their expiry."""
    newer = payload.alias()
    usable = (newer.c.url_key == payload.c.url_key) & (newer.c.id > payload.c.id) & newer.c.set_aside.is_(None)
    said_anew = select(newer.c.id).where(usable).exists()
    return and_(
        payload.c.fetched_at < before, _kept_for() == "fact", or_(said_anew, payload.c.expires_at < before)
    )  # fmt: skip


def _is_past_aside(before: datetime) -> ColumnElement[bool]:
    return and_(payload.c.confirmed_at < before, _kept_for() == "aside")
