from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from bitewatch.brief.lake_day import Freshness, WeatherSeen
from bitewatch.declared import declare, read_toml
from bitewatch.lake.profile import Lake, Species
from bitewatch.position.rulebook import default_book
from bitewatch.presentation.technique import techniques
from bitewatch.presentation.trip import TripHours
from bitewatch.service.evaluate import evaluate, last_day_served
from bitewatch.service.weather_now import Weather
from bitewatch.weather.following import KnownFront, Standing
from bitewatch.weather.fronts import FrontKind
from bitewatch.weather.hourly import COLUMNS, CORE_COLUMNS
from bitewatch.weather.sources.hourly_csv import hourly_from_csv
from bitewatch.weather.warnings import WarningsSeen, WarningsState

DAY = date(2026, 7, 21)
NOW = datetime(2026, 7, 21, 8, 0, tzinfo=UTC)
TRIP = TripHours.parse("05:30-11:00")
LEAST = {"id": "x", "name": "Invented Lake", "latitude": 41.3, "longitude": -74.2}
SEEN = WeatherSeen(
    source="made-up", model="made-up model", attribution="", is_file=False, retrieved_at=NOW - timedelta(hours=1),
    reference_time=None, notes=(), payload_sha256="0" * 64,
)  # fmt: skip


def weather(hourly, *, seen=SEEN, own=None, failures=()):
    """One issue that was found, or none."""
    if hourly is not None and own is None:
        own = np.ones(hourly.time.size, bool)
    return Weather(hourly=hourly, own=own, seen=seen, failures=failures)


@pytest.fixture(scope="module")
def hours(demo):
    return hourly_from_csv((demo / "weather" / "invented-hours.csv").read_bytes())[0]


@pytest.fixture(scope="module")
def thrennick(demo):
    table = read_toml(demo / "lakes" / "thrennick.toml", shown_as="x")
    return declare(Lake, table | {"id": "thrennick"}, file="x")


@pytest.fixture(scope="module")
def evaluated(hours, thrennick):
    """Evaluates a lake of the demonstration, with what is named set otherwise."""

    def make(**changed):
        given = {
            "lake": thrennick, "weather": weather(hours), "book": default_book(), "table": techniques(),
            "trip_hours": TRIP, "day": DAY, "now": NOW,
        }  # fmt: skip
        return evaluate(**given | changed)

    return make


def without(hours, *columns, at=slice(None)):
    changed = {name: values.copy() for name, values in hours.columns.items()}
    for name in columns:
        changed[name][at] = np.nan
    return replace(hours, columns=changed)


def cut(hours, keep):
    return replace(hours, time=hours.time[keep], columns={name: hours[name][keep] for name in COLUMNS})


def test_a_whole_day(evaluated):
    day = evaluated()
    assert day.no_call == ""
    assert day.outlook is not None
    assert (day.start, day.end) == (
        datetime(2026, 7, 21, 9, 30, tzinfo=UTC), datetime(2026, 7, 21, 15, 0, tzinfo=UTC)
    )  # fmt: skip
    assert set(day.outlook.calls) == set(day.outlook.plans) == {Species.CRAPPIE, Species.BLUEGILL}
    call = day.outlook.calls[Species.CRAPPIE]
    assert call.probability.shape == (3, 3, day.outlook.hourly.time.size)  # positions, spots, hours
    np.testing.assert_allclose(call.probability.sum(axis=0), 1.0)
    trip = day.outlook.trip
    assert trip.stop - trip.start == 6
    for plan in day.outlook.plans.values():
        assert (plan[0].hours.start, plan[-1].hours.stop) == (0, 6)


@pytest.mark.parametrize(
    ("column", "words"),
    [("pressure_hpa", "air pressure"), ("air_temp_c", "air temperature"), ("wind_speed_ms", "wind")],
)
def test_a_core_column_that_is_missing_leaves_no_call(evaluated, hours, column, words):
    trip = TRIP.on(hours.time, DAY, evaluated().lake.zone_info)
    for at in (slice(None), trip, slice(trip.start, trip.start + 4)):
        day = evaluated(weather=weather(without(hours, column, at=at)))
        assert day.outlook is None
        assert day.no_call == f"made-up gives no {words} for that day"


