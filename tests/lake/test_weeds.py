import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bitewatch.declared import declare
from bitewatch.errors import ConfigRefused
from bitewatch.lake.clarity import secchi_used
from bitewatch.lake.profile import Lake
from bitewatch.lake.weeds import EDGE_SD_LOG10, weed_depths, weed_edge_from_secchi_m

LEAST = {"id": "x", "name": "Invented Lake", "latitude": 45.1, "longitude": -93.2}


FT = 0.3048


def lake(**profile):
    return declare(Lake, LEAST | profile, file="x")


def depths(**profile):
    return weed_depths(lake(**profile))


#: Caffrey, Hoyer & Canfield 2007, Lake Reserv. Manage. 23: log MDC = 0.66 log SD + 0.31, worked out by hand
@pytest.mark.parametrize(("secchi_m", "edge_m"), [(1.0, 2.042), (3.0, 4.216), (10.0, 9.333)])
def test_caffrey(secchi_m, edge_m):
    assert float(weed_edge_from_secchi_m(secchi_m)) == pytest.approx(edge_m, abs=5e-4)


#: "7-10 ft in dark lakes, 15-20 ft in clear ones" is what practice says of Secchi depths of 3.5-6 and 11-17 ft
@pytest.mark.parametrize(("secchi_ft", "edge_ft"), [(3.5, 7), (6.0, 10), (11.1, 15), (17.2, 20)])
def test_agrees_with_practice(secchi_ft, edge_ft):
    assert float(weed_edge_from_secchi_m(secchi_ft * FT)) / FT == pytest.approx(edge_ft, rel=0.01)


#: other formulas of the depth where plants end, both from memory: Chambers & Kalff 1985, Can. J. Fish. Aquat. Sci. 42,
#: flowering plants, sqrt(MDC) = 1.33 log SD + 1.40, and Canfield et al. 1985, J. Aquat. Plant Manage. 23, pooled, log
#: MDC = 0.61 log SD + 0.26; and the upper envelope of Caffrey et al. 2007, log MDC = 0.53 log SD + 0.59
@pytest.mark.parametrize(
    ("secchi_m", "chambers_m", "canfield_m", "envelope_m"),
    [(1.0, 1.960, 1.820, 3.890), (3.0, 4.139, 3.557, 6.964), (10.0, 7.453, 7.413, 13.183)],
)
def test_other_formulas_lie_within_the_spread_and_no_plant_beyond_its_envelope(
    secchi_m, chambers_m, canfield_m, envelope_m
):
    found = depths(secchi_m=secchi_m, weed_tops_m=0.5)
    assert found.edge_low_m < chambers_m < found.edge_high_m
    assert found.edge_low_m < canfield_m < found.edge_high_m
    assert found.edge_m < envelope_m
    assert found.edge_high_m < 1.05 * envelope_m


#: common practice: the deep weed line lies at about 15 to 20 ft in clear lakes and at 7 to 10 ft in dark ones
@pytest.mark.parametrize(("clarity", "from_ft", "to_ft"), [("clear", 15, 20), ("dark", 7, 10)])
def test_the_classes_are_those_of_practice(clarity, from_ft, to_ft):
    found = depths(clarity=clarity)
    assert from_ft < found.edge_m / FT < to_ft
    assert found.edge_m / FT == pytest.approx(math.sqrt(from_ft * to_ft), rel=0.02)
    # the spread of the class alone, without the formula's own, reaches to both ends
    secchi = secchi_used(lake(clarity=clarity))
    ends = [float(weed_edge_from_secchi_m(secchi.secchi_m * 10**by)) / FT for by in (-secchi.sd_log10, secchi.sd_log10)]
    assert ends == pytest.approx([from_ft, to_ft], rel=0.03)
    assert found.edge_low_m / FT < from_ft
    assert to_ft < found.edge_high_m / FT


def test_stained_lakes_stand_between():
    dark, stained, clear = (depths(clarity=name).edge_m for name in ("dark", "stained", "clear"))
    assert dark < stained < clear


def test_the_formulas_scatter_is_that_of_its_slope_and_r2():
    assert pytest.approx(0.66 * 0.35 * math.sqrt((1 - 0.68) / 0.68), abs=2e-3) == EDGE_SD_LOG10


def test_a_guess_is_as_wide_as_the_formula_and_the_secchi_reading_together():
    found = depths(secchi_m=3.0)
    assert found.edge_high_m / found.edge_m == pytest.approx(10 ** math.hypot(0.16, 0.66 * 0.05))
    assert found.edge_m / found.edge_low_m == pytest.approx(found.edge_high_m / found.edge_m)
    assert "give or take a factor of 1.5" in found.doubts[0]
    classed = depths(clarity="clear")
    assert classed.edge_high_m / classed.edge_low_m > found.edge_high_m / found.edge_low_m
    assert "Secchi depth not entered: taken as clear lakes have it" in classed.doubts


def test_one_sonar_reading_takes_94_percent_of_the_weight():
    """1 / 0.04^2 against 1 / 0.16^2 is 16 to 1: 94 %. The Secchi reading's own spread adds a little more to it."""
    formula = depths(secchi_m=9.0).edge_m
    found = depths(weed_edge_m=4.0, secchi_m=9.0)
    share = math.log(found.edge_m / formula) / math.log(4.0 / formula)
    assert share == pytest.approx(16 / 17, abs=0.005)
    assert found.edge_high_m / found.edge_m == pytest.approx(10 ** (0.04 * math.sqrt(share)))
    assert found.edge_high_m / found.edge_m < 10**0.04


