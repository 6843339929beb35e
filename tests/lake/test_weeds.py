import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bitewatch.declared import declare
from bitewatch.errors import ConfigRefused
from bitewatch.lake.profile import Lake
from bitewatch.lake.weeds import weed_depths, weed_edge_from_secchi_m

LEAST = {"id": "x", "name": "Invented Lake", "latitude": 45.1, "longitude": -93.2}


def depths(**profile):
    return weed_depths(declare(Lake, LEAST | profile, file="x"))


#: Caffrey, Hoyer & Canfield 2007, Lake Reserv. Manage. 23: log MDC = 0.66 log SD + 0.31, worked out by hand
@pytest.mark.parametrize(("secchi_m", "edge_m"), [(1.0, 2.042), (3.0, 4.216), (10.0, 9.333)])
def test_caffrey(secchi_m, edge_m):
    assert float(weed_edge_from_secchi_m(secchi_m)) == pytest.approx(edge_m, abs=5e-4)


#: "7-10 ft in dark lakes, 15-20 ft in clear ones" is what practice says of Secchi depths of 3.5-6 and 11-17 ft
@pytest.mark.parametrize(("secchi_ft", "edge_ft"), [(3.5, 7), (6.0, 10), (11.1, 15), (17.2, 20)])
def test_agrees_with_practice(secchi_ft, edge_ft):
    assert float(weed_edge_from_secchi_m(secchi_ft * 0.3048)) / 0.3048 == pytest.approx(edge_ft, rel=0.03)


def test_what_is_entered_is_taken_without_doubt():
    found = depths(weed_edge_m=4.0, weed_tops_m=1.5, secchi_m=9)
    assert (found.edge_m, found.edge_low_m, found.edge_high_m) == (4.0, 4.0, 4.0)
    assert (found.tops_m, found.tops_low_m, found.tops_high_m) == (1.5, 1.5, 1.5)
    assert found.doubts == ()


def test_each_thing_left_out_widens_the_doubt_and_is_said():
    entered, tops_left_out = depths(weed_edge_m=4.0, weed_tops_m=2.0), depths(weed_edge_m=4.0)
    edge_left_out, all_left_out = depths(secchi_m=3.0), depths()

    def widths(found):
        return found.edge_high_m / found.edge_low_m, found.tops_high_m / found.tops_low_m

    edges, tops = zip(*map(widths, (entered, tops_left_out, edge_left_out, all_left_out)), strict=True)
    assert edges[0] == edges[1] == 1 < edges[2] < edges[3]
    assert 1 == tops[0] < tops[1] < tops[2] < tops[3]
    assert [len(found.doubts) for found in (entered, tops_left_out, edge_left_out, all_left_out)] == [0, 1, 2, 2]
    assert "Secchi depth not entered" in all_left_out.doubts[0]


def test_one_standard_deviation_of_the_formula_is_a_factor_of_1_44():
    found = depths(secchi_m=3.0)
    assert found.edge_high_m / found.edge_m == pytest.approx(1.445, abs=1e-3)  # 10 ** 0.16


def test_a_rock_lake_has_a_foot_where_its_spots_are():
    spots = [{"name": f"Ledge {k}", "kind": "rock", "depth_m": depth} for k, depth in enumerate((5, 9, 6))]
    found = depths(weed_cover=0.02, secchi_m=5, spot=spots)
    assert (found.edge_m, found.tops_m) == (6.0, 3.0)
    assert found.doubts == ("foot of the rock not entered: taken from the depths of your spots",)


_depth = st.none() | st.floats(0.2, 30)


@given(
    secchi=_depth, edge=_depth, tops=st.none() | st.floats(0, 19), deepest=_depth, spot=_depth,
    cover=st.none() | st.floats(0, 1),
)  # fmt: skip
def test_tops_over_edge_over_the_bottom_whatever_is_entered(secchi, edge, tops, deepest, spot, cover):
    given = {"secchi_m": secchi, "weed_edge_m": edge, "weed_tops_m": tops, "max_depth_m": deepest, "weed_cover": cover}
    if spot is not None:
        given["spot"] = [{"name": "Reed Point", "kind": "point", "depth_m": spot}]
    try:
        found = depths(**given)
    except ConfigRefused:
        assume(False)
    assert 0 <= found.tops_low_m <= found.tops_m <= found.tops_high_m
    assert 0 < found.edge_low_m <= found.edge_m <= found.edge_high_m
    assert found.tops_m < found.edge_m <= (deepest or math.inf)
    assert (not found.doubts) == (edge is not None and (tops is not None or (cover is not None and cover < 0.125)))
