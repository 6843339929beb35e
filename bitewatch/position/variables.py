"""The variables that a rule may name: what each means, in what unit, and which values are plausible."""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleVariable:
    """One variable of the conditions."""

    name: str
    label: str  #: as it stands in a sentence: "the water temperature is missing"
    meaning: str
    unit: str  #: empty for shares, counts of nothing and words
    lowest: float  #: a rule's limit outside lowest..highest is taken for a slip of unit or of the pen
    highest: float


def _variable(name: str, label: str, unit: str, lowest: float, highest: float, meaning: str) -> RuleVariable:
    return RuleVariable(name=name, label=label, unit=unit, lowest=lowest, highest=highest, meaning=meaning)


#: every variable by its name; the limits are our own choice, wide enough for any natural lake
VARIABLES: Mapping[str, RuleVariable] = MappingProxyType(
    {
        variable.name: variable
        for variable in (
            _variable(
                "front_strength", "the last cold front", "", 0, 1,
                "strength of the cold front that governs, already passed: 0 (none, or barely) to 1 (strong)",
            ),
            _variable(
                "hours_since_front", "the time since the last cold front", "h", 0, 200,
                "hours since that front passed; 200 if none was seen in 120 known hours",
            ),
            _variable(
                "front_strength_ahead", "the next cold front", "", 0, 1,
                "strength of the cold front that governs, still to come: 0 (none, or barely) to 1 (strong)",
            ),
            _variable(
                "hours_to_front", "the time to the next cold front", "h", 0, 200,
                "hours until that front passes; 200 if none is seen in 48 forecast hours",
            ),
            _variable(
                "pressure_change_6h_hpa", "the pressure tendency", "hPa", -50, 50,
                "air pressure now minus six hours ago, daily cycle included",
            ),
            _variable(
                "stable_days", "the run of stable days", "d", 0, 10,
                "days without a front of strength above 0.3 and with daily means within 3 degC of the latest",
            ),
            _variable("water_temp_c", "the water temperature", "degC", -1, 40, "temperature of the water's surface"),
            _variable(
                "water_temp_change_3d_c", "the change of water temperature", "degC", -20, 20,
                "water temperature now minus 72 hours ago",
            ),
            _variable("day_of_year", "the day of the year", "d", 1, 366, "local date, counted from 1 January"),
            _variable(
                "sun_elevation_deg", "the height of the sun", "deg", -90, 90, "elevation of the sun above the horizon"
            ),
            _variable(
                "sun_rising", "the course of the sun", "", 0, 1, "1 from solar midnight to solar noon, 0 from noon on"
            ),
            _variable(
                "light_at_tops", "the light at the weed tops", "log10 W/m2", -2, 3,
                "logarithm (base 10) of the light that plants use, at the depth of the weed tops; -2 is dark",
            ),
            _variable("wind_speed_ms", "the wind", "m/s", 0, 60, "mean of the hour, 10 m above the ground"),
            _variable(
                "onshore_wind_ms", "the wind onto the spot", "m/s", 0, 60,
                "wind blowing from open water onto the spot, mean of the last six hours",
            ),
            _variable("secchi_m", "the clarity of the water", "m", 0, 45, "depth at which a white disk is lost"),
            _variable("weed_cover", "the weed cover", "", 0, 1, "share of the flat at the spot that carries weeds"),
            _variable(
                "oxygen_margin_m", "the depth of the oxygen", "m", -100, 100,
                "depth where oxygen falls under 3 mg/L minus depth of the deep weed edge",
            ),
            _variable("rain_24h_mm", "the rain of the last day", "mm", 0, 1000, "rain over the last 24 hours"),
            _variable(
                "air_minus_water_c", "the air against the water temperature", "degC", -60, 60,
                "air temperature minus water temperature",
            ),
        )
    }
)  # fmt: skip


def unknown_variable(name: str) -> str:
    """What would be right in place of a variable that there is not.

    >>> unknown_variable("watr_temp_c")
    'unknown variable; did you mean water_temp_c?'
    """
    near = difflib.get_close_matches(name, VARIABLES, n=1, cutoff=0.6)
    return f"unknown variable; {f'did you mean {near[0]}?' if near else 'known are ' + ', '.join(VARIABLES)}"
