"""The invented weather: the same every time, fronts where it says, forecasts that grow better, and fast enough."""

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from bitewatch.weather.fronts import find_fronts
from bitewatch.weather.hourly import COLUMNS, LIMITS, from_points
from tests.simulation.official_script import everything_sent, in_feed
from tests.simulation.world import World, hours_from

START = datetime(2026, 6, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)
PLACES = ((45.0, -92.0), (41.3, -74.2), (-38.0, 145.0))


def world(seed: int = 3, days: int = 30) -> World:
    return World(seed=seed, start=START, days=days)


def test_the_same_seed_is_the_same_weather_and_another_one_is_not() -> None:
    hours = hours_from(START, 240)
    run = START + timedelta(days=3)
    one, again, other = (world(seed).forecast([45.0], [-92.0], hours, run=run, model="a") for seed in (3, 3, 4))
    for column in COLUMNS:
        np.testing.assert_array_equal(one[column], again[column])
    assert np.abs(one["air_temp_c"] - other["air_temp_c"]).max() > 1.0
    assert world().passages(45.0, -92.0) == world().passages(45.0, -92.0)


def test_a_place_in_a_crowd_has_the_weather_that_it_has_alone() -> None:
    hours, latitude, longitude = hours_from(START, 100), np.linspace(40, 48, 50), np.linspace(-99, -75, 50)
    many = world().truth(latitude, longitude, hours)
    alone = world().truth(latitude[20], longitude[20], hours)
    for column in COLUMNS:
        np.testing.assert_allclose(many[column][20], alone[column][0], rtol=0, atol=1e-9)


@pytest.mark.parametrize("place", PLACES)
def test_every_value_is_one_that_air_can_have(place: tuple[float, float]) -> None:
    for month in (1, 6, 10):
        begins = datetime(2026, month, 1, tzinfo=UTC)
        air = World(seed=7, start=begins, days=30).truth(*place, hours_from(begins, 720))
        assert set(air) == set(COLUMNS)
        for column, (low, high) in LIMITS.items():
            assert low <= air[column].min() <= air[column].max() <= high, column
        assert (air["dew_point_c"] < air["air_temp_c"]).all()
        assert (air["wind_gust_ms"] > air["wind_speed_ms"]).all()


def test_a_front_goes_east_at_its_own_speed() -> None:
    west, east = world().passages(45.0, -95.0), world().passages(45.0, -85.0)
    paired = [(a, next((b for b in east if b.strength == a.strength), None)) for a in west]
    late = [(b.onset - a.onset) / HOUR for a, b in paired if b is not None]
    assert len(late) >= 5
    assert all(786 / 55 - 0.1 <= hours <= 786 / 30 + 0.1 for hours in late)  # 10 degrees at 45 N are 786 km


@pytest.mark.shows
def test_the_detector_finds_the_fronts_that_truly_pass() -> None:
    found = true = false = 0
    errors = []
    for seed in range(6):
        one = World(seed=seed, start=START, days=60)
        for latitude, longitude in PLACES:
            hourly = one.hourly(latitude, longitude, START - 7 * 24 * HOUR, 74 * 24)
            seen = [f.onset for f in find_fronts(hourly, latitude) if START <= f.onset <= START + timedelta(days=60)]
            onsets = [passage.onset for passage in one.passages(latitude, longitude)]
            for onset in onsets:
                nearest = min(((at - onset) / HOUR for at in seen), key=abs, default=99.0)
                true += 1
                found += abs(nearest) <= 3
                errors += [nearest] if abs(nearest) <= 3 else []
            false += sum(all(abs(at - onset) > 4 * HOUR for onset in onsets) for at in seen)
    print(f"invented fronts: {found} of {true} found within 3 h ({np.mean(errors):+.1f} h on average), {false} false")
    assert true > 150
    assert found >= 0.95 * true
    assert false <= 0.03 * true


