"""How far the oxygen reaches below the weed edge: measured, else guessed from the layers, else not known."""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import numpy as np

from bitewatch.lake.profile import DepthProfile
from bitewatch.water.surface import TROPIC_DEG, season_of

ENOUGH_MGL = 3.0  #: least of a day that fish past their early stages stand: EPA 1986, warm water (from memory)
HOLDS_DAYS = 30  #: for so long a profile tells of a lake [own]
HIGH_SUMMER = ((7, 1), (9, 15))  #: month and day: by then the deep water of weedy lakes is used up [own]
SOUTHERN_SUMMER = ((1, 1), (3, 15))  #: half a year later [own]
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
    at_least: bool = False  #: the probe did not come to where it ends


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


def standing_profiles(profiles: tuple[DepthProfile, ...], *, day: date, latitude: float) -> tuple[DepthProfile, ...]:
    """The profiles that still tell of a lake on a day, newest first.

    They are not of a later day, not older than `HOLDS_DAYS`, and of the same season of open water.
    """

    def season(of: date) -> int:
        return int(season_of(np.array([of], "datetime64[D]"), latitude)[0])

    standing = [
        one for one in profiles if 0 <= (day - one.on).days <= HOLDS_DAYS and season(one.on) == season(day)
    ]  # fmt: skip
    return tuple(sorted(standing, key=lambda one: one.on, reverse=True))


def oxygen_margin(
    *, day: date, profiles: tuple[DepthProfile, ...], edge_m: float, thermocline_m: float, secchi_m: float | None,
    latitude: float,
) -> OxygenMargin:  # fmt: skip
    """How far below the weed edge the water still has 3 mg/L of oxygen.

    A measured profile goes first. Without one, in high summer, the oxygen of a layered lake is guessed to end at the
    thermocline; not in clear lakes, of which the deep water often keeps it.

    Parameters
    ----------
    day : date
        The day that is spoken of.
    profiles : tuple of DepthProfile
        Of the lake, in any order and of any day.
    edge_m : float
        Depth of the deep weed edge. [m]
    thermocline_m : float
        That of the day; NaN where the lake does not layer, or where that is not known. [m]
    secchi_m : float or None
        Clarity, where it is known. [m]
    latitude : float
        South of the equator the summer is half a year later. [degrees north]

    Returns
    -------
    OxygenMargin
        Below 0 where the oxygen ends above the foot of the weeds.

    References
    ----------
    .. [1] U.S. Environmental Protection Agency, Ambient Water Quality Criteria for Dissolved Oxygen, 1986: least of a
       day for fish past their early stages in warm water (from memory).
    """
    asked: list[str] = []
    for one in standing_profiles(profiles, day=day, latitude=latitude):
        if not one.oxygen_mgl:
            continue
        if unlikely := _unlikely(one):
            asked.append(unlikely)
            continue
        return _measured(one, edge_m, asked)
    if abs(latitude) < TROPIC_DEG:  # no season of that name
        return _missing(asked)
    first, last = SOUTHERN_SUMMER if latitude < 0 else HIGH_SUMMER
    layered_summer = first <= (day.month, day.day) <= last and not np.isnan(thermocline_m)
    if not layered_summer or secchi_m is None:
        return _missing(asked)
    if secchi_m > KEEPS_OXYGEN_SECCHI_M:
        return _missing([*asked, "no guess is made of where oxygen ends: the deep water of clear lakes often keeps it"])
    said = "where oxygen ends is a guess: taken as the thermocline, as in weedy lakes in high summer"
    return OxygenMargin(margin_m=thermocline_m - edge_m, known=Known.GUESSED, words="; ".join([*asked, said]))


def _measured(profile: DepthProfile, edge_m: float, asked: list[str]) -> OxygenMargin:
    ends_at = _ends_at_m(profile)
    reach = profile.depth_m[-1] if ends_at is None else ends_at
    if ends_at is None and reach < edge_m:
        # neither a margin nor a reason to guess: it is known that there is oxygen, but not for how deep
        return _missing([*asked, f"the oxygen profile of {profile.on} stops above the weed edge and is not used"])
    said = f"oxygen as measured on {profile.on}"
    if ends_at is None:
        said += ", enough down to where the probe stopped: it may reach deeper"
    return OxygenMargin(
        margin_m=reach - edge_m, known=Known.MEASURED, words="; ".join([*asked, said]), at_least=ends_at is None
    )


def _missing(words: list[str]) -> OxygenMargin:
    return OxygenMargin(margin_m=np.nan, known=Known.MISSING, words="; ".join(words))


def _unlikely(profile: DepthProfile) -> str:
    """What to ask of a profile whose surface holds more oxygen than water can; empty if it is likely."""
    temp = profile.water_temp_c[0] if profile.water_temp_c else 0.0  # the colder, the more it holds
    at_top = profile.oxygen_mgl[0]
    if at_top <= TOO_MUCH * oxygen_saturation_mgl(temp):
        return ""
    return (
        f"the oxygen profile of {profile.on} is not used: {at_top:g} mg/L at its top is more than water holds; is it "
        "in percent?"
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
