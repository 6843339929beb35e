"""The rule engine: conditions to activations, activations to scores, scores to probabilities.

Rules stand on the first axis of an activation, positions on the first axis of scores, time on the last; between them
are any number of leading axes. Everything is element by element: a lake in a batch gets the very bits it gets alone.
"""

import math
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.profile import Species
from bitewatch.position.conditions import Conditions
from bitewatch.position.rulebook import Group, RuleBook
from bitewatch.weather.hourly import Floats

_TINY = 1e-300  #: in place of a sum of 0 that would be divided by


class Position(StrEnum):
    """Where fish sit relative to the deep weed edge, in the order of every first axis of three."""

    HIGH = "high"
    EDGE = "edge"
    TIGHT = "tight"


def trapezoid(x: Floats, limits: tuple[float, ...]) -> Floats:
    """How far a soft limit holds: 0 at or outside a and d, 1 from b to c, straight between; NaN where x is NaN.

    Where a equals b, or c equals d, the limit is a step, and the value itself is inside.

    Parameters
    ----------
    x : ndarray
        Values.
    limits : tuple of four float
        a <= b <= c <= d; both -inf on the left or both inf on the right for an open side.

    Returns
    -------
    ndarray
        From 0 to 1.

    Raises
    ------
    ValueError
        If there are not four limits.

    References
    ----------
    Trapezoid membership as in fuzzy sets, common practice.

    Examples
    --------
    >>> trapezoid(np.array([0.0, 1.0, 2.5, 4.0, 9.0]), (1.0, 4.0, math.inf, math.inf)).tolist()
    [0.0, 0.0, 0.5, 1.0, 1.0]
    """
    a, b, c, d = limits
    if math.isinf(a):
        holds = _slope(d - x, d - c)
    elif math.isinf(d):
        holds = _slope(x - a, b - a)
    else:
        holds = np.minimum(_slope(x - a, b - a), _slope(d - x, d - c))
    return np.clip(holds, 0.0, 1.0, out=holds)


def _slope(beyond: Floats, width: float) -> Floats:
    """Share of a slope climbed, from how far a value lies beyond its foot; above 1 past the top, NaN stays."""
    if width > 0.0:
        return np.divide(beyond, width, out=beyond)
    return np.where(np.isnan(beyond), np.nan, beyond >= 0.0)


def activation(book: RuleBook, conditions: Conditions) -> Floats:
    """How far each rule holds, shape (R, ..., T): the product of its soft limits; 0 where a variable is missing."""
    result = np.ones((len(book.rule), *conditions.shape))
    for holds, rule in zip(result, book.rule, strict=True):
        for name, limits in rule.when.items():
            holds *= trapezoid(conditions[name], limits)
        np.copyto(holds, 0.0, where=np.isnan(holds))
    return result


def silent(book: RuleBook, conditions: Conditions) -> NDArray[np.bool_]:
    """Where a rule is silent only because a variable is missing, shape (R, ..., T).

    A rule that another variable already rules out is not silenced by what is missing.
    """
    absent = {name: np.isnan(values) for name, values in conditions.values.items()}
    lacking = {name for name, where in absent.items() if where.any()}
    result = np.zeros((len(book.rule), *conditions.shape), dtype=bool)
    for quiet, rule in zip(result, book.rule, strict=True):
        if lacking.isdisjoint(rule.when):
            continue
        possible = np.ones(conditions.shape, dtype=bool)
        for name, limits in rule.when.items():
            quiet |= absent[name]
            possible &= absent[name] | (trapezoid(conditions[name], limits) > 0.0)
        quiet &= possible
    return result


def activation_of(book: RuleBook, activation: Floats, rule_id: str) -> Floats:
    """How far one rule holds, shape (..., T); 0 if the book does not have it, as when a lake has switched it off."""
    if rule_id not in book.ids:
        return np.zeros(activation.shape[1:])
    holds: Floats = activation[book.ids.index(rule_id)]
    return holds


def contributions(book: RuleBook, activation: Floats, species: Species) -> Floats:
    """What each rule moved each position, shape (R, 3, ..., T), in log-odds; over the rules they sum to the scores.

    Where a group ran into its cap, its rules share what is left in proportion.
    """
    result = np.empty((len(book.rule), len(Position), *activation.shape[1:]))
    for group in Group:
        members = _members(book, group)
        if not members:
            continue
        for place in members:
            for position, push in enumerate(book.rule[place].pushes(species)):
                result[place, position] = push * activation[place]
        total = _group_sum(book, members, activation, species)
        cap = book.engine.caps.of(group)
        share = np.minimum(1.0, cap / np.maximum(np.abs(total), _TINY))
        for place in members:
            result[place] *= share * book.engine.shrink
    return result


def scores(book: RuleBook, activation: Floats, species: Species) -> Floats:
    """The log-odds of each position, shape (3, ..., T): group sums, each within its cap, added and shrunk."""
    result = np.zeros((len(Position), *activation.shape[1:]))
    for group in Group:
        if members := _members(book, group):
            cap = book.engine.caps.of(group)
            result += np.clip(_group_sum(book, members, activation, species), -cap, cap)
    result *= book.engine.shrink
    return result


def probabilities(scores: Floats, book: RuleBook) -> Floats:
    """The probability of each position, shape (3, ..., T): softmax of the scores, none under the floor."""
    odds = np.exp(scores - scores.max(axis=0))
    floor = book.engine.floor
    share: Floats = odds / (odds[0] + odds[1] + odds[2])
    return floor + (1.0 - len(Position) * floor) * share


def _members(book: RuleBook, group: Group) -> list[int]:
    return [place for place, rule in enumerate(book.rule) if rule.group == group]


def _group_sum(book: RuleBook, members: list[int], activation: Floats, species: Species) -> Floats:
    """Sum of activation x push over a group's rules, for each position, before the cap."""
    total = np.zeros((len(Position), *activation.shape[1:]))
    for place in members:
        for position, push in enumerate(book.rule[place].pushes(species)):
            if push:
                total[position] += push * activation[place]
    return total
