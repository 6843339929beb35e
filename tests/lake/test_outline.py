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
    np.testing.assert_allclose(longest_table_m(shore), 1000.0, rtol=0.01)


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


@given(st.floats(150, 900), st.floats(1.0, 4.0), st.floats(0, 2 * math.pi), st.floats(0, 0.9), st.integers(8, 60))
def test_from_no_spot_the_wind_runs_longer_than_the_longest_run(radius, longer, turn, share, count):
    shore = outline([(longer * x, y) for x, y in circle(radius, count=count)])
    out = share * 0.9 * radius * math.cos(math.pi / count)
    table = fetch(shore, out * math.cos(turn), out * math.sin(turn))
    assert table is not None
    assert (table > 0).all()
    # the scan lines miss the very longest run by a little
    assert (table + table[(np.arange(BEARINGS) + SOUTH) % BEARINGS] <= longest_table_m(shore) * 1.05 + 1).all()


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
