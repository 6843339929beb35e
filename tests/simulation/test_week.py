"""Two days of a few lakes whose providers fail in every way: the short version of the simulated week."""

import pytest

from tests.simulation.week_of_lakes import faults_of, week


@pytest.mark.shows
def test_no_brief_is_missing_no_number_is_wrong_and_what_is_degraded_is_said() -> None:
    with week(lakes=3, days=2, minutes=60) as run:
        print(run.summary())
        assert faults_of(run) == []
        assert len(run.events("SourceDown")) >= 10


@pytest.mark.shows
def test_without_a_front_nothing_turns_whatever_source_it_comes_from() -> None:
    with week(lakes=2, days=2, minutes=60, quiet=True, seed=8) as run:
        assert run.turned_by_a_switch() == []
        assert run.missing_briefs() == []
        assert len(run.events("SourceSwitched")) >= 2
