"""Everything that providers do wrong, by name, and what is to come of it.

The list is that of the fault matrix of this project (sources), with what the providers' issue threads report.
"""

import gzip
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import Enum

from tests.simulation import spoiled as bad
from tests.simulation.exchange import Asked, Manner, Reply, Route, http_date
from tests.simulation.shapes_nws import OFFICE, problem
from tests.simulation.spoiled import Spoil, Token, spoiled

FORECASTS = (Route.FORECAST, Route.LOCATIONFORECAST, Route.GRID)
JSON_ROUTES = (*FORECASTS, Route.ARCHIVE, Route.OBSERVATIONS, Route.ALERTS, Route.GAUGES)
EVERYWHERE = (*JSON_ROUTES, Route.CAP)
MET, METEO = (Route.LOCATIONFORECAST,), (Route.FORECAST, Route.ARCHIVE)
MOVED_OFFICE = "XYN"
MIB = 1024 * 1024
HTML = b"<!DOCTYPE html><html><head><title>Sorry</title></head><body><h1>We will be right back</h1></body></html>"
ENTITY_BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE alert [<!ENTITY a "aaaaaaaaaa">'
    + b"".join(b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(9))
    + b']><alert xmlns="urn:oasis:names:tc:emergency:cap:1.2"><identifier>&j;</identifier></alert>'
)
OUTSIDE_ENTITY = (
    b'<?xml version="1.0"?><!DOCTYPE alert [<!ENTITY x SYSTEM "file:///etc/hostname">]>'
    b'<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2"><identifier>&x;</identifier></alert>'
)