def test_all_that_lack_are_named(evaluated, hours):
    day = evaluated(weather=weather(without(hours, *CORE_COLUMNS)))
    assert day.no_call == "made-up gives no air pressure and no air temperature and no wind for that day"


@pytest.mark.parametrize("column", [name for name in COLUMNS if name not in CORE_COLUMNS])
def test_any_other_column_may_be_missing(evaluated, hours, column):
    day = evaluated(weather=weather(without(hours, column)))
    assert day.outlook is not None
    assert np.isfinite(day.outlook.calls[Species.CRAPPIE].probability).all()


@pytest.mark.parametrize(
    ("column", "words"),
    [
        ("wind_gust_ms", ("gusts",)),
        ("cape_jkg", ("storms",)),
        ("humidity_pct", ("heat",)),
        ("wind_speed_ms", ("wind", "waves")),
    ],
)
def test_a_danger_that_cannot_be_seen_is_said(evaluated, hours, column, words):
    trip = TRIP.on(hours.time, DAY, evaluated().lake.zone_info)
    holes = without(hours, column, at=slice(trip.start, trip.start + 1))
    day, whole = evaluated(weather=weather(holes)), evaluated()
    assert day.outlook is not None
    assert whole.outlook is not None
    assert (day.outlook.unseen, whole.outlook.unseen) == (words, ())


@pytest.mark.parametrize("lacking", [1, 30, 200])
def test_hours_that_end_before_the_trip_does(evaluated, hours, lacking):
    trip = TRIP.on(hours.time, DAY, evaluated().lake.zone_info)
    day = evaluated(weather=weather(cut(hours, slice(0, trip.stop - lacking))))
    assert day.outlook is None
    assert day.no_call.startswith("the hours of made-up run from 2026-07-07 20:00 to ")
    assert day.no_call.endswith(" and miss the trip")


def test_hours_that_start_after_launch(evaluated, hours):
    trip = TRIP.on(hours.time, DAY, evaluated().lake.zone_info)
    day = evaluated(weather=weather(cut(hours, slice(trip.start + 1, None))))
    assert "miss the trip" in day.no_call


def test_hours_that_hold_the_trip_and_no_more(evaluated, hours):
    """Without a past the governing front is missing, not absent."""
    trip = TRIP.on(hours.time, DAY, evaluated().lake.zone_info)
    day = evaluated(weather=weather(cut(hours, trip)))
    assert day.outlook is not None
    assert not day.outlook.front_strength_seen
    assert {"front_strength", "hours_since_front", "pressure_change_6h_hpa"} <= set(day.outlook.missing)


def test_no_weather_at_all(evaluated):
    day = evaluated(weather=weather(None, seen=None, failures=("made-up did not answer", "made-over: down")))
    assert (day.outlook, day.no_call) == (None, "no weather: made-up did not answer; made-over: down")
    assert evaluated(weather=weather(None, seen=None)).no_call == "no weather"
    assert day.depths.edge_m == pytest.approx(4.8768, abs=0.02)  # entered, and the formula has a small say


@pytest.mark.parametrize(
    ("age_h", "freshness", "no_call"),
    [
        (7.0, Freshness.USABLE, ""),
        (24.1, Freshness.TOO_OLD, "the newest forecast is 24 hours old, too old to use"),
        (50.0, Freshness.TOO_OLD, "the newest forecast is 50 hours old, too old to use"),
        (5000.0, Freshness.FRESH, ""),  # a file
    ],
)
def test_an_old_issue(evaluated, hours, age_h, freshness, no_call):
    seen = replace(SEEN, retrieved_at=NOW - timedelta(hours=age_h), freshness=freshness)
    day = evaluated(weather=weather(hours, seen=seen))
    assert day.no_call == no_call
    assert (day.outlook is None) == bool(no_call)
    assert day.weather == seen


def test_a_source_that_stands_still_is_told_by_its_run_and_not_by_when_it_was_asked(evaluated, hours):
    run = datetime(2026, 7, 19, 6, 0, tzinfo=UTC)
    seen = replace(SEEN, reference_time=run, freshness=Freshness.TOO_OLD)
    assert evaluated(weather=weather(hours, seen=seen)).no_call == (
        "the newest forecast is of the run of 2026-07-19 06:00 UTC, too old to use"
    )


