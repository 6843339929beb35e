"""The sun against a numerical ephemeris: JPL's DE421, as the packages skyfield and skyfield-data bring it.

The file of the ephemeris is opened where it lies: the package's own function for it warns by the date of today.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from skyfield.api import load, load_file, wgs84

from bitewatch.weather.hourly import Floats, Times
from bitewatch.weather.sun import CIVIL_DEG, RISE_DEG, refraction_deg, sun_events, sun_position

PLACES = {
    "north-woods": (46.35, -94.20),
    "great-plains": (39.74, -105.18),
    "subtropics": (28.5, -81.4),
    "equator": (0.0, 32.5),
    "date-line": (-0.6, 179.9),
    "south-america": (-23.5, -46.6),
    "south-australia": (-35.0, 149.0),
    "far-south": (-51.6, -69.2),
    "baltic": (60.2, 24.9),
    "scandinavia": (63.4, 10.4),
    "alaska": (64.8, -147.7),
    "arctic": (70.0, 25.0),
}
DAYS = [
    date(2019, 1, 8), date(2020, 2, 29), date(2021, 3, 20), date(2022, 4, 14), date(2023, 5, 6), date(2024, 6, 20),
    date(2025, 7, 19), date(2026, 8, 3), date(2027, 9, 23), date(2028, 10, 12), date(2029, 11, 5), date(2030, 12, 21),
]  # fmt: skip
EVENTS = {
    "civil_dawn": (CIVIL_DEG, 1),
    "sunrise": (RISE_DEG, 1),
    "sunset": (RISE_DEG, -1),
    "civil_dusk": (CIVIL_DEG, -1),
}
HALF_DAY = timedelta(hours=12)
MOST_DEG, MOST_S = 0.01, 5.0
WORST_DEG = 0.016  #: 0.01 of the theory, 0.0024 of parallax, 0.0038 of UTC that differs by up to 0.9 s from the earth


@dataclass(frozen=True)
class Reference:
    """The sun over one place, by the ephemeris."""

    observer: Any
    sun: Any

    def apparent(self, instants: list[datetime]) -> Any:
        return self.observer.at(clock().from_datetimes(instants)).observe(self.sun).apparent()

    def altitude_deg(self, instants: list[datetime]) -> Floats:
        """True altitude, without an atmosphere."""
        return np.asarray(self.apparent(instants).altaz()[0].degrees)

    def speed_deg_s(self, instants: list[datetime]) -> Floats:
        """How fast the sun climbs."""
        half = timedelta(seconds=30)
        before, after = (self.altitude_deg([at + step for at in instants]) for step in (-half, half))
        return (after - before) / 60.0


@cache
def clock() -> Any:
    """Skyfield's time scale, from the tables inside its own package."""
    return load.timescale(builtin=True)


@cache
def bodies() -> Any:
    spec = find_spec("skyfield_data")
    assert spec is not None
    assert spec.origin is not None
    return load_file(str(Path(spec.origin).parent / "data" / "de421.bsp"))


def reference(place: str) -> Reference:
    return Reference(observer=bodies()["earth"] + wgs84.latlon(*PLACES[place]), sun=bodies()["sun"])


def moments() -> Times:
    """In years whose turning of the earth is measured: its forecasts differ from one table to the next."""
    first, last = (int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) for year in (2000, 2025))
    return np.asarray(np.random.default_rng(9).integers(first, last, 400)).astype("datetime64[s]")


def noon(day: date, longitude: float) -> datetime:
    """Of the mean sun."""
    return datetime(day.year, day.month, day.day, 12, tzinfo=UTC) - timedelta(minutes=4 * longitude)


@pytest.mark.parametrize("place", PLACES)
def test_elevation(place: str) -> None:
    """To a hundredth of a degree nine times of ten; by day with the refraction that the reference computes, too."""
    time = moments()
    there, instants = reference(place), [at.replace(tzinfo=UTC) for at in time.tolist()]
    ours = sun_position(time, *PLACES[place]).elevation_deg
    true_deg = there.altitude_deg(instants)
    clear_of_the_step = abs(true_deg + 0.575) > WORST_DEG  # one piece of the refraction gives way to the next there
    off_deg = abs(ours - true_deg - refraction_deg(true_deg))[clear_of_the_step]
    assert off_deg.size > 390
    assert np.quantile(off_deg, 0.9) < MOST_DEG
    assert off_deg.max() < WORST_DEG
    seen_deg = there.apparent(instants).altaz(temperature_C=10.0, pressure_mbar=1010.0)[0].degrees
    high = true_deg > 15
    assert high.sum() > 40
    assert ours[high] == pytest.approx(seen_deg[high], abs=WORST_DEG)


@pytest.mark.parametrize("place", PLACES)
def test_events(place: str) -> None:
    """To five seconds; where the sun grazes the horizon, to the time that it takes for a hundredth of a degree.

    The sun must stand where it should at our instant: how far it is off, over how fast it climbs, is the error.
    """
    there, (latitude, longitude) = reference(place), PLACES[place]
    told = {day: sun_events(day, latitude, longitude) for day in DAYS}
    for name, (altitude_deg, side) in EVENTS.items():
        found = {day: at for day in DAYS if (at := getattr(told[day], name)) is not None}
        assert len(found) == len(DAYS) if abs(latitude) < 62 else len(found) >= 8
        instants = list(found.values())
        speed_deg_s = there.speed_deg_s(instants)
        off_deg = abs(there.altitude_deg(instants) - altitude_deg)
        assert (off_deg <= np.maximum(MOST_S * abs(speed_deg_s), MOST_DEG)).all(), name
        assert (np.sign(speed_deg_s) == side).all()
        assert all(timedelta() < side * (noon(day, longitude) - at) < HALF_DAY for day, at in found.items())


@pytest.mark.parametrize("place", [place for place, (latitude, _) in PLACES.items() if abs(latitude) > 62])
def test_what_does_not_happen_does_not_happen(place: str) -> None:
    """Without an event, the sun of the reference stays on one side of the altitude all day; with one, it does not."""
    there, (latitude, longitude) = reference(place), PLACES[place]
    silent = 0
    for day in DAYS:
        from_midnight = [noon(day, longitude) - HALF_DAY + timedelta(minutes=5 * n) for n in range(145)]
        altitude_deg = there.altitude_deg(from_midnight)
        events = sun_events(day, latitude, longitude)
        for at, edge_deg in ((events.sunrise, RISE_DEG), (events.civil_dawn, CIVIL_DEG)):
            passes = altitude_deg.min() < edge_deg < altitude_deg.max()
            assert passes == (at is not None), day
            silent += at is None
    assert silent
