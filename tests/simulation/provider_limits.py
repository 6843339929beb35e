"""What providers have asked of their clients, held against what one of them saw: its own log, nothing else.

The limits are those of the providers' public pages as read in 2026: the pricing page and server source of Open-Meteo,
the terms of service of api.met.no (page of 2023), the documentation and issue tracker of api.weather.gov.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import parse_qs, urlsplit

from tests.simulation.exchange import WEIGHED, Route
from tests.simulation.server_log import Entry, ServerLog, peak_rate

OPEN_METEO_LIMITS = {"minute": 600.0, "hour": 5000.0, "day": 10_000.0}
OPEN_METEO_LOCATIONS = 1000
LONGEST_ADDRESS = 8000  #: characters; longer ones end in a reset or 414
MET_PER_SECOND = 20
MET_REST = timedelta(minutes=10)  #: after a 429
NWS_PER_SECOND = 10  #: not published; ours is 2
USGS_PER_HOUR = 50  #: without a key, as its users report
ALERTS_APART = timedelta(seconds=60)
MORE_THAN_4_DECIMALS = re.compile(r"-?\d+\.\d{5,}")
KNOWN_TO_NWS = frozenset({"status", "start", "end", "limit"})
CONTACT = re.compile(r"\S+/\S+.*(?:https?://|[\w.+-]+@)[\w-]+\.\w+")
GENERIC = re.compile(r"^(?:python|curl|wget|java|go-http|mozilla|okhttp)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """One breach of what a provider has written down."""

    source: str
    at: datetime
    what: str

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M:%S} {self.source}: {self.what}"


def names_a_contact(user_agent: str) -> bool:
    """A program, its version, and an e-mail or web address; nothing generic."""
    return bool(CONTACT.match(user_agent)) and not GENERIC.match(user_agent)


def violations(log: ServerLog, *, human_acted: Sequence[datetime] = ()) -> tuple[Violation, ...]:
    """Every breach in a log, by source and in order of time.

    Parameters
    ----------
    log : ServerLog
        What the server saw.
    human_acted : sequence of datetime
        When the operator lifted a stop: a provider that answered 403 may be asked again from then on.
    """
    found = [*_quota(log), *_open_meteo(log), *_met_norway(log, human_acted), *_nws(log), *_usgs(log)]
    for source in ("open-meteo", "met-norway", "nws", "cap", "usgs"):
        found += _came_back_too_soon(log.of(source))
    return tuple(sorted(found, key=lambda violation: (violation.source, violation.at)))


def _breach(entry: Entry, what: str) -> Violation:
    return Violation(source=entry.source, at=entry.at, what=what)


def _quota(log: ServerLog) -> Iterator[Violation]:
    for window, limit in OPEN_METEO_LIMITS.items():
        for begins, weight in log.sums("open-meteo", window).items():
            if weight > limit:
                yield Violation(source="open-meteo", at=begins, what=f"{weight:g} in a {window}, {limit:g} allowed")


def _open_meteo(log: ServerLog) -> Iterator[Violation]:
    for entry in log.of("open-meteo"):
        if entry.in_flight > 1 and entry.route in WEIGHED:
            yield _breach(entry, f"{entry.in_flight} requests in flight")
        if entry.locations > OPEN_METEO_LOCATIONS:
            yield _breach(entry, f"{entry.locations} locations in one call")
        if entry.method == "GET" and len(entry.key) > LONGEST_ADDRESS:
            yield _breach(entry, "an address too long for a GET")


def _met_norway(log: ServerLog, human_acted: Sequence[datetime]) -> Iterator[Violation]:
    entries = log.of("met-norway")
    yield from _too_fast(entries, MET_PER_SECOND)
    yield from _asked_again(entries)
    forbidden: datetime | None = None
    for entry in entries:
        if forbidden is not None and not any(forbidden <= acted <= entry.at for acted in human_acted):
            yield _breach(entry, f"asked after the 403 of {forbidden:%H:%M:%S}")
        if entry.status == 403:
            forbidden = entry.at
        if MORE_THAN_4_DECIMALS.search(entry.key):
            yield _breach(entry, "more than four decimals")
        if not names_a_contact(entry.user_agent):
            yield _breach(entry, f"no contact in the User-Agent {entry.user_agent!r}")


def _nws(log: ServerLog) -> Iterator[Violation]:
    entries = log.of("nws")
    yield from _too_fast(entries, NWS_PER_SECOND)
    yield from _asked_again(entries)
    last_alerts: Entry | None = None
    for entry in entries:
        if not entry.user_agent:
            yield _breach(entry, "no User-Agent")
        asked = parse_qs(urlsplit(entry.key).query)
        if entry.route is Route.ALERTS and {"point", "zone", "area"} & set(asked):
            yield _breach(entry, "alerts asked for one place; one national request is wanted")
        elif set(asked) - KNOWN_TO_NWS:
            yield _breach(entry, f"parameters that only defeat caches: {sorted(set(asked) - KNOWN_TO_NWS)}")
        if entry.route is Route.POINTS and MORE_THAN_4_DECIMALS.search(entry.key):
            yield _breach(entry, "more than four decimals")
        if entry.route is Route.ALERTS:
            if (
                last_alerts is not None
                and last_alerts.whole
                and last_alerts.status < 400
                and entry.at - last_alerts.at < ALERTS_APART
            ):
                yield _breach(entry, f"alerts asked again after {(entry.at - last_alerts.at).total_seconds():g} s")
            last_alerts = entry


def _usgs(log: ServerLog) -> Iterator[Violation]:
    for begins, count in log.sums("usgs", "hour").items():
        if count > USGS_PER_HOUR:
            yield Violation(source="usgs", at=begins, what=f"{count:g} in an hour, {USGS_PER_HOUR} allowed")
    for entry in log.of("usgs"):
        if len(entry.key) > LONGEST_ADDRESS:
            yield _breach(entry, "an address too long for a GET")
        if not names_a_contact(entry.user_agent):
            yield _breach(entry, f"no contact in the User-Agent {entry.user_agent!r}")


def _too_fast(entries: Sequence[Entry], per_second: int) -> Iterator[Violation]:
    peak = peak_rate((entry.at for entry in entries), 1.0)
    if peak > per_second:
        yield _breach(entries[0], f"{peak} requests in a second, {per_second} allowed")


def _asked_again(entries: Sequence[Entry]) -> Iterator[Violation]:
    """Before Expires, or without a condition though an answer is at hand; only what arrived binds the client.

    Where a place lies may be asked anew once a grid is gone: the provider's documentation wants it.
    """
    held: dict[str, Entry] = {}
    for entry in entries:
        if entry.route is Route.GRID and entry.status == 404:
            held = {key: one for key, one in held.items() if one.route is not Route.POINTS}
        before = held.get(entry.key)
        if before is not None:
            if before.expires is not None and entry.at < before.expires:
                yield _breach(entry, f"asked again before Expires ({before.expires:%H:%M:%S}): {entry.key}")
            if before.last_modified is not None and entry.if_modified_since is None:
                yield _breach(entry, f"asked again without If-Modified-Since: {entry.key}")
        if entry.whole and entry.status in (200, 203, 304):
            held[entry.key] = entry


def _came_back_too_soon(entries: Sequence[Entry]) -> Iterator[Violation]:
    """Before a Retry-After, or the end of a quota's window, is over."""
    until: datetime | None = None
    for entry in entries:
        if until is not None and entry.at < until:
            yield _breach(entry, f"asked though told to wait until {until:%Y-%m-%d %H:%M:%S}")
        if entry.not_before is not None:
            until = entry.not_before if until is None else max(until, entry.not_before)
        elif entry.source == "met-norway" and entry.status == 429:
            until = entry.at + MET_REST
