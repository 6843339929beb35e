"""Public gauges of the US Geological Survey: how warm the water is."""

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import partial
from typing import Any
from urllib.parse import urlencode, urlsplit

from pydantic import SecretStr

from bitewatch.errors import OutsideFailed, PayloadRefused, SourceWaits
from bitewatch.weather.sources.acceptance import AHEAD, Reason, check_near
from bitewatch.weather.sources.base import Asking, Params, Place, Question, Received
from bitewatch.weather.sources.iso_intervals import instant
from bitewatch.weather.sources.nws import geo_json, point_of
from bitewatch.weather.sources.settings import UsgsSettings

VERSION = "v0"  #: of their interface; the next one is said to be on its way
WATER_TEMPERATURE = "00010"  #: their code; degrees Celsius by its definition
UNITS = frozenset({"degc", "deg c", "°c"})  #: in small letters; which of them they write was not seen (own choice)
APPROVED = "approved"
PROVISIONAL = "Provisional data are subject to revision."  #: to be said beside values that are not approved
#: what stands beside a value that is not that of open water: ice, equipment, backwater, maintenance, discontinued;
#: the codes are those of their older service, the words are as one would spell them out (own choice)
DROPPED = frozenset(
    {"ice", "eqp", "equip", "bkw", "backwater", "mnt", "maint", "maintenance", "dis", "discontinued", "***"}
)
COLDEST_C, WARMEST_C = -0.5, 45.0
FRESH_FOR = timedelta(hours=6)  #: their "latest" may be years old
GONE_AFTER = timedelta(days=30)  #: a series that says nothing for so long calls for no choice any more (own choice)
GOOD_FOR = timedelta(hours=1)
AT_ONCE = 300  #: gauges in one question; with the longest names the address is under 8,000 bytes, beyond which 414
LIMIT = 8000  #: values in one page, of some 500 bytes each; theirs is 50,000, which our cap of size would not let pass
A_DAY = 96  #: values of one gauge, every quarter of an hour
MOST_PAGES = 6
READABLE = 120  #: characters of gauges that a key shows; longer lists are shown by their hash
LONGEST_ADDRESS = 8000
STATION = re.compile(r"[A-Za-z]{2,10}-[A-Za-z0-9.-]{1,40}")
SERIES = re.compile(r"[A-Za-z0-9-]{1,64}")
DECIMAL = re.compile(r"-?[0-9]{1,9}(?:\.[0-9]{1,9})?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """A gauge that a lake names."""

    lake: str
    station: str  #: such as USGS-01234567
    series: str | None = None  #: which of its series; needed where it has several
    latitude: float  #: of the lake: a gauge far from it is not its gauge
    longitude: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One temperature of the water as a gauge told it."""

    station: str
    series: str
    at: datetime  #: aware, UTC
    temp_c: float
    depth_note: str | None = None  #: where the sensor hangs, in their words, if they tell
    approval: str  #: theirs, empty if they do not tell
    qualifiers: tuple[str, ...] = ()
    provisional: bool = True  #: not approved (yet)


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeReadings:
    """What gauges told: of each lake its readings, the oldest first, or in words why it has none."""

    measured: Mapping[str, tuple[Measured, ...]]
    left_out: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """One row of an answer; what of it cannot be used is missing."""

    station: str
    series: str
    at: datetime
    point: tuple[float, float] | None
    measured: Measured | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Page:
    rows: tuple[_Told, ...]
    next_url: str | None


class Usgs:
    """The newest water temperature of gauges, hundreds in one question, or their temperatures since some day."""

    name = "usgs"
    attribution = "Source: US Geological Survey"
    terms = "US Government work, public domain"
    commercial_ok = True
    every = GOOD_FOR

    def __init__(self, settings: UsgsSettings, *, api_key: SecretStr | None = None):
        self._url = settings.url
        self._api_key = api_key

    def readings(
        self, gauges: Sequence[Gauge], asking: Asking, *, now: datetime, since: datetime | None = None
    ) -> GaugeReadings:
        """What the gauges of lakes tell: the newest value of each, or every one since a moment.

        Each question stands for an hour. Where one fails, the lakes of the others have their readings all the same.

        Parameters
        ----------
        gauges : sequence of Gauge
            One for a lake; several lakes may name the same.
        asking : Asking
            The one polite way to ask.
        now : datetime
            Against which "newest" is taken: a value older than six hours is not used.
        since : datetime, optional
            From when on values are wanted; the newest alone if left out.

        Raises
        ------
        OutsideFailed
            If nothing could be asked of any gauge.
        """
        rows: list[_Told] = []
        failed: dict[str, OutsideFailed] = {}
        stations = sorted({gauge.station for gauge in gauges})
        count = AT_ONCE if since is None else _at_once(now - since)
        batches = [stations[at : at + count] for at in range(0, len(stations), count)]
        for number, batch in enumerate(batches):
            try:
                rows += self._all_pages(self.question(batch, since=since), asking, now)
            except OutsideFailed as failure:
                only_this = isinstance(failure, PayloadRefused) or (
                    isinstance(failure, SourceWaits) and failure.only_this
                )
                failed |= dict.fromkeys(batch if only_this else stations[number * count :], failure)
                if not only_this:
                    break
        if failed and len(failed) == len(stations):
            raise next(iter(failed.values()))
        told: dict[str, list[_Told]] = {}
        for row in rows:
            told.setdefault(row.station, []).append(row)
        measured: dict[str, tuple[Measured, ...]] = {}
        left_out: dict[str, str] = {}
        for gauge in gauges:
            error = failed.get(gauge.station)
            found = str(error) if error else _of(gauge, told.get(gauge.station, []), now=now, since=since)
            if isinstance(found, str):
                left_out[gauge.lake] = found
            else:
                measured[gauge.lake] = found
        return GaugeReadings(measured=measured, left_out=left_out)

    def question(self, stations: Sequence[str], *, since: datetime | None = None) -> Question:
        """One question for some gauges; a key goes into a header and nowhere else."""
        collection = "latest-continuous" if since is None else "continuous"
        asked = {
            "f": "json", "parameter_code": WATER_TEMPERATURE, "limit": str(LIMIT),
            "monitoring_location_id": ",".join(stations),
        }  # fmt: skip
        told = ",".join(stations)
        if len(told) > READABLE:
            told = f"{len(stations)} gauges {_hash(told)}"
        key = f"{self.name}:latest:{told}"
        if since is not None:  # from midnight on: what is asked stays the same for a day
            begins = f"{since.astimezone(UTC):%Y-%m-%d}"
            asked["time"] = f"{begins}T00:00:00Z/.."
            key = f"{self.name}:{begins}:{told}"
        url = f"{self._url}/{VERSION}/collections/{collection}/items?{urlencode(asked, safe=',:/')}"
        return Question(key=key, url=url, headers=self._headers, good_for=GOOD_FOR)

    @property
    def _headers(self) -> Params:
        said = {"Accept": "application/geo+json, application/json"}
        return said if self._api_key is None else said | {"X-Api-Key": self._api_key.get_secret_value()}

    def _all_pages(self, question: Question, asking: Asking, now: datetime) -> list[_Told]:
        """Every row of an answer, or none: a page that fails fails all."""
        rows: list[_Told] = []
        asked = question
        for _ in range(MOST_PAGES):
            page: _Page = asking.facts(self.name, asked, partial(_page, asked_url=asked.url), now=now)
            rows += page.rows
            if page.next_url is None or not page.rows:
                return rows
            asked = Question(
                key=f"{question.key}:{_hash(page.next_url)}", url=page.next_url, headers=question.headers,
                good_for=GOOD_FOR,
            )  # fmt: skip
        raise PayloadRefused(Reason.WRONG_SHAPE, f"more than {MOST_PAGES} pages")


def read(received: Received) -> tuple[Measured, ...]:
    """Every temperature in one page that may be used. Pure.

    Raises
    ------
    PayloadRefused
        If it is not a page of water temperatures in the documented shape and unit.
    """
    return tuple(row.measured for row in _page(received).rows if row.measured is not None)


def credit(measured: Iterable[Measured]) -> str:
    """The line that goes with readings.

    >>> credit([])
    'Source: US Geological Survey'
    """
    provisional = any(one.provisional for one in measured)
    return f"{Usgs.attribution}. {PROVISIONAL}" if provisional else Usgs.attribution


def _page(received: Received, asked_url: str | None = None) -> _Page:
    answer = geo_json(received, "FeatureCollection")
    features, returned = answer.get("features"), answer.get("numberReturned")
    if not isinstance(features, list):
        raise PayloadRefused(Reason.WRONG_SHAPE, "no list of features")
    if returned is not None and returned != len(features):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"says {ascii(returned)[:20]} values, holds {len(features)}")
    rows = tuple(_row(feature) for feature in features)
    return _Page(rows=rows, next_url=_next_url(answer.get("links"), asked_url))


