"""Where in this lake's water column the fish of a position are, and where a technique's bait runs."""

from dataclasses import dataclass

from bitewatch.lake.profile import Lake, Spot, SpotKind
from bitewatch.lake.weeds import WeedDepths
from bitewatch.position.engine import Position
from bitewatch.presentation.technique import DepthPoint, Technique

SHALLOW_COVER_M = 1.2  #: reeds and rushes stand in about 1 to 4 ft (common practice), where a spot has no depth
NEAR_ROCK_M = 1.0  #: on rock lakes "tight" means within about a metre of the bottom
SHALLOWEST_M = 0.15
THINNEST_M = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A band of depths. [m]"""

    top_m: float
    bottom_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """The water column at a place. [m]"""

    tops_m: float
    bottom_m: float  #: foot of the weeds, the rock, or the bed of shallow cover
    layer_m: float  #: depth where oxygen or temperature breaks; the bottom where that is not known
    rock: bool


def column(lake: Lake, depths: WeedDepths, spot: Spot | None, oxygen_margin_m: float | None = None) -> Column:
    """The column at a spot, or at the weed edge at large."""
    own = spot.depth_m if spot else None
    bottom = depths.edge_m
    if spot and spot.kind is SpotKind.SHALLOW_COVER:
        bottom = own or min(SHALLOW_COVER_M, depths.edge_m)
    elif spot and own and (lake.is_rock or own < depths.edge_m):
        bottom = own
    tops = depths.tops_m if depths.tops_m < bottom else 0.5 * bottom
    if lake.is_rock:
        tops = 0.5 * bottom
    layer = min(bottom, depths.edge_m + oxygen_margin_m) if oxygen_margin_m is not None else bottom
    return Column(tops_m=tops, bottom_m=bottom, layer_m=layer, rock=lake.is_rock)


def shallow_column(depths: WeedDepths) -> Column:
    """The column over nests in shallow cover of which no spot is entered."""
    bottom = min(SHALLOW_COVER_M, depths.edge_m)
    return Column(tops_m=0.5 * bottom, bottom_m=bottom, layer_m=bottom, rock=False)


def fish_band(position: Position, at: Column) -> Band:
    """Where the fish of a position hang (common practice, no source)."""
    stems = at.bottom_m - at.tops_m
    if position is Position.HIGH:
        return _band(0.35 * at.tops_m, at.tops_m, at)
    if position is Position.EDGE:
        foot = at.bottom_m - NEAR_ROCK_M if at.rock else at.tops_m + 0.85 * stems
        return _band(at.tops_m, foot, at)
    top = at.bottom_m - NEAR_ROCK_M if at.rock else at.tops_m + 0.45 * stems
    return _band(top, at.bottom_m, at)


def bait_band(technique: Technique, at: Column) -> Band:
    """Where a technique's bait runs at a place."""
    return _band(_depth(technique.from_, at), _depth(technique.to, at), at)


def _depth(point: DepthPoint, at: Column) -> float:
    reference, share, added = point
    hangs_from = {
        "surface": 0.0,
        "tops": share * at.tops_m,
        "stems": at.tops_m + share * (at.bottom_m - at.tops_m),
        "bottom": share * at.bottom_m,
        "layer": share * at.layer_m,
    }
    return hangs_from[reference] + added


def _band(top: float, bottom: float, at: Column) -> Band:
    """A band that lies in the water and is not thinner than a bait can be held to."""
    bottom = min(max(bottom, SHALLOWEST_M + THINNEST_M), at.bottom_m)
    top = min(max(top, SHALLOWEST_M), max(bottom - THINNEST_M, 0.0))
    return Band(top_m=top, bottom_m=bottom)
