"""A local server that speaks as the public sources do, under a clock that somebody else moves.

Each source has a port of its own, as each has a host of its own out there; every port knows all paths.
"""

import socket
import struct
import traceback
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from selectors import EVENT_READ, DefaultSelector
from threading import Event, Lock, Thread
from types import TracebackType
from typing import Any, Self
from urllib.parse import parse_qsl, urlsplit

from tests.simulation import shapes_met_norway, shapes_nws, shapes_open_meteo, shapes_usgs
from tests.simulation.exchange import (
    SOURCES,
    WEIGHED,
    Asked,
    Manner,
    Reply,
    Route,
    as_json,
    from_http_date,
    http_date,
    squeezed,
)
from tests.simulation.faults import FAULTS, FaultPlan
from tests.simulation.provider_limits import OPEN_METEO_LIMITS
from tests.simulation.server_log import WINDOWS, Entry, ServerLog, window_of
from tests.simulation.shapes_open_meteo import OpenMeteoShapes
from tests.simulation.shapes_warnings import WarningShapes
from tests.simulation.world import World

QUEUE = 6  #: requests of one client that wait at Open-Meteo; more are refused
TEN_GB = 10 * 1024**3
PATIENCE_S = 30.0  #: how long a silent server waits for the client to give up
REASONS = {"minute": "Minutely", "hour": "Hourly", "day": "Daily"}


def route_of(path: str) -> Route:
    """What a path asks for."""
    if path == "/v1/forecast":
        return Route.FORECAST
    if path == "/v1/archive":
        return Route.ARCHIVE
    if path.startswith("/data/") and path.endswith("/static/meta.json"):
        return Route.META
    if path.startswith("/weatherapi/locationforecast/2.0/"):
        return Route.LOCATIONFORECAST
    if path.startswith("/points/"):
        return Route.POINTS
    if path.startswith("/gridpoints/"):
        return Route.STATIONS if path.endswith("/stations") else Route.GRID
    if path.startswith("/stations/"):
        return Route.OBSERVATIONS
    if path.startswith("/ogcapi/v0/collections/") and path.endswith("/items"):
        return {"latest-continuous": Route.GAUGES, "continuous": Route.GAUGE_PAST}.get(
            path.split("/")[4], Route.UNKNOWN
        )  # fmt: skip
    if path == "/alerts/active":
        return Route.ALERTS
    return Route.CAP if path.startswith("/cap/") else Route.UNKNOWN