def _row(feature: Any) -> _Told:
    said = feature.get("properties") if isinstance(feature, dict) else None
    if not isinstance(said, dict):
        raise PayloadRefused(Reason.WRONG_SHAPE, "a feature has no properties")
    station, series = said.get("monitoring_location_id"), said.get("time_series_id")
    if not isinstance(station, str) or not STATION.fullmatch(station):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{ascii(station)[:60]} is not the name of a gauge")
    if not isinstance(series, str) or not SERIES.fullmatch(series):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{ascii(series)[:80]} is not the name of a series")
    if said.get("parameter_code") != WATER_TEMPERATURE:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{ascii(said.get('parameter_code'))[:20]} is no water temperature")
    unit = said.get("unit_of_measure")
    if not isinstance(unit, str) or unit.strip().lower() not in UNITS:
        raise PayloadRefused(Reason.WRONG_UNITS, f"{station} in {ascii(unit)[:40]}, not degC")
    at, point = instant(said.get("time")), point_of(feature.get("geometry"))
    temp_c, qualifiers = _temp_c(said.get("value")), _qualifiers(said.get("qualifier"))
    approval, where = said.get("approval_status") or "", said.get("sublocation_identifier") or None
    if not isinstance(approval, str) or not isinstance(where, str | None):
        raise PayloadRefused(Reason.WRONG_SHAPE, "approval_status or sublocation_identifier is not a text")
    measured = None
    if temp_c is not None and COLDEST_C <= temp_c <= WARMEST_C and not DROPPED & {word.lower() for word in qualifiers}:
        measured = Measured(
            station=station, series=series, at=at, temp_c=temp_c, depth_note=where and where[:80],
            approval=approval[:40], qualifiers=qualifiers, provisional=approval.strip().lower() != APPROVED,
        )  # fmt: skip
    return _Told(station=station, series=series, at=at, point=point, measured=measured)


