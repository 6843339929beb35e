"""What is known of one lake for one day, as plain data: all that a brief is composed from."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.profile import Lake, Species
from bitewatch.lake.weeds import WeedDepths
from bitewatch.position.call import Call
from bitewatch.position.conditions import Conditions
from bitewatch.position.rulebook import RuleBook
from bitewatch.presentation.plan import PlannedWindow
from bitewatch.presentation.trip import TripHours
from bitewatch.water.season import Season
from bitewatch.water.seen import WaterSeen
from bitewatch.weather.following import KnownFront
from bitewatch.weather.fronts import Front
from bitewatch.weather.hourly import Hourly
from bitewatch.weather.sun import Sun, SunEvents
from bitewatch.weather.warnings import WarningsSeen, WarningsState

NO_FEED = WarningsSeen(state=WarningsState.UNAVAILABLE, why="no feed of official warnings is set up")
NO_SEASON = Season()


class Freshness(StrEnum):
    """How far an issue can be trusted for its age."""

    FRESH = "fresh"  #: under six hours old
    USABLE = "usable"  #: under a day old; the reader is told its age
    TOO_OLD = "too old"  #: no call is made of it


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherSeen:
    """The issue that everything was made from."""

    source: str
    model: str
    attribution: str
    is_file: bool
    retrieved_at: datetime
    reference_time: datetime | None
    notes: tuple[str, ...]
    payload_sha256: str
    freshness: Freshness = Freshness.FRESH
    switched_from: str = ""  #: the source that the reader was told from before, if this is another
    filled: tuple[str, ...] = ()  #: what of the past hours came from elsewhere than this issue, in words


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What the hours hold. Arrays have time last; calls and conditions have the lake's spots first."""

    hourly: Hourly
    local_days: NDArray[np.datetime64]
    trip: slice  #: the trip hours on the time axis
    fronts: tuple[Front, ...]  #: as this issue tells them
    front_strength_seen: bool  #: False: too few past hours to say that there was no front
    conditions: Conditions
    sun: Sun
    sun_events: SunEvents
    water: WaterSeen
    wave_height_m: NDArray[np.float64]  #: where they run longest; NaN where the lake's size is not known
    wave_period_s: NDArray[np.float64]
    spot_wave_m: NDArray[np.float64]  #: shape (spots, T); NaN where the shore or the spot's place is not known
    book: RuleBook
    calls: Mapping[Species, Call]
    plans: Mapping[Species, tuple[PlannedWindow, ...]]
    missing: tuple[str, ...]  #: rule variables that are missing in the trip hours
    unseen: tuple[str, ...]  #: dangers that the trip hours do not all tell of, in words


@dataclass(frozen=True, slots=True, kw_only=True)
class LakeDay:
    """One lake, one day, one trip; without an outlook there is no call, and ``no_call`` says why."""

    lake: Lake
    depths: WeedDepths
    day: date
    trip_hours: TripHours
    start: datetime  #: launch
    end: datetime  #: haul-out
    now: datetime
    weather: WeatherSeen | None
    outlook: Outlook | None
    no_call: str
    doubts: tuple[str, ...]  #: what is not known well, in words
    known_fronts: tuple[KnownFront, ...] = ()  #: as they are known from all issues, in order of time
    official: WarningsSeen = NO_FEED
    season: Season = NO_SEASON
    told_before: Mapping[str, Any] | None = None  #: the facts of the last brief that this reader had of this lake

    @property
    def main_species(self) -> Species:
        """The species that the owner fishes for most."""
        return self.lake.species[0]
