from datetime import date, timedelta

import numpy as np
import pytest

from bitewatch.declared import declare
from bitewatch.lake.profile import Lake
from bitewatch.water.temperature import HOLDS_DAYS, held_reading

READ_ON = date(2026, 7, 10)
DAYS = np.arange(np.datetime64("2026-07-05"), np.datetime64("2026-08-05"), np.timedelta64(1, "D"))


def lake(**reading):
    return declare(
        Lake, {"id": "x", "name": "Invented Lake", "latitude": 45.1, "longitude": -93.2} | reading, file="x"
    )  # fmt: skip


def test_a_reading_is_held_for_two_weeks_and_never_before_its_day():
    found = held_reading(lake(water_temp_f=68, water_temp_on=READ_ON), DAYS, READ_ON)
    known = DAYS[~np.isnan(found.value_c)]
    assert found.value_c[5] == pytest.approx(20.0)
    assert (known[0], known[-1]) == (np.datetime64("2026-07-10"), np.datetime64("2026-07-24"))
    assert np.unique(found.value_c[~np.isnan(found.value_c)]).size == 1
    assert found.doubt == ""


@pytest.mark.parametrize(
    ("days", "doubt"),
    [
        (-1, "the water temperature entered is of a later day and not used"),
        (0, ""),
        (2, ""),
        (3, "the water temperature is a reading 3 days old"),
        (HOLDS_DAYS, "the water temperature is a reading 14 days old"),
        (HOLDS_DAYS + 1, "the water temperature entered is 15 days old and not used"),
    ],
)
def test_its_age_is_told(days, doubt):
    on = READ_ON + timedelta(days=days)
    found = held_reading(lake(water_temp_c=20, water_temp_on=READ_ON), DAYS, on)
    assert found.doubt == doubt
    is_known = not np.isnan(found.value_c[np.datetime64(on) == DAYS][0])
    assert is_known == (0 <= days <= HOLDS_DAYS)


def test_without_a_day_it_is_of_the_day_spoken_of():
    found = held_reading(lake(water_temp_c=20), DAYS, READ_ON)
    assert np.isnan(found.value_c[4])
    assert found.value_c[5] == 20.0
    assert "has no day" in found.doubt


def test_without_a_reading_nothing_is_made_up():
    found = held_reading(lake(), DAYS, READ_ON)
    assert np.isnan(found.value_c).all()
    assert found.doubt == "no water temperature entered"
