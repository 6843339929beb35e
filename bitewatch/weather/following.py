"""Fronts followed from issue to issue: found, moved, gone, confirmed. Pure.

One passage stays one front while each issue tells its onset less than nine hours from the one before, however far it
slips in the end. What was told as one front with a second surge stays one where the surge slips past a day, and two
fronts stay two where they slip within a day of each other.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from bitewatch.weather.fronts import SAME_PASSAGE, Front, FrontKind
from bitewatch.weather.look import Look
from bitewatch.weather.pairing import pairs

MOVED = timedelta(hours=2)  #: a front is told to have moved from this much on
MISSES = 2  #: issues in a row without a front after which it is gone
REMEMBERED = timedelta(hours=24)  #: for how long a sighting counts
TOLD_AGAIN = timedelta(hours=12)  #: a sighting that says the same is written down again after this long
SAME_STRENGTH = 0.05  #: strengths nearer than this are the same


class Standing(StrEnum):
    """How a passage stands."""

    FORETOLD = "foretold"
    CONFIRMED = "confirmed"  #: station hours show it
    GONE = "gone"  #: issues no longer show it
    WITHDRAWN = "withdrawn"  #: station hours show that it did not come


class Told(StrEnum):
    """What is told of a front; the names of the events."""

    FOUND = "FrontFound"
    MOVED = "FrontMoved"
    GONE = "FrontGone"
    CONFIRMED = "FrontConfirmed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """What one issue of one source told of a passage."""

    source: str
    model: str
    seen_at: datetime
    onset: datetime
    strength: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownFront:
    """One passage at one lake, as it is known from all issues so far."""

    id: int | None  #: of the row; None before it is written down
    kind: FrontKind
    onset: datetime
    earliest: datetime  #: the onset's range
    latest: datetime
    strength: float
    surge_at: datetime | None  #: a second surge of cold within a day
    told_onset: datetime  #: as the last event told it
    source: str  #: who told of it last
    found_at: datetime
    seen_at: datetime
    misses: int = 0  #: issues in a row that did not show it
    missed_in: str = ""  #: the last of them
    standing: Standing = Standing.FORETOLD
    observed_onset: datetime | None = None
    sightings: tuple[Sighting, ...] = ()  #: of the last day, the oldest first

    @property
    def stands(self) -> bool:
        """True if it counts: it is foretold, or was confirmed."""
        return self.standing in (Standing.FORETOLD, Standing.CONFIRMED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing to tell of a front, and why, in words."""

    what: Told
    front: KnownFront  #: as it is now
    reason: str
    before: datetime | None = None  #: the onset told before


def guessed_spread_h(lead_h: float) -> float:
    """Half the width of an onset's range while too few forecasts were verified: 2 h, and 1.5 h for each day ahead.

    A guess of this project.

    >>> guessed_spread_h(48.0)
    5.0
    """
    return 2.0 + 1.5 * max(0.0, lead_h) / 24


def follow(
    known: Sequence[KnownFront], look: Look, *, now: datetime, spread_h: Callable[[float], float] = guessed_spread_h
) -> tuple[tuple[KnownFront, ...], tuple[Change, ...]]:
    """The known fronts after one more issue, and what there is to tell.

    Parameters
    ----------
    known : sequence of KnownFront
        Of one lake, in any order.
    look : Look
        What the issue shows; that of the source which the lake is told from now.
    now : datetime
        Tells fronts to come from those that passed.
    spread_h : callable
        Half the width of the onset's range, by hours of lead. [h]

    Returns
    -------
    tuple of (tuple of KnownFront, tuple of Change)
        All fronts in order of their onset, new ones without an id; and the changes in the same order.

    Notes
    -----
    A front that the issue could show but does not is gone at once where no hour within nine shows a trace of it, and
    otherwise after two issues. A switch of source alone makes no front go: it stays until nobody has told of it for a
    day. A front that passed is forgotten by nobody after a day; before that it goes in the same way, but only where the
    issue lacks no column in the hours around. A front that is gone and is seen again within a day is the same front.
    """
    seen_in = _assigned(known, look.fronts, may_return=lambda front: now - front.seen_at <= REMEMBERED)
    fronts: list[KnownFront] = []
    changes: list[Change] = []
    for front in known:
        seen = seen_in.of.get(id(front))
        if seen is None:
            after, change = _unseen(front, look, now)
        else:
            after, change = _seen(front, _onset_kept(front, seen, look, now), look, spread_h)
        fronts.append(after)
        changes += [change] if change else []
    for seen in seen_in.new:
        if look.could_show(seen.onset):
            front = _with_range(_new(seen, look, now), look.at, spread_h)
            word = "is foretold for" if front.onset > now else "passed at"
            surge = f", with a second surge of cold at {utc(seen.surge_at)}" if seen.surge_at else ""
            fronts.append(front)
            changes.append(
                Change(what=Told.FOUND, front=front, reason=f"{_name(front)} {word} {utc(front.onset)}{surge}")
            )
    return _in_order(fronts), tuple(sorted(changes, key=lambda change: _order(change.front)))


