"""The shore of a lake, from GeoJSON: its area, and how far the water reaches from a place in every direction."""

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bitewatch.errors import Refused

if TYPE_CHECKING:
    from shapely import MultiPolygon, Polygon

Floats = NDArray[np.float64]

MOST_BYTES = 8 * 1024 * 1024
MOST_VERTICES = 50_000
NEAR_KM = 60.0  #: a shore farther than this from where the lake is said to lie belongs to another lake [own]
ASHORE_M = 300.0  #: a place no farther from the water than this is moved into it: charts differ [own]
IN_WATER_M = 2.0  #: how far into the water
M_PER_DEGREE = 111_320.0  #: of latitude, and of longitude on the equator; good to a percent
BEARINGS = 72
LEAST_M2 = 100.0  #: a water smaller than this is a slip in the file [own]
MOST_CORNERS = 500  #: beside so many at most the longest run is sought; more lie too close to matter [own]
BESIDE = 1e-3  #: how close, as a share of the way to the next corner [own]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A shore on a plane about the lake: metres east and north of a middle, good to a percent under 50 km."""

    latitude: float  #: of the middle
    longitude: float
    shape: "MultiPolygon"  #: water; islands are holes in it

    @property
    def area_km2(self) -> float:
        """Area of the water."""
        return float(self.shape.area) / 1e6


def read_outline(text: str, *, latitude: float, longitude: float) -> Outline:
    """The shore of a lake from the text of a GeoJSON file.

    Takes a Polygon or MultiPolygon, alone, as a Feature or in a FeatureCollection, in degrees, longitude first. Several
    features must touch: bays of one lake, not a county of lakes.

    Parameters
    ----------
    text : str
        GeoJSON.
    latitude, longitude : float
        Where the lake lies.

    Raises
    ------
    Refused
        Says what is wrong with it.

    References
    ----------
    .. [1] H. Butler et al., "The GeoJSON Format," RFC 7946, 2016.
    """
    import shapely

    if len(text) > MOST_BYTES:
        raise Refused("is larger than 8 MiB; a shore needs a few hundred points")
    try:
        table = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise Refused(f"is not JSON: {error}") from None
    geometries = _geometries(table)
    rings = [rings for geometry in geometries for rings in _polygons(geometry)]
    if not rings:
        raise Refused("holds no Polygon and no MultiPolygon")
    points = [point for polygon in rings for ring in polygon for point in ring]
    if len(points) > MOST_VERTICES:
        raise Refused(f"has {len(points)} points; simplify it to a few hundred")
    _check_place(points, latitude, longitude)
    east = M_PER_DEGREE * math.cos(math.radians(latitude))
    whole = [_valid(shapely.Polygon(*_plane(polygon, latitude, longitude, east))) for polygon in rings]
    parts = [part for part in shapely.get_parts([shapely.union_all(whole)]).tolist() if part.area > 0]
    if sum(part.area for part in parts) < LEAST_M2:
        raise Refused(f"has no area: less than {LEAST_M2:g} m2 of water")
    if len(parts) > 1 and len(geometries) > 1:
        raise Refused(f"holds {len(geometries)} features that do not all touch; keep the one of this lake")
    return Outline(latitude=latitude, longitude=longitude, shape=shapely.MultiPolygon(parts))


def fetch_table_m(outline: Outline, latitude: float, longitude: float) -> Floats | None:
    """Distance over water from a place to the shore, by bearing.

    Returns
    -------
    ndarray, shape (72,)
        From north, clockwise, every 5 degrees [m]; None for a place that is farther than 300 m from the water.
    """
    import shapely

    east = M_PER_DEGREE * math.cos(math.radians(outline.latitude))
    x, y = (longitude - outline.longitude) * east, (latitude - outline.latitude) * M_PER_DEGREE
    place = shapely.Point(x, y)
    if not outline.shape.contains(place):
        inside = outline.shape.buffer(-IN_WATER_M)
        if inside.is_empty or outline.shape.distance(place) > ASHORE_M:
            return None
        place = shapely.get_point(shapely.shortest_line(inside, place), 0)
    reach = _diagonal(outline)
    angles = np.radians(np.arange(BEARINGS) * 360.0 / BEARINGS)
    starts = np.broadcast_to([place.x, place.y], (BEARINGS, 2))
    ends = starts + reach * np.column_stack([np.sin(angles), np.cos(angles)])
    rays = shapely.linestrings(np.stack([starts, ends], axis=1))
    shores = shapely.intersection(np.asarray(rays), outline.shape.boundary)
    return np.array([_distance(shore, place) for shore in np.asarray(shores).tolist()])


