"""Messages of the Common Alerting Protocol, read as they stand; no document type and no entity is let in. Pure.

References
----------
.. [1] OASIS, "Common Alerting Protocol Version 1.2," OASIS Standard, 1 July 2010, chapter 3.
"""

import math
from collections.abc import Iterator
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING

from bitewatch.errors import PayloadRefused
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.warnings import REPLACES, official_time, safe_link
from bitewatch.weather.warnings import Warning as OfficialWarning

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

CAP_1_0 = "http://www.incident.com/cap/1.0"
NAMESPACES = (CAP_1_0, "urn:oasis:names:tc:emergency:cap:1.1", "urn:oasis:names:tc:emergency:cap:1.2")
STATUSES = ("Actual", "Exercise", "System", "Test", "Draft")
TYPES = ("Alert", "Update", "Cancel", "Ack", "Error")
SCOPES = ("Public", "Restricted", "Private")
DEFAULT_LANGUAGE = "en-US"  #: [1]_, 3.2.2
LONGEST_ID = 300  #: as many characters as the store keeps of an id
FARTHEST_DEG = 360.0  #: rings over the antimeridian are written past 180 by some

Ring = tuple[tuple[float, float], ...]
Circle = tuple[float, float, float]


class XmlReason(StrEnum):
    """Why XML is set aside."""

    NOT_XML = "the body is not well-formed XML"
    DECLARES = "the body declares a document type or entities"


def parse_xml(body: bytes) -> "Element":
    """The root of an XML text, in any encoding that it declares and Python knows.

    Raises
    ------
    PayloadRefused
        If it is not well-formed, or has a document type: entities that unfold, files that are drawn in.
    """
    from defusedxml import DefusedXmlException  # type: ignore[import-untyped]
    from defusedxml.ElementTree import ParseError, fromstring  # type: ignore[import-untyped]

    try:
        root: Element = fromstring(body, forbid_dtd=True, forbid_entities=True, forbid_external=True)
    except DefusedXmlException as error:
        raise PayloadRefused(XmlReason.DECLARES, type(error).__name__) from error
    except ParseError as error:
        raise PayloadRefused(XmlReason.NOT_XML, str(error)[:100]) from error
    except (LookupError, ValueError) as error:  # an encoding that is not known, or not one of single bytes
        raise PayloadRefused(XmlReason.NOT_XML, "its encoding is not known") from error
    return root


def is_alert(element: "Element") -> bool:
    """True for an alert of one of the three versions."""
    namespace, _, name = element.tag[1:].partition("}")
    return name == "alert" and namespace in NAMESPACES


def read_alert(alert: "Element", feed: str) -> tuple[OfficialWarning, ...]:
    """The warnings in one message: one for each ``info`` in the language that is shown.

    English is shown where there is English, else the language that comes first. A message that is not actual or not
    public has none. An update or a cancellation with nothing to show comes back as one that is over, for the sake of
    what it takes the place of. The green entries of some feeds ("no warning") are nothing to show.

    Raises
    ------
    PayloadRefused
        If something that is required is missing, or anything that is needed does not have the agreed form.
    """
    namespace = alert.tag[1:].partition("}")[0]
    read = _Reader(namespace)
    status = read.one_of(alert, "status", STATUSES)
    message_type = read.one_of(alert, "msgType", TYPES)
    scope = read.one_of(alert, "scope", SCOPES, default="Public" if namespace == CAP_1_0 else "")
    message = f"{read.required(alert, 'sender')},{read.required(alert, 'identifier')},{_sent(read, alert).isoformat()}"
    if len(message) > LONGEST_ID:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"sender and identifier have {len(message)} characters")
    if status != "Actual" or scope != "Public" or message_type in ("Ack", "Error"):
        return ()
    infos = [info for info in _in_one_language(read, alert) if not _is_green(read, info)]
    references = tuple(_references(read.code(alert, "references")))
    warnings = tuple(
        _warning(read, alert, info, feed, message, message_type, references, number)
        for number, info in enumerate(infos, 1)
    )
    if not warnings and message_type in REPLACES:
        sent = _sent(read, alert)
        return (
            OfficialWarning(
                feed=feed, id=message, message=message, message_type=message_type, is_over=True, references=references,
                sent=sent, onset=sent, ends=None, event="", headline="", description="", instruction="", web="",
                sender_name="", severity="Unknown", urgency="Unknown", certainty="Unknown",
            ),
        )  # fmt: skip
    return warnings


def _warning(
    read: "_Reader", alert: "Element", info: "Element", feed: str, message: str, message_type: str,
    references: tuple[str, ...], number: int,
) -> OfficialWarning:  # fmt: skip
    sent = _sent(read, alert)
    effective = read.time(info, "effective") or sent
    urgency = read.code(info, "urgency") or "Unknown"
    responses = [response.strip() for response in read.texts(info, "responseType")]
    areas = list(read.children(info, "area"))
    return OfficialWarning(
        feed=feed, id=message if number == 1 else f"{message}#{number}", message=message, message_type=message_type,
        event=read.text(info, "event"), headline=read.text(info, "headline"),
        description=read.text(info, "description"), instruction=read.text(info, "instruction"),
        web=safe_link(read.text(info, "web")), sender_name=read.text(info, "senderName"),
        severity=read.code(info, "severity") or "Unknown", urgency=urgency,
        certainty=read.code(info, "certainty") or "Unknown", language=read.code(info, "language") or DEFAULT_LANGUAGE,
        sent=sent, onset=read.time(info, "onset") or effective, ends=read.time(info, "expires"),
        is_over="AllClear" in responses or urgency == "Past", references=references,
        area="; ".join(read.text(area, "areaDesc") for area in areas),
        zones=tuple(zone for area in areas for zone in _zones(read, area)),
        polygons=tuple(ring for area in areas for text in read.texts(area, "polygon") for ring in _ring(text)),
        circles=tuple(circle for area in areas for text in read.texts(area, "circle") for circle in _circle(text)),
        codes=tuple(value for code in read.children(info, "eventCode") if (value := read.code(code, "value"))),
    )  # fmt: skip