def heard(
    known: Sequence[KnownFront], look: Look, *, spread_h: Callable[[float], float] = guessed_spread_h
) -> tuple[KnownFront, ...]:
    """The known fronts after an issue of a source that the lake is not told from: only their ranges may widen."""
    seen_in = _assigned(known, look.fronts, may_return=lambda _: False)
    fronts = []
    for front in known:
        seen = seen_in.of.get(id(front))
        if seen is not None and front.standing is Standing.FORETOLD:
            wider = replace(front, seen_at=max(front.seen_at, look.at), sightings=_with_sighting(front, seen, look))
            fronts.append(_with_range(wider, max(front.seen_at, look.at), spread_h))
        else:
            fronts.append(front)
    return _in_order(fronts)


def confirm(
    known: Sequence[KnownFront], look: Look, *, now: datetime
) -> tuple[tuple[KnownFront, ...], tuple[Change, ...]]:
    """The known fronts held against the hours of a station, and what there is to tell.

    A passage that the station shows is confirmed, at the station's hour; one that it could show, nine hours earlier or
    later, and does not is withdrawn; one that no issue foretold is found and confirmed at once. A score needs the hours
    after it, so all this is seen five to seven hours late.
    """
    settled = [front for front in look.fronts if look.is_settled(front.onset)]
    seen_in = _assigned(known, settled, may_return=lambda _: True)
    fronts: list[KnownFront] = []
    changes: list[Change] = []
    for front in known:
        seen = seen_in.of.get(id(front))
        if seen is not None:
            after = _confirmed(front, seen)
            if front.standing is not Standing.CONFIRMED:
                was = f", foretold for {utc(front.onset)}" if front.standing is Standing.FORETOLD else ", not expected"
                reason = f"{_name(front)} passed the station at {utc(seen.onset)}{was}; seen at {utc(now)}"
                changes.append(Change(what=Told.CONFIRMED, front=after, reason=reason, before=front.onset))
        elif front.standing is Standing.FORETOLD and all(
            look.could_show(front.onset + by) for by in (-SAME_PASSAGE, SAME_PASSAGE)
        ):
            after = replace(front, standing=Standing.WITHDRAWN)
            reason = f"the station's hours do not show {_name(front, the=True)} of {utc(front.onset)}"
            changes.append(Change(what=Told.GONE, front=after, reason=reason, before=front.onset))
        else:
            after = front
        fronts.append(after)
    for seen in seen_in.new:
        after = _confirmed(_new(seen, look, now), seen)
        reason = f"{_name(after)} that nobody foretold passed the station at {utc(seen.onset)}; seen at {utc(now)}"
        fronts.append(after)
        changes.append(Change(what=Told.FOUND, front=after, reason=reason))
    return _in_order(fronts), tuple(sorted(changes, key=lambda change: _order(change.front)))


