"""Trip hours cut into windows: consecutive hours in which the call says about the same."""

from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

PACE_WEIGHT = (
    0.05  #: a pace that differs from its window's costs as much as probabilities that are off by about 0.2 [own]
)
WORTH_A_THIRD = 0.03  #: a third window must save at least this much [own]
HOURS_FOR_THREE = 5


def cut_windows(probability: NDArray[np.float64], pace: NDArray[np.int8]) -> tuple[slice, ...]:
    """Cut trip hours where the call changes most.

    Parameters
    ----------
    probability : ndarray, shape (3, T)
        Probability of each position by trip hour.
    pace : ndarray of int8, shape (T,)
        Code of the pace by trip hour.

    Returns
    -------
    tuple of slice
        One window for a single hour, else two, or three where the call changes that often; together all hours, in
        order, each window at least one hour, and two where the trip is four hours or longer.
    """
    hours = probability.shape[-1]
    if hours < 2:
        return (slice(0, hours),)
    shortest = 2 if hours >= 4 else 1
    two = _best(probability, pace, hours, shortest, 1)
    if hours < HOURS_FOR_THREE or hours < 3 * shortest:
        return two[1]
    three = _best(probability, pace, hours, shortest, 2)
    return three[1] if two[0] - three[0] >= WORTH_A_THIRD else two[1]


def _best(
    probability: NDArray[np.float64], pace: NDArray[np.int8], hours: int, shortest: int, cuts: int
) -> tuple[float, tuple[slice, ...]]:
    """The cheapest way to make ``cuts`` cuts; of equal ones the most even."""
    ways = []
    for places in combinations(range(1, hours), cuts):
        edges = (0, *places, hours)
        lengths = [b - a for a, b in pairwise(edges)]
        if min(lengths) >= shortest:
            cost = sum(_cost(probability[:, a:b], pace[a:b]) for a, b in pairwise(edges))
            ways.append((round(cost, 9), max(lengths) - min(lengths), edges))
    cost, _, edges = min(ways)
    return cost, tuple(slice(a, b) for a, b in pairwise(edges))


def _cost(probability: NDArray[np.float64], pace: NDArray[np.int8]) -> float:
    scatter = float(((probability - probability.mean(axis=-1, keepdims=True)) ** 2).sum())
    _, counts = np.unique(pace, return_counts=True)
    return scatter + PACE_WEIGHT * float(pace.size - counts.max())
