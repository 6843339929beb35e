import pytest

from bitewatch.position.variables import VARIABLES, unknown_variable


def test_there_are_nineteen_each_under_its_own_name_with_words_for_it():
    assert len(VARIABLES) == 19
    for name, variable in VARIABLES.items():
        assert variable.name == name
        assert variable.label
        assert variable.meaning
        assert variable.lowest < variable.highest


@pytest.mark.parametrize(
    ("suffix", "unit"), [("_c", "degC"), ("_ms", "m/s"), ("_m", "m"), ("_mm", "mm"), ("_hpa", "hPa"), ("_deg", "deg")]
)
def test_the_unit_in_the_name_is_the_unit(suffix, unit):
    named = [variable for name, variable in VARIABLES.items() if name.endswith(suffix)]
    assert named
    assert {variable.unit for variable in named} == {unit}


def test_a_slip_is_answered_with_the_nearest_name():
    assert unknown_variable("wind_sped_ms").endswith("did you mean wind_speed_ms?")
    assert "secchi_m" in unknown_variable("moon")
    assert "did you mean" not in unknown_variable("moon")
