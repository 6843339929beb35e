"""Which passage is which: instants of two tellings, paired one to one. Pure."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from bitewatch.weather.fronts import SAME_PASSAGE


def pairs(
    first: Sequence[datetime], second: Sequence[datetime], within: timedelta = SAME_PASSAGE
) -> tuple[tuple[int, int], ...]:  # fmt: skip
    """As many pairs as can be, of those the ones with the smallest distances in all.

    Parameters
    ----------
    first, second : sequence of datetime
        Each in order of time.
    within : timedelta
        The two of a pair are less than this apart.

    Returns
    -------
    tuple of (int, int)
        Places in ``first`` and ``second``, in order of time.

    Examples
    --------
    >>> day = datetime(2026, 7, 20)
    >>> at = [day.replace(hour=0), day.replace(hour=13)]
    >>> pairs(at, [instant + timedelta(hours=8) for instant in at])  # nearest first would leave one over
    ((0, 0), (1, 1))
    """
    nothing: tuple[int, timedelta, tuple[tuple[int, int], ...]] = (0, timedelta(0), ())
    best = [[nothing] * (len(second) + 1) for _ in range(len(first) + 1)]
    for i, one in enumerate(first, 1):
        for j, other in enumerate(second, 1):
            ways = [best[i - 1][j], best[i][j - 1]]
            if abs(one - other) < within:
                left_over, apart, chain = best[i - 1][j - 1]
                ways.append((left_over - 1, apart + abs(one - other), (*chain, (i - 1, j - 1))))
            best[i][j] = min(ways)
    return best[-1][-1][2]
