"""The part of a trip that is left, cut where what is said now, or was said before, changes. Pure."""

from collections.abc import Callable, Hashable, Sequence
from datetime import datetime
from itertools import pairwise
from typing import NamedTuple

from bitewatch.brief.lake_day import LakeDay
from bitewatch.position.turn import Judgement, Told, ToldWindow


class Turned(NamedTuple):
    """A lake whose call has turned: what is known now, why it is told, what was told before, and what is told now."""

    lake_day: LakeDay
    judgement: Judgement
    told: Told
    now: Told


class Piece(NamedTuple):
    """Some of the trip that is left, with what is said of it now and what was said before; None where nothing is."""

    start: datetime
    end: datetime
    new: ToldWindow | None
    old: ToldWindow | None


def by_position(window: ToldWindow) -> Hashable:
    """Cuts where the position changes."""
    return window.position


def pieces(turned: Turned, key: Callable[[ToldWindow], Hashable]) -> list[Piece]:
    """The trip that is left, cut where what is said now, or was said before, changes in the respect asked for."""
    lake_day = turned.lake_day
    begin = max(lake_day.start, lake_day.now)
    both = (*turned.now.windows, *turned.told.windows)
    edges = sorted({begin, lake_day.end, *(one.start for one in both if begin < one.start < lake_day.end)})
    found: list[Piece] = []
    for start, end in pairwise(edges):
        piece = Piece(start, end, _at(turned.now.windows, start), _at(turned.told.windows, start))
        last = found[-1] if found else None
        if last and _keyed(last, key) == _keyed(piece, key):
            found[-1] = last._replace(end=end)
        else:
            found.append(piece)
    return found


def _keyed(piece: Piece, key: Callable[[ToldWindow], Hashable]) -> tuple[Hashable, ...]:
    return tuple(None if window is None else key(window) for window in (piece.new, piece.old))


def _at(windows: Sequence[ToldWindow], instant: datetime) -> ToldWindow | None:
    """The window that an instant falls in, or the nearest; None if there are none."""
    begun = [window for window in windows if window.start <= instant]
    return begun[-1] if begun else windows[0] if windows else None


def turned_piece(turned: Turned) -> Piece | None:
    """The first of the hours that lead elsewhere than told; those that were judged, where some were."""
    other = [
        piece for piece in pieces(turned, by_position) if piece.new and piece.old and is_moved(piece)
    ]  # fmt: skip
    judged = [
        piece for piece in other if any(piece.start <= hour <= piece.end for hour in turned.judgement.changed)
    ]  # fmt: skip
    return next(iter(judged or other), None)


def is_moved(piece: Piece) -> bool:
    """True if another position is said now than before."""
    return piece.new is not None and piece.old is not None and piece.new.position is not piece.old.position