def test_notes_of_the_source_and_what_failed_are_passed_on(evaluated, hours):
    seen = replace(SEEN, notes=("2 lines were left out",))
    day = evaluated(weather=weather(hours, seen=seen, failures=("made-over: down",)))
    assert day.outlook is not None
    assert {"2 lines were left out", "made-over: down"} <= set(day.doubts)


def known(onset, standing, *, kind=FrontKind.COLD, strength=0.9, observed=None):
    return KnownFront(
        id=1, kind=kind, onset=onset, earliest=onset, latest=onset, strength=strength, surge_at=None, told_onset=onset,
        source="made-up", found_at=onset, seen_at=onset, standing=standing, observed_onset=observed,
    )  # fmt: skip


def since_front(day):
    assert day.outlook is not None
    return day.outlook.conditions["hours_since_front"][..., day.outlook.trip].max()


PASSED = datetime(2026, 7, 21, 0, 0, tzinfo=UTC)  #: the cold front of the invented hours, as they show it


def test_a_front_that_left_the_window_still_counts(evaluated, hours):
    """Its hours are in no issue any more; what was found once stays known (science.md, "a front already found")."""
    late = hours.time >= np.datetime64("2026-07-21T06")
    short = weather(cut(hours, late))
    assert np.isnan(since_front(evaluated(weather=short)))
    for standing in (Standing.FORETOLD, Standing.CONFIRMED):
        day = evaluated(weather=short, known_fronts=(known(PASSED, standing),))
        assert since_front(day) == 15  # at 11:00 on the lake, that is 15:00 UTC
    observed = known(PASSED, Standing.CONFIRMED, observed=PASSED + timedelta(hours=2))
    assert since_front(evaluated(weather=short, known_fronts=(observed,))) == 13
    for other in (known(PASSED, Standing.GONE), known(PASSED, Standing.CONFIRMED, kind=FrontKind.WARM)):
        assert np.isnan(since_front(evaluated(weather=short, known_fronts=(other,))))


def test_a_front_that_a_station_denies_is_none(evaluated):
    shown = evaluated()
    assert shown.outlook is not None
    onset = next(front.onset for front in shown.outlook.fronts if front.onset.day in (20, 21))
    assert since_front(shown) < 24
    denied = evaluated(known_fronts=(known(onset, Standing.WITHDRAWN),))
    assert since_front(denied) > 120


def test_fronts_are_not_sought_in_hours_that_are_not_the_source_s_own(evaluated, hours):
    onset = np.datetime64("2026-07-21T12")
    whole, joined = evaluated(), evaluated(weather=weather(hours, own=hours.time >= onset))
    assert whole.outlook is not None
    assert joined.outlook is not None
    assert len(whole.outlook.fronts) > len(joined.outlook.fronts)
    assert np.isnan(joined.outlook.conditions["front_strength"][..., joined.outlook.trip]).all()
    np.testing.assert_array_equal(joined.outlook.hourly["air_temp_c"], hours["air_temp_c"])  # spells have their hours


def test_official_warnings_stand_beside_the_call(evaluated):
    seen = WarningsSeen(state=WarningsState.UNAVAILABLE, why="the feed is stale")
    assert evaluated(official=seen).official == seen
    assert evaluated().official.why == "no feed of official warnings is set up"


def test_each_thing_left_out_is_said(evaluated):
    """Every optional entry of the profile: one line of doubt, or a rule variable that is missing, or a reason."""
    whole = {
        "area_km2": 1.2, "mean_depth_m": 5.0, "max_depth_m": 14.0, "secchi_m": 3.0, "weed_edge_m": 4.5,
        "weed_tops_m": 2.0, "weed_cover": 0.5, "water_temp_c": 25.0, "water_temp_on": DAY,
        "spot": [{"name": "Reed Point", "kind": "point", "depth_m": 5.0, "open_water_bearing_deg": 90}],
    }  # fmt: skip

    def said(**profile):
        day = evaluated(lake=declare(Lake, LEAST | profile, file="x"))
        assert day.outlook is not None
        reasons = {window.spot_reason for plan in day.outlook.plans.values() for window in plan}
        return set(day.doubts) | set(day.outlook.missing) | reasons

    complete = said(**whole)
    for key in ("area_km2", "mean_depth_m", "secchi_m", "weed_edge_m", "weed_tops_m", "weed_cover", "spot"):
        assert said(**{name: value for name, value in whole.items() if name != key}) - complete, key
    undated = said(**{name: value for name, value in whole.items() if not name.startswith("water_temp")})
    assert "no water temperature entered: what is told of it is the model's alone" in undated
    shallow = {name: value for name, value in whole.items() if name not in ("mean_depth_m", "max_depth_m")}
    assert "mean depth not entered: for the waves it is taken as shallow" in said(**shallow)


