"""Pace: how willing the fish should be, in a word. Common practice without a study; the order of tests is our own."""

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from bitewatch.position.conditions import Conditions
from bitewatch.position.engine import activation_of
from bitewatch.position.rulebook import RuleBook
from bitewatch.weather.hourly import Floats


class Pace(StrEnum):
    """How willing the fish should be; a code counts them in this order from 0."""

    SLOW = "slow"
    STEADY = "steady"
    ACTIVE = "active"


PACES = tuple(Pace)  #: code -> pace
SLOWING = ("cold-front-day-one", "cold-heavy-rain", "calm-under-high-sun")
QUICKENING = ("dusk-and-dawn", "ahead-of-front", "stable-warm-spell")
HOLDS = 0.5  #: activation from which a rule counts here
SLOW_BELOW_C = 12.0  #: colder water slows fish whatever the weather


def pace(book: RuleBook, activation: Floats, conditions: Conditions) -> NDArray[np.int8]:
    """The code of the pace for each hour, shape (..., T).

    What slows is tested first: a front's first day is slow at dusk too. A rule that is switched off or silent counts
    for nothing.

    Parameters
    ----------
    book : RuleBook
        The book whose activation is given.
    activation : ndarray, shape (R, ..., T)
        How far each rule holds.
    conditions : Conditions
        For the temperature of the water.
    """

    def any_holds(rule_ids: tuple[str, ...]) -> NDArray[np.bool_]:
        holds: NDArray[np.bool_] = np.any([activation_of(book, activation, one) >= HOLDS for one in rule_ids], axis=0)
        return holds

    slow = any_holds(SLOWING) | (conditions["water_temp_c"] < SLOW_BELOW_C)
    codes = np.select(
        [slow, any_holds(QUICKENING)], [PACES.index(Pace.SLOW), PACES.index(Pace.ACTIVE)], PACES.index(Pace.STEADY)
    )
    return codes.astype(np.int8)
