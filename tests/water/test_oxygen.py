from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.lake.profile import DepthProfile
from bitewatch.water.oxygen import Known, oxygen_margin, oxygen_saturation_mgl, standing_profiles

JULY = date(2026, 7, 20)


def probe(on=JULY, oxygen_mgl=(9.0, 8.5, 7.0, 1.0), depth_m=(0.0, 3.0, 5.0, 8.0), water_temp_c=()):
    return DepthProfile(on=on, depth_m=depth_m, oxygen_mgl=oxygen_mgl, water_temp_c=water_temp_c)


def margin(*profiles, day=JULY, edge_m=4.0, thermocline_m=5.5, secchi_m=2.0, latitude=45.0):
    return oxygen_margin(
        day=day, profiles=profiles, edge_m=edge_m, thermocline_m=thermocline_m, secchi_m=secchi_m, latitude=latitude
    )


#: Benson & Krause 1984, Limnol. Oceanogr. 29, as the tables of fresh water at one atmosphere have it (cited)
@pytest.mark.parametrize(("temp_c", "mgl"), [(0.0, 14.621), (20.0, 9.092), (25.0, 8.263)])
def test_saturation(temp_c, mgl):
    assert oxygen_saturation_mgl(temp_c) == pytest.approx(mgl, abs=1e-3)


def test_a_profile_ends_where_oxygen_falls_under_3_on_the_straight_line():
    found = margin(probe())  # from 7 to 1 mg/L over 5 to 8 m: 3 mg/L at 7 m
    assert found.margin_m == pytest.approx(3.0)
    assert found.known is Known.MEASURED
    assert found.words == "oxygen as measured on 2026-07-20"


def test_oxygen_that_ends_in_the_weeds_is_a_margin_below_0():
    found = margin(probe(oxygen_mgl=(9.0, 3.0, 1.0, 0.0)))
    assert found.margin_m == pytest.approx(-1.0)


def test_the_first_lack_counts_where_oxygen_comes_back_below():
    found = margin(probe(oxygen_mgl=(9.0, 1.0, 6.0, 1.0)))  # 3 mg/L at 2.25 m
    assert found.margin_m == pytest.approx(2.25 - 4.0)


def test_water_that_lacks_oxygen_from_the_top_on():
    assert margin(probe(oxygen_mgl=(2.0, 1.0, 1.0, 0.5))).margin_m == pytest.approx(-4.0)


def test_a_probe_that_did_not_reach_the_end_gives_the_least_it_can_be():
    found = margin(probe(oxygen_mgl=(9.0, 8.0, 7.5, 6.0)))
    assert found.margin_m == pytest.approx(4.0)
    assert found.known is Known.MEASURED
    assert "may reach deeper" in found.words


def test_a_probe_that_stopped_in_the_weeds_tells_no_margin_and_leaves_no_room_for_a_guess():
    found = margin(probe(depth_m=(0.0, 3.0), oxygen_mgl=(9.0, 8.0)))
    assert np.isnan(found.margin_m)
    assert found.known is Known.MISSING
    assert "stops above the weed edge" in found.words


def test_a_profile_of_the_future_is_not_looked_at():
    found = margin(probe(on=JULY + timedelta(days=1)))
    assert found.known is Known.GUESSED


@pytest.mark.parametrize(("age_days", "known"), [(0, Known.MEASURED), (30, Known.MEASURED), (31, Known.GUESSED)])
def test_a_profile_holds_for_thirty_days(age_days, known):
    assert margin(probe(on=JULY - timedelta(days=age_days))).known is known


def test_the_newest_counts_whatever_the_order():
    old, new = probe(on=date(2026, 7, 1), oxygen_mgl=(9.0, 9.0, 9.0, 1.0)), probe(on=date(2026, 7, 18))
    assert margin(old, new) == margin(new, old) == margin(new)
    assert "2026-07-18" in margin(old, new).words


def test_a_profile_of_temperature_alone_tells_nothing_of_oxygen():
    warm = DepthProfile(on=date(2026, 7, 19), depth_m=(0.0, 5.0), water_temp_c=(24.0, 15.0))
    assert margin(warm, probe(on=date(2026, 7, 10))).known is Known.MEASURED
    assert margin(warm).known is Known.GUESSED


