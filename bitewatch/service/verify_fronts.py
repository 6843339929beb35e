"""What was foretold of a lake's cold fronts, and what came: out of the ledgers of fronts, issues and stations."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from sqlalchemy import Connection, Row, select

from bitewatch.weather.following import Standing
from bitewatch.weather.fronts import FrontKind
from bitewatch.weather.tables import front, issue, payload, sighting
from bitewatch.weather.verification import (
    LEAD_DAYS,
    Foretold,
    How,
    LeadDay,
    Passage,
    Span,
    common,
    inside,
    joined,
    shifted,
    verify,
)

SHOWS_AFTER = timedelta(hours=7)  #: the score of an hour looks so far ahead: by then an issue has it in its past
IN_HAND = timedelta(hours=36)  #: farther apart, and there was a time without an issue; a thinned archive has one a day
STILL_TOLD = timedelta(hours=6)  #: a front that is gone was told of until so long after it was last seen [own]
AROUND = timedelta(hours=12)  #: the hours around a passage that a station's verdict on it covers


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """How the forecasts of a lake's cold fronts have done."""

    table: tuple[LeadDay, ...]
    passages: tuple[Passage, ...]  #: in judged hours
    judged: tuple[Span, ...]  #: hours for which it is known whether a front passed, however long before it was asked

    @property
    def by(self) -> Mapping[How, int]:
        """How many passages each witness has seen."""
        return {how: sum(one.how is how for one in self.passages) for how in How}

    @property
    def judged_days(self) -> float:
        """How many days are judged."""
        return sum((one.end - one.start) / timedelta(days=1) for one in self.judged)


def verify_lake(connection: Connection, lake_id: str, cells: Collection[str]) -> Verified:
    """Compare what was foretold of a lake's cold fronts with what passed.

    A station's verdict stands; where there is none, a front has passed if an issue of the source still showed it
    when the hours of the passage lay in that issue's past.

    Parameters
    ----------
    cells
        Keys of the cells whose issues tell of the lake's fronts.
    """
    of_lake = (front.c.lake == lake_id) & (front.c.kind == FrontKind.COLD)
    fronts = connection.execute(select(front).where(of_lake).order_by(front.c.onset)).all()
    seen = connection.execute(
        select(sighting)
        .join(front, front.c.id == sighting.c.front)
        .where(of_lake)
        .order_by(sighting.c.seen_at, sighting.c.id)
    ).all()
    in_hand = _in_hand(connection, cells)
    passages = tuple(passage for row in fronts if (passage := _passage(row)) is not None)
    judged = joined((*_past_of(in_hand), *(span for row in fronts for span in _covered_by_station(row))))
    followed = (Span(start=seen[0].seen_at, end=in_hand[-1].end),) if seen and in_hand else ()
    told = common(in_hand, followed)  # before the first front was followed nothing was foretold
    by_lead = [common(judged, shifted(told, timedelta(days=lead))) for lead in LEAD_DAYS]
    table = verify(_foretold(fronts, seen), passages, by_lead)
    seen_passing = tuple(passage for passage in passages if inside(passage.onset, judged))
    return Verified(table=table, passages=seen_passing, judged=judged)


def _in_hand(connection: Connection, cells: Collection[str]) -> tuple[Span, ...]:
    """The spans in which there was an issue to tell fronts from."""
    rows = connection.execute(
        select(issue.c.retrieved_at, payload.c.confirmed_at)
        .join(payload, payload.c.id == issue.c.payload_id)
        .where(issue.c.cell.in_(cells))
    )
    return joined((Span(start=row.retrieved_at, end=row.confirmed_at) for row in rows), IN_HAND)


def _past_of(in_hand: Sequence[Span]) -> tuple[Span, ...]:
    """The hours that lie in the past of an issue, far enough back for a passage to show."""
    ends = (Span(start=span.start, end=span.end - SHOWS_AFTER) for span in in_hand)
    return tuple(span for span in ends if span.start <= span.end)


def _passage(row: Row[Any]) -> Passage | None:
    if row.observed_onset is not None and row.state != Standing.WITHDRAWN:
        return Passage(onset=row.observed_onset, strength=row.strength, how=How.STATION)
    shows = row.state == Standing.FORETOLD and row.seen_at >= row.onset + SHOWS_AFTER
    return Passage(onset=row.onset, strength=row.strength, how=How.ARCHIVE) if shows else None


def _covered_by_station(row: Row[Any]) -> tuple[Span, ...]:
    if row.observed_onset is None and row.state != Standing.WITHDRAWN:
        return ()
    onset = row.onset if row.observed_onset is None else row.observed_onset
    return (Span(start=onset - AROUND, end=onset + AROUND),)


def _foretold(fronts: Sequence[Row[Any]], seen: Sequence[Row[Any]]) -> list[Foretold]:
    """For each front and lead what was said last at least so long ahead, if it was still said then.

    Where several sources told of a front, the one that the lake is told from speaks.
    """
    found: list[Foretold] = []
    told: dict[int, list[Row[Any]]] = {}
    for one in seen:
        told.setdefault(one.front, []).append(one)
    for row in fronts:
        for lead in LEAD_DAYS:
            ahead = [one for one in told.get(row.id, ()) if one.onset - one.seen_at >= timedelta(days=lead)]
            if not ahead:
                continue
            last = ([one for one in ahead if one.source == row.source] or ahead)[-1]
            until = last.onset - timedelta(days=lead)
            if row.state == Standing.GONE and row.seen_at + STILL_TOLD < until:
                continue
            found.append(
                Foretold(
                    front=row.id, lead_days=lead, onset=last.onset, strength=last.strength, seen_at=last.seen_at
                )
            )  # fmt: skip
    return found
