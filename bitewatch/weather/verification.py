"""Did the foretold fronts come? Hits, misses, false alarms and the error of the hour, by days of lead. Pure.

What is found here holds for one lake and the sources that it was told from; with few passages it holds for nothing. A
source's own later issues are near-analyses, not observations: judged by them, a source looks better than it is.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from bitewatch.weather.fronts import SAME_PASSAGE

LEAD_DAYS = range(7)
ENOUGH_HITS = 20  #: before a timing error is believed to say something [own]
HIT_SHARE = 0.8  #: of the hits lie within the range told [own]


class How(StrEnum):
    """Who says that a front passed."""

    STATION = "station"
    ARCHIVE = "archive"  #: a later issue of the source, in whose past hours it shows


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """What was last said of a front at least so many days ahead."""

    front: int
    lead_days: int
    onset: datetime
    strength: float
    seen_at: datetime  #: when the issue that said so came


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """A front that passed."""

    onset: datetime
    strength: float
    how: How


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Hours, both ends included."""

    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadDay:
    """How well fronts were foretold so many days ahead; None where there is nothing to tell from."""

    lead_days: int
    hits: int
    misses: int
    false_alarms: int
    duplicates: int  #: more fronts foretold for one that passed
    unjudged: int  #: foretold for hours that nobody can judge
    pod: float | None  #: of the fronts that passed, the share foretold
    far: float | None  #: of the fronts foretold, the share that did not pass
    csi: float | None  #: hits among hits, misses and false alarms
    error_h: float | None  #: median of the foretold less the observed hour; above 0 it came sooner than foretold
    error_low_h: float | None  #: four hits of five lie from here
    error_high_h: float | None  #: to here
    off_by_h: float | None  #: four hits of five were off by no more


def verify(
    foretold: Iterable[Foretold], passages: Sequence[Passage], judged: Sequence[Sequence[Span]]
) -> tuple[LeadDay, ...]:
    """Foretold fronts against those that passed, by whole days of lead.

    A passage and a foretold hour less than `SAME_PASSAGE` apart are paired, one to one: the nearest first, of equally
    near ones the stronger, then the earlier. A passage left over is a miss; a foretold front left over is a duplicate
    if a paired passage is near, else a false alarm. Only judged hours count.

    Parameters
    ----------
    foretold : iterable of Foretold
        For each front and lead, what was said last.
    passages : sequence of Passage
        Those that came, in any order.
    judged : sequence of sequence of Span
        For each of `LEAD_DAYS` the hours for which it can be told whether a front passed, and whether it was foretold.

    Returns
    -------
    tuple of LeadDay
        One for each of `LEAD_DAYS`.

    Raises
    ------
    ValueError
        If ``judged`` has not as many members as there are days of lead.

    References
    ----------
    POD, FAR and CSI as in J. T. Schaefer, "The critical success index as an indicator of warning skill," Weather and
    Forecasting, vol. 5, 1990 (from memory). The nine hours and the order of pairing are this project's own.

    Examples
    --------
    >>> from datetime import UTC
    >>> noon = datetime(2026, 7, 21, 12, tzinfo=UTC)
    >>> said = Foretold(front=1, lead_days=0, onset=noon + timedelta(hours=2), strength=0.5, seen_at=noon)
    >>> came = Passage(onset=noon, strength=0.7, how=How.STATION)
    >>> day = Span(start=noon - timedelta(days=1), end=noon + timedelta(days=1))
    >>> same_day = verify([said], [came], [[day]] * 7)[0]
    >>> same_day.hits, same_day.csi, same_day.error_h
    (1, 1.0, 2.0)
    """
    if len(judged) != len(LEAD_DAYS):
        raise ValueError(f"judged hours are wanted for {len(LEAD_DAYS)} days of lead, not {len(judged)}")
    said = list(foretold)
    return tuple(
        _lead_day(lead, [one for one in said if one.lead_days == lead], passages, judged[lead]) for lead in LEAD_DAYS
    )