@pytest.mark.parametrize(
    ("on", "day", "latitude", "stands"),
    [
        (date(2026, 3, 25), date(2026, 4, 10), 45.0, False),  # under the ice, and after it
        (date(2026, 4, 1), date(2026, 4, 10), 45.0, True),
        (date(2026, 9, 25), date(2026, 10, 10), 45.0, True),
        (date(2026, 9, 25), date(2026, 10, 10), -38.0, False),
        (date(2026, 12, 20), date(2027, 1, 10), -38.0, True),
    ],
)
def test_a_profile_stands_for_its_own_season(on, day, latitude, stands):
    assert bool(standing_profiles((probe(on=on),), day=day, latitude=latitude)) is stands


def test_a_surface_that_holds_more_than_water_can_is_asked_about():
    found = margin(probe(oxygen_mgl=(14.0, 9.0, 7.0, 1.0), water_temp_c=(25.0, 24.0, 15.0, 12.0)))  # 169 % of 8.263
    assert found.known is Known.GUESSED
    assert found.words.startswith("the oxygen profile of 2026-07-20 is not used: 14 mg/L at its top is more than water")
    assert "is it in percent?" in found.words


def test_weeds_in_full_sun_may_make_more_than_the_air_gives():
    found = margin(probe(oxygen_mgl=(13.0, 9.0, 7.0, 1.0), water_temp_c=(25.0, 24.0, 15.0, 12.0)))  # 157 %
    assert found.known is Known.MEASURED


def test_an_older_profile_stands_in_for_one_that_is_not_likely():
    doubtful = probe(on=date(2026, 7, 19), oxygen_mgl=(24.5, 24.0, 20.0, 5.0))
    found = margin(doubtful, probe(on=date(2026, 7, 10)))
    assert found.known is Known.MEASURED
    assert "2026-07-19 is not used" in found.words
    assert "measured on 2026-07-10" in found.words


def test_in_high_summer_the_thermocline_is_taken_and_called_a_guess():
    found = margin()
    assert found.margin_m == pytest.approx(1.5)
    assert found.known is Known.GUESSED
    assert "a guess" in found.words


@pytest.mark.parametrize(
    ("day", "latitude", "known"),
    [
        (date(2026, 6, 30), 45.0, Known.MISSING), (date(2026, 7, 1), 45.0, Known.GUESSED),
        (date(2026, 9, 15), 45.0, Known.GUESSED), (date(2026, 9, 16), 45.0, Known.MISSING),
        (date(2028, 6, 30), 45.0, Known.MISSING), (date(2028, 9, 15), 45.0, Known.GUESSED),  # with a leap day before
        (date(2025, 12, 31), -38.0, Known.MISSING), (date(2026, 1, 1), -38.0, Known.GUESSED),
        (date(2026, 3, 15), -38.0, Known.GUESSED), (date(2026, 3, 16), -38.0, Known.MISSING),
        (date(2026, 7, 20), -38.0, Known.MISSING), (date(2026, 7, 20), 0.0, Known.MISSING),
    ],
)  # fmt: skip
def test_it_is_guessed_in_high_summer_only(day, latitude, known):
    assert margin(day=day, latitude=latitude).known is known


def test_clear_lakes_often_keep_their_oxygen_and_get_no_guess():
    assert margin(secchi_m=4.5).known is Known.GUESSED
    found = margin(secchi_m=4.6)
    assert found.known is Known.MISSING
    assert "clear lakes" in found.words
    assert margin(secchi_m=4.6, day=date(2026, 5, 20)).words == ""


@pytest.mark.parametrize("known", [{"thermocline_m": np.nan}, {"secchi_m": None}])
def test_without_layers_or_clarity_there_is_no_guess(known):
    found = margin(**known)
    assert np.isnan(found.margin_m)
    assert (found.known, found.words) == (Known.MISSING, "")


@given(
    oxygen=st.lists(st.floats(0, 9), min_size=4, max_size=4), edge=st.floats(0.1, 20),
    age=st.integers(-40, 80), thermocline=st.floats(0.5, 20) | st.just(np.nan), latitude=st.floats(-90, 90),
)  # fmt: skip
def test_a_number_is_always_told_how_it_is_known(oxygen, edge, age, thermocline, latitude):
    found = margin(
        probe(on=JULY - timedelta(days=age), oxygen_mgl=tuple(oxygen)), edge_m=edge, thermocline_m=thermocline,
        latitude=latitude,
    )  # fmt: skip
    assert np.isnan(found.margin_m) == (found.known is Known.MISSING)
    assert found.words or found.known is Known.MISSING
    assert not found.margin_m < -edge  # no deeper into the weeds than to the surface
