"""What passes between a client and the simulated providers: what was asked, and what is to be answered."""

import gzip
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from email.utils import format_datetime, parsedate_to_datetime
from enum import Enum, StrEnum
from typing import Any


class Route(StrEnum):
    """What of a provider is asked; every shape is one of these."""

    FORECAST = "open-meteo forecast"
    ARCHIVE = "open-meteo archive"
    META = "open-meteo meta"
    LOCATIONFORECAST = "met-norway locationforecast"
    POINTS = "nws points"
    GRID = "nws grid"
    STATIONS = "nws stations"
    OBSERVATIONS = "nws observations"
    ALERTS = "nws alerts"
    CAP = "cap feed"
    GAUGES = "usgs latest"
    GAUGE_PAST = "usgs continuous"
    UNKNOWN = "nothing there"

    @property
    def source(self) -> str:
        """Under whose name it is counted: one host each."""
        return self.value.split()[0]


SOURCES = ("open-meteo", "met-norway", "nws", "cap", "usgs")
WEIGHED = (Route.FORECAST, Route.ARCHIVE)  #: what Open-Meteo's quota and queue are for


class Manner(Enum):
    """How an answer goes over the wire."""

    WHOLE = "whole"
    CUT = "more is promised than sent, then the connection closes"
    RESET = "the connection is reset before anything is said"
    SILENT = "nothing is said until the client gives up"
    ENDLESS = "ten gigabytes are promised, and sent until the client hangs up"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One request as the server understood it."""

    route: Route
    at: datetime  #: simulated
    path: str
    values: Mapping[str, str]  #: of the query and of the form
    headers: Mapping[str, str]  #: names in small letters
    host: str  #: as the client addressed it, for the links in answers
    in_flight: int = 1  #: requests at this source that are not answered yet, with this one

    @property
    def key(self) -> str:
        """The same question has the same key."""
        said = "&".join(f"{name}={self.values[name]}" for name in sorted(self.values))
        return f"{self.path}?{said}" if said else self.path


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """One answer."""

    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""
    manner: Manner = Manner.WHOLE

    def but(self, **changes: Any) -> "Reply":
        return replace(self, **changes)

    def with_headers(self, **headers: str) -> "Reply":
        """Underscores stand for hyphens."""
        return replace(self, headers={**self.headers, **{name.replace("_", "-"): headers[name] for name in headers}})


def http_date(at: datetime) -> str:
    return format_datetime(at.astimezone(UTC).replace(microsecond=0), usegmt=True)


def from_http_date(text: str) -> datetime:
    return parsedate_to_datetime(text)


def as_json(
    document: Any,
    *,
    status: int = 200,
    content_type: str = "application/json",
    headers: Mapping[str, str] | None = None,
) -> Reply:
    body = json.dumps(document, ensure_ascii=False, separators=(",", ":")).encode()
    return Reply(status=status, headers={"Content-Type": content_type, **(headers or {})}, body=body)


def dated(reply: Reply, asked: Asked, *, modified: datetime, expires: datetime) -> Reply:
    """The answer with Last-Modified and Expires; 304 where the client already holds it (RFC 9110, section 13.1.3)."""
    reply = reply.with_headers(Last_Modified=http_date(modified), Expires=http_date(expires))
    held = asked.headers.get("if-modified-since")
    if held and reply.status == 200:
        try:
            fresh = from_http_date(held) >= modified.replace(microsecond=0)
        except ValueError:
            fresh = False
        if fresh:
            headers = {name: value for name, value in reply.headers.items() if name != "Content-Type"}
            return Reply(status=304, headers=headers)
    return reply


def squeezed(reply: Reply, asked: Asked) -> Reply:
    """The answer as gzip where the client takes it and it pays."""
    if len(reply.body) < 500 or "Content-Encoding" in reply.headers:
        return reply
    if "gzip" not in asked.headers.get("accept-encoding", ""):
        return reply
    return reply.but(body=gzip.compress(reply.body, 1, mtime=0)).with_headers(Content_Encoding="gzip")
