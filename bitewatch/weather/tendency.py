"""Pressure tendency in the code of the weather services, and when pressure or wind change "rapidly" by their book."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bitewatch.units import HPA_PER_INHG, MS_PER_KT
from bitewatch.weather.hourly import Floats

SAME_HPA = 0.1  #: the resolution of reports: a smaller change is none (own choice)
RAPID_HPA_PER_H = 0.06 * HPA_PER_INHG  #: [1]_ of `changes_rapidly`
RAPID_LEAST_HPA = 0.02 * HPA_PER_INHG
SHIFT_DEG, SHIFT_WITHIN_MIN, SHIFT_WIND_MS = 45.0, 15.0, 10 * MS_PER_KT


def change_3h_hpa(pressure_hpa: Floats) -> Floats:
    """Pressure now less pressure three hours ago.

    Parameters
    ----------
    pressure_hpa : ndarray, shape (..., T)
        Hourly values, NaN where missing. [hPa]

    Returns
    -------
    ndarray, shape (..., T)
        NaN where any of the four hourly values is missing. [hPa]

    Examples
    --------
    >>> change_3h_hpa(np.array([1010.0, 1011, 1012, 1013, np.nan])).tolist()
    [nan, nan, nan, 3.0, nan]
    """
    p0, p1, p2, p3 = _four(pressure_hpa)
    return np.where(np.isfinite(p1 + p2), p3 - p0, np.nan)


def characteristic(pressure_hpa: Floats) -> Floats:
    """How the pressure went over the last three hours, by WMO code table 0200.

    Parameters
    ----------
    pressure_hpa : ndarray, shape (..., T)
        Hourly values, NaN where missing. [hPa]

    Returns
    -------
    ndarray, shape (..., T)
        Code figure, NaN where any of the four hourly values is missing. Up to 3 the pressure is the same or higher than
        three hours ago, at 4 the same, from 5 on the same or lower: 0 rose, then fell; 1 rose, then more slowly or not;
        2 rose; 3 rose after a fall or a halt, or ever faster; 4 steady; 5 fell, then rose; 6 fell, then more slowly or
        not; 7 fell; 8 fell after a rise or a halt, or ever faster. [1]

    Notes
    -----
    The table has words, not numbers. Here the first half of the change is from the first value to the mean of the two
    in the middle and the second half from there to the last; half of `SAME_HPA` or less is none, and one half twice the
    other is "faster" (own choice). A passing front typically shows 5 or 3.

    References
    ----------
    .. [1] World Meteorological Organization, Manual on Codes, WMO-No. 306, vol. I.1, code table 0200.

    Examples
    --------
    >>> float(characteristic(np.array([1012.0, 1010.0, 1010.0, 1012.0]))[-1])
    5.0
    """
    p0, p1, p2, p3 = _four(pressure_hpa)
    middle = (p1 + p2) / 2
    first, second, change = middle - p0, p3 - middle, p3 - p0
    none = SAME_HPA / 2 + 1e-9  # decimals of reports are not exact in binary
    first, second, change = (np.where(abs(part) <= none, 0.0, part) for part in (first, second, change))
    up_down, down_up = (first > 0) & (second < 0), (first < 0) & (second > 0)
    code = np.select(
        [
            np.isnan(change + middle),
            up_down & (change >= 0),
            down_up & (change <= 0),
            change == 0,
            (change > 0) & (((first <= 0) & (second > 0)) | (second > 2 * first)),
            (change > 0) & (second < first / 2),
            change > 0,
            ((first >= 0) & (second < 0)) | (second < 2 * first),
            second > first / 2,
        ],
        [np.nan, 0.0, 5.0, 4.0, 3.0, 1.0, 2.0, 8.0, 6.0],
        default=7.0,
    )
    return np.asarray(code, np.float64)


def read_group(group: str) -> tuple[int, float]:
    """The characteristic and the change over three hours that a station reports as ``5appp``.

    Parameters
    ----------
    group : str
        Five figures: 5, the code figure, and the change in tenths of hPa without its sign.

    Returns
    -------
    tuple of (int, float)
        Code figure of table 0200 [1], and change; lower pressure is negative. [hPa]

    Raises
    ------
    ValueError
        If this is not such a group.

    References
    ----------
    World Meteorological Organization, Manual on Codes, WMO-No. 306, vol. I.1, FM 12, group 5appp.

    Examples
    --------
    >>> read_group("58017")
    (8, -1.7)
    """
    if len(group) != 5 or not (group.isascii() and group.isdigit()) or group[0] != "5" or group[1] == "9":
        raise ValueError(f"not a group 5appp: {group!r}")
    figure, change_hpa = int(group[1]), int(group[2:]) / 10
    return figure, -change_hpa if figure >= 5 else change_hpa


def changes_rapidly(change_hpa: ArrayLike, hours: ArrayLike) -> NDArray[np.int8]:
    """Whether the pressure rises or falls rapidly at a station.

    Parameters
    ----------
    change_hpa : array_like
        Change of the pressure up to now. [hPa]
    hours : array_like
        Over how long, above 0. [h]

    Returns
    -------
    ndarray of int
        1 rising rapidly, -1 falling rapidly, 0 neither or not known.

    References
    ----------
    .. [1] Federal Meteorological Handbook No. 1, "Surface Weather Observations and Reports" (FCM-H1): at a rate of
       0.06 inHg an hour or more, by 0.02 inHg or more in all. As cited elsewhere; the handbook was not at hand.

    Examples
    --------
    >>> changes_rapidly([2.1, -2.1, 1.9, 0.6], [1.0, 1.0, 1.0, 0.25]).tolist()
    [1, -1, 0, 0]
    """
    change = np.asarray(change_hpa, float)
    rapid = (abs(change) >= RAPID_HPA_PER_H * np.asarray(hours, float)) & (abs(change) >= RAPID_LEAST_HPA)
    return np.where(rapid, np.sign(np.nan_to_num(change)), 0).astype(np.int8)


def is_wind_shift(
    before_deg: ArrayLike, after_deg: ArrayLike, *, minutes: ArrayLike, least_wind_ms: ArrayLike
) -> NDArray[np.bool_]:
    """Whether a station would report a wind shift (``WSHFT``).

    Hourly values are too far apart to tell; this is for reports with minutes.

    Parameters
    ----------
    before_deg, after_deg : array_like
        Where the wind comes from, before and after. [deg]
    minutes : array_like
        How long the change took. [min]
    least_wind_ms : array_like
        The lowest wind speed meanwhile. [m/s]

    Returns
    -------
    ndarray of bool
        True for 45 degrees or more in less than 15 minutes with 10 knots or more throughout; False where not known.

    References
    ----------
    Federal Meteorological Handbook No. 1, "Surface Weather Observations and Reports" (FCM-H1), as cited elsewhere.

    Examples
    --------
    >>> is_wind_shift([350, 200], [40, 320], minutes=14, least_wind_ms=[5.2, 5.0]).tolist()
    [True, False]
    """
    turned = abs((np.asarray(after_deg, float) - np.asarray(before_deg, float) + 180) % 360 - 180)
    brief = np.asarray(minutes, float) < SHIFT_WITHIN_MIN
    return np.asarray((turned >= SHIFT_DEG) & brief & (np.asarray(least_wind_ms, float) >= SHIFT_WIND_MS))


def _four(pressure_hpa: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """The values of three, two and one hours ago, and now."""
    back = np.full((4, *pressure_hpa.shape), np.nan)
    hours = pressure_hpa.shape[-1]
    for ago in range(min(4, hours)):
        back[3 - ago, ..., ago:] = pressure_hpa[..., : hours - ago]
    return back[0], back[1], back[2], back[3]
