"""What to do in each window of a trip: place, technique and bait depth, for this lake."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.profile import Lake, Species, Spot, SpotKind
from bitewatch.lake.weeds import WeedDepths
from bitewatch.position.call import Call, is_toss_up
from bitewatch.position.conditions import Conditions
from bitewatch.position.engine import Position, activation_of
from bitewatch.position.pace import PACES, Pace
from bitewatch.presentation.depths import Band, Column, bait_band, column, fish_band, shallow_column
from bitewatch.presentation.technique import (
    RULE_ON,
    Modifier,
    Situation,
    Technique,
    Techniques,
    fitting,
    modifiers,
)
from bitewatch.presentation.windows import cut_windows

POSITIONS = tuple(Position)
SPAWNING_RULE = {Species.CRAPPIE: "crappie-spawning", Species.BLUEGILL: "bluegill-spawning"}
LEVEL_SPOTS = 0.02  #: spots whose probabilities differ by less are told apart by the order of the profile only [own]
WIND_ONTO_MS = 1.0  #: from here on a spot counts as having the wind onto it [own]


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One technique at one position, with the depth of its bait. [m]"""

    position: Position
    technique: Technique
    bait: Band


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedWindow:
    """Consecutive trip hours with one advice. The arrays it was made from stay with the call."""

    hours: slice  #: of the trip hours
    position: Position
    probability: tuple[float, float, float]  #: of high, edge, tight, mean over the window and the spots
    toss_up: Position | None  #: the other position, where the top two are level
    pace: Pace
    lane: int  #: which spot's lane of the call; 0 where there are no spots
    spot: Spot | None  #: None: the weed edge at large
    spot_reason: str
    fish: Band
    main: Offer
    then: Offer | None  #: the other half of a toss-up, else what to change to when nothing bites
    modifiers: tuple[Modifier, ...]
    wind_speed_ms: float
    spawning: bool  #: the fish are in cover because they nest


def plan(
    *, lake: Lake, depths: WeedDepths, table: Techniques, call: Call, conditions: Conditions, trip: slice
) -> tuple[PlannedWindow, ...]:
    """The windows of a trip for one species.

    Parameters
    ----------
    call, conditions
        With spots on their first axis, in the order of the profile (one lane for a lake without spots).
    trip : slice
        The trip hours on the time axis.

    Returns
    -------
    tuple of PlannedWindow
        In the order of the clock. Where the call goes on, the next window rests the place or changes the bait.
    """
    planned: list[PlannedWindow] = []
    for hours in cut_windows(call.probability[..., trip].mean(axis=1), call.pace[0, trip]):
        inside = slice(trip.start + hours.start, trip.start + hours.stop)
        planned.append(_window(lake, depths, table, call, conditions, inside, hours, planned[-1] if planned else None))
    return tuple(planned)