class Provider:
    """All sources over one world.

    Parameters
    ----------
    world : World
        The weather of which they speak.
    clock : callable
        The simulated time, aware; the server never looks at another one.
    """

    def __init__(self, world: World, clock: Callable[[], datetime]):
        self.world = world
        self.log = ServerLog()
        self.faults = FaultPlan()
        self.broken: list[str] = []  #: bugs of the server itself; a test that finds any has failed
        self._clock = clock
        self._open_meteo = OpenMeteoShapes(world)
        self._warnings = WarningShapes(world)
        self._lock = Lock()
        self._in_flight: dict[str, int] = {}
        self._spent: dict[str, tuple[datetime, float]] = {}
        self.stopping = Event()
        self._servers = {name: self._server() for name in SOURCES}

    def _server(self) -> ThreadingHTTPServer:
        server = ThreadingHTTPServer(("127.0.0.1", 0), partial(_Handler, self))
        server.daemon_threads = True
        return server

    def __enter__(self) -> Self:
        for server in self._servers.values():
            Thread(target=partial(server.serve_forever, poll_interval=0.02), daemon=True).start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stopping.set()
        for server in self._servers.values():
            server.shutdown()
            server.server_close()

    def address(self, source: str) -> str:
        """``http://host:port`` of a source: open-meteo, met-norway, nws, cap or usgs."""
        return f"http://127.0.0.1:{self._servers[source].server_address[1]}"

    @property
    def urls(self) -> Mapping[str, str]:
        """What the settings of each source want as its url."""
        return {
            "open-meteo": f"{self.address('open-meteo')}/v1/forecast",
            "met-norway": f"{self.address('met-norway')}/weatherapi/locationforecast/2.0/complete",
            "nws": self.address("nws"),
            "cap": f"{self.address('cap')}/cap/atom",
            "usgs": f"{self.address('usgs')}/ogcapi",
        }

    def answer(self, asked: Asked) -> tuple[Reply, str | None]:
        """What is answered, and the name of the fault that it met."""
        scripted = self.faults.at(asked.route, asked.at)
        reply = self._refused(asked)
        if reply is None:
            still = scripted is not None and FAULTS[scripted.name].stands_still
            truly = asked
            if scripted is not None and still:
                truly = replace(asked, at=scripted.begins)
            if scripted is not None and not FAULTS[scripted.name].is_good:  # there must be a body to spoil
                truly = replace(asked, headers={**asked.headers, "if-modified-since": ""})
            reply = self._shaped(truly)
            if still and "Expires" in reply.headers:
                fresh = from_http_date(reply.headers["Expires"]) + (asked.at - truly.at)
                reply = reply.with_headers(Expires=http_date(fresh))
        if scripted is not None:
            reply = FAULTS[scripted.name].change(reply, asked)
        return squeezed(reply, asked), None if scripted is None else scripted.name

    def _shaped(self, asked: Asked) -> Reply:
        match asked.route:
            case Route.FORECAST:
                return self._open_meteo.forecast(asked)
            case Route.ARCHIVE:
                return self._open_meteo.archive(asked)
            case Route.GAUGES:
                return shapes_usgs.latest(self.world, asked)
            case Route.GAUGE_PAST:
                return shapes_usgs.continuous(self.world, asked)
            case Route.META:
                return shapes_open_meteo.meta(asked)
            case Route.LOCATIONFORECAST:
                return shapes_met_norway.locationforecast(self.world, asked)
            case Route.POINTS:
                return shapes_nws.points(asked)
            case Route.GRID:
                return shapes_nws.grid(self.world, asked)
            case Route.STATIONS:
                return shapes_nws.stations(asked)
            case Route.OBSERVATIONS:
                return shapes_nws.observations(self.world, asked)
            case Route.ALERTS:
                return self._warnings.alerts(asked)
            case Route.CAP:
                return self._warnings.cap(asked)
            case _:
                return Reply(status=404, headers={"Content-Type": "text/plain"}, body=b"Not Found")

    def _refused(self, asked: Asked) -> Reply | None:
        """The quota and the queue of Open-Meteo, as its free hosts keep them, and what gauges tell in an hour."""
        if asked.route.source == "usgs":
            spent = self.log.sums("usgs", "hour").get(window_of(asked.at, "hour"), 0.0)
            return shapes_usgs.too_many() if spent >= shapes_usgs.PER_HOUR else None
        if asked.route not in WEIGHED:
            return None
        if asked.in_flight > QUEUE:
            return as_json({"error": True, "reason": "Too many concurrent requests"}, status=429)
        for window, most in OPEN_METEO_LIMITS.items():
            began, weight = self._spent.get(window, (asked.at, 0.0))
            if began == window_of(asked.at, window) and weight >= most:
                return as_json(
                    {"error": True, "reason": f"{REASONS[window]} API request limit exceeded. Please try again later."},
                    status=429,
                )  # fmt: skip
        return None

    def handle(self, target: str, headers: Mapping[str, str], body: bytes) -> tuple[Asked, Reply, str | None]:
        """Understand one request, and find its answer."""
        parts = urlsplit(target)
        values = dict(parse_qsl(parts.query, keep_blank_values=True))
        if body:
            values |= dict(parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True))
        route = route_of(parts.path)
        with self._lock:
            self._in_flight[route.source] = self._in_flight.get(route.source, 0) + 1
            in_flight = self._in_flight[route.source]
        asked = Asked(
            route=route, at=self._clock(), path=parts.path, values=values, headers=headers,
            host=headers.get("host", ""), in_flight=in_flight,
        )  # fmt: skip
        try:
            reply, fault = self.answer(asked)
        except Exception:  # told to the test, which must not mistake it for a simulated failure
            self.broken.append(traceback.format_exc())
            reply, fault = Reply(status=500, body=b"the simulation is broken"), None
        return asked, reply, fault

    def answered(self, method: str, asked: Asked, reply: Reply, fault: str | None) -> int:
        """Write down what is about to be sent; from here on the client may ask again."""
        weight = 1.0
        if asked.route in WEIGHED and reply.status == 200:
            weight = shapes_open_meteo.weight(asked)
        arrives = reply.manner is Manner.WHOLE and (fault is None or FAULTS[fault].arrives)
        is_good = arrives and (fault is None or FAULTS[fault].is_good)
        entry = Entry(
            at=asked.at, route=asked.route, key=asked.key, method=method, weight=weight,
            locations=shapes_open_meteo.locations(asked) if asked.route in WEIGHED else 1,
            user_agent=asked.headers.get("user-agent", ""), if_modified_since=asked.headers.get("if-modified-since"),
            in_flight=asked.in_flight, status=reply.status, whole=arrives, fault=fault,
            sent=len(reply.body) if reply.manner in (Manner.WHOLE, Manner.CUT) else 0,
            expires=_expires(reply, asked.at) if arrives else None,
            last_modified=reply.headers.get("Last-Modified") if is_good else None, not_before=_not_before(reply, asked),
        )  # fmt: skip
        with self._lock:
            self._in_flight[asked.route.source] -= 1
            if asked.route.source == "open-meteo":
                for window in OPEN_METEO_LIMITS:
                    start = window_of(asked.at, window)
                    began, spent = self._spent.get(window, (start, 0.0))
                    self._spent[window] = (start, weight + (spent if began == start else 0.0))
        return self.log.add(entry)


