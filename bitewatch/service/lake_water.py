"""What the water of a lake is worked out from: days of the air from every place that has them, readings, the shore."""

from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path

import numpy as np

from bitewatch.errors import PayloadRefused, Refused
from bitewatch.lake.outline import fetch_table_m, longest_table_m
from bitewatch.lake.profile import Lake
from bitewatch.service.lake_air import keep_days, kept_days, last_day_over
from bitewatch.service.readings import kept_readings
from bitewatch.settings import Settings
from bitewatch.store.database import Store
from bitewatch.water.lake_water import lake_water
from bitewatch.water.reading import Reading
from bitewatch.water.readings import FUTURE, readings_from_csv
from bitewatch.water.seen import WaterKnown, sums_of_seasons
from bitewatch.water.surface import season_of
from bitewatch.weather.daily import DAY, Daily, daily_means, is_daily, joined
from bitewatch.weather.hourly import Floats, Hourly
from bitewatch.weather.sources.hourly_csv import hourly_from_csv

BEFORE_SEASON = 31 * DAY  #: days that tell how warm a season began
CACHED_FILES = 200  #: files of history that are kept read


class LakeWaters:
    """Gathers days, readings and shores for each lake."""

    def __init__(self, settings: Settings, store: Store):
        self._settings = settings
        self._store = store
        self._history: dict[tuple[Path, int, str], Daily] = {}
        self._sums: dict[str, tuple[tuple[object, ...], dict[int, Floats]]] = {}
        self._kept: dict[str, tuple[str, np.datetime64]] = {}  #: the last day that was written down, and whose it was
        self._fetch: dict[str, tuple[Floats, Floats, tuple[str, ...]]] = {}

    def known(self, lake: Lake, *, until: datetime, now: datetime) -> WaterKnown:
        """What is known of a lake's past air, and the readings taken by ``until`` and known by ``now``."""
        days, failures = self._days(lake)
        with self._store.read() as connection:
            taken = [one.reading for one in kept_readings(connection, lake.id)]
        of_file, faults = self.readings_of_file(lake, now)
        longest, fetch, ashore = self._runs(lake)
        return WaterKnown(
            days=_this_season(days, lake, until), before=self._before(lake, days, until),
            readings=tuple(one for one in (*taken, *of_file) if one.at <= until and one.known_at <= now),
            longest_m=longest, fetch_m=fetch, failures=(*failures, *faults, *ashore),
        )  # fmt: skip

    def all_days(self, lake: Lake) -> list[Daily]:
        """Every day that is known of the air over a lake; of several tables the first knows best."""
        return self._days(lake)[0]

    def _days(self, lake: Lake) -> tuple[list[Daily], tuple[str, ...]]:
        with self._store.read() as connection:
            kept = kept_days(connection, lake)
        history, failures = self.history(lake)
        return [table for table in (kept, history) if table is not None], failures

    def history(self, lake: Lake) -> tuple[Daily | None, tuple[str, ...]]:
        """The days of the history file that the settings name, and what is wrong with it, in words."""
        file = self._settings.config.water.history
        if file is None:
            return None, ()
        shown = file.replace("{lake}", lake.id)
        path = self._settings.folder / shown
        try:
            stamp = path.stat().st_mtime_ns
            for key in ((path, stamp, ""), (path, stamp, lake.id)):
                if key in self._history:
                    return self._history[key], ()
            hourly, _ = hourly_from_csv(path.read_bytes(), days_as_written=True)
        except OSError as error:
            return None, (f"{shown}: cannot be read: {error.strerror}",)
        except PayloadRefused as error:
            return None, (f"{shown}: {error}",)
        days, _ = daily_means(hourly, latitude=lake.latitude, longitude=lake.longitude)
        while len(self._history) >= CACHED_FILES:
            self._history.pop(next(iter(self._history)))
        # a table of days is the same for every lake; hours fall into days by the place
        self._history[path, stamp, "" if is_daily(hourly) else lake.id] = days
        return days, ()

    def readings_of_file(self, lake: Lake, now: datetime) -> tuple[tuple[Reading, ...], tuple[str, ...]]:
        """The readings in the file that the settings name, and what is wrong with it, in words."""
        file = self._settings.config.water.readings
        if file is None:
            return (), ()
        shown = file.replace("{lake}", lake.id)
        path = self._settings.folder / shown
        if "{lake}" in file and not path.exists():
            return (), ()  # a lake whose thermometer has not been wet yet
        try:
            readings, faults = readings_from_csv(path.read_text("utf-8-sig"), zone=lake.zone_info, now=now)
        except OSError as error:
            return (), (f"{shown}: cannot be read: {error.strerror}",)
        except (UnicodeDecodeError, Refused) as error:
            return (), (f"{shown}: {error}",)
        ahead = sum(fault.endswith(FUTURE) for fault in faults)
        told = [f"{shown}: {fault}" for fault in faults if not fault.endswith(FUTURE)]
        told += [f"{shown}: {ahead} reading{'' if ahead == 1 else 's'} from the future left out"] if ahead else []
        return readings, tuple(told)

    def keep(self, lake: Lake, hourly: Hourly, *, source: str, now: datetime) -> None:
        """Write down the days of a forecast's past hours that are over; nothing is done while no other day is."""
        last = last_day_over(lake, now)
        if self._kept.get(lake.id) == (source, last):
            return
        daily, _ = daily_means(hourly, latitude=lake.latitude, longitude=lake.longitude)
        with self._store.write() as connection:
            keep_days(connection, lake, daily, source=source, now=now)
        self._kept[lake.id] = (source, last)

    def _before(self, lake: Lake, days: Sequence[Daily], until: datetime) -> dict[int, Floats]:
        """Degree days of the seasons before this one; worked out once while nothing of them changes."""
        first = _season_start(lake, until)
        past = [table.within(table.day[0], first - DAY) for table in days if table.day[0] < first]
        if not past:
            return {}
        mark = (lake, first, *(float(np.nansum(table["air_temp_c"])) for table in past))
        if lake.id not in self._sums or self._sums[lake.id][0] != mark:
            try:
                found = sums_of_seasons(lake_water(lake, joined(*past), (), forecast_from=until))
            except Refused:  # what the brief is made of says so itself
                found = {}
            self._sums[lake.id] = (mark, found)
        return self._sums[lake.id][1]

    def _runs(self, lake: Lake) -> tuple[Floats | None, Floats | None, tuple[str, ...]]:
        """How far the wind runs over the water: the longest there is, and to each spot, by bearing; and what to say."""
        outline = self._settings.outlines.get(lake.id)
        if outline is None:
            return None, None, ()
        if lake.id not in self._fetch:
            longest = longest_table_m(outline)
            tables = [
                None
                if spot.latitude is None or spot.longitude is None
                else fetch_table_m(outline, spot.latitude, spot.longitude)
                for spot in lake.spot
            ] or [None]
            unknown = np.full(longest.shape, np.nan)
            ashore = tuple(
                f"{spot.name} lies off the shore that you gave: no waves are told there"
                for spot, table in zip(lake.spot, tables, strict=False)
                if table is None and spot.latitude is not None
            )
            fetch = np.stack([unknown if one is None else one for one in tables])
            # of a shore with many corners not all are looked at: a narrow arm with a spot in it may be missed
            longest = np.fmax(longest, np.fmax.reduce(fetch, axis=0))
            self._fetch[lake.id] = (longest, fetch, ashore)
        return self._fetch[lake.id]


def season_first(lake: Lake, on: date) -> date:
    """The first day of the season that a day belongs to."""
    year = int(season_of(np.array([on], "datetime64[D]"), lake.latitude)[0])
    return date(year, 10 if lake.latitude < 0 else 4, 1)


def _season_start(lake: Lake, until: datetime) -> np.datetime64:
    return np.datetime64(season_first(lake, until.date()))


def _this_season(days: Sequence[Daily], lake: Lake, until: datetime) -> tuple[Daily, ...]:
    first = _season_start(lake, until) - BEFORE_SEASON
    cut = [table.within(first, table.day[-1]) for table in days if table.day[-1] >= first]
    return tuple(cut)
