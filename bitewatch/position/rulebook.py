"""Rules and the rule book: read, checked, changed by the user, hashed."""

import difflib
import functools
import hashlib
import json
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from enum import StrEnum
from importlib.resources import files
from typing import Annotated, Any, Self

from pydantic import AfterValidator, AllowInfNan, Field, Strict, field_validator, model_validator

from bitewatch.declared import Declared, Number, declare, wrong
from bitewatch.errors import ConfigRefused, Fault
from bitewatch.lake.profile import ID_PATTERN, Species
from bitewatch.position.evidence import checked_source
from bitewatch.position.variables import VARIABLES, unknown_variable

MOST_PUSH = 3.0  #: log-odds; e^3 is twenty to one, more than any one reason is worth [own]


class Group(StrEnum):
    """Rules of one group tell of one cause, and are capped together."""

    BASE = "base"
    FRONT = "front"
    LIGHT = "light"
    THERMAL = "thermal"
    SEASON = "season"
    HABITAT = "habitat"
    WIND = "wind"
    WATER = "water"


def _trapezoid(limits: tuple[float, ...]) -> tuple[float, ...]:
    said = f"[{', '.join(f'{limit:g}' for limit in limits)}]"
    if len(limits) != 4:
        raise ValueError(f"{said} must have four numbers")
    a, b, c, d = limits
    if any(map(math.isnan, limits)):
        raise ValueError(f"{said} must not hold nan")
    if not a <= b <= c <= d:
        raise ValueError(f"{said} must rise from left to right")
    if b == math.inf or c == -math.inf:
        raise ValueError(f"{said} never holds")
    if math.isinf(a) != math.isinf(b) or math.isinf(c) != math.isinf(d):
        raise ValueError(f"{said} must be open on a side with both numbers, -inf, -inf or inf, inf")
    if math.isinf(a) and math.isinf(d):
        raise ValueError(f"{said} always holds; leave the variable out")
    return limits


#: a <= b <= c <= d: a rule holds in full from b to c, not at all at or outside a and d
Limits = Annotated[tuple[Annotated[float, Strict(), AllowInfNan(True)], ...], AfterValidator(_trapezoid)]
Push = Annotated[Number, Field(ge=-MOST_PUSH, le=MOST_PUSH)]


class Pushes(Declared):
    """What a rule that holds in full adds to the log-odds of each position."""

    high: Push
    edge: Push
    tight: Push


class Rule(Declared):
    """One reason with its soft limits and its pushes."""

    id: str = Field(pattern=ID_PATTERN, description="small letters, digits and hyphens")
    name: str = Field(min_length=1, max_length=60, description="a few words for a heading")
    group: Group = Field(description="rules of one group are capped together")
    when: Mapping[str, Limits] = Field(
        description="variables with four rising numbers each, as in { secchi_m = [0, 1, 2, 3] }; {} always holds"
    )
    crappie: Pushes = Field(description="log-odds, as in { high = 0.5, edge = 0, tight = -0.5 }")
    bluegill: Pushes = Field(description="log-odds, as in { high = 0.5, edge = 0, tight = -0.5 }")
    reason: str = Field(min_length=1, max_length=240, description="one sentence for whoever asks why")
    source: tuple[Annotated[str, AfterValidator(checked_source)], ...] = Field(
        min_length=1, description='a list of study ids, "common practice" or "own"'
    )
    source_note: str = Field("", description="what the sources do and do not carry")
    evidence: str = Field(min_length=1, description="how well the rule is founded, in words")

    @field_validator("when", mode="before")
    @classmethod
    def _variables_are_known(cls, when: Any) -> Any:
        for name in when if isinstance(when, dict) else ():
            if name not in VARIABLES:
                raise wrong(str(name), unknown_variable(str(name)))
        return when

    @field_validator("when")
    @classmethod
    def _limits_are_plausible(cls, when: Mapping[str, Limits]) -> Mapping[str, Limits]:
        for name, limits in when.items():
            known = VARIABLES[name]
            for limit in limits:
                if math.isfinite(limit) and not known.lowest <= limit <= known.highest:
                    bounds = f"{known.lowest:g} and {known.highest:g} {known.unit}".rstrip()
                    raise wrong(name, f"{limit:g} must lie between {bounds}; is it in another unit?")
        return when

    def pushes(self, species: Species) -> tuple[float, float, float]:
        """The log-odds for a species, in the order of the positions."""
        said: Pushes = getattr(self, Species(species).value)
        return said.high, said.edge, said.tight


class Caps(Declared):
    """The most that a group may move one position, in log-odds; the base group has no cap."""

    front: Number = Field(gt=0)
    light: Number = Field(gt=0)
    thermal: Number = Field(gt=0)
    season: Number = Field(gt=0)
    habitat: Number = Field(gt=0)
    wind: Number = Field(gt=0)
    water: Number = Field(gt=0)

    def of(self, group: Group) -> float:
        """The cap of a group; infinite for the base group."""
        cap: float = getattr(self, group.value, math.inf)
        return cap


