"""The studies that rules stand on, as they are kept beside the rule book."""

import difflib
import functools
import tomllib
from collections.abc import Mapping
from enum import StrEnum
from importlib.resources import files
from types import MappingProxyType

from pydantic import Field

from bitewatch.declared import Declared, declare
from bitewatch.lake.profile import ID_PATTERN

COMMON_PRACTICE = "common practice"  #: what the trade does, without a study
OWN = "own"  #: a rule of the user's own making


class EvidenceStatus(StrEnum):
    """How a study is known to us."""

    ABSTRACT = "abstract read"
    SUMMARY = "summary read"
    SECOND_HAND = "cited second-hand"
    MEMORY = "from memory"
    OWN_ANALYSIS = "own analysis"


class Evidence(Declared):
    """One study: who looked at what, what came out, and how far it carries."""

    id: str = Field(pattern=ID_PATTERN, description="small letters, digits and hyphens")
    species: str = Field(min_length=1, description="the fish or other creature")
    water: str = Field(min_length=1, description="the kind of water and where")
    sample: str = Field(min_length=1, description="how many, and how")
    finding: str = Field(min_length=1, description="what came out, with its numbers")
    citation: str = Field(min_length=1, description="author, year, journal or document")
    status: EvidenceStatus = Field(description="how the study is known")
    strength: str = Field(min_length=1, description="how far it carries for positions at a weed edge")


class _EvidenceFile(Declared):
    evidence: tuple[Evidence, ...] = Field(description="[[evidence]] tables")


@functools.cache
def evidence_table() -> Mapping[str, Evidence]:
    """Every study by its id."""
    name = "evidence.toml"
    table = tomllib.loads((files(__package__) / "data" / name).read_text(encoding="utf-8"))
    return MappingProxyType({study.id: study for study in declare(_EvidenceFile, table, file=name).evidence})


def checked_source(source: str) -> str:
    """A source that a rule may name.

    Raises
    ------
    ValueError
        Saying what would be right.
    """
    known = (COMMON_PRACTICE, OWN, *evidence_table())
    if source not in known:
        near = difflib.get_close_matches(source, known, n=1, cutoff=0.5)
        hint = f"did you mean {near[0]}?" if near else f'write "{OWN}", "{COMMON_PRACTICE}" or the id of a known study'
        raise ValueError(f"unknown source; {hint}")
    return source
