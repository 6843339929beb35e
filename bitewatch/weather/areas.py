"""Whether places lie in the areas that warnings name: rings and circles on the globe."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Flags = NDArray[np.bool_]

EARTH_KM = 6371.0088  #: mean radius R1 of the ellipsoid GRS 80 (Moritz 2000, J. Geodesy 74 [memory])
EDGE_DEG = 1e-9  #: a point this near to an edge lies on it: a tenth of a millimetre, far below any coordinate given
AT_ONCE = 1_000_000  #: pairs of point and edge that are held in memory together


def inside_ring(latitude_deg: ArrayLike, longitude_deg: ArrayLike, ring: ArrayLike) -> Flags:
    """Whether points lie in a ring or on its edge.

    Parameters
    ----------
    latitude_deg, longitude_deg : array_like
        The points, one axis, of equal length. [degree]
    ring : array_like
        Latitude and longitude of each corner, shape (corners, 2), closed or not; it may cross the antimeridian, but
        must not hold a pole. [degree]

    Returns
    -------
    ndarray
        True for the points inside, one axis.

    Notes
    -----
    Even-odd rule, with straight edges in latitude and longitude, as they are drawn on a plain map. Longitudes are
    unwrapped along the ring, so that two corners that follow each other are never more than half the globe apart.

    References
    ----------
    .. [1] M. Shimrat, "Algorithm 112: Position of point relative to polygon," Comm. ACM, vol. 5, no. 8, p. 434, 1962
       [memory].

    Examples
    --------
    >>> inside_ring([0.0, 0.0], [179.5, 0.0], [(-1, 179), (-1, -179), (1, -179), (1, 179)]).tolist()
    [True, False]
    """
    corners = np.asarray(ring, float)
    y_a, x_a = corners[:, 0], np.unwrap(corners[:, 1], period=360.0)
    y_b, x_b = np.roll(y_a, -1), np.roll(x_a, -1)
    y, x = np.asarray(latitude_deg, float), np.asarray(longitude_deg, float)
    x = x + 360.0 * np.round(((x_a.min() + x_a.max()) / 2.0 - x) / 360.0)
    near = (
        (y >= y_a.min() - EDGE_DEG) & (y <= y_a.max() + EDGE_DEG)
        & (x >= x_a.min() - EDGE_DEG) & (x <= x_a.max() + EDGE_DEG)
    )  # fmt: skip
    inside = np.zeros(y.shape, bool)
    chosen = np.flatnonzero(near)
    step = max(1, AT_ONCE // len(corners))
    for start in range(0, len(chosen), step):
        some = chosen[start : start + step]
        dy, dx = y[some, None] - y_a, x[some, None] - x_a
        along_y, along_x = y_b - y_a, x_b - x_a
        length = np.hypot(along_x, along_y)
        off = np.abs(along_x * dy - along_y * dx)
        on_way = along_x * dx + along_y * dy
        slack = EDGE_DEG * length
        on_edge = (length > 0.0) & (off <= slack) & (on_way >= -slack) & (on_way <= length**2 + slack)
        on_edge |= (length == 0.0) & (np.hypot(dx, dy) <= EDGE_DEG)
        crosses = (y_a > y[some, None]) != (y_b > y[some, None])
        at_x = dy * (along_x / np.where(along_y == 0.0, 1.0, along_y))
        odd = (crosses & (dx < at_x)).sum(axis=-1) % 2 == 1
        inside[some] = odd | on_edge.any(axis=-1)
    return inside


def inside_circle(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, centre: tuple[float, float], radius_km: float
) -> Flags:
    """Whether points lie within a distance of a place, along the great circle.

    Parameters
    ----------
    latitude_deg, longitude_deg : array_like
        The points, one axis, of equal length. [degree]
    centre : tuple of float
        Latitude and longitude of the centre. [degree]
    radius_km : float
        The distance. [km]

    Returns
    -------
    ndarray
        True for the points inside, one axis.

    References
    ----------
    .. [1] R. W. Sinnott, "Virtues of the haversine," Sky and Telescope, vol. 68, no. 2, p. 159, 1984 [memory].

    Examples
    --------
    >>> inside_circle([46.0, 47.0], [-94.0, -94.0], (46.05, -94.0), 10.0).tolist()
    [True, False]
    """
    lat, lon = np.radians(np.asarray(latitude_deg, float)), np.radians(np.asarray(longitude_deg, float))
    lat_0, lon_0 = np.radians(centre)
    haversine = np.sin((lat - lat_0) / 2.0) ** 2 + np.cos(lat) * np.cos(lat_0) * np.sin((lon - lon_0) / 2.0) ** 2
    distance_km = 2.0 * EARTH_KM * np.arcsin(np.sqrt(np.clip(haversine, 0.0, 1.0)))
    return np.asarray(distance_km <= radius_km)