class Engine(Declared):
    """How activations become probabilities."""

    shrink: Number = Field(gt=0, le=1, description="factor on every score")
    floor: Number = Field(ge=0, lt=1 / 3, description="the least that any position is given")
    caps: Caps


class RuleBook(Declared):
    """All rules and how they are added up."""

    engine: Engine
    rule: tuple[Rule, ...] = Field(min_length=1, description="[[rule]] tables")

    @model_validator(mode="after")
    def _ids_are_single(self) -> Self:
        for place, rule_id in enumerate(self.ids):
            if rule_id in self.ids[:place]:
                raise wrong("rule", f"the id {rule_id} stands twice")
        return self

    @property
    def ids(self) -> tuple[str, ...]:
        """The rules' ids, in the order of the book, which is the order of the first axis of every activation."""
        return tuple(rule.id for rule in self.rule)

    @property
    def hash(self) -> str:
        """SHA-256 of all that can change a forecast, and of nothing else: words and order do not count."""
        rules = {
            rule.id: [rule.group, {name: list(limits) for name, limits in rule.when.items()}]
            + [list(rule.pushes(species)) for species in Species]
            for rule in self.rule
        }
        content = json.dumps([self.engine.model_dump(), rules], sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(content.encode()).hexdigest()

    def without(self, ids: Iterable[str], *, file: str = "rules.toml", key: str = "off") -> "RuleBook":
        """This book less some rules, such as those that a lake's profile switches off (``file`` and ``key`` say where).

        Raises
        ------
        ConfigRefused
            If an id is not in the book, or no rule would be left.
        """
        off = tuple(ids)
        faults = []
        for place, rule_id in enumerate(off, start=1):
            if rule_id not in self.ids:
                right = f"no rule has this id{_near(rule_id, self.ids)}"
                faults.append(Fault(file=file, key=f"{key}[{place}]", value=f'"{rule_id}"', right=right))
        kept = tuple(rule for rule in self.rule if rule.id not in off)
        if not kept:
            faults.append(Fault(file=file, key=key, value="", right="must leave at least one rule on"))
        if faults:
            raise ConfigRefused(faults)
        return RuleBook(engine=self.engine, rule=kept)


def _near(rule_id: str, ids: Iterable[str]) -> str:
    near = difflib.get_close_matches(rule_id, list(ids), n=1, cutoff=0.5)
    return f"; did you mean {near[0]}?" if near else ""


@functools.cache
def default_book() -> RuleBook:
    """The rule book that comes with this program."""
    name = "rules.toml"
    return declare(RuleBook, tomllib.loads((files(__package__) / "data" / name).read_text(encoding="utf-8")), file=name)


class _UserRules(Declared):
    """A user's rules file: rules to change or to add, and rules to switch off."""

    off: tuple[str, ...] = Field((), description="a list of rule ids")
    rule: tuple[dict[str, Any], ...] = Field((), description="[[rule]] tables")


def merge(book: RuleBook, table: Mapping[str, Any], *, file: str) -> RuleBook:
    """A book with a user's changes.

    Parameters
    ----------
    book : RuleBook
        The book to start from.
    table : mapping
        ``rule``: tables whose id is in the book change the keys that they give, each as a whole; tables with a new id
        must be complete. ``off``: ids of rules to leave out.
    file : str
        Named in the faults.

    Raises
    ------
    ConfigRefused
        With one fault for each thing that is wrong.
    """
    user = declare(_UserRules, table, file=file)
    rules = {rule.id: rule for rule in book.rule}
    faults: list[Fault] = []
    given: set[str] = set()
    for place, changes in enumerate(user.rule, start=1):
        key = f"rule[{place}]"
        try:
            rule = _changed(rules, given, changes, file)
        except ConfigRefused as refused:
            faults += [replace(fault, key=f"{key}.{fault.key}" if fault.key else key) for fault in refused.faults]
        else:
            rules[rule.id] = rule
            given.add(rule.id)
    try:
        merged = RuleBook(engine=book.engine, rule=tuple(rules.values())).without(user.off, file=file)
    except ConfigRefused as refused:
        faults += refused.faults
    if faults:
        raise ConfigRefused(faults)
    return merged


def _changed(rules: Mapping[str, Rule], given: set[str], changes: Mapping[str, Any], file: str) -> Rule:
    """The rule that a user's table makes; refused with keys that start at the table."""
    rule_id = changes.get("id")
    if not isinstance(rule_id, str):
        return declare(Rule, changes, file=file)
    if rule_id in given:
        raise ConfigRefused([Fault(file=file, key="id", value=f'"{rule_id}"', right="stands twice in this file")])
    if rule_id in rules:
        return declare(Rule, {**rules[rule_id].model_dump(), **changes}, file=file)
    lacking = [name for name, field in Rule.model_fields.items() if field.is_required() and name not in changes]
    if lacking:
        right = f"no rule has this id{_near(rule_id, rules) or '.'} A new rule also needs {', '.join(lacking)}"
        raise ConfigRefused([Fault(file=file, key="id", value=f'"{rule_id}"', right=right)])
    return declare(Rule, changes, file=file)
