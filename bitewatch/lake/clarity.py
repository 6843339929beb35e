"""How clear a lake is, as a Secchi depth: entered, from a trophic-state number, or from a class; and how sure it is."""

import math
from dataclasses import dataclass

from bitewatch.lake.profile import Clarity, Lake

READ_SD_LOG10 = 0.05  #: of one reading around the summer's mean [own]
INDEX_SD_LOG10 = 0.07  #: the index is told in whole numbers and for a season [own]
#: Secchi depth of each class and its spread: turned back by `lake.weeds` from the weed edges that common practice
#: gives, 15 to 20 ft in clear lakes and 7 to 10 ft in dark ones, one spread to either end; stained stands between [own]
CLASSES = {
    Clarity.CLEAR: (4.2, 0.10),
    Clarity.STAINED: (2.4, 0.11),
    Clarity.DARK: (1.43, 0.12),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SecchiUsed:
    """The Secchi depth that all is worked out from."""

    secchi_m: float | None  #: None where nothing is known
    sd_log10: float  #: spread of its logarithm; infinite where nothing is known
    doubt: str  #: what to say of it; empty if it was entered


def secchi_used(lake: Lake) -> SecchiUsed:
    """The clarity of a lake as a Secchi depth."""
    if lake.secchi_m is not None:
        return SecchiUsed(secchi_m=lake.secchi_m, sd_log10=READ_SD_LOG10, doubt="")
    if lake.trophic_state is not None:
        secchi = secchi_from_trophic_state_m(lake.trophic_state)
        doubt = f"Secchi depth not entered: taken from the trophic state {lake.trophic_state:.0f}"
        return SecchiUsed(secchi_m=secchi, sd_log10=INDEX_SD_LOG10, doubt=doubt)
    if lake.clarity is not None:
        secchi, sd = CLASSES[lake.clarity]
        doubt = f"Secchi depth not entered: taken as {lake.clarity.value} lakes have it"
        return SecchiUsed(secchi_m=secchi, sd_log10=sd, doubt=doubt)
    return SecchiUsed(secchi_m=None, sd_log10=math.inf, doubt="")


def secchi_from_trophic_state_m(index: float) -> float:
    """Secchi depth from the trophic state index that was worked out from one.

    An index from phosphorus or chlorophyll tells no Secchi depth in stained or weedy lakes.

    Parameters
    ----------
    index : float
        0 (clearest) to 100.

    Returns
    -------
    float
        Secchi depth. [m]

    References
    ----------
    .. [1] R. E. Carlson, "A trophic state index for lakes," Limnol. Oceanogr., vol. 22, 1977 (cited).

    Examples
    --------
    >>> round(secchi_from_trophic_state_m(40.0), 3)
    4.007
    """
    return math.exp((60.0 - index) / 14.41)
