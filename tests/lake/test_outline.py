"""Shores from GeoJSON: areas and runs of simple shapes by their geometry, and what is refused, in words."""

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.errors import Refused
from bitewatch.lake.outline import BEARINGS, M_PER_DEGREE, fetch_table_m, longest_table_m, read_outline

LAT, LON = 45.0, -93.0
EAST = M_PER_DEGREE * math.cos(math.radians(LAT))


def degrees(points):
    """Metres about the lake as degrees, longitude first, closed."""
    ring = [[LON + x / EAST, LAT + y / M_PER_DEGREE] for x, y in points]
    return [*ring, ring[0]]


def circle(radius, x=0.0, y=0.0, count=180):
    angles = np.arange(count) * 2 * math.pi / count
    return [(x + radius * math.cos(a), y + radius * math.sin(a)) for a in angles]


def outline(*rings, kind="Polygon"):
    coordinates = [degrees(ring) for ring in rings]
    geometry = {"type": kind, "coordinates": coordinates if kind == "Polygon" else [[ring] for ring in coordinates]}
    return read_outline(json.dumps(geometry), latitude=LAT, longitude=LON)


def fetch(shore, x, y):
    return fetch_table_m(shore, LAT + y / M_PER_DEGREE, LON + x / EAST)


BOX = [(-1000, -200), (1000, -200), (1000, 200), (-1000, 200)]
NORTH, EASTWARD, SOUTH, WEST = 0, BEARINGS // 4, BEARINGS // 2, 3 * BEARINGS // 4


def test_a_round_lake():
    shore = outline(circle(500.0))
    assert shore.area_km2 == pytest.approx(math.pi * 0.25, rel=1e-3)
    np.testing.assert_allclose(fetch(shore, 0, 0), 500.0, rtol=1e-3)
    np.testing.assert_allclose(longest_table_m(shore), 1000.0, rtol=1e-3)


def test_a_long_lake_lies_across_the_wind_or_along_it():
    shore = outline(BOX)
    assert shore.area_km2 == pytest.approx(0.8, rel=1e-6)
    table = fetch(shore, -900, 0)
    np.testing.assert_allclose(table[[NORTH, EASTWARD, SOUTH, WEST]], [200, 1900, 200, 100], rtol=1e-6)
    longest = longest_table_m(shore)
    assert longest[EASTWARD] == longest[WEST] == pytest.approx(2000.0)
    assert longest[NORTH] == pytest.approx(400.0)


def test_an_island_breaks_the_run():
    shore = outline(BOX, circle(50.0, x=0.0)[::-1])
    assert shore.area_km2 == pytest.approx(0.8 - math.pi * 0.0025, rel=1e-3)
    assert fetch(shore, -900, 0)[EASTWARD] == pytest.approx(850.0, rel=1e-3)


def test_around_an_island_in_the_middle_the_longest_run_touches_it():
    """A tangent of the inner of two circles about one middle is a chord of 2 sqrt(R^2 - r^2) of the outer one."""
    shore = outline(circle(1000.0), circle(600.0)[::-1])
    np.testing.assert_allclose(longest_table_m(shore), 1600.0, rtol=2e-3)


@pytest.mark.parametrize("turned", [0.0, 35.0, 90.0, 160.0])
def test_a_lake_as_narrow_as_a_river_is_not_missed(turned):
    angle = math.radians(turned)  # its axis as a bearing
    shore = outline(
        [
            (x * math.sin(angle) + y * math.cos(angle), x * math.cos(angle) - y * math.sin(angle))
            for x, y in [(-5000, -50), (5000, -50), (5000, 50), (-5000, 50)]
        ]
    )
    longest = longest_table_m(shore)
    along = round(turned / 5.0)
    assert longest[along] == longest[(along + SOUTH) % BEARINGS] == pytest.approx(10_000.0, rel=2e-3)
    # 5 degrees off the axis a run ends at the long shores
    assert longest[along + 1] == pytest.approx(100.0 / math.sin(math.radians(5.0)), rel=1e-3)


def test_the_longest_run_of_a_triangle_is_its_side():
    assert longest_table_m(outline([(0, 0), (4000, 0), (0, 400)]))[EASTWARD] == pytest.approx(4000.0, rel=2e-3)


def test_a_spot_on_land_near_the_shore_is_moved_into_the_water_and_one_far_off_has_none():
    shore = outline(BOX)
    near = fetch(shore, -1100, 0)
    assert near is not None
    assert near[EASTWARD] == pytest.approx(2000.0, abs=5)
    assert fetch(shore, -2000, 0) is None


