"""The hours a reader fishes, launch to haul-out."""

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Self
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from bitewatch.errors import Refused
from bitewatch.lake.local_time import datetime_to_np, first_instant, local_instant

WALL = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
LONGEST = timedelta(hours=18)


def wall_time(text: str) -> time:
    """A wall time from HH:MM.

    Raises
    ------
    Refused
        If the text is anything else.
    """
    found = WALL.fullmatch(text.strip())
    if not found:
        raise Refused(f'"{text}" is not a time of day; write HH:MM, such as 04:30')
    return time(int(found[1]), int(found[2]))


@dataclass(frozen=True, slots=True)
class TripHours:
    """From launch to haul-out by the wall clock; an end that is not after the start is on the next day."""

    start: time
    end: time

    @classmethod
    def parse(cls, text: str) -> Self:
        """Trip hours from ``05:30-11:00``.

        Raises
        ------
        Refused
            If the text is anything else, or the trip is longer than 18 hours.
        """
        start, dash, end = text.partition("-")
        if not dash:
            raise Refused(f'"{text}" are not trip hours; write them as 05:30-11:00')
        trip = cls(wall_time(start), wall_time(end))
        day = date(2000, 1, 1)
        length = datetime.combine(trip._end_day(day), trip.end) - datetime.combine(day, trip.start)
        if length > LONGEST:
            raise Refused(f'"{text}" is longer than 18 hours; give the hours that you fish')
        return trip

    def _end_day(self, day: date) -> date:
        return day if self.end > self.start else day + timedelta(days=1)

    def __str__(self) -> str:
        return f"{self.start:%H:%M}-{self.end:%H:%M}"

    def instants(self, day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
        """Launch and haul-out on a local day, aware, UTC."""
        start = local_instant(day, self.start, zone) or first_instant(day, zone)
        end = local_instant(self._end_day(day), self.end, zone) or first_instant(self._end_day(day), zone)
        return start, end

    def on(self, times: NDArray[np.datetime64], day: date, zone: ZoneInfo) -> slice:
        """The hours of an axis that belong to the trip; an hour stands for the half hours around it.

        The slice is empty where the axis does not hold every hour of the trip.
        """
        half = np.timedelta64(1800, "s")
        start, end = (datetime_to_np(instant) for instant in self.instants(day, zone))
        inside = np.flatnonzero((times + half > start) & (times - half < end))
        if inside.size == 0 or times[0] - half > start or times[-1] + half < end:
            return slice(0, 0)
        return slice(int(inside[0]), int(inside[-1]) + 1)
