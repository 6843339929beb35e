import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.declared import declare
from bitewatch.lake.profile import Lake, Spot, SpotKind
from bitewatch.lake.weeds import WeedDepths, weed_depths
from bitewatch.position.engine import Position
from bitewatch.presentation.depths import bait_band, column, fish_band
from bitewatch.presentation.technique import techniques

LEAST = {"id": "x", "name": "Invented Lake", "latitude": 45.1, "longitude": -93.2}
WEEDY = [row for row in techniques().technique if row.needs.weeds is not False]


def lake(**profile):
    return declare(Lake, LEAST | profile, file="x")


def depths(tops, edge):
    return WeedDepths(
        tops_m=tops, tops_low_m=tops, tops_high_m=tops, edge_m=edge, edge_low_m=edge, edge_high_m=edge, doubts=()
    )


_columns = st.builds(
    lambda tops, stems, rock, kind, deep, margin: column(
        lake(weed_cover=0.02 if rock else 0.5),
        depths(tops, tops + stems),
        Spot(name="Reed Point", kind=kind, depth_m=deep) if kind else None,
        margin,
    ),
    st.floats(0, 19), st.floats(0.05, 10), st.booleans(), st.sampled_from([*SpotKind, None]),
    st.none() | st.floats(0.05, 60), st.none() | st.floats(-15, 15),
)  # fmt: skip


@given(at=_columns)
def test_fish_and_bait_are_in_the_water(at):
    assert 0 <= at.tops_m <= at.bottom_m
    bands = [fish_band(position, at) for position in Position]
    bands += [bait_band(row, at) for row in techniques().technique]
    for band in bands:
        assert 0 <= band.top_m < band.bottom_m <= at.bottom_m


@given(at=_columns)
def test_high_is_over_tight(at):
    high, edge, tight = (fish_band(position, at) for position in Position)
    assert high.top_m <= edge.top_m + 0.15
    assert high.bottom_m <= tight.bottom_m
    assert tight.bottom_m == at.bottom_m


@pytest.mark.parametrize("row", [row for row in WEEDY if "bottom" not in (row.from_[0], row.to[0])], ids=lambda r: r.id)
def test_tops_a_metre_deeper_move_every_bait_that_hangs_from_them(row):
    shallow, deep = (
        bait_band(row, column(lake(), weed_depths(lake(weed_edge_m=6.0, weed_tops_m=tops)), None))
        for tops in (2.0, 3.0)
    )
    moved = [deep.top_m - shallow.top_m, deep.bottom_m - shallow.bottom_m]
    for (hangs_from, share, _), by in zip((row.from_, row.to), moved, strict=True):
        expected = {"tops": share, "stems": 1 - share, "surface": 0.0, "layer": 0.0}[hangs_from]
        assert by == pytest.approx(expected, abs=1e-9)
    if "tops" in (row.from_[0], row.to[0]):
        assert max(moved) >= 0.5


def test_where_each_position_hangs():
    """Tops at 2 m, foot at 4 m: over the tops, from the tops down off the edge, in the lower half of the stems."""
    at = column(lake(), depths(2.0, 4.0), None)
    high, edge, tight = (fish_band(position, at) for position in Position)
    assert (high.top_m, high.bottom_m) == pytest.approx((0.7, 2.0))
    assert (edge.top_m, edge.bottom_m) == pytest.approx((2.0, 3.7))
    assert (tight.top_m, tight.bottom_m) == pytest.approx((2.9, 4.0))


def test_on_rock_tight_is_the_last_metre():
    at = column(lake(weed_cover=0.0), depths(3.0, 7.0), Spot(name="Ledge", kind=SpotKind.ROCK, depth_m=9.0))
    tight = fish_band(Position.TIGHT, at)
    assert (tight.top_m, tight.bottom_m) == pytest.approx((8.0, 9.0))
    assert at.tops_m == pytest.approx(4.5)


@pytest.mark.parametrize(
    ("kind", "deep", "bottom"),
    [
        (SpotKind.POINT, 9.0, 4.0),  # the plants end before the bottom does
        (SpotKind.POINT, 3.0, 3.0),
        (SpotKind.SHALLOW_COVER, 0.8, 0.8),
        (SpotKind.SHALLOW_COVER, None, 1.2),
        (SpotKind.POINT, None, 4.0),
    ],
)
def test_the_column_at_a_spot(kind, deep, bottom):
    assert column(lake(), depths(2.0, 4.0), Spot(name="Reed Point", kind=kind, depth_m=deep)).bottom_m == bottom


def test_the_layer_lies_where_the_oxygen_ends():
    at = column(lake(), depths(2.0, 6.0), None, -1.5)
    row = next(row for row in techniques().technique if row.id == "layer-top-vertical")
    band = bait_band(row, at)
    assert (band.top_m, band.bottom_m) == pytest.approx((3.9, 4.35))
