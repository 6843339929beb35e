"""What a reader is told, as far as a turn is judged from it."""

from dataclasses import replace
from datetime import timedelta

import numpy as np

from bitewatch.brief.facts import window_times
from bitewatch.brief.standing_call import told_view, turn_view
from bitewatch.position.turn import Told, Verdict, judge, memory_of
from bitewatch.weather.following import Standing
from bitewatch.weather.fronts import FrontKind


def test_the_windows_of_the_main_species(lake_day):
    day = lake_day()
    view, plan = told_view(day), day.outlook.plans[day.main_species]
    assert [one.position for one in view.windows] == [window.position for window in plan]
    assert [(one.start, one.end) for one in view.windows] == [window_times(day, day.outlook, one) for one in plan]
    assert view.windows[0].technique == plan[0].main.technique.id
    assert (view.windows[0].bait_top_m, view.windows[0].place) == (plan[0].main.bait.top_m, plan[0].spot.name)
    assert view.source == "made-up"
    assert Told.from_json(view.to_json()) == view


def test_every_trip_hour_has_its_chances_and_its_position(lake_day):
    for trip in ("05:30-11:00", "05:15-10:45", "20:00-02:00", "06:00-07:00"):
        now = turn_view(lake_day(trip=trip))
        assert now.probability.shape == (3, len(now.time))
        np.testing.assert_allclose(now.probability.sum(axis=0), 1.0)
        assert all(now.view.position_at(hour) for hour in now.time)


def test_cold_fronts_that_stand_and_those_that_are_gone(lake_day, front):
    fronts = (
        front(-60, id=1), front(2, id=2), front(4, id=3, kind=FrontKind.WARM), front(20, id=4, standing=Standing.GONE),
        front(30, id=5, standing=Standing.CONFIRMED, observed_onset=front(28).onset),
    )  # fmt: skip
    now = turn_view(replace(lake_day(), known_fronts=fronts))
    assert [one.id for one in now.view.fronts] == [2, 5]
    assert now.view.fronts[1].onset == front(28).onset
    assert [one.id for one in now.gone] == [4]


def test_warnings_inside_the_trip_hours_only(lake_day, warning, some):
    later = warning(id="w2", onset=warning().onset + timedelta(hours=20), ends=None)
    view = told_view(lake_day(official=some(warning(references=("w0",)), later)))
    assert [(one.id, one.references) for one in view.warnings] == [("w1", ("w0",))]


def test_without_weather_there_is_nothing_to_compare(lake_day):
    now = turn_view(lake_day(hourly=None))
    assert (now.view.source, now.view.windows, now.time) == ("", (), ())


def test_a_real_change_of_the_weather_turns_the_call(lake_day):
    """The evening before the invented front: as its own hours tell of it, and as if it were not to come."""
    day = lake_day()
    onset = int(np.flatnonzero(day.outlook.hourly.time >= np.datetime64("2026-07-20T18:00:00"))[0])
    mild = {name: values.copy() for name, values in day.outlook.hourly.columns.items()}
    for values in mild.values():
        values[onset:] = np.resize(values[onset - 24 : onset], values[onset:].shape)
    was = turn_view(lake_day(hourly=replace(day.outlook.hourly, columns=mild)))
    now, memory, verdicts = turn_view(day), memory_of(was.view), []
    for _ in range(2):
        judgement = judge(was.view, memory, now, at=day.now, trip_end=day.end)
        memory = judgement.memory
        verdicts.append(judgement.verdict)
    assert verdicts == [Verdict.NOT_YET, Verdict.TURNED]
