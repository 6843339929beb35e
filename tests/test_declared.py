import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field

from bitewatch.declared import MAX_BYTES, Declared, Number, Whole, declare, read_toml
from bitewatch.errors import ConfigRefused
from bitewatch.lake.profile import Lake, Spot

INF = float("inf")


class Leg(Declared):
    depth_m: Number = Field(gt=0, le=10, description="in m or ft")
    note: str = ""


class Chair(Declared):
    legs: tuple[Leg, ...] = Field(min_length=1, description="[[legs]] tables")
    seat_c: Number | None = Field(None, le=40, description="degC or degF")
    age: Whole = 1


def refused(model, table):
    with pytest.raises(ConfigRefused) as caught:
        declare(model, table, file="chair.toml")
    return [str(fault) for fault in caught.value.faults]


def test_either_unit_is_taken_at_every_depth():
    in_feet = declare(Chair, {"legs": [{"depth_ft": 10}], "seat_f": 50}, file="chair.toml")
    in_metres = declare(Chair, {"legs": [{"depth_m": 3.048}], "seat_c": 10}, file="chair.toml")
    assert in_feet == in_metres


def test_what_is_declared_cannot_be_changed():
    chair = declare(Chair, {"legs": [{"depth_m": 1}]}, file="chair.toml")
    with pytest.raises(ValueError, match="frozen"):
        chair.age = 2


def test_never_both_units_even_if_they_agree():
    assert refused(Chair, {"legs": [{"depth_ft": 10, "depth_m": 3.048}]}) == [
        "chair.toml: legs[1].depth_ft = 10: the same number stands twice; give one of depth_m, depth_ft"
    ]


def test_limits_are_told_in_the_unit_that_was_written():
    assert refused(Chair, {"legs": [{"depth_m": 1}, {"depth_ft": 33}], "seat_f": 105}) == [
        "chair.toml: legs[2].depth_ft = 33: must be at most 32.8084; in m or ft",
        "chair.toml: seat_f = 105: must be at most 104; degC or degF",
    ]


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ({}, "chair.toml: legs: is required; [[legs]] tables"),
        ({"legs": {}}, "chair.toml: legs: must be a list; [[legs]] tables"),
        ({"legs": []}, "chair.toml: legs: must not be empty; [[legs]] tables"),
        ({"legs": [1]}, "chair.toml: legs[1] = 1: must be a table; [[legs]] tables"),
        ({"legs": [{"depth_ft": True}]}, "chair.toml: legs[1].depth_ft = true: must be a number; in m or ft"),
        ({"legs": [{"depth_m": "1"}]}, 'chair.toml: legs[1].depth_m = "1": must be a number; in m or ft'),
        ({"legs": [{"depth_m": 1, "note": 2}]}, "chair.toml: legs[1].note = 2: must be text in quotes"),
        ({"legs": [{"depth_m": 1, "not": 2}]}, "chair.toml: legs[1].not = 2: unknown key; did you mean note?"),
        (
            {"legs": [{"depth_m": 1, "depth_k": 2}]},
            "chair.toml: legs[1].depth_k = 2: unknown key; did you mean depth_m?",
        ),
        ({"legs": [{"depth_m": 1}], "age": 1.5}, "chair.toml: age = 1.5: must be a whole number"),
        ({"legs": [{"depth_m": 1}], "age": True}, "chair.toml: age = true: must be a whole number"),
        ({"legs": [{"depth_ft": INF}]}, "chair.toml: legs[1].depth_ft = inf: must be a finite number; in m or ft"),
    ],
)  # fmt: skip
def test_one_line_says_what_would_be_right(table, line):
    assert refused(Chair, table) == [line]


_leaves = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=90) | st.dates() | st.datetimes()
    | st.just(datetime.time(4, 30))
)  # fmt: skip
_values = st.recursive(
    _leaves, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3)
)
_spot_keys = st.sampled_from([*Spot.model_fields, "depth_ft"]) | st.text(max_size=12)
_keys = st.sampled_from([*Lake.model_fields, "max_depth_ft", "area_acres", "water_temp_f"]) | st.text(max_size=12)
_tables = st.dictionaries(
    _keys, _values | st.lists(st.dictionaries(_spot_keys, _values, max_size=5), max_size=2), max_size=10
)


@given(table=_tables)
def test_whatever_a_file_holds_each_fault_is_one_line_with_file_and_key(table):
    with pytest.raises(ConfigRefused) as caught:  # without a place none of these is a lake
        declare(Lake, table | {"latitude": None}, file="lakes/x.toml")
    assert caught.value.faults
    for fault in caught.value.faults:
        assert fault.file == "lakes/x.toml"
        assert fault.key or "" in table
        assert fault.right
        assert len(str(fault).splitlines()) == 1
        assert "Input" not in fault.right
        assert "instance of" not in fault.right


def test_reading_refuses_what_is_no_config(tmp_path):
    path = tmp_path / "big.toml"
    path.write_bytes(b"#" * (MAX_BYTES + 1))
    with pytest.raises(ConfigRefused, match=r"^big.toml: is larger than 1 MiB"):
        read_toml(path, shown_as="big.toml")
    with pytest.raises(ConfigRefused, match=r"^gone.toml: cannot be read: No such file"):
        read_toml(tmp_path / "gone.toml", shown_as="gone.toml")
    with pytest.raises(ConfigRefused, match=r"^dir: cannot be read: Is a directory"):
        read_toml(tmp_path, shown_as="dir")
