import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.units import KEY_UNITS, c_from_f, f_from_c, other_keys

#: NIST Special Publication 811 (2008), appendix B.8; the hectare from table 8 of the SI brochure
NIST = [("m", "ft", 0.3048), ("km2", "acres", 4046.8564224e-6), ("km2", "ha", 0.01), ("ms", "mph", 0.44704)]
NIST += [("ms", "kt", 0.5144444)]


def _unit(canonical, suffix):
    return next(unit for unit in KEY_UNITS[canonical] if unit.suffix == suffix)


@pytest.mark.parametrize(("canonical", "suffix", "factor"), NIST)
def test_factors(canonical, suffix, factor):
    assert _unit(canonical, suffix).to_canonical(1.0) == pytest.approx(factor, rel=1e-7)


@pytest.mark.parametrize(("temp_f", "temp_c"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (98.6, 37.0)])
def test_fixed_points_of_the_thermometer(temp_f, temp_c):
    assert c_from_f(temp_f) == pytest.approx(temp_c, abs=1e-12)
    assert f_from_c(temp_c) == pytest.approx(temp_f, abs=1e-12)
    assert _unit("c", "f").to_canonical(temp_f) == pytest.approx(temp_c, abs=1e-12)


@given(
    value=st.floats(-1e6, 1e6),
    unit=st.sampled_from([unit for units in KEY_UNITS.values() for unit in units]),
)
def test_there_and_back(value, unit):
    assert unit.from_canonical(unit.to_canonical(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(
    ("key", "others"),
    [
        ("max_depth_m", ["max_depth_ft"]),
        ("max_wind_ms", ["max_wind_kt", "max_wind_mph"]),
        ("water_temp_c", ["water_temp_f"]),
        ("weed_cover", []),
        ("m", []),
        ("open_water_bearing_deg", []),
    ],
)
def test_other_keys(key, others):
    assert sorted(other_keys(key)) == others