def test_a_run_that_comes_later_errs_less_in_time_and_two_models_differ() -> None:
    errors: dict[tuple[str, int], list[float]] = {}
    for seed in range(4):
        one = World(seed=seed, start=START, days=30)
        for passage in one.passages(45.0, -92.0):
            for lead_h in (96, 24):
                run = passage.onset.replace(minute=0, second=0, microsecond=0) - lead_h * HOUR
                hours = hours_from(run - 7 * 24 * HOUR, 14 * 24)
                for model in ("a", "b"):
                    rows = one.forecast([45.0], [-92.0], hours, run=run, model=model)
                    fronts = find_fronts(from_points(hours, {name: each[0] for name, each in rows.items()}), 45.0)
                    nearest = min((abs(front.onset - passage.onset) / HOUR for front in fronts), default=24.0)
                    errors.setdefault((model, lead_h), []).append(nearest)
    for model in ("a", "b"):
        assert np.mean(errors[model, 24]) < 1.6
        assert np.mean(errors[model, 96]) > 1.5 * np.mean(errors[model, 24])
    assert errors["a", 96] != errors["b", 96]


def test_some_fronts_are_foretold_and_never_come() -> None:
    gone = 0
    for seed in range(8):
        one = World(seed=seed, start=START, days=40)
        onsets = [passage.onset for passage in World(seed=seed, start=START, days=60).passages(45.0, -92.0)]
        for day in range(0, 36, 3):
            run = START + timedelta(days=day)
            hours = hours_from(run - 7 * 24 * HOUR, 14 * 24)
            rows = one.forecast([45.0], [-92.0], hours, run=run, model="a")
            fronts = find_fronts(from_points(hours, {name: each[0] for name, each in rows.items()}), 45.0)
            gone += sum(
                front.onset > run + 72 * HOUR and all(abs(front.onset - onset) > 24 * HOUR for onset in onsets)
                for front in fronts
            )  # fmt: skip
    assert gone >= 3


def test_past_hours_of_a_forecast_are_nearly_what_was_true() -> None:
    one, run = world(), START + timedelta(days=10)
    hours = hours_from(START + timedelta(days=3), 7 * 24)
    said, true = one.forecast([45.0], [-92.0], hours, run=run, model="a"), one.truth(45.0, -92.0, hours)
    assert np.abs(said["pressure_hpa"] - true["pressure_hpa"]).max() <= 0.6
    assert np.abs(said["air_temp_c"] - true["air_temp_c"]).max() <= 0.8


def test_warnings_come_before_strong_fronts_and_end_where_they_should() -> None:
    sent = everything_sent(world())
    actual = [message for message in sent if message.status == "Actual"]
    assert {message.kind for message in actual} == {"Alert", "Update", "Cancel"}
    trap = next(message for message in actual if message.ends is None and message.kind == "Alert")
    assert trap.refreshed_by < trap.event_ends
    update = next(message for message in actual if message.kind == "Update")
    both = [one.id for one in in_feed(sent, update.sent + timedelta(minutes=1)) if one.chain == update.chain]
    assert both == [update.replaces[0].id, update.id]
    assert [one.id for one in in_feed(sent, update.event_ends - HOUR) if one.chain == update.chain] == [update.id]
    assert not [one for one in in_feed(sent, update.event_ends) if one.chain == update.chain]
    cancel = next(message for message in actual if message.kind == "Cancel")
    assert not [one for one in in_feed(sent, cancel.sent + HOUR) if one.chain == cancel.chain]


def test_a_hundred_places_are_forecast_in_a_fraction_of_a_second() -> None:
    latitude, longitude, hours = np.linspace(40, 50, 100), np.linspace(-100, -85, 100), hours_from(START, 336)

    def seconds(work: Callable[[], object]) -> float:
        before = time.process_time()
        work()
        return time.process_time() - before

    run = START + timedelta(days=7)
    taken = min(
        seconds(lambda: world().forecast(latitude, longitude, hours, run=run, model="a")) for _ in range(3)
    )  # fmt: skip
    assert taken < 0.5  # 0.08 s on an idle core
