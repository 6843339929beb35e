"""How readings correct the model: as much as its error is shared between then and now, and never by a plain mean.

The model's error is mostly a wandering with a memory of eleven days; only a third of a degree is a lasting property of
the lake. A mean of past errors would carry last month's weather into today, and makes forecasts worse.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# fitted on the residuals of 17 lakes of the US Upper Midwest [own], all standard deviations [degC]
LAKE_SD_C = 0.31  #: of the lake, for ever
YEAR_SD_C = 0.03  #: of the lake in one year
WANDER_SD_C, WANDER_DAYS = 0.85, 11.2  #: of the weather's making, and its memory
SCATTER_C = 0.65  #: of a reading, around the mean of the lake
HALF_YEAR = 183.0
MOST_READINGS = 40  #: the newest; older ones add nothing that can be seen


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingErrors:
    """What readings showed above the model, each reduced to the mean of its day. Arrays of shape (N,)."""

    at: Floats  #: days since 1970, by the sun's clock
    error_c: Floats
    start_sd_c: Floats  #: what is left there of the doubt about the season's start
    season: NDArray[np.int64]
    scatter_c: Floats  #: how far each may be off by itself

    def kept(self, which: NDArray[np.intp] | slice) -> "ReadingErrors":
        """Some of them."""
        return ReadingErrors(
            at=self.at[which], error_c=self.error_c[which], start_sd_c=self.start_sd_c[which],
            season=self.season[which], scatter_c=self.scatter_c[which],
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Where and in what state the model is asked about. Arrays of shape (T,)."""

    at: Floats  #: days since 1970, by the sun's clock
    start_sd_c: Floats
    season: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """What is to be added to the model, and how far the lake's mean then lies from it. Arrays of shape (T,)."""

    correction_c: Floats
    sd_c: Floats


def condition(moments: Moments, logs: ReadingErrors, *, widen: float = 1.0) -> Corrected:
    """The model's error at some moments, given what readings showed.

    Parameters
    ----------
    moments : Moments
        Where it is asked for.
    logs : ReadingErrors
        The readings that may be looked at.
    widen : float
        By how much the model's error is larger than where it was fitted, 1 or more.

    Returns
    -------
    Corrected
        The spread is that of the lake's mean; a thermometer adds `SCATTER_C`.

    References
    ----------
    Gaussian conditioning; the covariance is 0.31^2 + 0.03^2 [within 183 days] + 0.85^2 exp(-days / 11.2) [own]. Our own
    too is that the doubt about a season's start is shared within that season.

    Examples
    --------
    >>> none, season = np.zeros(1), np.zeros(1, int)
    >>> one = ReadingErrors(at=none, error_c=none + 1, start_sd_c=none, season=season, scatter_c=none + 0.65)
    >>> week = Moments(at=np.array([0.0, 7.0]), start_sd_c=np.zeros(2), season=np.zeros(2, int))
    >>> condition(week, one).correction_c.round(3).tolist()
    [0.66, 0.389]
    """
    logs = _newest(logs)
    variance = _own_variance(moments, widen)
    if not logs.at.size:
        return Corrected(correction_c=np.zeros(moments.at.shape), sd_c=np.sqrt(variance))
    shared = _shared(moments, logs, widen)
    weights = np.linalg.solve(_between(logs, widen), np.column_stack([logs.error_c, shared.T]))
    told = np.einsum("tn,n->t", shared, weights[:, 0])
    explained = np.einsum("tn,nt->t", shared, weights[:, 1:])
    return Corrected(correction_c=told, sd_c=np.sqrt(np.maximum(variance - explained, 0.0)))


def change_sd_c(now: Moments, before: Moments, logs: ReadingErrors, *, widen: float = 1.0) -> Floats:
    """The spread of a change between pairs of moments: much of the error is in both, and falls out.

    Parameters
    ----------
    now, before : Moments
        Of one shape (T,).

    Returns
    -------
    ndarray, shape (T,)
        Standard deviation of the error at ``now`` minus that at ``before``. [degC]
    """
    logs = _newest(logs)
    both = _covariance(
        np.abs(now.at - before.at), now.start_sd_c, before.start_sd_c, now.season == before.season, widen
    )
    variance = _own_variance(now, widen) + _own_variance(before, widen) - 2.0 * both
    if logs.at.size:
        shared = _shared(now, logs, widen) - _shared(before, logs, widen)
        variance -= np.einsum("tn,nt->t", shared, np.linalg.solve(_between(logs, widen), shared.T))
    return np.sqrt(np.maximum(variance, 0.0))


def condition_causally(
    moments: Moments, logs: ReadingErrors, *, known_from: Floats, widen: float = 1.0
) -> Corrected:  # fmt: skip
    """The same, each moment only with the readings that were known at it.

    Parameters
    ----------
    known_from : ndarray, shape (N,)
        The first moment that may look at each reading. [days since 1970, by the sun's clock]
    """
    order = np.argsort(known_from, kind="stable")
    logs = logs.kept(order)
    count = np.searchsorted(known_from[order], moments.at, side="right")
    correction, sd = np.zeros(moments.at.shape), np.zeros(moments.at.shape)
    for known in np.unique(count):
        here = count == known
        told = condition(
            Moments(at=moments.at[here], start_sd_c=moments.start_sd_c[here], season=moments.season[here]),
            logs.kept(slice(0, int(known))), widen=widen,
        )  # fmt: skip
        correction[here], sd[here] = told.correction_c, told.sd_c
    return Corrected(correction_c=correction, sd_c=sd)


def _covariance(
    apart: Floats, start: Floats, other_start: Floats, same_season: NDArray[np.bool_], widen: float
) -> Floats:  # fmt: skip
    lasting = LAKE_SD_C**2 + YEAR_SD_C**2 * (apart < HALF_YEAR)
    wandering = WANDER_SD_C**2 * np.exp(-apart / WANDER_DAYS)
    return np.asarray(widen**2 * (lasting + wandering) + start * other_start * same_season)


def _own_variance(moments: Moments, widen: float) -> Floats:
    return np.asarray(widen**2 * (LAKE_SD_C**2 + YEAR_SD_C**2 + WANDER_SD_C**2) + moments.start_sd_c**2)


def _shared(moments: Moments, logs: ReadingErrors, widen: float) -> Floats:
    return _covariance(
        np.abs(moments.at[:, None] - logs.at), moments.start_sd_c[:, None], logs.start_sd_c,
        moments.season[:, None] == logs.season, widen,
    )  # fmt: skip


def _between(logs: ReadingErrors, widen: float) -> Floats:
    at = Moments(at=logs.at, start_sd_c=logs.start_sd_c, season=logs.season)
    return np.asarray(_shared(at, logs, widen) + np.diag(logs.scatter_c**2))


def _newest(logs: ReadingErrors) -> ReadingErrors:
    """The last forty, in the order of their time whatever order they came in."""
    return logs.kept(np.lexsort((logs.scatter_c, logs.error_c, logs.at))[-MOST_READINGS:])
