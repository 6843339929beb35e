"""Ways of presenting a bait, as they are declared, and which of them fit."""

import functools
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import Annotated, Literal, Self

from pydantic import Field, Strict, model_validator

from bitewatch.declared import Declared, Number, declare, wrong
from bitewatch.lake.profile import SpotKind
from bitewatch.position.engine import Position
from bitewatch.position.pace import Pace

RULE_ON = 0.5  #: a rule at half of its strength or more counts as on
Bounds = tuple[Annotated[float, Strict()], Annotated[float, Strict()]]
Reference = Literal["surface", "tops", "stems", "bottom", "layer"]
DepthPoint = tuple[Reference, Number, Number]


class Needs(Declared):
    """What must not be known to be false before a technique is offered; a bound holds at both ends."""

    tops_m: Bounds | None = None
    edge_m: Bounds | None = None
    secchi_m: Bounds | None = None
    light_at_tops: Bounds | None = None
    rule: str | None = None
    place: SpotKind | None = None
    weeds: bool | None = None
    spawning: bool | None = None


class Technique(Declared):
    """A way of presenting a bait."""

    id: str
    position: Position
    pace: tuple[Pace, ...] = Field(min_length=1)
    wind_min_ms: Number = 0.0
    wind_max_ms: Number = 120.0
    rank: Literal[1, 2]
    name: str
    from_: DepthPoint = Field(alias="from")
    to: DepthPoint
    needs: Needs = Needs()
    how: str
    pause: str
    weight: str
    speed_min_ms: Number | None = None
    speed_max_ms: Number | None = None
    why: str
    source: str


class Modifier(Declared):
    """What changes every technique while its condition holds."""

    id: str
    below: Mapping[Literal["water_temp_c", "secchi_m"], Number]
    says: str
    why: str
    source: str


class TossUp(Declared):
    """What to do when the two likeliest positions are level."""

    minutes: int
    search: tuple[str, ...]
    why: str
    source: str


class Techniques(Declared):
    """The whole table."""

    technique: tuple[Technique, ...]
    modifier: tuple[Modifier, ...]
    toss_up: TossUp

    @model_validator(mode="after")
    def _searches_are_there(self) -> Self:
        for one in self.toss_up.search:
            if one not in {row.id for row in self.technique}:
                raise wrong("toss_up", f"search names {one}, which is no technique")
        return self


@functools.cache
def techniques() -> Techniques:
    """The table that comes with bitewatch."""
    text = resources.files("bitewatch.presentation").joinpath("data/techniques.toml").read_text("utf-8")
    return declare(Techniques, tomllib.loads(text), file="techniques.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """What is known where and when a bait is to be shown; NaN or None where it is not known."""

    tops_m: float
    edge_m: float
    secchi_m: float = math.nan
    water_temp_c: float = math.nan
    wind_speed_ms: float = math.nan
    light_at_tops: float = math.nan
    weeds: bool | None = None
    place: SpotKind | None = None
    spawning: bool = False
    rules: dict[str, float] = field(default_factory=dict)  #: how far each rule is on, 0 to 1, by rule id


def fitting(table: Techniques, position: Position, pace: Pace, now: Situation) -> tuple[Technique, ...]:
    """The techniques that fit, best first: lowest rank, then the order of the table. Never empty.

    While the species spawns and the fish are tight, only the spawn rows are open.
    """
    spawning = now.spawning and position is Position.TIGHT
    rows = [
        row
        for row in table.technique
        if row.position is position
        and pace in row.pace
        and not _outside((row.wind_min_ms, row.wind_max_ms), now.wind_speed_ms)
        and not _known_false(row.needs, now, spawning)
        and (not spawning or row.needs.spawning is True)
    ]
    return tuple(sorted(rows, key=lambda row: row.rank))


def modifiers(table: Techniques, now: Situation) -> tuple[Modifier, ...]:
    """The modifiers whose condition is known to hold."""
    known = {"water_temp_c": now.water_temp_c, "secchi_m": now.secchi_m}
    return tuple(row for row in table.modifier if all(known[name] < limit for name, limit in row.below.items()))


def _outside(bounds: Bounds | None, value: float) -> bool:
    """True if the value is known and out of bounds; NaN compares false on both sides."""
    return bounds is not None and (value < bounds[0] or value > bounds[1])


def _known_false(needs: Needs, now: Situation, spawning: bool) -> bool:
    return (
        _outside(needs.tops_m, now.tops_m)
        or _outside(needs.edge_m, now.edge_m)
        or _outside(needs.secchi_m, now.secchi_m)
        or _outside(needs.light_at_tops, now.light_at_tops)
        or (needs.rule is not None and now.rules.get(needs.rule, 0.0) < RULE_ON)
        or (needs.place is not None and now.place is not None and now.place is not needs.place)
        or (needs.weeds is not None and now.weeds is not None and now.weeds is not needs.weeds)
        or (needs.spawning is not None and needs.spawning is not spawning)
    )
