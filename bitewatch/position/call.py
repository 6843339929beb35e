"""The call: hourly probabilities of the positions for one species, with pace and reasons."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.profile import Species
from bitewatch.position import engine
from bitewatch.position.conditions import Conditions
from bitewatch.position.engine import Position
from bitewatch.position.pace import pace
from bitewatch.position.rulebook import Rule, RuleBook
from bitewatch.weather.hourly import Floats, Times

TOSS_UP = 0.10  #: two positions this near to each other are both to be tried [own]
_ROUNDING = 1e-9  #: 0.45 and 0.35 are 0.10 apart, whatever binary fractions make of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """What one rule book says of one species, hour by hour.

    Attributes
    ----------
    species : Species
    book : RuleBook
        The rules that spoke; its order is the order of the first axis of ``activation`` and ``silent``.
    time : ndarray of datetime64[s], shape (T,)
    probability : ndarray of float64, shape (3, ..., T)
        Of each `Position`, in their order.
    pace : ndarray of int8, shape (..., T)
        Codes of the pace, in the order of `bitewatch.position.pace.PACES`.
    activation : ndarray of float64, shape (R, ..., T)
        How far each rule holds.
    silent : ndarray of bool, shape (R, ..., T)
        Where a rule is silent only because a variable is missing.
    trust : float
        Share of what the rules say that was kept.
    """

    species: Species
    book: RuleBook
    time: Times
    probability: Floats
    pace: NDArray[np.int8]
    activation: Floats
    silent: NDArray[np.bool_]
    trust: float = 1.0

    def lane(self, *place: int) -> "Call":
        """The call of one place on the leading axes: one spot, one lake."""
        at: Any = (slice(None), *place)
        return replace(
            self,
            probability=self.probability[at],
            pace=self.pace[place],
            activation=self.activation[at],
            silent=self.silent[at],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """How much one rule speaks for a position, or against it."""

    rule_id: str
    name: str
    sentence: str
    push: float  #: log-odds toward the position against the mean of the other two; below 0 it speaks against


def calls(
    book: RuleBook, conditions: Conditions, species: Iterable[Species], *, trust: float = 1.0
) -> dict[Species, Call]:  # fmt: skip
    """What a rule book says of each species; how far the rules hold, the dear part, is worked out once.

    ``trust`` is the share of what the rules say that is kept: less than 1 out of the season that they are of.
    """
    activation = engine.activation(book, conditions)
    codes, quiet = pace(book, activation, conditions), engine.silent(book, conditions)
    return {
        one: Call(
            species=one,
            book=book,
            time=conditions.time,
            probability=engine.probabilities(trust * engine.scores(book, activation, one), book),
            trust=trust,
            pace=codes,
            activation=activation,
            silent=quiet,
        )
        for one in species
    }


def call(book: RuleBook, conditions: Conditions, species: Species) -> Call:
    """What a rule book says of one species under these conditions."""
    return calls(book, conditions, [species])[species]


def reasons(said: Call, position: Position, hours: NDArray[np.bool_] | NDArray[np.intp]) -> tuple[Reason, ...]:
    """Why a position, or why not, over some hours: every rule that moved it, the strongest for it first.

    Parameters
    ----------
    said : Call
        Of one place: hours are its only axis.
    position : Position
        The position asked about.
    hours : ndarray
        A mask over the hours, or their indices.

    Raises
    ------
    ValueError
        If the call has leading axes, or no hours are chosen.
    """
    if said.activation.ndim != 2:
        raise ValueError("reasons are of one place; choose it with lane()")
    chosen = said.activation[:, hours]
    if chosen.shape[-1] == 0:
        raise ValueError("there are no hours to give reasons for")
    moved = said.trust * engine.contributions(said.book, chosen, said.species).mean(axis=-1)
    place = list(Position).index(position)
    pushes = moved[:, place] - np.delete(moved, place, axis=1).mean(axis=1)
    found = [_reason(rule, float(push)) for rule, push in zip(said.book.rule, pushes, strict=True) if push]
    return tuple(sorted(found, key=lambda reason: -reason.push))


def is_toss_up(probability: Floats) -> NDArray[np.bool_]:
    """Whether the two likeliest positions are within 0.10 of each other, shape (...) for probabilities (3, ...)."""
    ranked = np.sort(probability, axis=0)
    is_near: NDArray[np.bool_] = ranked[-1] - ranked[-2] <= TOSS_UP + _ROUNDING
    return is_near


def _reason(rule: Rule, push: float) -> Reason:
    return Reason(rule_id=rule.id, name=rule.name, sentence=rule.reason, push=push)
