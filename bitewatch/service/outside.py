"""What is known of the world outside, forecasts, station hours and warnings: asked in one step, read in another."""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.exc import OperationalError

from bitewatch.brief.lake_day import LakeDay
from bitewatch.lake.local_time import first_instant
from bitewatch.lake.profile import Lake
from bitewatch.presentation.technique import techniques
from bitewatch.presentation.trip import TripHours
from bitewatch.service.evaluate import evaluate
from bitewatch.service.follow import FRONTS_BACK, follow_fronts
from bitewatch.service.gauges import Gauges
from bitewatch.service.known_fronts import load
from bitewatch.service.lake_cells import lake_cells
from bitewatch.service.lake_water import LakeWaters
from bitewatch.service.official import Official
from bitewatch.service.past_days import PastDays
from bitewatch.service.refresh import Refresher
from bitewatch.service.shown import last_shown
from bitewatch.service.verify_fronts import verify_lake
from bitewatch.service.weather_now import Weather, WeatherNow, with_switch
from bitewatch.settings import Settings
from bitewatch.store.database import Store
from bitewatch.store.events import Event
from bitewatch.store.metadata import event
from bitewatch.weather.following import guessed_spread_h
from bitewatch.weather.verification import LeadDay, half_width_h

log = logging.getLogger(__name__)

LOOKS_AHEAD = timedelta(hours=24)  #: an issue that ends sooner cannot carry the next trip


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """Sources and feeds of one installation, over one store."""

    settings: Settings
    store: Store
    refresher: Refresher
    weather_now: WeatherNow
    official: Official
    waters: LakeWaters
    past_days: PastDays
    gauges: Gauges
    seen: set[str] = field(default_factory=set)  #: lakes whose fronts this process has followed
    verified: dict[str, tuple[date, tuple[LeadDay, ...]]] = field(default_factory=dict)

    def refresh(
        self, lakes: Sequence[Lake], now: datetime, *, go_on: Callable[[], bool] = lambda: True
    ) -> set[str]:  # fmt: skip
        """Ask for all that is due for these lakes, and follow their fronts through what came.

        Hands back the ids of lakes of which something new is known.
        """
        if not lakes:
            return set()
        answered = self.refresher.refresh(lakes, now, go_on=go_on)
        if "nws" in self.settings.config.warnings.feeds:
            self.refresher.locate("nws", lakes, now)  # it tells the areas that warnings are given for
        self.gauges.refresh(lakes, now)
        changed = self._warned(lakes, now)
        for lake in lakes:
            if lake.id not in answered and lake.id in self.seen:
                continue
            self.seen.add(lake.id)
            try:
                weather = self.weather_now.weather(lake, now, covering=(now, now + LOOKS_AHEAD))
                self._keep_days(lake, weather, now)
                if follow_fronts(self.store, lake, weather, now, spread_h=self._spread(lake, now)):
                    changed.add(lake.id)
            except OperationalError:  # the store is busy or full: the next tick tries again
                raise
            except Exception:  # its brief will say so; the other lakes go on
                log.exception("the fronts of %s could not be followed", lake.id)
        self.past_days.refresh(lakes, now, go_on=go_on)
        return changed

    def _keep_days(self, lake: Lake, weather: Weather, now: datetime) -> None:
        """Days that are over stay known, whatever becomes of their source; a file on this machine stays itself."""
        seen = weather.seen
        if weather.hourly is not None and seen is not None and not seen.is_file:
            # what was still ahead when it came is a forecast, however long ago that is
            self.waters.keep(lake, weather.hourly, source=seen.source, now=min(now, seen.retrieved_at))

    def _spread(self, lake: Lake, now: datetime) -> Callable[[float], float]:
        """Half the width of an onset's range at this lake: as its forecasts were off so far, worked out once a day."""
        known = self.verified.get(lake.id)
        if known is None or known[0] != now.date():
            with self.store.read() as connection:
                cells = lake_cells(connection, self.refresher, lake, self.refresher.whole(lake), now)
                known = (now.date(), verify_lake(connection, lake.id, cells).table)
            self.verified[lake.id] = known
        table = known[1]
        return lambda lead_h: half_width_h(table, lead_h, guessed_spread_h(lead_h))

    def _warned(self, lakes: Sequence[Lake], now: datetime) -> set[str]:
        """Read the feeds that are due; the lakes of which warnings have come or gone."""
        with self.store.read() as connection:
            last = connection.execute(select(func.coalesce(func.max(event.c.id), 0))).scalar_one()
        self.official.refresh(lakes, now)
        told = (event.c.id > last) & event.c.name.in_([Event.WARNING_ISSUED.value, Event.WARNING_ENDED.value])
        with self.store.read() as connection:
            return set(connection.execute(select(event.c.subject).where(told)).scalars())

    def lake_day(self, lake: Lake, day: date, trip_hours: TripHours, *, reader: str, now: datetime) -> LakeDay:
        """All that is known of a lake for a trip, against what a reader was told of it last."""
        start, end = trip_hours.instants(day, lake.zone_info)
        weather = self.weather_now.weather(lake, now, covering=(start, end))
        with self.store.read() as connection:
            before: Any = last_shown(connection, reader, lake.id)
            fronts = load(connection, lake.id, since=now - FRONTS_BACK)
            # those of the rest of the day are told too, as outside the trip hours
            until = max(end, first_instant(day + timedelta(days=1), lake.zone_info))
            official = self.official.seen(connection, lake, now=now, until=until)
        # what a thermometer showed after the launch would be a look ahead; of a trip to come all that is known counts
        water = self.waters.known(lake, until=min(start, now), now=now)
        if why := self.gauges.why_not(lake):
            water = replace(water, failures=(*water.failures, why))
        return evaluate(
            lake=lake, weather=with_switch(weather, before), book=self.settings.book_for(lake), table=techniques(),
            trip_hours=trip_hours, day=day, now=now, told_before=before, known_fronts=fronts, official=official,
            water=water,
        )  # fmt: skip
