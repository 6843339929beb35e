"""Pressure tendency: given check values of the code table's sign rules, groups as reported, and properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.weather.tendency import change_3h_hpa, changes_rapidly, characteristic, is_wind_shift, read_group


@pytest.mark.parametrize(
    ("pressures", "code"),
    [
        ((1010, 1012, 1012, 1011), 0),
        ((1010, 1012, 1012.5, 1012.5), 1),
        ((1010, 1011, 1012, 1013), 2),
        ((1012, 1011, 1011, 1013), 3),
        ((1010, 1010, 1010, 1012), 3),
        ((1010, 1010, 1010, 1010), 4),
        ((1012, 1010, 1010, 1011), 5),
        ((1012, 1010, 1010, 1012), 5),
        ((1013, 1011, 1010.5, 1010.5), 6),
        ((1013, 1012, 1011, 1010), 7),
        ((1012, 1012, 1012, 1010), 8),
        ((1010, 1011, 1011, 1009), 8),
    ],
)
def test_code_table_0200(pressures: tuple[float, ...], code: int) -> None:
    """One course of the pressure for each line of WMO-No. 306, vol. I.1, code table 0200."""
    assert characteristic(np.array(pressures, float))[-1] == code


@pytest.mark.parametrize(
    ("group", "read"), [("58017", (8, -1.7)), ("51053", (1, 5.3)), ("53003", (3, 0.3)), ("55004", (5, -0.4))]
)
def test_groups_as_reported(group: str, read: tuple[int, float]) -> None:
    assert read_group(group) == read


@pytest.mark.parametrize("group", ["", "5801", "580170", "48017", "59017", "5801x", "5８017", "-8017"])
def test_what_is_no_group(group: str) -> None:
    with pytest.raises(ValueError, match="5appp"):
        read_group(group)


#: what the table says of pressure against three hours ago: same or higher, higher, same, same or lower, lower
HIGHER = {0: (0, 1), 1: (1,), 2: (1,), 3: (1,), 4: (0,), 5: (-1, 0), 6: (-1,), 7: (-1,), 8: (-1,)}
#: the same course upside down
UPSIDE_DOWN = {0: 5, 1: 6, 2: 7, 3: 8, 4: 4, 5: 0, 6: 1, 7: 2, 8: 3}
TENTHS = st.lists(st.integers(9900, 9960), min_size=4, max_size=4)


@given(TENTHS)
def test_every_figure_has_the_sign_of_the_table_and_its_mirror(tenths: list[int]) -> None:
    code = int(characteristic(np.array(tenths) / 10)[-1])
    assert np.sign(tenths[3] - tenths[0]) in HIGHER[code]
    assert int(characteristic((20000 - np.array(tenths)) / 10)[-1]) == UPSIDE_DOWN[code]


@given(TENTHS)
def test_a_group_can_be_written_with_every_figure_and_read_again(tenths: list[int]) -> None:
    pressure = np.array(tenths) / 10
    code, change = int(characteristic(pressure)[-1]), change_3h_hpa(pressure)[-1]
    assert read_group(f"5{code}{round(abs(change) * 10):03d}") == (code, pytest.approx(change, abs=1e-6))


def test_any_of_the_four_missing_is_missing() -> None:
    pressure = np.arange(1000.0, 1012.0)
    pressure[5] = np.nan
    missing = [True, True, True, False, False, True, True, True, True, False, False, False]
    assert np.isnan(characteristic(pressure)).tolist() == missing
    assert np.isnan(change_3h_hpa(pressure)).tolist() == missing
    assert np.isnan(characteristic(pressure[:2])).all()
    assert (characteristic(pressure)[[3, 9]] == 2).all()


@given(st.lists(TENTHS, min_size=2, max_size=6))
def test_a_lane_is_what_it_is_alone(lanes: list[list[int]]) -> None:
    pressure = np.array(lanes).reshape(1, len(lanes), 4) / 10
    together = characteristic(pressure)
    assert together.shape == pressure.shape
    for lane in range(len(lanes)):
        assert np.array_equal(together[0, lane], characteristic(pressure[0, lane]), equal_nan=True)


def test_rapidly_by_the_handbook() -> None:
    """FMH-1: 0.06 inHg an hour or more (2.03 hPa) and 0.02 inHg or more in all (0.68 hPa)."""
    changes = [2.04, 2.02, -2.04, 0.69, 0.67, -0.69, 4.1, 4.0, np.nan]
    hours = [1, 1, 1, 1 / 3, 0.1, 1 / 3, 2, 2, 1]
    assert changes_rapidly(changes, hours).tolist() == [1, 0, -1, 1, 0, -1, 1, 0, 0]


def test_wind_shift_by_the_handbook() -> None:
    """FMH-1: 45 degrees or more in less than 15 minutes, 10 knots (5.144 m/s) or more throughout."""
    shifts = is_wind_shift(
        [200, 200, 200, 200, 340, 200], [245, 244, 245, 245, 25, np.nan],
        minutes=[14, 14, 15, 14, 5, 5], least_wind_ms=[5.15, 5.15, 5.15, 5.14, 9, 9],
    )  # fmt: skip
    assert shifts.tolist() == [True, False, False, False, True, False]
