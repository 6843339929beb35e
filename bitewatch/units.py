"""Units: exact conversions, and which units a number in a TOML key may carry.

Stored and computed values never change unit: metres, km2, degC, m/s, hPa. The user's units exist at the edges only.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Temperature = TypeVar("Temperature", float, NDArray[np.float64])

M_PER_FT = 0.3048  #: exact, international foot
MS_PER_MPH = 0.44704  #: exact
MS_PER_KT = 1852 / 3600  #: exact, international knot
KM2_PER_ACRE = 0.0040468564224  #: exact, international acre
HPA_PER_INHG = 33.8639  #: conventional, 0 degC
MM_PER_INCH = 25.4  #: exact
KG_PER_OZ = 0.028349523125  #: exact, avoirdupois ounce


class UnitSystem(StrEnum):
    """The units in which a user reads: feet, degF and mph, or metric ones."""

    US = "us"
    METRIC = "metric"


def c_from_f(temp_f: Temperature) -> Temperature:
    """Degrees Celsius from degrees Fahrenheit.

    >>> round(c_from_f(68.9), 2)
    20.5
    """
    return (temp_f - 32.0) / 1.8


def f_from_c(temp_c: Temperature) -> Temperature:
    """Degrees Fahrenheit from degrees Celsius.

    >>> f_from_c(100.0)
    212.0
    """
    return 32.0 + 1.8 * temp_c


@dataclass(frozen=True, slots=True)
class KeyUnit:
    """A unit that a key may end in: canonical value = (value + ``shift``) x ``scale``."""

    suffix: str
    scale: float
    shift: float = 0.0

    def to_canonical(self, value: float) -> float:
        """The value in the canonical unit of its dimension."""
        return (value + self.shift) * self.scale

    def from_canonical(self, value: float) -> float:
        """A canonical value in this unit."""
        return value / self.scale - self.shift


#: canonical suffix of a key -> the other suffixes that are taken in its place
KEY_UNITS: Mapping[str, tuple[KeyUnit, ...]] = {
    "m": (KeyUnit("ft", M_PER_FT),),
    "km2": (KeyUnit("ha", 0.01), KeyUnit("acres", KM2_PER_ACRE)),
    "c": (KeyUnit("f", 1 / 1.8, -32.0),),
    "ms": (KeyUnit("mph", MS_PER_MPH), KeyUnit("kt", MS_PER_KT)),
}


def other_keys(canonical_key: str) -> dict[str, KeyUnit]:
    """The other spellings of a key whose name ends in a canonical unit.

    >>> sorted(other_keys("area_km2"))
    ['area_acres', 'area_ha']
    >>> other_keys("name")
    {}
    """
    stem, _, suffix = canonical_key.rpartition("_")
    return {f"{stem}_{unit.suffix}": unit for unit in KEY_UNITS.get(suffix, ())} if stem else {}
