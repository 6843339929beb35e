import math

import pytest

from bitewatch.declared import declare
from bitewatch.errors import ConfigRefused
from bitewatch.lake.clarity import SecchiUsed, secchi_from_trophic_state_m, secchi_used
from bitewatch.lake.profile import Lake

LEAST = {"id": "x", "name": "Invented Lake", "latitude": 45.1, "longitude": -93.2}


def used(**profile) -> SecchiUsed:
    return secchi_used(declare(Lake, LEAST | profile, file="x"))


#: Carlson 1977, Limnol. Oceanogr. 22, table 1 (from memory): ten units for each halving; its metres are rounded
@pytest.mark.parametrize(("index", "secchi_m"), [(0, 64), (10, 32), (20, 16), (30, 8), (40, 4), (50, 2), (60, 1)])
def test_the_steps_of_the_published_table(index, secchi_m):
    assert secchi_from_trophic_state_m(index) == pytest.approx(secchi_m, rel=0.01)


#: worked out by hand from 60 - 14.41 ln SD
@pytest.mark.parametrize(("secchi_m", "index"), [(1.0, 60.0), (2.0, 50.01), (0.5, 69.99)])
def test_index(secchi_m, index):
    assert secchi_from_trophic_state_m(index) == pytest.approx(secchi_m, rel=1e-3)


def test_an_index_of_40_is_four_metres():
    assert secchi_from_trophic_state_m(40.0) == pytest.approx(4.007, abs=5e-4)


def test_what_is_entered_is_taken_as_it_is():
    found = used(secchi_m=2.7)
    assert (found.secchi_m, found.doubt) == (2.7, "")


def test_an_index_stands_in_and_is_told():
    found = used(trophic_state=40.0)
    assert found.secchi_m == pytest.approx(4.007, abs=5e-4)
    assert found.doubt == "Secchi depth not entered: taken from the trophic state 40"


def test_a_class_stands_in_and_is_told():
    assert used(clarity="dark").doubt == "Secchi depth not entered: taken as dark lakes have it"
    clear, stained, dark = (used(clarity=name).secchi_m for name in ("clear", "stained", "dark"))
    assert dark < stained < clear
    assert stained == pytest.approx(math.sqrt(clear * dark), rel=0.03)


def test_the_less_is_known_the_wider_it_is():
    read, index, classed, nothing = (
        used(**known).sd_log10 for known in ({"secchi_m": 2.0}, {"trophic_state": 50.0}, {"clarity": "stained"}, {})
    )
    assert 0 < read < index < classed < nothing


def test_nothing_known_is_nothing_made_up():
    assert used() == SecchiUsed(secchi_m=None, sd_log10=math.inf, doubt="")


@pytest.mark.parametrize(
    ("profile", "key"),
    [
        ({"secchi_m": 0.0}, "secchi_m"),
        ({"secchi_ft": 0.0}, "secchi_ft"),
        ({"clarity": "murky"}, "clarity"),
        ({"trophic_state": 140.0}, "trophic_state"),
        ({"secchi_m": 3.0, "clarity": "clear"}, "clarity"),
        ({"clarity": "clear", "trophic_state": 40.0}, "trophic_state"),
    ],
)
def test_what_cannot_be_is_refused_by_name(profile, key):
    with pytest.raises(ConfigRefused) as refused:
        used(**profile)
    assert [fault.key for fault in refused.value.faults] == [key]