def _expires(reply: Reply, at: datetime) -> datetime | None:
    cache = reply.headers.get("Cache-Control", "")
    if "max-age=" in cache:
        return at + timedelta(seconds=int(cache.partition("max-age=")[2].partition(",")[0]))
    return from_http_date(reply.headers["Expires"]) if "Expires" in reply.headers else None


def _not_before(reply: Reply, asked: Asked) -> datetime | None:
    """When the client may come back, where the answer says so."""
    said = reply.headers.get("Retry-After")
    if said is not None:
        return asked.at + timedelta(seconds=int(said)) if said.isdigit() else from_http_date(said)
    for window, reason in REASONS.items():
        if reply.status == 429 and reason.encode() in reply.body:
            return window_of(asked.at, window) + WINDOWS[window]
    return None


class _Handler(BaseHTTPRequestHandler):
    """One connection; nothing here looks at a clock of its own."""

    protocol_version = "HTTP/1.1"
    timeout = PATIENCE_S
    disable_nagle_algorithm = True  # head and body are two writes: without this each answer waits 40 ms for an ACK
    _sent = 0

    def __init__(self, provider: Provider, *rest: Any):
        self._provider = provider
        super().__init__(*rest)

    def log_message(self, *args: object) -> None:
        """The log is elsewhere."""

    def do_GET(self) -> None:
        self._serve("GET")

    def do_POST(self) -> None:
        self._serve("POST")

    def _serve(self, method: str) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        headers = {name.lower(): text for name, text in self.headers.items()}
        asked, reply, fault = self._provider.handle(self.path, headers, body)
        number = self._provider.answered(method, asked, reply, fault)
        self._sent = 0
        try:
            self._send(reply)
        except OSError:  # the client hung up: often what the fault is for
            self.close_connection = True
            self._provider.log.amend(number, sent=self._sent, whole=False)

    def _send(self, reply: Reply) -> None:
        if reply.manner is Manner.RESET:
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self.connection.shutdown(socket.SHUT_RD)
            self.close_connection = True
            self.connection.close()
            return
        if reply.manner is Manner.SILENT:
            self._wait_for_hangup()
            return
        promised = {Manner.CUT: 2 * len(reply.body) + 1000, Manner.ENDLESS: TEN_GB}.get(reply.manner, len(reply.body))
        self.send_response_only(reply.status)
        for name, text in reply.headers.items():
            if not (reply.manner is Manner.ENDLESS and name == "Content-Encoding"):
                self.send_header(name, text)
        if reply.status != 304:
            self.send_header("Content-Length", str(promised))
        self.end_headers()
        if reply.manner is Manner.ENDLESS:
            self.close_connection = True
            chunk = b" " * 65_536
            while self._sent < TEN_GB and not self._provider.stopping.is_set():
                self.wfile.write(chunk)
                self._sent += len(chunk)
            return
        self.wfile.write(reply.body)
        self.close_connection = self.close_connection or reply.manner is not Manner.WHOLE

    def _wait_for_hangup(self) -> None:
        """Until the client closes, or the test ends."""
        self.close_connection = True
        with DefaultSelector() as selector:
            selector.register(self.connection, EVENT_READ)
            for _ in range(int(PATIENCE_S / 0.05)):
                if selector.select(0.05) or self._provider.stopping.is_set():
                    return