def _seen(
    front: KnownFront, seen: Front, look: Look, spread_h: Callable[[float], float]
) -> tuple[KnownFront, Change | None]:
    if front.standing is Standing.WITHDRAWN:
        return front, None
    if front.standing is Standing.CONFIRMED:
        return replace(front, surge_at=seen.surge_at), None
    after = replace(
        front, onset=seen.onset, strength=seen.strength, surge_at=seen.surge_at, source=look.source,
        seen_at=max(front.seen_at, look.at), misses=0, missed_in="", standing=Standing.FORETOLD,
        sightings=_with_sighting(front, seen, look),
    )  # fmt: skip
    returned, moved = front.standing is Standing.GONE, abs(seen.onset - front.told_onset) >= MOVED
    if returned or moved:
        after = replace(after, told_onset=seen.onset)
    after = _with_range(after, look.at, spread_h)
    if returned:
        reason = f"{_name(after)} is seen again, at {utc(after.onset)}"
        return after, Change(what=Told.FOUND, front=after, reason=reason, before=front.told_onset)
    if moved:
        way = "earlier" if seen.onset < front.told_onset else "later"
        hours = abs(seen.onset - front.told_onset) / timedelta(hours=1)
        what = f"{_name(after, the=True)} of {utc(front.told_onset)}"
        reason = f"{what} is now told {hours:.0f} h {way}, at {utc(after.onset)}"
        return after, Change(what=Told.MOVED, front=after, reason=reason, before=front.told_onset)
    return after, None


def _onset_kept(front: KnownFront, seen: Front, look: Look, now: datetime) -> Front:
    """The same, where only the second surge of a front is left to be seen: its onset has passed, or left the hours."""
    if abs(seen.onset - front.onset) < SAME_PASSAGE or front.surge_at is None:
        return seen
    if abs(seen.onset - front.surge_at) < SAME_PASSAGE and (front.onset <= now or not look.could_show(front.onset)):
        return replace(seen, onset=front.onset, strength=max(front.strength, seen.strength), surge_at=seen.onset)
    return seen


def _unseen(front: KnownFront, look: Look, now: datetime) -> tuple[KnownFront, Change | None]:
    if front.standing is not Standing.FORETOLD or not look.could_show(front.onset):
        return front, None
    if front.onset <= now and (now - front.onset > REMEMBERED or not look.is_whole(front.onset)):
        return front, None
    what = f"{_name(front, the=True)} of {utc(front.onset)}"
    if look.source != front.source:
        if now - front.seen_at < REMEMBERED:
            return front, None
        return _gone(front, f"{what} has not been told of for a day, and {look.source} does not show it")
    if look.is_faint(front.kind, front.onset):
        return _gone(front, f"the newest hours of {look.source} show nothing of {what}")
    if look.issue == front.missed_in:
        return front, None
    missed = replace(front, misses=front.misses + 1, missed_in=look.issue)
    if missed.misses < MISSES:
        return missed, None
    return _gone(missed, f"{MISSES} issues of {look.source} in a row do not show {what}")


def _gone(front: KnownFront, reason: str) -> tuple[KnownFront, Change]:
    gone = replace(front, standing=Standing.GONE)
    return gone, Change(what=Told.GONE, front=gone, reason=reason, before=front.onset)


def _new(seen: Front, look: Look, now: datetime) -> KnownFront:
    return KnownFront(
        id=None, kind=seen.kind, onset=seen.onset, earliest=seen.onset, latest=seen.onset, strength=seen.strength,
        surge_at=seen.surge_at, told_onset=seen.onset, source=look.source, found_at=now, seen_at=look.at,
        sightings=(_sighting(seen, look),),
    )  # fmt: skip


def _confirmed(front: KnownFront, seen: Front) -> KnownFront:
    return replace(
        front, standing=Standing.CONFIRMED, onset=seen.onset, observed_onset=seen.onset, told_onset=seen.onset,
        earliest=seen.onset, latest=seen.onset, strength=seen.strength, surge_at=seen.surge_at or front.surge_at,
        misses=0, missed_in="",
    )  # fmt: skip


def _sighting(seen: Front, look: Look) -> Sighting:
    return Sighting(
        source=look.source, model=look.model, seen_at=look.at, onset=seen.onset, strength=seen.strength
    )  # fmt: skip


