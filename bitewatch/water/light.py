"""Light at the weed tops, from sunshine and Secchi depth."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

POOLE_ATKINS = 1.7  #: attenuation x Secchi depth, clear to moderate natural water [1]_
PLANT_SHARE = (
    0.46  #: of the sun's energy is light that plants use; fixed together with the rules' limits [own], cf. [2]_
)
DARK_WM2 = 0.01  #: keeps the logarithm finite; full dark is -2 [own]


def light_at_tops(shortwave_wm2: ArrayLike, secchi_m: ArrayLike, depth_m: ArrayLike) -> NDArray[np.float64]:
    """Logarithm of the light that plants use, at the depth of the weed tops.

    Parameters
    ----------
    shortwave_wm2 : array_like
        Sunshine on the surface, mean of the hour. [W/m2]
    secchi_m : array_like
        Secchi depth, above 0. [m]
    depth_m : array_like
        Depth of the weed tops, 0 or more. [m]

    Returns
    -------
    ndarray
        log10 of the light in W/m2, of the broadcast shape; NaN where anything is NaN.

    Raises
    ------
    ValueError
        If a Secchi depth is not above 0, or a depth or sunshine is negative.

    Notes
    -----
    The rules' limits were set on this form, without reflection. The physical form, with a share of 0.45 and 5 %
    reflected, lies 0.03 lower, which no rule can feel. One attenuation stands for all wavelengths: stained water
    darkens faster than its Secchi depth shows.

    References
    ----------
    .. [1] H. H. Poole and W. R. G. Atkins, "Photo-electric measurements of submarine illumination throughout the
       year," J. Mar. Biol. Assoc. U.K., vol. 16, 1929 (as cited in later texts).
    .. [2] K. J. McCree, 1972, share of 0.45 (from memory).

    Examples
    --------
    >>> round(float(light_at_tops(600.0, 2.5, 1.8)), 4)
    1.9094
    """
    shortwave, secchi, depth = (np.asarray(given, float) for given in (shortwave_wm2, secchi_m, depth_m))
    if (secchi <= 0).any() or (depth < 0).any() or (shortwave < 0).any():
        raise ValueError("Secchi depth must be above 0, depth and sunshine 0 or more")
    left: NDArray[np.float64] = PLANT_SHARE * shortwave * np.exp(-POOLE_ATKINS / secchi * depth)
    return np.log10(left + DARK_WM2)
