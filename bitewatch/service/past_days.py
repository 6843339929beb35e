"""Days that nobody has yet: since spring, so that the water can be followed, and of seasons before, for its normal."""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from bitewatch.errors import OutsideFailed, SourceWaits
from bitewatch.lake.profile import Lake
from bitewatch.service.cells import place_of
from bitewatch.service.lake_air import keep_days, missing_days
from bitewatch.service.lake_water import LakeWaters, season_first
from bitewatch.service.refresh import Refresher
from bitewatch.store.database import Store
from bitewatch.weather.daily import daily_means
from bitewatch.weather.sources.base import Asking, Cell, HasPastWeather

MOST_AN_HOUR = 20  #: questions, so that the past never uses up what the forecast needs [own]
TRY_AGAIN = timedelta(days=1)
REACH = timedelta(days=91)  #: as far back as the model's own past is asked for; before it a reanalysis tells
SEASON_LONG = timedelta(days=213)  #: April to October
GAPS = 20  #: days that may be missing from a season before without its being asked for [own]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    first: date
    last: date
    most_missing: int = 0


class PastDays:
    """Asks for past days, lake by lake, a few questions an hour."""

    def __init__(
        self, store: Store, refresher: Refresher, waters: LakeWaters, asking: Asking, *, normal_years: int
    ):  # fmt: skip
        self._store = store
        self._refresher = refresher
        self._waters = waters
        self._asking = asking
        self._normal_years = normal_years
        self._asked: deque[datetime] = deque()
        self._whole: set[tuple[str, date]] = set()  #: lakes of whose season nothing is missing that could be asked for
        self._not_before: dict[str, datetime] = {}

    def refresh(self, lakes: Sequence[Lake], now: datetime, *, go_on: Callable[[], bool] = lambda: True) -> set[str]:
        """Ask for what is missing, this season first; hands back the ids of lakes of which more is known."""
        found: set[str] = set()
        for seasons_before in (False, True):
            for lake in lakes:
                if not go_on():
                    return found
                if self._ask(lake, now, seasons_before):
                    found.add(lake.id)
        return found

    def _ask(self, lake: Lake, now: datetime, seasons_before: bool) -> bool:
        today = now.astimezone(lake.zone_info).date()
        week = today.isocalendar().week  # looked at anew every week: days of a source that was down go missing too
        key = (f"{lake.id}:{seasons_before}:{week}", season_first(lake, today))
        if key in self._whole or now < self._not_before.get(lake.id, now):
            return False
        source, cell = self._source(lake, now)
        if source is None or cell is None:
            return False
        known = self._waters.all_days(lake)
        spans = self._seasons(lake, today) if seasons_before else _this_season(lake, today)
        lacking = [
            span for span in spans if len(missing_days(known, span.first, span.last)) > span.most_missing
        ]  # fmt: skip
        if not lacking:
            self._whole.add(key)
            return False
        got = False
        for span in lacking:
            if not self._may_ask(now):
                break
            try:
                hourly = source.past(cell, span.first, span.last, self._asking, now=now)
            except SourceWaits as error:
                self._not_before[lake.id] = error.until
                break
            except OutsideFailed:  # what is missing widens the spread, and the brief says so
                self._not_before[lake.id] = now + TRY_AGAIN
                break
            daily, _ = daily_means(hourly, latitude=lake.latitude, longitude=lake.longitude)
            with self._store.write() as connection:
                keep_days(connection, lake, daily, source=source.past_source(span.first, now=now), now=now)
            got = True
        else:
            self._whole.add(key)  # what is still missing is missing there too
        return got

    def _source(self, lake: Lake, now: datetime) -> "tuple[HasPastWeather | None, Cell | None]":
        for source in self._refresher.whole(lake):
            cell = self._refresher.cell(source, place_of(lake), now)
            if isinstance(source, HasPastWeather) and isinstance(cell, Cell):
                return source, cell
        return None, None

    def _seasons(self, lake: Lake, today: date) -> list[_Wanted]:
        first = season_first(lake, today)
        starts = [first.replace(year=first.year - n) for n in range(1, self._normal_years + 1)]
        return [_Wanted(first=start, last=start + SEASON_LONG, most_missing=GAPS) for start in starts]

    def _may_ask(self, now: datetime) -> bool:
        while self._asked and now - self._asked[0] >= timedelta(hours=1):
            self._asked.popleft()
        if len(self._asked) >= MOST_AN_HOUR:
            return False
        self._asked.append(now)
        return True


def _this_season(lake: Lake, today: date) -> list[_Wanted]:
    """From the season's first day to yesterday, in two questions where the model's own past does not reach so far."""
    first, last, reach = season_first(lake, today), today - timedelta(days=1), today - REACH
    spans = [(first, min(last, reach - timedelta(days=1))), (max(first, reach), last)]
    return [_Wanted(first=begin, last=end, most_missing=2) for begin, end in spans if begin <= end]