def longest_table_m(outline: Outline) -> Floats:
    """The longest straight run over the water, by bearing: where waves run longest, wherever that is.

    Returns
    -------
    ndarray, shape (72,)
        From north, clockwise, every 5 degrees; at most a thousandth short where the shore has 500 corners or less. [m]

    Notes
    -----
    Between two neighbouring corners, seen along the bearing, the length of a run changes straight, so the longest lies
    beside a corner. Lines evenly spaced over the lake would miss a narrow one.
    """
    import shapely

    rings = [shapely.get_coordinates(ring) for part in outline.shape.geoms for ring in (part.exterior, *part.interiors)]
    starts, ends = np.concatenate([ring[:-1] for ring in rings]), np.concatenate([ring[1:] for ring in rings])
    angles = np.radians(np.arange(BEARINGS // 2) * 360.0 / BEARINGS)
    half = [_longest_run_m(starts, ends, float(angle)) for angle in angles]  # a run is as long the other way
    return np.array(half * 2)


def _longest_run_m(starts: Floats, ends: Floats, angle: float) -> float:
    """The longest stretch of water along one bearing, between the shores that lines beside the corners cross."""
    sin, cos = math.sin(angle), math.cos(angle)
    (start_along, start_across), (end_along, end_across) = (
        (x * sin + y * cos, x * cos - y * sin) for x, y in (starts.T, ends.T)
    )
    corners = np.unique(start_across)
    corners = corners[np.linspace(0, corners.size - 1, min(corners.size, MOST_CORNERS)).astype(int)]
    beside = BESIDE * np.diff(corners)
    lines = np.column_stack([corners[:-1] + beside, corners[1:] - beside]).ravel()
    # an end belongs to the edge of which it is the lower one: so each line crosses each ring an even number of times
    first = np.searchsorted(lines, np.minimum(start_across, end_across))
    count = np.searchsorted(lines, np.maximum(start_across, end_across)) - first
    edge = np.repeat(np.arange(count.size), count)
    line = np.arange(edge.size) + np.repeat(first - np.cumsum(count) + count, count)
    share = (lines[line] - start_across[edge]) / (end_across - start_across)[edge]
    shore = start_along[edge] + share * (end_along - start_along)[edge]
    # one line's shores after another's: sorted as plain numbers, which is several times faster than by two keys
    shore = np.sort(shore + line * (np.ptp(shore) + 1.0))
    return float((shore[1::2] - shore[::2]).max())


def _geometries(table: Any) -> list[Any]:
    kind = table.get("type") if isinstance(table, dict) else None
    if kind == "FeatureCollection" and isinstance(table.get("features"), list):
        return [geometry for feature in table["features"] for geometry in _geometries(feature)]
    if kind == "Feature":
        return _geometries(table.get("geometry"))
    return [table] if kind in ("Polygon", "MultiPolygon") else []


def _polygons(geometry: Any) -> list[list[list[tuple[float, float]]]]:
    """Polygons as rings of points, longitude first."""
    coordinates = geometry.get("coordinates")
    polygons = [coordinates] if geometry["type"] == "Polygon" else coordinates
    try:
        found = [[[_degrees(point) for point in ring] for ring in polygon] for polygon in polygons]
    except (TypeError, ValueError, IndexError, KeyError, OverflowError):
        raise Refused("coordinates must be lists of rings of [longitude, latitude]") from None
    if any(not polygon or any(len(ring) < 4 or ring[0] != ring[-1] for ring in polygon) for polygon in found):
        raise Refused("a ring needs four points or more, the last one the first")
    return found


def _degrees(point: Any) -> tuple[float, float]:
    if not all(type(number) in (int, float) for number in point[:2]):
        raise TypeError
    return float(point[0]), float(point[1])


def _check_place(points: list[tuple[float, float]], latitude: float, longitude: float) -> None:
    if not all(-180 <= lon <= 180 and -90 <= lat <= 90 for lon, lat in points):
        if all(-90 <= lon <= 90 and -180 <= lat <= 180 for lon, lat in points):
            raise Refused("latitude and longitude are swapped; GeoJSON has longitude first")
        raise Refused("coordinates are not degrees; GeoJSON has longitude and latitude in degrees (WGS 84)")
    lon, lat = np.array(points).T
    if np.ptp(lon) > 180:
        raise Refused("reaches over the 180th meridian, which is not taken")
    if _km_off(lat, lon, latitude, longitude) <= NEAR_KM:
        return
    if _km_off(lon, lat, latitude, longitude) <= NEAR_KM:
        raise Refused("latitude and longitude are swapped; GeoJSON has longitude first")
    raise Refused(f"lies {_km_off(lat, lon, latitude, longitude):.0f} km from where the lake is said to lie")


def _km_off(lat: Floats, lon: Floats, latitude: float, longitude: float) -> float:
    """Distance of the nearest point of a shore."""
    east = (lon - longitude) * math.cos(math.radians(latitude))
    return float(np.hypot(lat - latitude, east).min()) * M_PER_DEGREE / 1000.0


def _plane(
    polygon: list[list[tuple[float, float]]], latitude: float, longitude: float, east: float
) -> tuple[Floats, list[Floats]]:
    rings = [(np.array(ring) - (longitude, latitude)) * (east, M_PER_DEGREE) for ring in polygon]
    return rings[0], rings[1:]


def _valid(polygon: "Polygon") -> "Polygon":
    import shapely

    if not polygon.is_valid:
        raise Refused(f"its line crosses or touches itself ({shapely.is_valid_reason(polygon).split('[')[0].lower()})")
    return polygon


def _distance(shore: Any, place: Any) -> float:
    return 0.0 if shore.is_empty else float(shore.distance(place))


def _diagonal(outline: Outline) -> float:
    west, south, east, north = outline.shape.bounds
    return math.hypot(east - west, north - south) + 1.0
