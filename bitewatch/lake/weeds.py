"""Where the weeds end and where their tops are: as read on sonar, else from the Secchi depth, with its wide spread."""

import math
import statistics
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bitewatch.lake.clarity import secchi_used
from bitewatch.lake.profile import Lake

SLOPE, LEVEL = 0.66, 0.31  #: of the formula, in logarithms
#: scatter of lakes around the formula. No source gives a prediction interval: this is the slope times a spread of 0.35
#: in log Secchi times sqrt((1 - R2) / R2), R2 0.68 [own]
EDGE_SD_LOG10 = 0.16
SONAR_SD_LOG10 = 0.04  #: of an edge that was read on sonar: where it was read, and the waves [own]
UNKNOWN_EDGE_M = 3.6  #: middle of 7 to 20 ft, the range that common practice gives for dark to clear lakes
UNKNOWN_EDGE_SD_LOG10 = 0.23  #: one spread reaches to either end of that range [own]
ROCK_SD_LOG10 = 0.1  #: of the foot of the rock, taken from the depths of spots [own]
#: edge over tops, where the tops that were entered lie deeper than the edge that was guessed [own]
EDGE_UNDER_TOPS = 1.3
TOPS_SHARE = 0.5  #: of the edge depth, where the tops are not entered (common practice, no source)
TOPS_SD_LOG10 = 0.15  #: [own]


def weed_edge_from_secchi_m(secchi_m: ArrayLike) -> NDArray[np.float64]:
    """Greatest depth of plants from the mean summer Secchi depth.

    Parameters
    ----------
    secchi_m : array_like
        Secchi depth, above 0. [m]

    Returns
    -------
    ndarray
        Depth where plants end, of the same shape. [m]

    Notes
    -----
    Florida lakes, 279 lake-years, R2 0.68. The formula is of the deepest single plant; the outer edge of a dense bed,
    as a sonar walks it, lies shallower, perhaps at 0.8 to 0.9 of that depth. No source verifies the share, so it is not
    taken: a reading puts it right. Stained water, invading plants and steep or rocky bottom break the formula.

    References
    ----------
    .. [1] A. J. Caffrey, M. V. Hoyer and D. E. Canfield, "Factors affecting the maximum depth of colonization by
       submersed macrophytes in Florida lakes," Lake Reserv. Manage., vol. 23, 2007 (abstract read).

    Examples
    --------
    >>> round(float(weed_edge_from_secchi_m(3.0)), 3)
    4.216
    """
    return np.asarray(10 ** (SLOPE * np.log10(np.asarray(secchi_m, float)) + LEVEL))


@dataclass(frozen=True, slots=True, kw_only=True)
class WeedDepths:
    """Depths that every plan is made from, each with about two chances in three to lie between low and high. [m]"""

    tops_m: float
    tops_low_m: float
    tops_high_m: float
    edge_m: float
    edge_low_m: float
    edge_high_m: float
    doubts: tuple[str, ...]  #: what was not entered and how it was made up for, in words


def weed_depths(lake: Lake) -> WeedDepths:
    """The weed edge and tops of a lake, or on a rock lake the foot of the rock and its upper half.

    Where the edge was read on sonar, that reading and the formula are weighed by how sure each is: one reading takes
    94 % of the weight. No edge lies deeper than the lake, or above weed tops that were entered.
    """
    doubts: list[str] = []
    edge, edge_sd = _edge(lake, doubts)
    shallowest, deepest = lake.weed_tops_m or 0.0, lake.max_depth_m or math.inf
    if shallowest >= edge:
        # a profile's own edge lies deeper than its tops, so only a guess was too shallow, or drew it up
        if lake.weed_edge_m is not None:
            edge = lake.weed_edge_m
        else:
            edge = EDGE_UNDER_TOPS * shallowest
            doubts.append(f"the {_foot(lake)} was set a little deeper than the weed tops that you entered")
    low, middle, high = (min(max(at, shallowest), deepest) for at in (edge / 10**edge_sd, edge, edge * 10**edge_sd))
    if edge > deepest and lake.weed_edge_m is None and not lake.is_rock:
        doubts.append("weeds may grow down to the greatest depth of the lake")
    tops, tops_sd = lake.weed_tops_m, 0.0
    if tops is None:
        tops, tops_sd = TOPS_SHARE * middle, float(np.hypot(edge_sd, TOPS_SD_LOG10))
        if not lake.is_rock:
            doubts.append("weed tops not entered: taken at half the depth of the weed edge")
    return WeedDepths(
        tops_m=tops, tops_low_m=tops / 10**tops_sd, tops_high_m=tops * 10**tops_sd,
        edge_m=middle, edge_low_m=low, edge_high_m=high, doubts=tuple(doubts),
    )  # fmt: skip


def _foot(lake: Lake) -> str:
    return "foot of the rock" if lake.is_rock else "weed edge"


def _edge(lake: Lake, doubts: list[str]) -> tuple[float, float]:
    """Depth of the edge and the spread of its logarithm; what was not entered is added to the doubts."""
    secchi, what = secchi_used(lake), _foot(lake)
    formula, formula_sd = UNKNOWN_EDGE_M, UNKNOWN_EDGE_SD_LOG10
    if secchi.secchi_m is not None:
        formula = float(weed_edge_from_secchi_m(secchi.secchi_m))
        formula_sd = float(np.hypot(EDGE_SD_LOG10, SLOPE * secchi.sd_log10))
    if lake.weed_edge_m is not None:
        if secchi.secchi_m is None or lake.is_rock:  # the formula is of plants
            return lake.weed_edge_m, SONAR_SD_LOG10
        weight = formula_sd**2 / (formula_sd**2 + SONAR_SD_LOG10**2)
        edge = 10 ** (weight * np.log10(lake.weed_edge_m) + (1.0 - weight) * np.log10(formula))
        return float(edge), float(np.sqrt(weight)) * SONAR_SD_LOG10
    spot_depths = [spot.depth_m for spot in lake.spot if spot.depth_m is not None]
    if lake.is_rock and spot_depths:
        doubts.append("foot of the rock not entered: taken from the depths of your spots")
        return statistics.median(spot_depths), ROCK_SD_LOG10
    if secchi.secchi_m is None:
        doubts.append(f"{what} and Secchi depth not entered: the depth is the middle of what lakes have, a bare guess")
    else:
        doubts.append(
            f"{what} not entered: guessed from the Secchi depth, give or take a factor of {10**formula_sd:.1f}"
        )
        doubts.extend([secchi.doubt] if secchi.doubt else [])
    return formula, formula_sd