@pytest.mark.parametrize("days", [0, 5, 12])
def test_a_reading_alone_is_held_and_tells_of_no_change(evaluated, hours, days):
    """Without moisture of the air no weather carries the model."""
    lake = declare(Lake, LEAST | {"water_temp_c": 24.0, "water_temp_on": DAY - timedelta(days=days)}, file="x")
    day = evaluated(lake=lake, weather=weather(without(hours, "humidity_pct", "dew_point_c")))
    assert day.outlook is not None
    assert "water_temp_change_3d_c" in day.outlook.missing
    assert any("no dew_point_c, and no humidity_pct" in doubt for doubt in day.doubts)
    known = day.outlook.water.hours.value_c[day.outlook.trip]
    np.testing.assert_allclose(known, 24.0)
    assert "water_temp_c" not in day.outlook.missing


def test_waves_of_a_lake_without_an_area_are_unknown(evaluated):
    day = evaluated(lake=declare(Lake, LEAST, file="x"))
    assert day.outlook is not None
    assert np.isnan(day.outlook.wave_height_m).all()


def test_a_rule_that_is_off_is_silent_on_that_lake(evaluated):
    book = default_book()
    with_rule, without_rule = evaluated(), evaluated(book=book.without(["cold-front-day-one"]))
    assert with_rule.outlook is not None
    assert without_rule.outlook is not None
    tight = [
        day.outlook.calls[Species.CRAPPIE].probability[2][..., day.outlook.trip].mean()
        for day in (with_rule, without_rule)
    ]
    assert tight[0] > tight[1] + 0.1


def test_the_same_answer_whatever_the_clock_says_within_the_hour(evaluated):
    first, second = evaluated(), evaluated(now=NOW + timedelta(minutes=20))
    assert first.outlook is not None
    assert second.outlook is not None
    for species, call in first.outlook.calls.items():
        np.testing.assert_array_equal(call.probability, second.outlook.calls[species].probability)


def test_last_day_served(evaluated, hours):
    lake = evaluated().lake
    assert last_day_served(hours, TRIP, lake) == date(2026, 7, 25)
    assert last_day_served(hours, TripHours.parse("18:00-21:00"), lake) == date(2026, 7, 24)
    assert last_day_served(cut(hours, slice(0, 5)), TRIP, lake) is None


def test_south_of_the_equator_the_calendar_of_the_rules_is_not_used(evaluated, thrennick):
    south = evaluated(lake=thrennick.model_copy(update={"latitude": -41.3, "zone": "Pacific/Auckland"}))
    assert south.outlook is not None
    assert "day_of_year" in south.outlook.missing
    assert any("northern hemisphere only" in doubt for doubt in south.doubts)
    said = south.outlook.calls[Species.CRAPPIE]
    by_calendar = [i for i, rule in enumerate(said.book.rule) if "day_of_year" in rule.when]
    assert by_calendar
    assert not said.activation[by_calendar].any()
    north = evaluated()
    assert north.outlook is not None
    assert "day_of_year" not in north.outlook.missing


def test_waves_and_cold_water_that_cannot_be_seen_are_said(evaluated, thrennick, hours):
    day = evaluated(
        lake=thrennick.model_copy(update={"area_km2": None, "water_temp_c": None, "water_temp_on": None}),
        weather=weather(without(hours, "shortwave_wm2", "cloud_pct")),
    )
    assert day.outlook is not None
    assert day.outlook.unseen == ("waves", "cold water")
