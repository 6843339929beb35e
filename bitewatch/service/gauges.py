"""Public gauges: asked once an hour for the water of the lakes that name one, and kept as readings."""

import logging
from collections.abc import Sequence
from datetime import datetime, timedelta

from bitewatch.errors import OutsideFailed, SourceWaits
from bitewatch.lake.profile import Lake
from bitewatch.service.lake_facts import read_lake_fact, set_lake_fact
from bitewatch.service.readings import add_readings
from bitewatch.service.refresh import note_back, note_down
from bitewatch.store.database import Store
from bitewatch.water.reading import Reading
from bitewatch.weather.sources.base import Asking
from bitewatch.weather.sources.usgs import Gauge, Usgs, credit

log = logging.getLogger(__name__)

EVERY = timedelta(hours=1)
GAP = timedelta(hours=6)  #: after so long without an answer the hours between are asked for
ASKED, ANSWERED = "gauge asked", "gauge answered"  #: what is remembered of each lake
LOOKS_BACK = timedelta(days=14)  #: at the first look: so long a reading still tells something of today


class Gauges:
    """Asks for readings, and remembers in the store whom not to ask again so soon."""

    def __init__(self, store: Store, source: Usgs, asking: Asking):
        self._store = store
        self._source = source
        self._asking = asking
        self._asked: dict[str, datetime] = {}
        self._why: dict[str, str] = {}

    def why_not(self, lake: Lake) -> str:
        """Why the gauge of a lake has told nothing, in words; empty if nothing is wrong."""
        return self._why.get(lake.id, "")

    def refresh(self, lakes: Sequence[Lake], now: datetime) -> None:
        """Ask for what is due, and keep what came; a gauge that fails costs its lake a reading and nothing else."""
        due = [_gauge(lake) for lake in lakes if lake.gauge is not None and self._is_due(lake, now)]
        if not due:
            return
        self._ask(due, now, None)
        with self._store.read() as connection:  # what came before a gap is dear: the newest go first
            before = {gauge.lake: _moment(read_lake_fact(connection, gauge.lake, ANSWERED)) for gauge in due}
        behind = [gauge for gauge in due if (last := before[gauge.lake]) is None or now - last > GAP]
        if not behind or self._ask(behind, now, now - LOOKS_BACK):
            answered = [gauge for gauge in due if gauge.lake not in self._why or gauge in behind]
            with self._store.write() as connection:
                for gauge in answered:
                    set_lake_fact(connection, gauge.lake, ANSWERED, now.isoformat())

    def _is_due(self, lake: Lake, now: datetime) -> bool:
        """True once an hour, by whatever process; asking is written down before it is known what comes."""
        if lake.id not in self._asked:
            with self._store.read() as connection:
                asked = _moment(read_lake_fact(connection, lake.id, ASKED))
            if asked is not None:
                self._asked[lake.id] = asked
        if now - self._asked.get(lake.id, now - EVERY) < EVERY:
            return False
        self._asked[lake.id] = now
        with self._store.write() as connection:
            set_lake_fact(connection, lake.id, ASKED, now.isoformat())
        return True

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


def _moment(told: str | None) -> datetime | None:
    return None if not told else datetime.fromisoformat(told)