class _Reader:
    """Looks up children in one namespace."""

    def __init__(self, namespace: str):
        self._namespace = namespace

    def children(self, parent: "Element", tag: str) -> Iterator["Element"]:
        return iter(parent.findall(f"{{{self._namespace}}}{tag}"))

    def texts(self, parent: "Element", tag: str) -> list[str]:
        return ["".join(child.itertext()) for child in self.children(parent, tag)]

    def text(self, parent: "Element", tag: str) -> str:
        """As it stands, blanks and all."""
        return next(iter(self.texts(parent, tag)), "")

    def code(self, parent: "Element", tag: str) -> str:
        """Without the blanks around it, which mean nothing in codes and numbers."""
        return self.text(parent, tag).strip()

    def required(self, parent: "Element", tag: str) -> str:
        code = self.code(parent, tag)
        if not code:
            raise PayloadRefused(Reason.WRONG_SHAPE, f"an alert without {tag}")
        return code

    def one_of(self, parent: "Element", tag: str, values: tuple[str, ...], *, default: str = "") -> str:
        code = self.code(parent, tag) or default
        if code not in values:
            raise PayloadRefused(Reason.WRONG_SHAPE, f"{tag} is {ascii(code)[:60]}")
        return code

    def time(self, parent: "Element", tag: str) -> datetime | None:
        code = self.code(parent, tag)
        try:
            return official_time(code) if code else None
        except ValueError as error:
            raise PayloadRefused(Reason.WRONG_SHAPE, f"{tag}: {error}") from error


def _sent(read: _Reader, alert: "Element") -> datetime:
    sent = read.time(alert, "sent")
    if sent is None:
        raise PayloadRefused(Reason.WRONG_SHAPE, "an alert without sent")
    return sent


def _in_one_language(read: _Reader, alert: "Element") -> list["Element"]:
    infos = [(read.code(info, "language") or DEFAULT_LANGUAGE, info) for info in read.children(alert, "info")]
    languages = [language.lower() for language, _ in infos]
    english = [language for language in languages if language.partition("-")[0] == "en"]
    return [info for language, info in infos if [language.lower()] == (english or languages)[:1]]


def _is_green(read: _Reader, info: "Element") -> bool:
    """An entry for "no warning", as the European feeds carry them: awareness_level "1; green; Minor"."""
    return any(
        read.code(parameter, "valueName") == "awareness_level"
        and read.code(parameter, "value").partition(";")[0].strip() == "1"
        for parameter in read.children(info, "parameter")
    )


def _references(text: str) -> Iterator[str]:
    """Ids as `read_alert` makes them. What is no triple refers to nothing: what it meant stays until its own end."""
    for triple in text.split():
        sender, _, rest = triple.partition(",")
        identifier, _, sent = rest.rpartition(",")
        try:
            time = official_time(sent)
        except ValueError:
            continue
        if sender and identifier:
            yield f"{sender},{identifier},{time.isoformat()}"


def _zones(read: _Reader, area: "Element") -> Iterator[str]:
    for geocode in read.children(area, "geocode"):
        # version 1.0 has "name=value" in one text
        code = read.code(geocode, "value") or "".join(geocode.itertext()).rpartition("=")[2].strip()
        if code:
            yield code


def _ring(text: str) -> Iterator[Ring]:
    pairs = text.split()
    if not pairs:  # an empty element says nothing
        return
    ring = tuple(_point(pair) for pair in pairs)
    if len(ring) < 4 or ring[0] != ring[-1]:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"a polygon of {len(ring)} points that is not closed, or too few")
    yield ring


def _circle(text: str) -> Iterator[Circle]:
    parts = text.split()
    if not parts:
        return
    if len(parts) != 2:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"a circle {ascii(text)[:60]}")
    radius_km = _number(parts[1])
    if not 0.0 <= radius_km <= 20_100.0:  # half the way around
        raise PayloadRefused(Reason.WRONG_SHAPE, f"a circle with the radius {radius_km:g} km")
    if radius_km > 0.0:  # some write a point where they have no area: no place can be told to lie in it
        yield (*_point(parts[0]), radius_km)


def _point(pair: str) -> tuple[float, float]:
    """Latitude first ([1]_, 3.2.4)."""
    latitude, comma, longitude = pair.partition(",")
    if not comma:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"a point {ascii(pair)[:60]}")
    return checked_point(_number(latitude), _number(longitude))


def checked_point(latitude: float, longitude: float) -> tuple[float, float]:
    """A point on the globe.

    Raises
    ------
    PayloadRefused
        If there is no such point.
    """
    if not (abs(latitude) <= 90.0 and abs(longitude) <= FARTHEST_DEG):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"there is no point {latitude:g}, {longitude:g}")
    return latitude, longitude


def _number(text: str) -> float:
    try:
        number = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"{ascii(text)[:60]} is not a number")
    return number