def test_two_waters_of_one_lake_and_features():
    parts = outline(circle(300.0, x=-600), circle(300.0, x=600), kind="MultiPolygon")
    assert parts.area_km2 == pytest.approx(2 * math.pi * 0.09, rel=1e-3)
    feature = {"type": "Feature", "properties": None, "geometry": {"type": "Polygon", "coordinates": [degrees(BOX)]}}
    for text in (json.dumps(feature), json.dumps({"type": "FeatureCollection", "features": [feature]})):
        assert read_outline(text, latitude=LAT, longitude=LON).area_km2 == pytest.approx(0.8, rel=1e-6)


def test_features_of_one_lake_touch():
    bays = [[(-400, 0), (0, 0), (0, 300), (-400, 300)], [(0, 100), (200, 100), (200, 200), (0, 200)]]
    apart = [bays[0], [(x + 1, y) for x, y in bays[1]]]

    def read(rings):
        shapes = [{"type": "Polygon", "coordinates": [degrees(ring)]} for ring in rings]
        features = [{"type": "Feature", "properties": {}, "geometry": shape} for shape in shapes]
        return read_outline(
            json.dumps({"type": "FeatureCollection", "features": features}), latitude=LAT, longitude=LON
        )

    assert read(bays).area_km2 == pytest.approx(0.14, rel=1e-6)
    with pytest.raises(Refused, match="holds 2 features that do not all touch"):
        read(apart)


@given(st.lists(st.floats(150, 2000), min_size=5, max_size=40), st.floats(-150, 150), st.floats(-150, 150))
def test_through_no_spot_of_any_jagged_lake_runs_more_than_the_longest_run(radii, x, y):
    angles = np.arange(len(radii)) * 2 * math.pi / len(radii)
    shore = outline([(r * math.cos(a), r * math.sin(a)) for r, a in zip(radii, angles, strict=True)])
    table = fetch(shore, x, y)
    assert table is not None
    assert (table > 0).all()
    longest = longest_table_m(shore)
    # what is sought a thousandth of the way beside a corner is as much short
    assert (table + table[(np.arange(BEARINGS) + SOUTH) % BEARINGS] <= longest * 1.001 + 1e-3).all()
    west, south, east, north = shore.shape.bounds
    assert longest.max() <= math.hypot(east - west, north - south) + 1e-6


def test_a_shore_of_very_many_corners_is_sought_beside_some_of_them():
    np.testing.assert_allclose(longest_table_m(outline(circle(500.0, count=5000))), 1000.0, rtol=1e-3)


def polygon(ring):
    return json.dumps({"type": "Polygon", "coordinates": [ring]})


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("{", "is not JSON"),
        ("[1, 2]", "holds no Polygon"),
        ('{"type": "Point", "coordinates": [1, 2]}', "holds no Polygon"),
        ('{"type": "Feature", "geometry": null}', "holds no Polygon"),
        ('{"type": "Polygon"}', "must be lists of rings"),
        ('{"type": "Polygon", "coordinates": [["a"]]}', "must be lists of rings"),
        (polygon([[LON, LAT], [LON, LAT]]), "needs four points"),
        (polygon(degrees([*BOX, (-1200, 0)])[:-1]), "the last one the first"),
        (polygon([[str(x), str(y)] for x, y in degrees(BOX)]), "must be lists of rings"),
        (polygon([[True, False]] * 4), "must be lists of rings"),
        (polygon([[math.nan, LAT]] * 4), "not degrees"),
        (polygon(degrees([(0, 0), (1e-3, 0), (0, 1e-3)])), "has no area"),
        ('{"type": "Feature", "geometry": ' * 5000 + "null" + "}" * 5000, "is not JSON|holds no Polygon"),
        (polygon([[y, x] for x, y in degrees(BOX)]), "swapped"),
        (polygon([[x + 3, y] for x, y in degrees(BOX)]), "km from where the lake is said to lie"),
        (polygon([[x * 1e5, y] for x, y in degrees(BOX)]), "not degrees"),
        (polygon(degrees([(-100, -100), (100, 100), (100, -100), (-100, 100)])), "crosses or touches itself"),
        (polygon(degrees([(0, 0), (50, 0), (100, 0)])), "crosses or touches itself"),
        (polygon([[179.9, LAT], [-179.9, LAT], [-179.9, LAT + 0.1], [179.9, LAT]]), "180th meridian"),
    ],
)
def test_what_is_no_shore_of_the_lake_is_refused_in_words(text, why):
    with pytest.raises(Refused, match=why):
        read_outline(text, latitude=LAT, longitude=LON)


def test_absurd_sizes_are_refused():
    with pytest.raises(Refused, match="larger than 8 MiB"):
        read_outline(" " * 9_000_000, latitude=LAT, longitude=LON)
    with pytest.raises(Refused, match="simplify it"):
        read_outline(polygon(degrees(circle(500, count=60_000))), latitude=LAT, longitude=LON)
