"""Whether a lake's call has turned against what a reader was last told, and why; pure.

A turn is a change of the call itself. A change of the source of weather is none: a new source is compared with what it
said when it took over, and what only follows from the change of source is left alone. Whom to tell, and when, is
decided elsewhere.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any, Self

from bitewatch.position.engine import Position
from bitewatch.weather.fronts import SAME_PASSAGE
from bitewatch.weather.hourly import Floats

POSITIONS = tuple(Position)
DEAD_BAND = 0.10  #: how much likelier the new position must be, mean over the changed hours [own]
HOURS_TO_TURN = 2  #: so many remaining trip hours must lead elsewhere, or all that remain [own]
EARLIER_BY = timedelta(hours=2)  #: a front that comes so much earlier than told is told at once
MATTERS_AFTER = timedelta(hours=12)  #: a front so long after the trip still touches its call [own]
LONGER_FROM = timedelta(minutes=15)  #: one that lasts this much longer is news too [own]
NEWS_FROM = timedelta(hours=1)  #: an update of a warning that moves its begin or end by this much is news [own]
HALF_HOUR = timedelta(minutes=30)
_ROUNDING = 1e-9  #: 0.45 and 0.35 are 0.10 apart, whatever binary fractions make of it


class Verdict(StrEnum):
    """Why a lake's call has, or has not, turned."""

    WARNED = "a new official warning inside the trip hours"
    EARLIER = "the front now comes two hours or more before the time last announced"
    GONE = "the front that was announced is no longer seen"
    TURNED = "the call turned and held for two evaluations"
    NOT_YET = "the call turned once; waiting for the next evaluation"
    TOO_CLOSE = "the margin is within the dead band"
    SAME = "the call is the one last announced"
    SWITCHED = "the source of weather changed; its call is the new baseline"
    NO_CALL = "there is no call to compare"
    OVER = "the trip is over"

    @property
    def is_urgent(self) -> bool:
        """True if it goes out at once: past dead band, cap and quiet hours."""
        return self in (Verdict.WARNED, Verdict.EARLIER, Verdict.GONE)

    @property
    def is_turn(self) -> bool:
        """True if the reader is to be told."""
        return self is Verdict.TURNED or self.is_urgent


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldWindow:
    """One window of the main species, as a reader was told of it."""

    start: datetime
    end: datetime
    position: Position
    technique: str = ""  #: its id
    bait_top_m: float = 0.0
    bait_bottom_m: float = 0.0
    place: str = ""  #: name of the spot; empty for the weed edge at large


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontAhead:
    """A cold front as it was announced."""

    id: int | None  #: as it is followed; None where it is not
    onset: datetime
    strength: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldWarning:
    """An official warning that touches the trip hours, as far as the next one is compared with it."""

    id: str
    event: str
    onset: datetime
    ends: datetime | None
    message: str = ""  #: id of the message that carried it, which later ones refer to
    references: tuple[str, ...] = ()  #: messages that it takes the place of
    severity: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a reader was last told of one lake and one trip."""

    source: str  #: of the weather; empty if there was none
    windows: tuple[ToldWindow, ...]  #: in the order of the clock; empty if there was no call
    fronts: tuple[FrontAhead, ...] = ()  #: that stand
    warnings: tuple[ToldWarning, ...] = ()  #: inside the trip hours

    def position_at(self, instant: datetime) -> Position | None:
        """The position told for an hour; None without a call."""
        return _position_at(self.windows, instant)

    def to_json(self) -> dict[str, Any]:
        """As plain data; `from_json` gives the same back."""
        return {
            "source": self.source,
            "windows": [_plain(one) for one in self.windows],
            "fronts": [_plain(one) for one in self.fronts],
            "warnings": [_plain(one) for one in self.warnings],
        }

    @classmethod
    def from_json(cls, table: Mapping[str, Any]) -> Self:
        """From the plain data of `to_json`."""
        return cls(
            source=table["source"],
            windows=_windows_from(table["windows"]),
            fronts=tuple(FrontAhead(**one | {"onset": _instant(one["onset"])}) for one in table["fronts"]),
            warnings=tuple(
                ToldWarning(
                    id=one["id"], event=one["event"], onset=_instant(one["onset"]),
                    ends=None if one["ends"] is None else _instant(one["ends"]), message=one["message"],
                    references=tuple(one["references"]), severity=one["severity"],
                )
                for one in table["warnings"]
            ),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Now:
    """The same lake and trip by the present evaluation."""

    view: Told  #: what a reader would be told now
    time: tuple[datetime, ...]  #: the trip hours; none without a call
    probability: Floats  #: shape (3, H), of each `Position`, mean over the spots
    gone: tuple[FrontAhead, ...] = ()  #: fronts that are no longer seen, or did not come


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What is kept of one reader, lake and trip from one evaluation to the next."""

    baseline: Told  #: what the present source said when the reader was last told, or when it took over
    candidate: tuple[ToldWindow, ...] | None = None  #: the turned call of the last issue, which must hold once more
    #: updates without news: their id, the id of their message, and the id of the warning that they repeat
    followed: tuple[tuple[str, str, str], ...] = ()

    def to_json(self) -> dict[str, Any]:
        """As plain data; `from_json` gives the same back."""
        return {
            "baseline": self.baseline.to_json(),
            "candidate": None if self.candidate is None else [_plain(one) for one in self.candidate],
            "followed": [list(pair) for pair in self.followed],
        }

    @classmethod
    def from_json(cls, table: Mapping[str, Any]) -> Self:
        """From the plain data of `to_json`."""
        candidate = table["candidate"]
        return cls(
            baseline=Told.from_json(table["baseline"]),
            candidate=None if candidate is None else _windows_from(candidate),
            followed=tuple((new, message, told) for new, message, told in table["followed"]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A verdict with its reasons, and what to remember if the reader is not told; told, `memory_of` starts anew."""

    verdict: Verdict
    memory: Memory
    reasons: tuple[str, ...] = ()
    front: FrontAhead | None = None  #: EARLIER: as it stands now; GONE: as it was announced
    announced: FrontAhead | None = None  #: EARLIER and GONE: as it was announced
    warnings: tuple[str, ...] = ()  #: WARNED: ids of the new ones
    changed: tuple[datetime, ...] = field(default=())  #: TURNED: the hours that lead elsewhere than told

    @property
    def urgent(self) -> bool:
        """True if it goes out at once."""
        return self.verdict.is_urgent


def memory_of(told: Told) -> Memory:
    """What to remember right after a reader was told."""
    return Memory(baseline=told)


def judge(told: Told, memory: Memory, now_: Now, *, at: datetime, trip_end: datetime) -> Judgement:
    """Whether a lake's call has turned; to be asked once for each new issue, or new state of warnings.

    Parameters
    ----------
    told
        What the reader was last told.
    memory
        What the last judgement left to remember.
    now_
        The present evaluation.
    at
        The present instant; only trip hours that are not over are compared.
    trip_end
        Haul-out.

    Returns
    -------
    Judgement
        The first that holds of: over, warned, switched, earlier, gone, no call, and what the call's hours say. A new
        warning is told whatever became of the source; all others say nothing in the issue that changes it. Until the
        reader is told, the same verdict comes again with the next issue.
    """
    if at >= trip_end:
        return Judgement(verdict=Verdict.OVER, memory=memory)
    is_other = now_.view.source != memory.baseline.source
    switched = is_other and bool(now_.view.windows)
    if switched:
        # a source that comes back is compared with what it said itself when the reader was told
        baseline = told if told.source == now_.view.source else now_.view
        old = memory.baseline.source or "none"
        memory = replace(memory, baseline=baseline, candidate=None)
    new, followed = _new_warnings(told, memory, now_.view.warnings, at)
    memory = replace(memory, followed=followed)
    if new:
        reasons = tuple(f"new warning: {one.event}" for one in new)
        ids = tuple(one.id for one in new)
        return Judgement(verdict=Verdict.WARNED, memory=memory, reasons=reasons, warnings=ids)
    if is_other and not switched:
        return Judgement(verdict=Verdict.NO_CALL, memory=replace(memory, candidate=None))
    if switched:
        reasons = (f"weather from {now_.view.source} in place of {old}",)
        return Judgement(verdict=Verdict.SWITCHED, memory=memory, reasons=reasons)
    return (
        _earlier(told, memory, now_, at, trip_end)
        or _gone(told, memory, now_, at, trip_end)
        or _call(told, memory, now_, at)
    )


def _call(told: Told, memory: Memory, now_: Now, at: datetime) -> Judgement:
    """What the remaining trip hours say of the call alone."""
    remain = [i for i, hour in enumerate(now_.time) if hour + HALF_HOUR > at]
    nothing_yet = replace(memory, candidate=None)
    if not (told.windows and memory.baseline.windows and now_.view.windows and remain):
        return Judgement(verdict=Verdict.NO_CALL, memory=nothing_yet)
    needed = min(HOURS_TO_TURN, len(remain))

    def leads(windows: Sequence[ToldWindow], i: int) -> Position | None:
        return _position_at(windows, now_.time[i])

    def margin(hours: Sequence[int]) -> float:
        gains = []
        for i in hours:
            new, old = leads(now_.view.windows, i), leads(told.windows, i)
            assert new is not None
            assert old is not None
            of_hour = now_.probability[:, i]
            gains.append(float(of_hour[POSITIONS.index(new)] - of_hour[POSITIONS.index(old)]))
        return sum(gains) / len(gains)

    moved = [i for i in remain if leads(now_.view.windows, i) is not leads(told.windows, i)]
    if len(moved) < needed:
        few = ("one remaining hour differs, too few to turn",) if moved else ()
        return Judgement(verdict=Verdict.SAME, memory=nothing_yet, reasons=few)
    own = [i for i in moved if leads(now_.view.windows, i) is not leads(memory.baseline.windows, i)]
    if len(own) < needed:
        why = f"the difference came with the change to {memory.baseline.source}, which says what it said then"
        return Judgement(verdict=Verdict.SWITCHED, memory=nothing_yet, reasons=(why,))
    gain = margin(own)
    if not gain >= DEAD_BAND - _ROUNDING:
        said = f"margin {gain:.2f}, under {DEAD_BAND:.2f}" if math.isfinite(gain) else "margin not known"
        return Judgement(verdict=Verdict.TOO_CLOSE, memory=nothing_yet, reasons=(said,))
    held = [i for i in own if memory.candidate and leads(memory.candidate, i) is leads(now_.view.windows, i)]
    waiting = replace(memory, candidate=now_.view.windows)
    reasons = (f"{len(own)} hours, margin {gain:.2f}",)
    if len(held) < needed or margin(held) < DEAD_BAND - _ROUNDING:
        return Judgement(verdict=Verdict.NOT_YET, memory=waiting, reasons=reasons)
    changed = tuple(now_.time[i] for i in held)
    return Judgement(verdict=Verdict.TURNED, memory=waiting, reasons=reasons, changed=changed)


def _earlier(told: Told, memory: Memory, now_: Now, at: datetime, trip_end: datetime) -> Judgement | None:
    for front in now_.view.fronts:
        announced, before = _same_front(front, told.fronts), _same_front(front, memory.baseline.fronts)
        if announced is None or before is None or announced.onset <= at or front.onset > trip_end + MATTERS_AFTER:
            continue
        if announced.onset - front.onset >= EARLIER_BY and before.onset - front.onset >= EARLIER_BY:
            hours = (announced.onset - front.onset).total_seconds() / 3600
            why = f"onset {_text(front.onset)}, {hours:.0f} hours before the announced {_text(announced.onset)}"
            return Judgement(
                verdict=Verdict.EARLIER, memory=memory, reasons=(why,), front=front, announced=announced
            )  # fmt: skip
    return None


def _gone(told: Told, memory: Memory, now_: Now, at: datetime, trip_end: datetime) -> Judgement | None:
    for announced in told.fronts:
        mattered = at < announced.onset <= trip_end + MATTERS_AFTER  # one that has passed is no news by going
        stands = _same_front(announced, now_.view.fronts)
        is_gone = _same_front(announced, now_.gone) is not None
        if mattered and is_gone and stands is None and _same_front(announced, memory.baseline.fronts):
            why = f"announced for {_text(announced.onset)}"
            return Judgement(
                verdict=Verdict.GONE, memory=memory, reasons=(why,), front=announced, announced=announced
            )  # fmt: skip
    return None


def _same_front(front: FrontAhead, others: Iterable[FrontAhead]) -> FrontAhead | None:
    """The same passage among others: by its id, else the nearest within nine hours."""
    others = tuple(others)
    by_id = next((one for one in others if front.id is not None and one.id == front.id), None)
    nearest = min(others, key=lambda one: abs(one.onset - front.onset), default=None)
    if by_id is not None or nearest is None:
        return by_id
    return nearest if abs(nearest.onset - front.onset) < SAME_PASSAGE else None


def _new_warnings(
    told: Told, memory: Memory, warnings: Sequence[ToldWarning], at: datetime
) -> tuple[tuple[ToldWarning, ...], tuple[tuple[str, str, str], ...]]:
    """The warnings that are news, and the updates that are none, each with the warning it repeats.

    An update is news only if it calls the event otherwise, or moves its begin or end by an hour or more: an authority
    that repeats its warning every half hour is not passed on every half hour. A begin that has passed counts as now.
    """
    known = {one.id: one for one in told.warnings}
    followed = [repeat for repeat in memory.followed if repeat[2] in known]
    seen = {*known, *(new for new, _, _ in followed)}
    news = []
    for one in warnings:
        if one.id in seen or (one.ends is not None and one.ends <= at):
            continue
        replaced = [old for old in told.warnings if old.message in one.references]
        replaced += [known[old] for _, message, old in followed if message in one.references]
        repeated = next((old for old in replaced if _says_the_same(one, old, at)), None)
        if repeated is None:
            news.append(one)
        else:
            followed.append((one.id, one.message, repeated.id))
    return tuple(news), tuple(followed)


def _says_the_same(new: ToldWarning, old: ToldWarning, at: datetime) -> bool:
    if (new.event, new.severity) != (old.event, old.severity) or abs(
        max(new.onset, at) - max(old.onset, at)
    ) >= NEWS_FROM:
        return False
    if new.ends is None or old.ends is None:
        return new.ends is old.ends
    return -NEWS_FROM < new.ends - old.ends < LONGER_FROM  # whoever was told the old end may launch at it


def _position_at(windows: Sequence[ToldWindow], instant: datetime) -> Position | None:
    """The position of the window that an hour falls in; hours at the edges belong to the nearest window."""
    last = None
    for window in windows:
        if last is None or window.start <= instant:
            last = window.position
    return last


def _plain(one: ToldWindow | FrontAhead | ToldWarning) -> dict[str, Any]:
    found = {name: getattr(one, name) for name in one.__dataclass_fields__}
    return {
        name: _text(value) if isinstance(value, datetime) else list(value) if isinstance(value, tuple) else value
        for name, value in found.items()
    }


def _windows_from(rows: Iterable[Mapping[str, Any]]) -> tuple[ToldWindow, ...]:
    return tuple(
        ToldWindow(
            **{**row, "start": _instant(row["start"]), "end": _instant(row["end"]),
               "position": Position(row["position"])},
        )
        for row in rows
    )  # fmt: skip


def _text(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text)
