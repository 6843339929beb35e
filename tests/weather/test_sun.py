"""The sun against printed examples and pvlib."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.weather.sun import ephemeris, refraction_deg, sun_events, sun_position

LAKE = (46.35, -94.20)


def test_meeus_example_25a() -> None:
    """J. Meeus, "Astronomical Algorithms," 2nd ed., 1998, example 25.a (from memory): 1992 October 13, 0 h."""
    sun = ephemeris(datetime(1992, 10, 13, tzinfo=UTC).timestamp())
    assert sun.longitude_deg == pytest.approx(199.90895, abs=2e-4)
    assert np.degrees(sun.declination_rad) == pytest.approx(-7.78507, abs=2e-4)
    assert sun.distance_au == pytest.approx(0.99766, abs=1e-5)


def test_spa_worked_example() -> None:
    """I. Reda and A. Andreas, "Solar Position Algorithm for Solar Radiation Applications," NREL/TP-560-34302, 2003,
    table A5.1: zenith 50.11162, azimuth 194.34024 (at 1830 m, 820 hPa)."""
    sun = sun_position(np.array(["2003-10-17T19:30:30"], "datetime64[s]"), 39.742476, -105.1786)
    assert sun.elevation_deg == pytest.approx(90 - 50.11162, abs=0.01)
    assert sun.azimuth_deg == pytest.approx(194.34024, abs=0.01)
    assert sun.elevation_deg == pytest.approx(39.8914, abs=1e-4)
    assert sun.azimuth_deg == pytest.approx(194.3426, abs=1e-4)


@pytest.mark.parametrize("place", [LAKE, (-35.0, 149.0), (5.0, 10.0), (68.0, 25.0)])
def test_against_pvlib(place: tuple[float, float]) -> None:
    """pvlib's `spa_python` on random times. The refraction of the horizon's last degrees differs by model and air."""
    first, last = (int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) for year in (2000, 2040))
    time = np.sort(np.random.default_rng(7).integers(first, last, 2000)).astype("datetime64[s]")
    reference = pvlib.solarposition.get_solarposition(pd.DatetimeIndex(time, tz="UTC"), *place)
    sun = sun_position(time, *place)
    day = reference["elevation"].to_numpy() > -0.5
    assert day.sum() > 500
    assert sun.elevation_deg[day] == pytest.approx(reference["apparent_elevation"].to_numpy()[day], abs=0.02)
    night = reference["elevation"].to_numpy()[~day]
    assert sun.elevation_deg[~day] == pytest.approx(night + refraction_deg(night), abs=0.03)
    turn = (sun.azimuth_deg - reference["azimuth"].to_numpy() + 180) % 360 - 180
    assert abs(turn * np.cos(np.radians(sun.elevation_deg))).max() < 0.02
    clear_of_noon = abs(np.sin(np.radians(reference["azimuth"].to_numpy()))) > 0.01
    assert np.array_equal(sun.rising[clear_of_noon], reference["azimuth"].to_numpy()[clear_of_noon] < 180)


@pytest.mark.parametrize(
    ("day", "event", "at"),
    [
        (date(2026, 5, 15), "civil_dawn", "2026-05-15T10:08:00"),
        (date(2026, 5, 15), "sunrise", "2026-05-15T10:43:24"),
        (date(2026, 5, 15), "sunset", "2026-05-16T01:43:38"),
        (date(2026, 5, 15), "civil_dusk", "2026-05-16T02:19:12"),
        (date(2026, 6, 21), "sunrise", "2026-06-21T10:24:33"),
        (date(2026, 6, 21), "sunset", "2026-06-22T02:12:47"),
        (date(2026, 12, 21), "sunrise", "2026-12-21T13:57:10"),
        (date(2026, 12, 21), "sunset", "2026-12-21T22:32:49"),
    ],
)
def test_events_of_a_reference_ephemeris(day: date, event: str, at: str) -> None:
    """Given check values of a numerical ephemeris, to five seconds."""
    found = getattr(sun_events(day, *LAKE), event)
    assert abs(found - datetime.fromisoformat(at).replace(tzinfo=UTC)) <= timedelta(seconds=5)


@pytest.mark.parametrize("place", [(46.35, -30.0), (-35.0, 20.0), (60.0, 0.0)])
def test_events_against_pvlib(place: tuple[float, float]) -> None:
    """`pvlib.solarposition.sun_rise_set_transit_spa`, where no event falls on another UTC day than noon.

    Further from Greenwich it may answer for the evening, or morning, of a neighbouring day.
    """
    for month in range(1, 13):
        events = sun_events(date(2026, month, 9), *place)
        for event, name in ((events.sunrise, "sunrise"), (events.sunset, "sunset")):
            assert event is not None
            midnight = pd.DatetimeIndex([event]).normalize()
            reference = pvlib.solarposition.sun_rise_set_transit_spa(midnight, *place)[name].iloc[0]
            assert abs(reference - pd.Timestamp(event)) < pd.Timedelta(seconds=6)


def test_polar_night_and_midnight_sun() -> None:
    december, june = (sun_events(date(2026, month, 21), 70.0, 20.0) for month in (12, 6))
    assert (december.sunrise, december.sunset) == (None, None)
    assert december.civil_dawn is not None
    assert december.civil_dusk is not None
    assert {june.civil_dawn, june.sunrise, june.sunset, june.civil_dusk} == {None}


@given(st.dates(date(2000, 1, 1), date(2050, 1, 1)), st.floats(-60, 60), st.floats(-180, 180))
def test_the_day_is_in_order_and_the_sun_stands_where_it_should(day: date, latitude: float, longitude: float) -> None:
    events = sun_events(day, latitude, longitude)
    rise, down = events.sunrise, events.sunset
    assert rise is not None
    assert down is not None
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC) - timedelta(minutes=4 * longitude)
    assert rise < noon < down
    assert events.civil_dawn is None or events.civil_dawn < rise
    assert events.civil_dusk is None or events.civil_dusk > down
    times = np.array([t.replace(tzinfo=None) for t in (rise, down)], "datetime64[s]")
    sun = sun_position(times, latitude, longitude)
    true_deg = np.array([-0.833, -0.833])
    assert sun.elevation_deg == pytest.approx(true_deg + refraction_deg(true_deg), abs=0.02)
    assert sun.rising.tolist() == [True, False]


@given(st.integers(0, 2**31), st.floats(-89, 89), st.floats(-180, 180))
def test_a_place_among_many_is_the_place_alone(second: int, latitude: float, longitude: float) -> None:
    time = (second + 3600 * np.arange(5)).astype("datetime64[s]")
    many = sun_position(time, np.array([10.0, latitude, -60.0]), np.array([0.0, longitude, 100.0]))
    alone = sun_position(time, latitude, longitude)
    assert many.elevation_deg.shape == (3, 5)
    assert np.array_equal(many.elevation_deg[1], alone.elevation_deg)
    assert np.array_equal(many.azimuth_deg[1], alone.azimuth_deg)
    assert np.array_equal(many.rising[1], alone.rising)
    assert (abs(many.elevation_deg) <= 91).all()
