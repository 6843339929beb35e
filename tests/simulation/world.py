"""An invented weather, the same for the same seed: fronts at known instants, and forecasts that err as forecasts do.

Modules of this folder import each other as ``tests.simulation.<name>``: so pytest's importlib mode names them, and so
does ``python -m`` when it is started in the repository.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zlib import crc32

import numpy as np
from numpy.typing import ArrayLike

from bitewatch.weather.hourly import HOUR, Floats, Hourly, Times, from_points
from tests.simulation.invented_air import Fronts, Waves, air

MIDDLE_LONGITUDE, MIDDLE_LATITUDE = -90.0, 45.0  #: where the instants of the fronts are drawn for
BEYOND = timedelta(days=21)  #: fronts before the first and after the last day, for past hours and long forecasts
KM_PER_DEG = 111.2 * math.cos(math.radians(MIDDLE_LATITUDE))


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """A cold front that truly passes a place."""

    onset: datetime
    strength: float  #: about 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelHabits:
    """How one model errs: the same at every place and in every run, but for phases that move on with the runs."""

    temperature_bias_k: float
    pressure_bias_hpa: float
    wind_factor: float
    periods_h: Floats  #: of the errors of timing, over the instants of the runs; (2, fronts)
    phases: Floats
    slow_phase: float


@dataclass(slots=True, kw_only=True)
class World:
    """The weather of one seed.

    Fronts come from the west, three to five days apart, now and then nine; about one in seven exists in the forecasts
    of some days before only. Everything is a function of place and instant: nothing is stepped, nothing is stored.
    """

    seed: int
    start: datetime  #: aware; a whole hour
    days: int
    quiet: bool = False  #: no front anywhere, true or foretold
    _epoch_h: Floats = field(init=False)
    _speed_kmh: Floats = field(init=False)
    _tilt_h_per_deg: Floats = field(init=False)
    _strength: Floats = field(init=False)
    _foretold_only: Floats = field(init=False)
    _waves: Waves = field(init=False)
    _habits: dict[str, ModelHabits] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        random = np.random.default_rng(self.seed)
        beyond_h = BEYOND / timedelta(hours=1)
        count = int((24 * self.days + 2 * beyond_h) / 60) + 1
        gaps_h = random.uniform(70, 130, count) + np.where(random.random(count) < 0.2, 100.0, 0.0)
        epoch_h = np.cumsum(gaps_h) - beyond_h
        self._epoch_h = epoch_h[epoch_h < 24 * self.days + beyond_h]
        count = self._epoch_h.size
        self._speed_kmh = random.uniform(30, 55, count)
        self._tilt_h_per_deg = random.uniform(-1.0, 0.3, count)
        self._strength = random.uniform(0.45, 1.25, count)
        if self.quiet:
            self._strength[:] = 0.0
        self._foretold_only = (random.random(count) < 0.15).astype(float)
        self._waves = Waves.drawn(random)

    def onsets_h(self, latitude: ArrayLike, longitude: ArrayLike) -> Floats:
        """When each front reaches each place, hours from the start, (places, fronts)."""
        lat, lon = np.atleast_1d(latitude)[:, None], np.atleast_1d(longitude)[:, None]
        east_h = (lon - MIDDLE_LONGITUDE) * KM_PER_DEG / self._speed_kmh
        return np.asarray(self._epoch_h + east_h + (lat - MIDDLE_LATITUDE) * self._tilt_h_per_deg)

    def passages(self, latitude: float, longitude: float) -> tuple[Passage, ...]:
        """The fronts that truly pass a place between the first and the last day, in order of time."""
        found = [
            Passage(onset=self.start + timedelta(hours=float(onset_h)), strength=float(strength))
            for onset_h, strength, never in zip(
                self.onsets_h(latitude, longitude)[0], self._strength, self._foretold_only, strict=True
            )
            if not never and strength and 0 <= onset_h <= 24 * self.days
        ]
        return tuple(sorted(found, key=lambda passage: passage.onset))

    def truth(self, latitude: ArrayLike, longitude: ArrayLike, time: Times) -> Mapping[str, Floats]:
        """Every hourly column at places, (places, hours); without any rounding."""
        onsets_h = self.onsets_h(latitude, longitude)
        strength = np.broadcast_to(self._strength * (1 - self._foretold_only), onsets_h.shape)
        return self._air(latitude, longitude, time, Fronts(onset_h=onsets_h, strength=strength))

    def hourly(self, latitude: float, longitude: float, begins: datetime, hours: int) -> Hourly:
        """The true hours of one place."""
        time = hours_from(begins, hours)
        return from_points(time, {name: rows[0] for name, rows in self.truth(latitude, longitude, time).items()})

    def forecast(
        self, latitude: ArrayLike, longitude: ArrayLike, time: Times, *, run: datetime, model: str
    ) -> Mapping[str, Floats]:
        """What the run of a model says of these hours: those before it nearly true, later ones less and less.

        Fronts come early or late by some hours that grow with the lead, and differ slowly from run to run.
        """
        habits = self._habits_of(model)
        run_h = (run - self.start) / timedelta(hours=1)
        true_h = self.onsets_h(latitude, longitude)
        lead_h = np.maximum(true_h - run_h, 0.0)
        wander = np.cos(2 * np.pi * run_h / habits.periods_h + habits.phases)  # (2, fronts)
        shift_h = np.minimum(0.04 * lead_h, 7.0) * (wander[0] + 0.7 * wander[1])
        believed = np.where(self._foretold_only > 0, np.clip((lead_h - 40.0) / 40.0, 0.0, 1.0), 1.0)
        strength = self._strength * believed * (1 + 0.12 * np.minimum(lead_h / 72.0, 1.0) * wander[1])
        said = dict(self._air(latitude, longitude, time, Fronts(onset_h=true_h + shift_h, strength=strength)))
        hour = (time - np.datetime64(int(self.start.timestamp()), "s")) / HOUR
        ahead = np.clip((hour - run_h) / 120.0, 0.0, 1.0)
        drift = ahead * np.cos(2 * np.pi * hour / 140.0 + habits.slow_phase + 2 * np.pi * run_h / 90.0)
        said["air_temp_c"] = said["air_temp_c"] + habits.temperature_bias_k + 1.5 * drift
        said["dew_point_c"] = np.minimum(said["dew_point_c"] + 1.5 * drift, said["air_temp_c"] - 0.2)
        said["pressure_hpa"] = said["pressure_hpa"] + habits.pressure_bias_hpa + 1.5 * drift
        for name in ("wind_speed_ms", "wind_gust_ms"):
            said[name] = said[name] * habits.wind_factor
        return said

    def _air(self, latitude: ArrayLike, longitude: ArrayLike, time: Times, fronts: Fronts) -> Mapping[str, Floats]:
        return air(
            np.atleast_1d(np.asarray(latitude, float)), np.atleast_1d(np.asarray(longitude, float)), time,
            start=np.datetime64(int(self.start.timestamp()), "s"), fronts=fronts, waves=self._waves,
        )  # fmt: skip

    def _habits_of(self, model: str) -> ModelHabits:
        if model not in self._habits:
            random = np.random.default_rng([self.seed, crc32(model.encode())])
            self._habits[model] = ModelHabits(
                temperature_bias_k=random.uniform(-0.8, 0.8),
                pressure_bias_hpa=random.uniform(-0.6, 0.6),
                wind_factor=random.uniform(0.9, 1.1),
                periods_h=random.uniform(90, 240, (2, self._epoch_h.size)),
                phases=random.uniform(0, 2 * np.pi, (2, self._epoch_h.size)),
                slow_phase=random.uniform(0, 2 * np.pi),
            )
        return self._habits[model]


def hours_from(begins: datetime, hours: int) -> Times:
    """Whole hours from an aware instant on."""
    first = np.datetime64(int(begins.astimezone(UTC).timestamp()) // 3600 * 3600, "s")
    return np.asarray(first + np.arange(hours) * HOUR)