def test_a_sonar_reading_alone_stands_with_its_own_spread():
    found = depths(weed_edge_m=4.0, weed_tops_m=1.5)
    assert (found.edge_m, found.edge_low_m, found.edge_high_m) == pytest.approx((4.0, 4.0 / 10**0.04, 4.0 * 10**0.04))


def test_what_is_entered_is_taken_without_doubt():
    found = depths(weed_edge_m=4.0, weed_tops_m=1.5, secchi_m=9)
    assert found.edge_m == pytest.approx(4.0, rel=0.05)
    assert found.edge_high_m / found.edge_low_m < 1.25
    assert (found.tops_m, found.tops_low_m, found.tops_high_m) == (1.5, 1.5, 1.5)
    assert found.doubts == ()


def test_each_thing_left_out_widens_the_doubt_and_is_said():
    entered, tops_left_out = depths(weed_edge_m=4.0, weed_tops_m=2.0), depths(weed_edge_m=4.0)
    edge_left_out, all_left_out = depths(secchi_m=3.0), depths()

    def widths(found):
        return found.edge_high_m / found.edge_low_m, found.tops_high_m / found.tops_low_m

    edges, tops = zip(*map(widths, (entered, tops_left_out, edge_left_out, all_left_out)), strict=True)
    assert 1 < edges[0] == edges[1] < edges[2] < edges[3]
    assert 1 == tops[0] < tops[1] < tops[2] < tops[3]
    assert [len(found.doubts) for found in (entered, tops_left_out, edge_left_out, all_left_out)] == [0, 1, 2, 2]
    assert "Secchi depth not entered" in all_left_out.doubts[0]


def test_tops_left_out_are_half_the_edge():
    found = depths(weed_edge_m=4.0)
    assert found.tops_m == 2.0
    assert "weed tops not entered: taken at half the depth of the weed edge" in found.doubts


def test_weeds_end_where_the_lake_does():
    found = depths(secchi_m=2.9, max_depth_m=3.0)
    assert (found.edge_m, found.edge_high_m) == (3.0, 3.0)
    assert 2.0 < found.edge_low_m < 3.0
    assert "weeds may grow down to the greatest depth of the lake" in found.doubts
    drawn_down = depths(weed_edge_m=3.0, secchi_m=2.9, max_depth_m=3.0, weed_tops_m=1.0)
    assert (drawn_down.edge_m, drawn_down.edge_high_m, drawn_down.doubts) == (3.0, 3.0, ())


def test_tops_that_were_entered_push_a_guessed_edge_down():
    found = depths(secchi_m=1.0, weed_tops_m=3.0)  # the formula alone: 2.04 m
    assert found.edge_m == pytest.approx(3.9)
    assert found.edge_low_m == 3.0
    assert "the weed edge was set a little deeper than the weed tops that you entered" in found.doubts


def test_an_edge_that_was_entered_is_never_drawn_up_above_the_tops():
    found = depths(secchi_m=0.5, weed_edge_m=4.0, weed_tops_m=3.9)  # in dark water the formula draws to 1.3 m
    assert (found.edge_m, found.edge_low_m, found.doubts) == (4.0, 3.9, ())


def test_tops_at_the_surface_stand():
    found = depths(weed_edge_m=2.0, weed_tops_m=0.0)
    assert (found.tops_m, found.tops_low_m, found.tops_high_m) == (0.0, 0.0, 0.0)
    assert found.edge_low_m > 0


def test_a_sonar_reading_on_rock_is_not_weighed_against_a_formula_of_plants():
    found = depths(weed_cover=0.02, weed_edge_m=8.0, secchi_m=2.0)
    assert found.edge_m == 8.0


def test_a_rock_lake_has_a_foot_where_its_spots_are():
    spots = [{"name": f"Ledge {k}", "kind": "rock", "depth_m": depth} for k, depth in enumerate((5, 9, 6))]
    found = depths(weed_cover=0.02, secchi_m=5, spot=spots)
    assert (found.edge_m, found.tops_m) == (6.0, 3.0)
    assert found.doubts == ("foot of the rock not entered: taken from the depths of your spots",)


_depth = st.none() | st.floats(0.2, 30)


@given(
    secchi=_depth, edge=_depth, tops=st.none() | st.floats(0, 19), deepest=_depth, spot=_depth,
    cover=st.none() | st.floats(0, 1), clarity=st.none() | st.sampled_from(["clear", "stained", "dark"]),
)  # fmt: skip
def test_tops_over_edge_over_the_bottom_whatever_is_entered(secchi, edge, tops, deepest, spot, cover, clarity):
    given = {"secchi_m": secchi, "weed_edge_m": edge, "weed_tops_m": tops, "max_depth_m": deepest, "weed_cover": cover}
    given["clarity"] = clarity if secchi is None else None
    if spot is not None:
        given["spot"] = [{"name": "Reed Point", "kind": "point", "depth_m": spot}]
    try:
        found = depths(**given)
    except ConfigRefused:
        assume(False)
    assert 0 <= found.tops_low_m <= found.tops_m <= found.tops_high_m
    assert 0 < found.edge_low_m <= found.edge_m <= found.edge_high_m
    assert found.tops_m < found.edge_m
    assert found.edge_high_m <= (deepest or math.inf)
    assert found.edge_low_m >= (tops or 0)
    assert (not found.doubts) == (edge is not None and (tops is not None or (cover is not None and cover < 0.125)))