def _with_sighting(front: KnownFront, seen: Front, look: Look) -> tuple[Sighting, ...]:
    kept = tuple(one for one in front.sightings if look.at - one.seen_at <= REMEMBERED)
    last = next((one for one in reversed(kept) if one.source == look.source), None)
    if last is not None and not worth_writing(last, _sighting(seen, look)):
        return kept
    return (*kept, _sighting(seen, look))


def worth_writing(last: Sighting, new: Sighting) -> bool:
    """True if a sighting tells something that the last one of the same source did not, or that one is old."""
    same = new.onset == last.onset and abs(new.strength - last.strength) < SAME_STRENGTH
    return not same or new.seen_at - last.seen_at >= TOLD_AGAIN


def _with_range(front: KnownFront, at: datetime, spread_h: Callable[[float], float]) -> KnownFront:
    half = timedelta(hours=spread_h(max(0.0, (front.onset - at) / timedelta(hours=1))))
    told = [one.onset for one in front.sightings if at - one.seen_at <= REMEMBERED]
    return replace(
        front, earliest=min(front.onset - half, *told, front.onset), latest=max(front.onset + half, *told, front.onset)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Assigned:
    """Which front of an issue is which known one."""

    of: dict[int, Front]  #: by the identity of the known front
    new: list[Front]  #: those that are none of them


def _assigned(
    known: Sequence[KnownFront], seen: Sequence[Front], *, may_return: Callable[[KnownFront], bool]
) -> _Assigned:  # fmt: skip
    standing = [front for front in _in_order(known) if front.stands]
    resting = [
        front for front in _in_order(known)
        if front.standing is Standing.WITHDRAWN or (front.standing is Standing.GONE and may_return(front))
    ]  # fmt: skip
    found = _Assigned(of={}, new=sorted(seen, key=lambda front: front.onset))
    _assign_onsets(standing, found)
    _assign_surges(standing, found)
    _assign_onsets(resting, found)
    return found


def _assign_onsets(known: Sequence[KnownFront], found: _Assigned) -> None:
    for kind in FrontKind:
        ours, theirs = [one for one in known if one.kind is kind], [one for one in found.new if one.kind is kind]
        for a, b in pairs([front.onset for front in ours], [front.onset for front in theirs]):
            found.of[id(ours[a])] = theirs[b]
            found.new.remove(theirs[b])


def _assign_surges(standing: Sequence[KnownFront], found: _Assigned) -> None:
    """A surge is known by what it was told as: part of the front before it, or a front of its own."""
    for seen in tuple(found.new):
        alike = [front for front in standing if front.kind is seen.kind]
        before = next((front for front in alike if _near(front.surge_at, seen.onset)), None)
        if before is not None and id(before) not in found.of:
            found.of[id(before)] = seen
        elif before is not None and found.of[id(before)].surge_at is None:
            found.of[id(before)] = replace(found.of[id(before)], surge_at=seen.onset)
        else:
            alone = (front for front in alike if id(front) not in found.of and _near(seen.surge_at, front.onset))
            front = next(alone, None)
            if front is None:
                continue
            found.of[id(front)] = seen
        found.new.remove(seen)
    for front in standing:
        if id(front) in found.of:
            continue
        for owner, seen in found.of.items():
            if seen.kind is front.kind and seen.surge_at is not None and _near(seen.surge_at, front.onset):
                found.of[id(front)] = replace(seen, onset=seen.surge_at, strength=front.strength, surge_at=None)
                found.of[owner] = replace(seen, surge_at=None)
                break


def _near(one: datetime | None, other: datetime) -> bool:
    return one is not None and abs(one - other) < SAME_PASSAGE


def _in_order(fronts: Iterable[KnownFront]) -> tuple[KnownFront, ...]:
    return tuple(sorted(fronts, key=_order))


def _order(front: KnownFront) -> tuple[datetime, str, datetime, int]:
    return front.onset, front.kind.value, front.found_at, front.id or 0


def _name(front: KnownFront, *, the: bool = False) -> str:
    return f"{'the' if the else 'a'} {front.kind.value} front"


def utc(instant: datetime) -> str:
    """An instant in plain words."""
    return f"{instant:%Y-%m-%d %H:%M} UTC"
