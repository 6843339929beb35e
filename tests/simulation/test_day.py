"""A simulated day of 150 lakes whose providers all fail for a part of it: no limit is broken, nobody goes without."""

from pathlib import Path

import pytest

from tests.simulation.day_of_ten_thousand import FAULTS, Day


@pytest.mark.shows
def test_a_day_of_150_lakes_breaks_no_limit_of_any_provider(tmp_path: Path) -> None:
    day = Day(lakes=150, tick_s=1800.0, order=("open-meteo", "met-norway"), folder=tmp_path)
    day.run()
    print(day.report())
    assert [str(one) for one in day.violations()] == []
    assert day.unserved == 0
    met = {entry.fault for entry in day.log.entries} - {None}
    assert met >= {name for source, name, *_ in FAULTS if source == "open-meteo"}
    assert day.told["SourceDown"] == day.told["SourceBack"]  # each outage is told once, and so is its end
    assert day.log.peak("open-meteo", "day") <= 8000
    assert day.issues >= 4 * 150