def _window(
    lake: Lake, depths: WeedDepths, table: Techniques, call: Call, conditions: Conditions,
    inside: slice, hours: slice, before: PlannedWindow | None,
) -> PlannedWindow:  # fmt: skip
    by_spot = call.probability[..., inside].mean(axis=-1)  # (3, spots)
    mean = by_spot.mean(axis=-1)
    first, second = np.argsort(-mean, kind="stable")[:2]
    position, other = POSITIONS[first], POSITIONS[second]
    level = bool(is_toss_up(mean))
    rules = {one: activation_of(call.book, call.activation, one)[..., inside].mean(axis=-1) for one in call.book.ids}
    spawning = bool(np.max(rules.get(SPAWNING_RULE[call.species], 0.0)) >= RULE_ON)
    nests = spawning and position is Position.TIGHT
    pace = PACES[np.bincount(call.pace[0, inside]).argmax()]
    ranked = _ranked_spots(lake, by_spot[first], conditions, inside, nests)
    lane, reason = ranked[0]
    if before and before.position is position and before.pace is pace and len(ranked) > 1:
        lane, reason = next((i, "next in line, to rest the first place") for i, _ in ranked if i != before.lane)
    spot = lake.spot[lane] if lake.spot else None
    shallow = spot is not None and spot.kind is SpotKind.SHALLOW_COVER
    oxygen = _mean(conditions["oxygen_margin_m"][lane, inside])
    over_nests = column(lake, depths, spot) if shallow else shallow_column(depths)
    if nests and not shallow:
        spot, reason = None, "they nest, and no shallow cover is entered among your spots"

    def column_of(one: Position) -> Column:
        """Nests are in shallow cover, whatever else the fish do at the deep edge."""
        if spawning and one is Position.TIGHT:
            return over_nests
        return column(lake, depths, None if nests and shallow else spot, None if np.isnan(oxygen) else oxygen)

    at = column_of(position)
    now = _situation(lake, at.tops_m, at.bottom_m, spot, conditions, inside, lane, rules, spawning)
    offers = _offers(table, pace, now, lambda one, row: bait_band(row, column_of(one)))
    mains, others = offers(position), offers(other)
    if level and not nests:  # a search tool that crosses both comes first where one fits
        mains = sorted(mains, key=lambda offer: offer.technique.id not in table.toss_up.search)
    if before and before.main.technique.id == mains[0].technique.id and before.lane == lane and len(mains) > 1:
        mains = [*mains[1:], mains[0]]
    then = others[0] if level or len(mains) < 2 else mains[1]
    return PlannedWindow(
        hours=hours, position=position, probability=(float(mean[0]), float(mean[1]), float(mean[2])),
        toss_up=other if level else None, pace=pace, lane=lane, spot=spot, spot_reason=reason,
        fish=fish_band(position, at), main=mains[0], then=then, modifiers=modifiers(table, now),
        wind_speed_ms=now.wind_speed_ms, spawning=nests,
    )  # fmt: skip


def _offers(
    table: Techniques, pace: Pace, now: Situation, band: Callable[[Position, Technique], Band]
) -> Callable[[Position], list[Offer]]:
    def at(position: Position) -> list[Offer]:
        rows = fitting(table, position, pace, now)
        return [Offer(position=position, technique=row, bait=band(position, row)) for row in rows]

    return at


def _ranked_spots(
    lake: Lake, likely: NDArray[np.float64], conditions: Conditions, inside: slice, nests: bool
) -> list[tuple[int, str]]:
    """Indices of spots, best first, each with its reason; a lake without spots has its weed edge at large."""
    if not lake.spot:
        return [(0, "no spots entered")]
    shallow = [spot.kind is SpotKind.SHALLOW_COVER for spot in lake.spot]
    steps = [round(float(value) / LEVEL_SPOTS) for value in likely]
    onshore = conditions["onshore_wind_ms"][..., inside].mean(axis=-1)
    # spawning fish are sought in shallow cover, all others on the deep edge
    ranked = sorted(range(len(lake.spot)), key=lambda i: (shallow[i] is not nests, -steps[i], i))

    def reason(i: int) -> str:
        if nests and shallow[i]:
            return "shallow cover, where nests are guarded"
        if len(lake.spot) == 1:
            return "your only spot"
        if len(set(steps)) == 1 or np.isnan(onshore[i]):
            return "your spots are level in this wind, so in your own order"
        return (
            f"likeliest of your spots, {'with the wind onto it' if onshore[i] >= WIND_ONTO_MS else 'out of the wind'}"
        )

    return [(i, reason(i)) for i in ranked]


def _mean(values: NDArray[np.float64]) -> float:
    """Of what is known; NaN if nothing is."""
    known = values[~np.isnan(values)]
    return float(known.mean()) if known.size else float("nan")


def _situation(
    lake: Lake, tops_m: float, edge_m: float, spot: Spot | None, conditions: Conditions, inside: slice, lane: int,
    rules: dict[str, NDArray[np.float64]], spawning: bool,
) -> Situation:  # fmt: skip
    def mean(name: str) -> float:
        return _mean(conditions[name][lane, inside])

    return Situation(
        tops_m=tops_m, edge_m=edge_m, secchi_m=mean("secchi_m"), water_temp_c=mean("water_temp_c"),
        wind_speed_ms=mean("wind_speed_ms"), light_at_tops=mean("light_at_tops"),
        weeds=None if lake.weed_cover is None else not lake.is_rock, place=spot.kind if spot else None,
        spawning=spawning, rules={name: float(by_spot[lane]) for name, by_spot in rules.items()},
    )  # fmt: skip
