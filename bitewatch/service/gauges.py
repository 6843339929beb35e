"""Public gauges: asked once an hour for the water of the lakes that name one, and kept as readings."""

import logging
from collections.abc import Sequence
from datetime import datetime, timedelta

from bitewatch.errors import OutsideFailed, SourceWaits
from bitewatch.lake.profile import Lake
from bitewatch.service.readings import add_readings, kept_readings
from bitewatch.service.refresh import note_back, note_down
from bitewatch.store.database import Store
from bitewatch.water.reading import Reading
from bitewatch.weather.sources.base import Asking
from bitewatch.weather.sources.usgs import Gauge, Usgs, credit

log = logging.getLogger(__name__)

EVERY = timedelta(hours=1)
LOOKS_BACK = timedelta(days=14)  #: at the first look: so long a reading still tells something of today


class Gauges:
    """Asks for readings, and remembers whom not to ask again so soon."""

    def __init__(self, store: Store, source: Usgs, asking: Asking):
        self._store = store
        self._source = source
        self._asking = asking
        self._not_before: datetime | None = None
        self._looked_back: set[str] = set()  #: lakes whose gauge was asked for the days before
        self._why: dict[str, str] = {}

    def why_not(self, lake: Lake) -> str:
        """Why the gauge of a lake has told nothing, in words; empty if nothing is wrong."""
        return self._why.get(lake.id, "")

    def refresh(self, lakes: Sequence[Lake], now: datetime) -> None:
        """Ask for what is due, and keep what came; a gauge that fails costs its lake a reading and nothing else."""
        gauges = [_gauge(lake) for lake in lakes if lake.gauge is not None]
        if not gauges or (self._not_before is not None and now < self._not_before):
            return
        self._not_before = now + EVERY
        self._ask(gauges, now, None)
        new = [gauge for gauge in gauges if self._is_new(gauge, now)]  # their days before are dear: the newest go first
        if new and self._ask(new, now, now - LOOKS_BACK):
            self._looked_back |= {gauge.lake for gauge in new}

    def _is_new(self, gauge: Gauge, now: datetime) -> bool:
        """True for a gauge of which no reading older than today is at hand, and that was not asked for them yet."""
        if gauge.lake in self._looked_back:
            return False
        with self._store.read() as connection:
            kept = kept_readings(connection, gauge.lake)
        return not any(
            one.reading.source == self._source.name and LOOKS_BACK > now - one.reading.at > timedelta(days=1)
            for one in kept
        )

    def _ask(self, gauges: Sequence[Gauge], now: datetime, since: datetime | None) -> bool:
        """Keep what gauges tell; False if none of them could be asked."""
        try:
            told = self._source.readings(gauges, self._asking, now=now, since=since)
        except SourceWaits as error:
            self._why |= {gauge.lake: str(error) for gauge in gauges}
            return False
        except OutsideFailed as error:
            self._why |= {gauge.lake: str(error) for gauge in gauges}
            with self._store.write() as connection:
                note_down(connection, self._source.name, " ".join(str(error).split()), now)
            return False
        with self._store.write() as connection:
            note_back(connection, self._source.name, now)
            for lake, measured in told.measured.items():
                self._why.pop(lake, None)
                readings = [
                    Reading(at=one.at, temp_c=one.temp_c, source=self._source.name, known_at=now) for one in measured
                ]
                add_readings(connection, lake, readings, now=now, note=credit(measured))
        self._why |= told.left_out
        return True


def _gauge(lake: Lake) -> Gauge:
    assert lake.gauge is not None
    return Gauge(
        lake=lake.id, station=lake.gauge, series=lake.gauge_series, latitude=lake.latitude, longitude=lake.longitude
    )
