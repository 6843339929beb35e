"""One issue's look at the fronts of a place: what it shows, and in which hours it could show one. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from bitewatch.lake.local_time import datetime_to_np
from bitewatch.weather.fronts import FAINT, SAME_PASSAGE, Front, FrontKind, fronts_of
from bitewatch.weather.governing import hours_in_sight
from bitewatch.weather.hourly import HOUR, Floats, Hourly, Times
from bitewatch.weather.signs import LOOKS_AHEAD_H, LOOKS_BACK_H, UNSCORED_H, cold, front_signs, warm

SETTLED_H = 5  #: hours after a passage from which on a station's hours show it


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What one issue shows of the fronts at one place, and in which hours it could show one."""

    source: str
    model: str
    issue: str  #: what this issue is known by: the same issue looked at again misses nothing twice
    at: datetime  #: when the source said so
    fronts: tuple[Front, ...]
    time: Times
    score: Mapping[FrontKind, Floats]  #: of each hour
    hours_before: NDArray[np.int64]  #: unbroken hours before each, 0 where it is not known
    hours_after: NDArray[np.int64]
    whole: NDArray[np.bool_]  #: hours of which all four signs are known

    def could_show(self, onset: datetime) -> bool:
        """True if a passage at that hour would be seen: enough hours before and after it are there."""
        hour = self._hour(onset)
        return hour is not None and bool(
            self.hours_before[hour] >= LOOKS_BACK_H and self.hours_after[hour] >= LOOKS_AHEAD_H
        )

    def is_settled(self, onset: datetime) -> bool:
        """True if enough measured hours follow for a passage at that hour to be believed."""
        hour = self._hour(onset)
        return hour is not None and bool(
            self.hours_before[hour] >= LOOKS_BACK_H and self.hours_after[hour] >= SETTLED_H
        )

    def is_whole(self, onset: datetime) -> bool:
        """True if nothing is missing in the hours around, so that no passage was lost with a column."""
        return bool(self.whole[self._around(onset)].all())

    def is_faint(self, kind: FrontKind, onset: datetime) -> bool:
        """True if no hour around shows as much as a trace of such a front."""
        return not bool((self.score[kind][self._around(onset)] > FAINT).any())

    def _hour(self, onset: datetime) -> int | None:
        hour = int((datetime_to_np(onset) - self.time[0]) // HOUR)
        return hour if 0 <= hour < self.time.size else None

    def _around(self, onset: datetime) -> slice:
        hour, around = int((datetime_to_np(onset) - self.time[0]) // HOUR), SAME_PASSAGE // timedelta(hours=1)
        return slice(max(0, hour - around), max(0, hour + around + 1))


def look(hourly: Hourly, latitude: float, *, source: str, model: str, issue: str, at: datetime) -> Look:
    """What the hours of one issue for one place, or the measured ones of a station, show of fronts."""
    of_cold, of_warm = front_signs(hourly, latitude, cold, warm)
    before, after = hours_in_sight(of_cold.score), hours_in_sight(of_cold.score[::-1])[::-1]
    signs = (of_cold.temperature, of_cold.dew_point, of_cold.pressure, of_cold.wind)
    return Look(
        source=source, model=model, issue=issue, at=at, fronts=fronts_of(hourly.time, of_cold, of_warm),
        time=hourly.time,
        score={FrontKind.COLD: of_cold.score, FrontKind.WARM: of_warm.score},
        hours_before=np.where(before, before - 1 + UNSCORED_H, 0),
        hours_after=np.where(after, after - 1 + UNSCORED_H, 0), whole=np.isfinite(sum(signs)),
    )  # fmt: skip
