"""Light at the weed tops, from sunshine or the sky, and Secchi depth."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bitewatch.weather.sky import cloud_transmission, twilight_lux

POOLE_ATKINS = 1.7  #: attenuation x Secchi depth, clear to moderate natural water [1]_
PLANT_SHARE = (
    0.46  #: of the sun's energy is light that plants use; fixed together with the rules' limits [own], cf. [2]_
)
PLANT_SHARE_PHYSICAL = 0.45  #: McCree 1972, the share of the sun's energy from 400 to 700 nm (from memory)
LUX_PER_WM2 = 110.0  #: of daylight: what twilight's lux are in W/m2 of global radiation (from memory)
WATER_INDEX = 1.333  #: of refraction
LOW_SUN_DEG = 5.0  #: below it, where the hour's mean says little, twilight is taken from the sun's height [own]
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
    left: NDArray[np.float64] = PLANT_SHARE * shortwave * np.exp(-attenuation_per_m(secchi) * depth)
    return np.log10(left + DARK_WM2)


def attenuation_per_m(secchi_m: ArrayLike) -> NDArray[np.float64]:
    """By what the logarithm of light falls with each metre of depth.

    Parameters
    ----------
    secchi_m : array_like
        Secchi depth, above 0. [m]

    Returns
    -------
    ndarray
        Of the same shape. [1/m]

    References
    ----------
    .. [1] H. H. Poole and W. R. G. Atkins, 1929, as above: 1.7 over the Secchi depth. Others found 1.44 in turbid and
       coastal water (Holmes 1970), 1.05 to 2.76 by its colour (Koenings and Edmundson 1991; both cited).

    Examples
    --------
    >>> float(attenuation_per_m(2.0))
    0.85
    """
    return np.asarray(POOLE_ATKINS / np.asarray(secchi_m, float))


def reflected_share(sun_elevation_deg: ArrayLike) -> NDArray[np.float64]:
    """Share of direct light that still water throws back.

    Parameters
    ----------
    sun_elevation_deg : array_like
        Height of the sun; at or below the horizon all is thrown back. [deg]

    Returns
    -------
    ndarray
        0.02 overhead to 1, of the same shape.

    References
    ----------
    Fresnel's equations for unpolarized light and a refractive index of 1.333 (textbook).

    Examples
    --------
    >>> reflected_share([90.0, 30.0, 10.0]).round(4).tolist()
    [0.0204, 0.0597, 0.3479]
    """
    elevation = np.clip(np.asarray(sun_elevation_deg, float), 0.0, 90.0)
    into = np.radians(90.0 - np.minimum(elevation, 89.99))  # straight down the form is 0 over 0
    through = np.arcsin(np.sin(into) / WATER_INDEX)
    across = (np.sin(into - through) / np.sin(into + through)) ** 2
    along = (np.tan(into - through) / np.tan(into + through)) ** 2
    return np.asarray(0.5 * (across + along))


def light_in_water_wm2(
    shortwave_wm2: ArrayLike,
    sun_elevation_deg: ArrayLike,
    cloud_pct: ArrayLike,
    secchi_m: ArrayLike,
    depth_m: ArrayLike,
) -> NDArray[np.float64]:
    """Light that plants use and eyes see at a depth, through twilight too.

    Parameters
    ----------
    shortwave_wm2 : array_like
        Sunshine, mean of the hour. [W/m2]
    sun_elevation_deg : array_like
        Height of the sun. [deg]
    cloud_pct : array_like
        Cover of the sky, which dims twilight; NaN counts as none. The hour's sunshine has it in already. [%]
    secchi_m, depth_m : array_like
        Clarity, above 0, and depth. [m]

    Returns
    -------
    ndarray
        Of the broadcast shape; NaN where the sunshine of a day hour is not known. [W/m2]

    Notes
    -----
    Under a low sun most light comes from the sky, and no more than a tenth of that is thrown back; the share of the
    direct light is used until it exceeds that [own]. Clouds dim twilight as they dim the day [own].

    References
    ----------
    .. [1] Beer and Lambert's law with the attenuation above; twilight from P. M. Janiczek and J. A. DeYoung, USNO
       Circular 171, 1987 (cited).

    Examples
    --------
    >>> round(float(light_in_water_wm2(0.0, -6.0, 0.0, 2.0, 0.0)), 4)
    0.0126
    """
    elevation = np.asarray(sun_elevation_deg, float)
    of_sky = twilight_lux(elevation) / LUX_PER_WM2 * cloud_transmission(np.nan_to_num(np.asarray(cloud_pct, float)))
    sunshine = np.where(elevation < LOW_SUN_DEG, of_sky, np.asarray(shortwave_wm2, float))
    entering = PLANT_SHARE_PHYSICAL * sunshine * (1.0 - np.minimum(reflected_share(elevation), 0.1))
    return np.asarray(entering * np.exp(-attenuation_per_m(secchi_m) * np.asarray(depth_m, float)))