def half_width_h(table: Sequence[LeadDay], lead_h: float, default: float) -> float:
    """How far to each side of a foretold hour its front may come, as it has come so far.

    Parameters
    ----------
    table : sequence of LeadDay
        What `verify` found.
    lead_h : float
        Hours ahead; the longest lead of the table stands for longer ones, the shortest for fronts that have passed. [h]
    default : float
        What is told before there are `ENOUGH_HITS` at that lead. [h]

    Returns
    -------
    float
        Four passages of five came no farther off. [h]

    Raises
    ------
    ValueError
        If the table is empty.

    Examples
    --------
    >>> half_width_h(verify([], [], [[]] * 7), 30.0, 3.0)
    3.0
    """
    if not table:
        raise ValueError("there is no table")
    lead = max(0, min(int(lead_h // 24), max(row.lead_days for row in table)))
    row = next(row for row in table if row.lead_days == lead)
    return default if row.off_by_h is None or row.hits < ENOUGH_HITS else row.off_by_h


def joined(spans: Iterable[Span], gap: timedelta = timedelta(0)) -> tuple[Span, ...]:
    """The spans in order of time, those in one that meet or lie no farther apart than ``gap``.

    >>> from datetime import UTC
    >>> day, hour = datetime(2026, 7, 21, tzinfo=UTC), timedelta(hours=1)
    >>> spans = [Span(start=day + at * hour, end=day + (at + 1) * hour) for at in (9, 0, 3)]
    >>> [(one.start.hour, one.end.hour) for one in joined(spans, 2 * hour)]
    [(0, 4), (9, 10)]
    """
    found: list[Span] = []
    for span in sorted(spans, key=lambda one: one.start):
        if found and span.start - found[-1].end <= gap:
            found[-1] = Span(start=found[-1].start, end=max(found[-1].end, span.end))
        else:
            found.append(span)
    return tuple(found)


def common(some: Iterable[Span], others: Sequence[Span]) -> tuple[Span, ...]:
    """The hours that lie in a span of both."""
    both = (Span(start=max(a.start, b.start), end=min(a.end, b.end)) for a in some for b in others)
    return joined(span for span in both if span.start <= span.end)


def shifted(spans: Iterable[Span], by: timedelta) -> tuple[Span, ...]:
    """The spans, later by some time."""
    return tuple(Span(start=span.start + by, end=span.end + by) for span in spans)


def inside(moment: datetime, spans: Iterable[Span]) -> bool:
    """True if a moment lies in one of the spans."""
    return any(span.start <= moment <= span.end for span in spans)


def _lead_day(lead: int, said: Sequence[Foretold], passages: Sequence[Passage], judged: Sequence[Span]) -> LeadDay:
    pairs = _pairs(said, passages)
    met = [passages[other] for other in pairs.values()]
    hits = [(said[n], passages[other]) for n, other in pairs.items() if inside(passages[other].onset, judged)]
    missed = [one for n, one in enumerate(passages) if n not in pairs.values() and inside(one.onset, judged)]
    left = [one for n, one in enumerate(said) if n not in pairs and inside(one.onset, judged)]
    again = [one for one in left if any(abs(one.onset - passage.onset) < SAME_PASSAGE for passage in met)]
    false = len(left) - len(again)
    error_h = np.array([(one.onset - passage.onset) / timedelta(hours=1) for one, passage in hits])
    low, middle, high = _quantiles(error_h, (1 - HIT_SHARE) / 2, 0.5, (1 + HIT_SHARE) / 2)
    (off_by_h,) = _quantiles(abs(error_h), HIT_SHARE)
    return LeadDay(
        lead_days=lead, hits=len(hits), misses=len(missed), false_alarms=false, duplicates=len(again),
        unjudged=len(said) - len(hits) - len(left), pod=_share(len(hits), len(hits) + len(missed)),
        far=_share(false, len(hits) + false), csi=_share(len(hits), len(hits) + len(missed) + false),
        error_h=middle, error_low_h=low, error_high_h=high, off_by_h=off_by_h,
    )  # fmt: skip


def _pairs(said: Sequence[Foretold], passages: Sequence[Passage]) -> dict[int, int]:
    """Which foretold front is which passage."""
    near = sorted(
        (abs(one.onset - passage.onset), -one.strength, one.onset, passage.onset, n, other)
        for n, one in enumerate(said)
        for other, passage in enumerate(passages)
        if abs(one.onset - passage.onset) < SAME_PASSAGE
    )
    pairs: dict[int, int] = {}
    for *_, n, other in near:
        if n not in pairs and other not in pairs.values():
            pairs[n] = other
    return pairs


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _quantiles(values: NDArray[np.float64], *shares: float) -> list[float | None]:
    return [float(np.quantile(values, share)) if values.size else None for share in shares]
