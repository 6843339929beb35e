"""What the water of a lake is worked out from: days of the air from every place that has them, and readings."""

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from bitewatch.errors import PayloadRefused, Refused
from bitewatch.lake.profile import Lake
from bitewatch.service.lake_air import keep_days, kept_days
from bitewatch.service.readings import kept_readings
from bitewatch.service.refresh import Refresher
from bitewatch.settings import Settings
from bitewatch.store.database import Store
from bitewatch.water.lake_water import typed_reading
from bitewatch.water.reading import Reading
from bitewatch.water.readings import readings_from_csv
from bitewatch.weather.daily import Daily, daily_means
from bitewatch.weather.hourly import Hourly
from bitewatch.weather.sources.hourly_csv import hourly_from_csv

log = logging.getLogger(__name__)

BACK_FILL = timedelta(days=92)  #: as far back as a forecast's source tells of what it said
ASK_AGAIN = timedelta(days=1)  #: after past weather could not be had


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterKnown:
    """What is known beside the forecast at hand; ``failures`` says what could not be read, in words."""

    days: tuple[Daily, ...] = ()  #: the first knows best
    readings: tuple[Reading, ...] = ()
    failures: tuple[str, ...] = ()


class LakeWaters:
    """Gathers days and readings for each lake, and asks for days that nobody has yet."""

    def __init__(self, settings: Settings, store: Store, refresher: Refresher):
        self._settings = settings
        self._store = store
        self._refresher = refresher
        self._history: dict[tuple[Path, int], tuple[Daily, tuple[str, ...]]] = {}
        self._asked: dict[str, datetime] = {}

    def known(self, lake: Lake, *, until: datetime, now: datetime) -> WaterKnown:
        """All that is known of a lake's past air, and the readings taken by ``until`` and known by ``now``."""
        failures: list[str] = []
        days: list[Daily] = []
        with self._store.read() as connection:
            kept = kept_days(connection, lake)
            taken = [one.reading for one in kept_readings(connection, lake.id)]
        days += [] if kept is None else [kept]
        history, said = self.history(lake)
        days += [] if history is None else [history]
        of_file, told = self._readings_of_file(lake, now)
        typed = typed_reading(lake, until)
        readings = [*taken, *of_file, *([] if typed is None else [typed])]
        return WaterKnown(
            days=tuple(days), failures=(*failures, *said, *told),
            readings=tuple(one for one in readings if one.at <= until and one.known_at <= now),
        )  # fmt: skip

    def history(self, lake: Lake) -> tuple[Daily | None, tuple[str, ...]]:
        """The days of the history file that the settings name, and what is wrong with it, in words."""
        file = self._settings.config.water.history
        if file is None:
            return None, ()
        path = self._settings.folder / file.replace("{lake}", lake.id)
        try:
            stamp = path.stat().st_mtime_ns
            if (path, stamp) not in self._history:
                hourly, _ = hourly_from_csv(path.read_bytes())
                days, _ = daily_means(hourly, latitude=lake.latitude, longitude=lake.longitude)
                self._history[path, stamp] = (days, ())
        except OSError as error:
            return None, (f"{file}: cannot be read: {error.strerror}",)
        except PayloadRefused as error:
            return None, (f"{file}: {error}",)
        return self._history[path, stamp]

    def _readings_of_file(self, lake: Lake, now: datetime) -> tuple[list[Reading], tuple[str, ...]]:
        file = self._settings.config.water.readings
        if file is None:
            return [], ()
        shown = file.replace("{lake}", lake.id)
        path = self._settings.folder / shown
        if not path.exists() and "{lake}" in file:
            return [], ()  # a lake whose thermometer has not been wet yet
        try:
            readings, faults = readings_from_csv(path.read_text("utf-8-sig"), zone=lake.zone_info, now=now)
        except OSError as error:
            return [], (f"{shown}: cannot be read: {error.strerror}",)
        except (UnicodeDecodeError, Refused) as error:
            return [], (f"{shown}: {error}",)
        return list(readings), tuple(f"{shown}: {fault}" for fault in faults)

    def keep(self, lake: Lake, hourly: Hourly, *, source: str, now: datetime) -> None:
        """Write down the days of a forecast's past hours that are over."""
        daily, _ = daily_means(hourly, latitude=lake.latitude, longitude=lake.longitude)
        with self._store.write() as connection:
            keep_days(connection, lake, daily, source=source, now=now)