class Outcome(Enum):
    """What a client is to make of an answer."""

    LATER = "nothing usable came; it is asked again later"
    WAIT = "it is not asked again before the time that the answer names or stands for"
    WRONG = "the request is refused and is not repeated as it is"
    STOP = "it is not asked again before somebody acts"
    SET_ASIDE = "the payload is kept apart under a named reason; the last good issue stays"
    USABLE = "an issue, with what is missing missing and a note where something was put aside"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One way to fail."""

    routes: tuple[Route, ...]
    outcome: Outcome
    at: Mapping[Route, Outcome] = field(default_factory=dict)  #: where a route has another outcome
    change: Callable[[Reply, Asked], Reply] = lambda reply, asked: reply
    stands_still: bool = False  #: what is told is what was true when the fault began
    arrives: bool = True  #: False: it cannot be unpacked, so its Expires binds nobody
    is_good: bool = False  #: there is nothing wrong with what is said: its Last-Modified is to be sent back


def _status(status: int, body: bytes = b"", **headers: str) -> Callable[[Reply, Asked], Reply]:
    named = {"Content-Type": "text/plain"} | {name.replace("_", "-"): text for name, text in headers.items()}
    return lambda reply, asked: Reply(status=status, headers=named, body=body or f"{status} {status}".encode())


def _too_many(reason: str) -> Callable[[Reply, Asked], Reply]:
    body = json.dumps({"error": True, "reason": reason}).encode()
    return _status(429, body, Content_Type="application/json")


def _manner(manner: Manner) -> Callable[[Reply, Asked], Reply]:
    return lambda reply, asked: reply.but(manner=manner, status=200 if reply.status == 304 else reply.status)


def _body(change: Callable[[bytes], bytes], **headers: str) -> Callable[[Reply, Asked], Reply]:
    def changed(reply: Reply, asked: Asked) -> Reply:
        return reply.but(body=change(reply.body)).with_headers(**headers) if reply.body else reply

    return changed


def _with(by: Mapping[Route, Spoil]) -> Callable[[Reply, Asked], Reply]:
    return lambda reply, asked: spoiled(reply, asked, by)


def _spoils(by: Mapping[Route, Spoil], outcome: Outcome) -> Fault:
    return Fault(routes=tuple(by), outcome=outcome, change=_with(by))


def _key_twice(body: bytes) -> bytes:
    """The first member of the (first) object stands twice."""
    at = body.index(b"{")
    key = body[at + 1 : body.index(b":", at)]
    return body[: at + 1] + key + b":null," + body[at + 1 :]


def _retry_date(reply: Reply, asked: Asked) -> Reply:
    headers = {"Content-Type": "text/plain", "Retry-After": http_date(asked.at + timedelta(minutes=7))}
    return Reply(status=429, headers=headers, body=b"429 Too Many Requests")


def _grid_moved(reply: Reply, asked: Asked) -> Reply:
    if asked.route is Route.POINTS:
        return reply.but(body=reply.body.replace(OFFICE.encode(), MOVED_OFFICE.encode()))
    if f"/gridpoints/{OFFICE}/" in asked.path:
        return problem("InvalidPoint", 404, "Unable to provide data for requested point")
    return reply


def _zip_bomb(reply: Reply, asked: Asked) -> Reply:
    body = gzip.compress(b" " * (16 * MIB), 9, mtime=0)
    return reply.but(status=200, body=body).with_headers(Content_Encoding="gzip")


def _half_gzip(reply: Reply, asked: Asked) -> Reply:
    if not reply.body:
        return reply
    packed = gzip.compress(reply.body, 6, mtime=0)
    return reply.but(body=packed[: len(packed) // 2]).with_headers(Content_Encoding="gzip")


def _suffixes(document: dict[str, object]) -> None:
    for table in ("hourly", "hourly_units"):
        said = document[table]
        assert isinstance(said, dict)
        document[table] = {name if name == "time" else f"{name}_other_model": one for name, one in said.items()}


def _shorter(document: dict[str, dict[str, list[object]]]) -> None:
    document["hourly"]["wind_speed_10m"].pop()


def _one_less(document: object, asked: Asked) -> object:
    return document[:-1] if isinstance(document, list) else []


def _no_coverage(body: bytes) -> bytes:
    return b'{"latitude":nan,"longitude":nan,"generationtime_ms":0.1,"utc_offset_seconds":0,"timezone":"GMT"}'


def _streamed(body: bytes) -> bytes:
    return body[: len(body) // 2] + b"Unexpected error while streaming data: timeoutReached"


LATER, WAIT, WRONG, STOP, SET_ASIDE, USABLE = Outcome
WINDOWS = {"minutely": "one minute", "hourly": "the next hour", "daily": "tomorrow"}

FAULTS: Mapping[str, Fault] = {
    **{f"status {n}": Fault(routes=EVERYWHERE, outcome=LATER, change=_status(n)) for n in (500, 502, 503, 504)},
    "503 in JSON, overloaded": Fault(
        routes=METEO, outcome=LATER,
        change=_status(503, b'{"error":true,"reason":"The service is overloaded"}', Content_Type="application/json"),
    ),
    "503, Retry-After": Fault(routes=EVERYWHERE, outcome=WAIT, change=_status(503, Retry_After="300")),
    "429, Retry-After in seconds": Fault(routes=EVERYWHERE, outcome=WAIT, change=_status(429, Retry_After="420")),
    "429, Retry-After as a date": Fault(routes=EVERYWHERE, outcome=WAIT, change=_retry_date),
    "429": Fault(routes=EVERYWHERE, outcome=WAIT, change=_status(429)),
    **{
        f"429, {name}": Fault(
            routes=METEO, outcome=WAIT,
            change=_too_many(f"{name.capitalize()} API request limit exceeded. Please try again in {when}."),
        )
        for name, when in WINDOWS.items()
    },
    "429, concurrent": Fault(routes=METEO, outcome=WAIT, change=_too_many("Too many concurrent requests")),
    "400": Fault(
        routes=METEO, outcome=WRONG,
        change=_status(400, b'{"error":true,"reason":"x"}', Content_Type="application/json"),
    ),
    "400 in HTML": Fault(routes=MET, outcome=WRONG, change=_status(400, HTML, Content_Type="text/html")),
    "401": Fault(routes=EVERYWHERE, outcome=WRONG, change=_status(401)),
    "403": Fault(
        routes=EVERYWHERE, outcome=STOP, change=_status(403),
        # files may be forbidden one by one; only forecasts stop a host
        at={Route.ALERTS: WRONG, Route.CAP: WRONG, Route.ARCHIVE: WRONG, Route.GAUGES: WRONG},
    ),
    "404": Fault(routes=(*FORECASTS, Route.ARCHIVE), outcome=WRONG, change=_status(404)),
    "422": Fault(routes=MET, outcome=WRONG, change=_status(422)),
    "203, deprecated": Fault(
        routes=MET, outcome=USABLE, is_good=True,
        change=lambda reply, asked: reply.but(status=203) if reply.status == 200 else reply,
    ),
    "redirection": Fault(
        routes=EVERYWHERE, outcome=WRONG, change=_status(302, Location="http://198.51.100.1/elsewhere")
    ),
    "timeout": Fault(routes=EVERYWHERE, outcome=LATER, change=_manner(Manner.SILENT)),
    "reset": Fault(routes=EVERYWHERE, outcome=LATER, change=_manner(Manner.RESET)),
    "cut": Fault(routes=EVERYWHERE, outcome=LATER, change=_manner(Manner.CUT)),
    "ten gigabytes": Fault(routes=EVERYWHERE, outcome=LATER, change=_manner(Manner.ENDLESS)),
    "zip bomb": Fault(routes=EVERYWHERE, outcome=LATER, arrives=False, change=_zip_bomb),
    "truncated gzip": Fault(routes=EVERYWHERE, outcome=LATER, arrives=False, change=_half_gzip),
    "HTML with 200": Fault(routes=EVERYWHERE, outcome=SET_ASIDE, change=_status(200, HTML, Content_Type="text/html")),
    "HTML as JSON": Fault(routes=JSON_ROUTES, outcome=SET_ASIDE, change=_body(lambda body: HTML)),
    "empty": Fault(routes=EVERYWHERE, outcome=SET_ASIDE, change=lambda reply, asked: reply.but(body=b"")),
    "not text": Fault(routes=JSON_ROUTES, outcome=SET_ASIDE, change=_body(lambda body: b"\xff\xfe" + body)),
    "null": Fault(routes=JSON_ROUTES, outcome=SET_ASIDE, change=_body(lambda body: b"null")),
    "an empty list": Fault(routes=JSON_ROUTES, outcome=SET_ASIDE, change=_body(lambda body: b"[]")),
    "deep nesting": Fault(routes=JSON_ROUTES, outcome=SET_ASIDE, change=_body(lambda body: b"[" * 100_000)),
    "cut JSON": Fault(routes=JSON_ROUTES, outcome=SET_ASIDE, change=_body(lambda body: body[: len(body) // 2])),
    "text after JSON": Fault(routes=JSON_ROUTES, outcome=SET_ASIDE, change=_body(lambda body: body + b" {}")),
    "stream failed": Fault(routes=METEO, outcome=SET_ASIDE, change=_body(_streamed)),
    "no coverage": Fault(routes=METEO, outcome=SET_ASIDE, change=_body(_no_coverage)),
    "a key twice": Fault(routes=JSON_ROUTES, outcome=SET_ASIDE, change=_body(_key_twice)),
    "NaN": _spoils(bad.first_temperature(Token("NaN")), SET_ASIDE),
    "Infinity": _spoils(bad.first_temperature(Token("-Infinity")), SET_ASIDE),
    "1e999": _spoils(bad.first_temperature(Token("1e999")), SET_ASIDE),
    "out of range": _spoils(bad.first_temperature(399.9), USABLE),
    "true for a number": _spoils(bad.first_temperature(True), SET_ASIDE),
    "a list for a number": _spoils(bad.first_temperature([1.0]), SET_ASIDE),
    "no temperatures": replace(
        _spoils(bad.no_temperatures(), USABLE),
        at={Route.OBSERVATIONS: SET_ASIDE},  # another station has some
    ),
    "another unit": _spoils(bad.fahrenheit(), SET_ASIDE),
    "another place": replace(
        _spoils(bad.elsewhere(), SET_ASIDE),
        at={Route.GAUGES: USABLE},  # the lakes of other gauges in the answer have theirs
    ),
    "a reference time to come": replace(
        _spoils(bad.dated_otherwise(timedelta(hours=3)), SET_ASIDE),
        at={Route.META: USABLE},  # a run that is not there yet is not the one that was served
    ),
    "an old reference time": _spoils(bad.dated_otherwise(-timedelta(days=3)), SET_ASIDE),
    "a gap": _spoils(dict.fromkeys(METEO, bad.each_row(bad.without(30, 9))), SET_ASIDE),
    "a gap in steps": _spoils({Route.LOCATIONFORECAST: bad.series(bad.without(20, 9))}, SET_ASIDE),
    "a gap in spans": _spoils({Route.GRID: bad.each_layer(bad.without(2, 1))}, USABLE),
    "repeated hours": _spoils(
        {Route.FORECAST: bad.each_row(bad.repeated(100)), Route.LOCATIONFORECAST: bad.series(bad.repeated(20))},
        SET_ASIDE,
    ),
    "unsorted hours": _spoils(
        {Route.FORECAST: bad.each_row(bad.swapped(100)), Route.LOCATIONFORECAST: bad.series(bad.swapped(20))},
        SET_ASIDE,
    ),
    "uneven columns": _spoils(dict.fromkeys(METEO, bad.each_location(_shorter)), SET_ASIDE),
    "names with a suffix": _spoils(dict.fromkeys(METEO, bad.each_location(_suffixes)), SET_ASIDE),
    "one place too few": _spoils(dict.fromkeys(METEO, _one_less), SET_ASIDE),
    "fewer days": _spoils({Route.ARCHIVE: bad.each_row(bad.without(24, 24))}, SET_ASIDE),
    "more values than there are": _spoils({Route.GAUGES: bad.members(numberReturned=7)}, SET_ASIDE),
    "the next page elsewhere": _spoils(
        {Route.GAUGES: bad.members(links=[{"rel": "next", "href": "http://198.51.100.1/more"}])}, SET_ASIDE
    ),
    "under ice": _spoils({Route.GAUGES: bad.each_reading(qualifier=["Ice"])}, USABLE),
    "values of last week": _spoils({Route.GAUGES: bad.each_reading(time="2026-04-01T00:00:00+00:00")}, USABLE),
    "ForecastGridExpired": Fault(
        routes=(Route.GRID,), outcome=LATER,
        change=lambda reply, asked: problem("ForecastGridExpired", 503, "Forecast data is expired"),
    ),
    "a problem with 200": Fault(
        routes=(Route.GRID, Route.OBSERVATIONS), outcome=SET_ASIDE,
        change=lambda reply, asked: problem("UnexpectedProblem", 200, "An unexpected problem has occurred"),
    ),
    "grid moved": Fault(routes=(Route.POINTS, Route.GRID), outcome=WRONG, change=_grid_moved, is_good=True),
    "no reports": _spoils({Route.OBSERVATIONS: lambda document, asked: {**document, "features": []}}, SET_ASIDE),
    "stands still": Fault(routes=EVERYWHERE, outcome=USABLE, stands_still=True, is_good=True),
    "entity bomb": Fault(routes=(Route.CAP,), outcome=SET_ASIDE, change=_body(lambda body: ENTITY_BOMB)),
    "entity from outside": Fault(routes=(Route.CAP,), outcome=SET_ASIDE, change=_body(lambda body: OUTSIDE_ENTITY)),
    "cut XML": Fault(routes=(Route.CAP,), outcome=SET_ASIDE, change=_body(lambda body: body[: len(body) // 2])),
    "no meta": Fault(routes=(Route.META,), outcome=USABLE, change=_status(404)),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Scripted:
    """A fault in a span of simulated time."""

    name: str
    source: str
    begins: datetime
    ends: datetime
    every: int = 1  #: of how many requests one meets it


@dataclass(slots=True)
class FaultPlan:
    """Which faults happen when; the first that fits a request is the one it meets."""

    scripted: list[Scripted] = field(default_factory=list)
    _met: dict[Scripted, int] = field(default_factory=dict)

    def add(self, source: str, name: str, begins: datetime, ends: datetime, *, every: int = 1) -> None:
        """A fault of a source from ``begins`` until before ``ends``.

        Raises
        ------
        ValueError
            If the source cannot fail in that way.
        """
        if source not in {route.source for route in FAULTS[name].routes}:
            raise ValueError(f"{source} does not fail as in {name!r}")
        self.scripted.append(Scripted(name=name, source=source, begins=begins, ends=ends, every=every))

    def at(self, route: Route, now: datetime) -> Scripted | None:
        """What a request meets."""
        for one in self.scripted:
            if one.source == route.source and one.begins <= now < one.ends and route in FAULTS[one.name].routes:
                self._met[one] = self._met.get(one, 0) + 1
                return one if self._met[one] % one.every == 0 else None
        return None
