"""How far the oxygen reaches below the weed edge: measured, else guessed from the layers, else not known."""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import numpy as np

from bitewatch.lake.profile import DepthProfile

ENOUGH_MGL = 3.0  #: the least over a day that grown fish stand: EPA 1986, warm water (from memory)
HOLDS_DAYS = 30  #: for so long a profile tells of a lake [own]
HIGH_SUMMER = (182, 258)  #: 1 July to 15 September: by then the deep water of weedy lakes is used up [own]
KEEPS_OXYGEN_SECCHI_M = 4.5  #: the deep water of clearer lakes often keeps its oxygen: no guess is made [own]
TOO_MUCH = 1.6  #: of saturation, at the surface: more than weeds in full sun make [own]


class Known(StrEnum):
    """How the margin is known."""

    MEASURED = "measured"
    GUESSED = "a guess"
    MISSING = "missing"


@dataclass(frozen=True, slots=True, kw_only=True)
class OxygenMargin:
    """Depth where oxygen ends minus depth of the deep weed edge."""

    margin_m: float  #: NaN where it is not known
    known: Known
    words: str  #: how it is known, or why not; empty if there is nothing to say


def oxygen_saturation_mgl(temp_c: float) -> float:
    """Oxygen that fresh water holds at sea level, in balance with the air.

    Parameters
    ----------
    temp_c : float
        Of the water. [degC]

    Returns
    -------
    float
        [mg/L]

    References
    ----------
    .. [1] B. B. Benson and D. Krause, "The concentration and isotopic fractionation of oxygen dissolved in freshwater
       and seawater in equilibrium with the atmosphere," Limnol. Oceanogr., vol. 29, 1984 (cited).

    Examples
    --------
    >>> round(oxygen_saturation_mgl(20.0), 3)
    9.092
    """
    k = temp_c + 273.15
    log = -139.34411 + 1.575701e5 / k - 6.642308e7 / k**2 + 1.243800e10 / k**3 - 8.621949e11 / k**4
    return float(np.exp(log))


def oxygen_margin(
    *, day: date, profiles: tuple[DepthProfile, ...], edge_m: float, thermocline_m: float, secchi_m: float | None,
    latitude: float,
) -> OxygenMargin:  # fmt: skip
    """How far below the weed edge the water still has 3 mg/L of oxygen.

    Parameters
    ----------
    profiles : tuple of DepthProfile
        Of the lake; the newest that is not of a later day and not older than 30 days counts.
    edge_m, thermocline_m : float
        The deep weed edge, and the thermocline of the day: NaN where there is none. [m]
    secchi_m : float or None
        Clarity, where it is known. [m]
    """
    measured = [one for one in profiles if one.oxygen_mgl and 0 <= (day - one.on).days <= HOLDS_DAYS]
    for one in sorted(measured, key=lambda each: each.on, reverse=True):
        if unlikely := unlikely_words(one):
            return OxygenMargin(margin_m=np.nan, known=Known.MISSING, words=unlikely)
        depth = _ends_at_m(one)
        said = f"oxygen as measured on {one.on}" + ("" if depth is not None else ", which did not reach its end")
        reach = one.depth_m[-1] if depth is None else depth
        return OxygenMargin(margin_m=reach - edge_m, known=Known.MEASURED, words=said)
    first, last = HIGH_SUMMER
    of_year = (day - date(day.year, 1, 1)).days + 1
    of_year = (of_year + 182) % 365 if latitude < 0 else of_year
    guessable = first <= of_year <= last and secchi_m is not None and secchi_m <= KEEPS_OXYGEN_SECCHI_M
    if not guessable or np.isnan(thermocline_m):
        return OxygenMargin(margin_m=np.nan, known=Known.MISSING, words="")
    said = "where oxygen ends is a guess: taken as the thermocline, as in weedy lakes in high summer"
    return OxygenMargin(margin_m=thermocline_m - edge_m, known=Known.GUESSED, words=said)


def unlikely_words(profile: DepthProfile) -> str:
    """What to ask of a profile whose surface holds more oxygen than water can; empty if it is likely."""
    temp = profile.water_temp_c[0] if profile.water_temp_c else 0.0
    most = TOO_MUCH * oxygen_saturation_mgl(temp)
    if not profile.oxygen_mgl or profile.oxygen_mgl[0] <= most:
        return ""
    return (
        f"the oxygen profile of {profile.on} is not used: {profile.oxygen_mgl[0]:g} mg/L at the surface is more than "
        "water holds; is it in percent?"
    )


def _ends_at_m(profile: DepthProfile) -> float | None:
    """The shallowest depth at which there is too little; None if the probe did not come so far."""
    depth, oxygen = np.array(profile.depth_m), np.array(profile.oxygen_mgl)
    low = np.flatnonzero(oxygen < ENOUGH_MGL)
    if not low.size:
        return None
    n = int(low[0])
    if n == 0:
        return float(depth[0])
    share = (oxygen[n - 1] - ENOUGH_MGL) / (oxygen[n - 1] - oxygen[n])
    return float(depth[n - 1] + share * (depth[n] - depth[n - 1]))