def _temp_c(value: Any) -> float | None:
    """The number in a value, which is written as a text; None where there is no number, or a reason in its place."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"the value {ascii(value)[:40]} is neither a number nor a text")
    text = str(value)
    return float(Decimal(text)) if DECIMAL.fullmatch(text) else None


def _qualifiers(said: Any) -> tuple[str, ...]:
    """A list of words, one word, or nothing."""
    words = [] if said is None else [said] if isinstance(said, str) else said
    if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
        raise PayloadRefused(Reason.WRONG_SHAPE, "qualifier is not a list of words")
    return tuple(word.strip()[:40] for word in words)


def _next_url(links: Any, asked_url: str | None) -> str | None:
    """Where the next page lies: on the same host only, for a key goes along, and never the page that was asked."""
    if links is None:
        return None
    if not isinstance(links, list) or not all(isinstance(link, dict) for link in links):
        raise PayloadRefused(Reason.WRONG_SHAPE, "links is not a list of links")
    found = [link.get("href") for link in links if link.get("rel") == "next"]
    if not found or asked_url is None:
        return None
    href = found[0]
    if not isinstance(href, str) or len(href) > LONGEST_ADDRESS or not href.isascii() or not href.isprintable():
        raise PayloadRefused(Reason.WRONG_SHAPE, "the next page has no usable address")
    try:
        here, there = urlsplit(asked_url), urlsplit(href)
    except ValueError as error:
        raise PayloadRefused(Reason.WRONG_SHAPE, "the next page has no usable address") from error
    if (there.scheme, there.netloc) != (here.scheme, here.netloc) or href == asked_url:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"the next page is said to lie at {ascii(href)[:100]}")
    return href


def _of(gauge: Gauge, rows: Iterable[_Told], *, now: datetime, since: datetime | None) -> tuple[Measured, ...] | str:
    """The readings of one gauge, each moment once; or in words why there are none to use."""
    known = [row for row in rows if row.at <= now + AHEAD]
    for latitude, longitude in {row.point for row in known if row.point is not None}:
        if not _is_near(gauge, latitude, longitude):
            return f"{gauge.station} lies at {latitude:g}, {longitude:g}, not near the lake"
    newest = {row.series: row for row in sorted(known, key=lambda row: row.at)}
    live = {name: row for name, row in newest.items() if now - row.at <= GONE_AFTER}
    if not newest:
        return f"{gauge.station} tells no water temperature"
    if gauge.series is not None and gauge.series not in newest:
        return f"{gauge.station} has no series {gauge.series}; there are {_described(newest)}"
    if gauge.series is None and len(live) > 1:
        return f"{gauge.station} has {len(live)} series, name one of them as gauge_series: {_described(live)}"
    series = gauge.series or next(iter(live), max(newest, key=lambda name: newest[name].at))
    last = newest[series].at
    if since is None and now - last > FRESH_FOR:
        return f"{gauge.station} has told nothing since {last:%Y-%m-%d %H:%M} UTC"
    usable = {
        row.at: row.measured
        for row in known
        if row.series == series and row.measured is not None and (since is None or row.at >= since)
    }
    if not usable:
        return f"{gauge.station} tells no temperature of open water"
    return tuple(usable[at] for at in sorted(usable))


def _is_near(gauge: Gauge, latitude: float, longitude: float) -> bool:
    try:
        check_near(Place(lake=gauge.lake, latitude=gauge.latitude, longitude=gauge.longitude), latitude, longitude)
    except PayloadRefused:
        return False
    return True


def _described(series: Mapping[str, _Told]) -> str:
    """Each series with what it told last, by which one knows the depth that one wants."""
    texts = []
    for name in sorted(series):
        last = series[name].measured
        where = "" if last is None or last.depth_note is None else f", {last.depth_note}"
        texts.append(f"{name} (no value)" if last is None else f"{name} ({last.temp_c:g} degC{where})")
    return ", ".join(texts)


def _at_once(span: timedelta) -> int:
    """So many gauges in one question that their values over a span fill about one page."""
    days = max(1, -(-span // timedelta(days=1)) + 1)
    return max(1, min(AT_ONCE, LIMIT // (A_DAY * days)))


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:32]
