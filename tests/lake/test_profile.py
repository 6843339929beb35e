from zoneinfo import ZoneInfo, available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.declared import declare, read_toml
from bitewatch.errors import ConfigRefused
from bitewatch.lake.profile import ROCK_COVER, Lake, Species, zone_at

LEAST = {"id": "x", "name": "Invented Lake", "latitude": 45.1, "longitude": -93.2}


def test_only_id_name_and_place_are_required():
    lake = declare(Lake, LEAST, file="lakes/x.toml")
    assert lake.species == (Species.CRAPPIE, Species.BLUEGILL)
    assert lake.zone_name == "America/Chicago"
    assert not lake.is_rock
    for key in LEAST:
        with pytest.raises(ConfigRefused, match=rf"^lakes/x.toml: {key}: is required"):
            declare(Lake, {name: value for name, value in LEAST.items() if name != key}, file="lakes/x.toml")


def test_either_unit_makes_the_same_lake():
    us = {"max_depth_ft": 50, "area_acres": 100, "water_temp_f": 68, "weed_edge_ft": 10}
    si = {"max_depth_m": 15.24, "area_km2": 0.40468564224, "water_temp_c": 20, "weed_edge_m": 3.048}
    in_us, in_si = (declare(Lake, LEAST | given, file="x") for given in (us, si))
    for key in si:
        assert getattr(in_us, key) == pytest.approx(getattr(in_si, key), rel=1e-12)


def test_the_lakes_of_the_demonstration(demo):
    lakes = {
        path.stem: declare(Lake, read_toml(path, shown_as=path.name) | {"id": path.stem}, file=path.name)
        for path in (demo / "lakes").glob("*.toml")
    }
    assert {name: lake.is_rock for name, lake in lakes.items()} == {
        "skarrow": True, "thrennick": False, "umberfold": False
    }  # fmt: skip
    assert lakes["thrennick"].max_depth_m == pytest.approx(14.0208)
    assert lakes["thrennick"].weed_edge_m == pytest.approx(4.8768)
    assert {lake.zone_name for lake in lakes.values()} == {"America/New_York"}


@pytest.mark.parametrize(("cover", "rock"), [(0.0, True), (ROCK_COVER - 0.001, True), (ROCK_COVER, False), (1, False)])
def test_rock(cover, rock):
    assert declare(Lake, LEAST | {"weed_cover": cover}, file="x").is_rock is rock


def test_a_zone_that_is_declared_goes_before_the_one_of_the_place():
    assert declare(Lake, LEAST | {"zone": "America/New_York"}, file="x").zone_info == ZoneInfo("America/New_York")


#: zones of places as on any map of time zones
@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [
        (44.98, -93.27, "America/Chicago"), (42.33, -83.05, "America/Detroit"), (47.56, -52.71, "America/St_Johns"),
        (52.52, 13.40, "Europe/Berlin"), (-31.55, 159.08, "Australia/Lord_Howe"), (-13.83, -171.76, "Pacific/Apia"),
    ],
)  # fmt: skip
def test_zone_at(latitude, longitude, zone):
    assert zone_at(latitude, longitude) == zone


@given(latitude=st.floats(-90, 90), longitude=st.floats(-180, 180))
def test_every_place_has_a_zone_that_is_known_here(latitude, longitude):
    assert zone_at(latitude, longitude) in available_timezones()


@pytest.mark.parametrize(
    "name", ["Łąka Jezioro", "湖", "Lake <script>alert(1)</script>", "{{ 7 * 7 }}", 'Pelican & Sons\' "Lake"', "שלום"]
)
def test_names_in_any_writing(name):
    assert declare(Lake, LEAST | {"name": name}, file="x").name == name


@pytest.mark.parametrize("hidden", ["\n", "\r", "\x00", "\x7f", "\x85", "\u2028", "\u202e", "\u2066", "\u202b"])
def test_names_that_hide_something(hidden):
    with pytest.raises(ConfigRefused, match="one line without control characters"):
        declare(Lake, LEAST | {"name": f"Invented{hidden}Lake"}, file="x")
    with pytest.raises(ConfigRefused, match="one line without control characters"):
        declare(Lake, LEAST | {"spot": [{"name": f"Reed{hidden}Point", "kind": "point"}]}, file="x")
