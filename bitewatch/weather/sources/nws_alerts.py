"""The alerts of the US National Weather Service: one national list, read as its documentation says.

References
----------
.. [1] National Weather Service, "API Web Service," https://www.weather.gov/documentation/services-web-api, and the
   OpenAPI description at https://api.weather.gov/openapi.json.
.. [2] IETF, RFC 7946, "The GeoJSON Format," 2016.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from bitewatch.errors import PayloadRefused
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Asking, Question, Received
from bitewatch.weather.sources.cap import LONGEST_ID, Ring, checked_point
from bitewatch.weather.sources.settings import NwsSettings
from bitewatch.weather.sources.strict_json import parse_strictly
from bitewatch.weather.warnings import FeedRead, Unread, official_time, safe_link
from bitewatch.weather.warnings import Warning as OfficialWarning

NAME = "nws"
SOURCE = "nws-alerts"  #: as the ledgers of politeness and the archive know it
SHOWN = ("Alert", "Update", "Cancel")


class NwsAlerts:
    """All alerts of the United States, with one question for every lake there is."""

    name = NAME
    every = timedelta(seconds=90)

    def __init__(self, settings: NwsSettings):
        self._url = settings.url

    def question(self) -> Question:
        """One address, the same for everybody: one for each place would miss the zones of the fire service."""
        return Question(
            key=f"{SOURCE}:active", url=f"{self._url}/alerts/active?status=actual",
            headers={"Accept": "application/geo+json"}, good_for=timedelta(seconds=60),
        )  # fmt: skip

    def fetch(self, asking: Asking, *, now: datetime) -> FeedRead:
        """The list as it is now.

        Raises
        ------
        OutsideFailed
            If it did not come, or nothing in it may be believed.
        """
        found: FeedRead = asking.facts(SOURCE, self.question(), read_alerts, now=now)
        return found


def read_alerts(received: Received) -> FeedRead:
    """Every actual, public alert of a list; one that is broken does not lose the others. Pure.

    Raises
    ------
    PayloadRefused
        If it is not such a list at all.
    """
    if received.content_type and "json" not in received.content_type.lower():
        raise PayloadRefused(Reason.NOT_JSON, f"the content type is {ascii(received.content_type)[:80]}")
    answer = _table(parse_strictly(received.body), "the body")
    if answer.get("type") != "FeatureCollection" or not isinstance(answer.get("features"), list):
        if "title" in answer and "status" in answer:  # a problem detail, whatever its status line said
            raise PayloadRefused(Reason.REPORTS_ERROR, ascii(answer["title"])[:120])
        raise PayloadRefused(Reason.WRONG_SHAPE, "not a FeatureCollection")
    found: dict[str, OfficialWarning] = {}
    unread = []
    for feature in answer["features"]:
        try:
            warning = _warning(feature)
            if warning is not None and found.setdefault(warning.id, warning) != warning:
                raise PayloadRefused(Reason.WRONG_SHAPE, "an id that stands twice")
        except PayloadRefused as error:
            unread.append(Unread(why=f"an alert: {error}", zones=_zones_at_least(feature)))
    if isinstance(pages := answer.get("pagination"), dict) and pages.get("next"):
        unread.append(Unread(why="the list goes on on another page"))
    return FeedRead(warnings=tuple(found.values()), unread=tuple(unread))


def _warning(feature: Any) -> OfficialWarning | None:
    """One alert; None where it is a test, an exercise, or not for the public."""
    feature = _table(feature, "an alert")
    said = _table(feature.get("properties"), "properties")
    status, message_type = _text(said, "status"), _text(said, "messageType")
    if not status or not message_type:
        raise PayloadRefused(Reason.WRONG_SHAPE, "no status or no messageType")
    if status != "Actual" or message_type not in SHOWN or _text(said, "scope") not in ("", "Public"):
        return None
    sent = _time(said, "sent")
    identifier = _text(said, "id")
    if sent is None or not 0 < len(identifier) <= LONGEST_ID:
        raise PayloadRefused(Reason.WRONG_SHAPE, "no id or no time of sending")
    urgency = _text(said, "urgency") or "Unknown"
    parameters = _table(said.get("parameters") or {}, "parameters")
    return OfficialWarning(
        feed=NAME, id=identifier, message=identifier, message_type=message_type, event=_text(said, "event"),
        headline=_text(said, "headline"), description=_text(said, "description"),
        instruction=_text(said, "instruction"), web=safe_link(_text(said, "web")),
        sender_name=_text(said, "senderName"), severity=_text(said, "severity") or "Unknown", urgency=urgency,
        certainty=_text(said, "certainty") or "Unknown", language=_text(said, "language"), sent=sent,
        onset=_time(said, "onset") or _time(said, "effective") or sent,
        # expires is when the message is due to be written anew, not when the weather ends
        ends=_time(said, "ends") or _first_time(parameters, "eventEndingTime") or _time(said, "expires"),
        is_over=_text(said, "response") == "AllClear" or urgency == "Past", area=_text(said, "areaDesc"),
        zones=_zones(said), polygons=_rings(feature.get("geometry")),
        references=tuple(_text(_table(one, "references"), "identifier") for one in _list(said, "references")),
        codes=tuple(_texts(_table(said.get("eventCode") or {}, "eventCode"), "NationalWeatherService")),
    )  # fmt: skip


def _zones(said: Mapping[str, Any]) -> tuple[str, ...]:
    """Codes of forecast, county and fire zones; the list of addresses is read too, for either may be the shorter."""
    codes = _texts(_table(said.get("geocode") or {}, "geocode"), "UGC")
    addresses = [address.rpartition("/")[2] for address in _texts(said, "affectedZones")]
    return tuple(dict.fromkeys([*codes, *addresses]))


def _zones_at_least(feature: Any) -> tuple[str, ...] | None:
    """The zones of an alert that cannot be read otherwise; None where not even they can be told."""
    try:
        return _zones(_table(_table(feature, "an alert").get("properties"), "properties")) or None
    except PayloadRefused:
        return None


def _rings(geometry: Any) -> tuple[Ring, ...]:
    """The outer rings. Holes are not left out: whoever sits in one is warned as well."""
    if geometry is None:
        return ()
    geometry = _table(geometry, "geometry")
    shapes = _list(geometry, "coordinates")
    if geometry.get("type") == "Polygon":
        shapes = [shapes]
    elif geometry.get("type") != "MultiPolygon":
        raise PayloadRefused(Reason.WRONG_SHAPE, f"a geometry of type {ascii(geometry.get('type'))[:60]}")
    return tuple(_ring(shape) for shape in shapes)


def _ring(shape: Any) -> Ring:
    """Longitude first, at least four positions, the last one the first again ([2]_, 3.1.1 and 3.1.6)."""
    if not isinstance(shape, list) or not shape or not isinstance(shape[0], list) or len(shape[0]) < 4:
        raise PayloadRefused(Reason.WRONG_SHAPE, "a polygon without a ring of four positions")
    ring = tuple(_position(position) for position in shape[0])
    if ring[0] != ring[-1]:
        raise PayloadRefused(Reason.WRONG_SHAPE, "a ring that is not closed")
    return ring


def _position(position: Any) -> tuple[float, float]:
    if not isinstance(position, list) or len(position) < 2:
        raise PayloadRefused(Reason.WRONG_SHAPE, "a position that is not longitude and latitude")
    longitude, latitude = position[:2]
    # bool is a number to Python; a position of true and false is none to us
    if type(longitude) not in (int, float) or type(latitude) not in (int, float):
        raise PayloadRefused(Reason.WRONG_SHAPE, "a position that is not of numbers")
    return checked_point(float(latitude), float(longitude))


def _first_time(parameters: Mapping[str, Any], key: str) -> datetime | None:
    texts = _texts(parameters, key)
    return _time({key: texts[0]}, key) if texts else None


def _time(table: Mapping[str, Any], key: str) -> datetime | None:
    text = _text(table, key)
    try:
        return official_time(text) if text else None
    except ValueError as error:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{key}: {error}") from error


def _text(table: Mapping[str, Any], key: str) -> str:
    value = table.get(key)
    return "" if value is None else _checked(value, key)


def _texts(table: Mapping[str, Any], key: str) -> list[str]:
    return [_checked(value, key) for value in _list(table, key)]


def _checked(value: Any, key: str) -> str:
    if not isinstance(value, str):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{key} is not text")
    if not value.isascii() and any("\ud800" <= sign <= "\udfff" for sign in value):  # half a sign, escaped
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{key} is not text that could be written")
    return value


def _list(table: Mapping[str, Any], key: str) -> list[Any]:
    value = table.get(key)
    if value is not None and not isinstance(value, list):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{key} is not a list")
    return value or []


def _table(value: Any, name: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{name} is not an object")
    return value
