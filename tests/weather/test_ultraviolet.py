import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.weather.sun import sun_position
from bitewatch.weather.ultraviolet import CLASSES, EXTRA_FROM, clear_sky_uv_index, uv_class


def test_a_high_sun_over_the_tropics():
    """World Health Organization: about 12 and a little more at noon near the equator (from memory)."""
    assert 12.0 <= clear_sky_uv_index(90.0) <= 13.0


def test_where_shadows_are_as_long_as_their_owner():
    """The shadow rule: a shadow shorter than its owner, a sun above 45 degrees, is a high index (from memory)."""
    assert uv_class(float(clear_sky_uv_index(44.0))) == "moderate"
    assert uv_class(float(clear_sky_uv_index(47.5))) == "high"


@given(st.floats(-90, 90), st.floats(0, 20))
def test_higher_is_stronger_and_below_the_horizon_is_nothing(elevation, more):
    lower, upper = clear_sky_uv_index([elevation, min(90.0, elevation + more)])
    assert 0.0 <= lower <= upper
    if elevation <= 0:
        assert lower == 0.0


def test_polar_night_and_northern_winter():
    hours = np.datetime64("2026-12-21T00:00:00", "s") + np.arange(24) * np.timedelta64(3600, "s")
    assert (clear_sky_uv_index(sun_position(hours, 75.0, 20.0).elevation_deg) == 0.0).all()
    assert clear_sky_uv_index(sun_position(hours, 60.0, 20.0).elevation_deg).max() < 0.5


#: US Environmental Protection Agency, UV Index scale: 0-2, 3-5, 6-7, 8-10, 11 and more
@pytest.mark.parametrize(
    ("index", "word"),
    [
        (0, "low"), (2, "low"), (2.49, "low"), (3, "moderate"), (5, "moderate"), (6, "high"), (7, "high"),
        (8, "very high"), (10, "very high"), (11, "extreme"), (14, "extreme"), (2.5, "moderate"),
    ],
)  # fmt: skip
def test_classes(index, word):
    assert uv_class(index) == word


def test_protection_begins_with_a_class():
    assert {EXTRA_FROM} <= {least for least, _ in CLASSES}
