"""Official warnings as feeds tell them: NWS GeoJSON (recorded answers of 2024-26) and CAP 1.2 (OASIS, 2010)."""

from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from typing import Any
from xml.sax.saxutils import escape

from tests.simulation.exchange import Asked, Reply, as_json, dated
from tests.simulation.official_script import Sent, changed_at, everything_sent, in_feed
from tests.simulation.shapes_nws import GEO_JSON, refusal
from tests.simulation.world import World

HERE = timezone(timedelta(hours=-5))  #: offices write their own time
SENDER = "w-nws.webmaster@noaa.gov"
CAP_SENDER = "warnings@agency.example"
MAX_AGE = timedelta(seconds=30)
CAP_HEAD = '<?xml version="1.0" encoding="{encoding}"?>\n'
CAP_NAMESPACE = "urn:oasis:names:tc:emergency:cap:1.2"


class WarningShapes:
    """The feeds of one world."""

    def __init__(self, world: World):
        self._sent = everything_sent(world)

    def alerts(self, asked: Asked) -> Reply:
        """``/alerts/active``: every alert of the nation."""
        if refused := refusal(asked, ("status", "point", "zone", "area")):
            return refused
        changed = changed_at(self._sent, asked.at)
        shown = [
            message for message in in_feed(self._sent, asked.at)
            if asked.values.get("status", message.status.lower()) == message.status.lower()
        ]  # fmt: skip
        document = {
            "type": "FeatureCollection", "title": "Current watches, warnings, and advisories",
            "updated": asked.at.replace(second=0, microsecond=0).isoformat(),
            "features": [_feature(message) for message in shown],
        }  # fmt: skip
        reply = as_json(document, content_type=GEO_JSON).with_headers(
            Cache_Control=f"public, max-age={MAX_AGE.seconds}"
        )  # fmt: skip
        return dated(reply, asked, modified=changed, expires=asked.at + MAX_AGE)

    def cap(self, asked: Asked) -> Reply:
        """``/cap/atom``, ``/cap/rss``, ``/cap/single.xml``, ``/cap/latin1.xml``, and the alerts that feeds link to."""
        shown = [message for message in in_feed(self._sent, asked.at) if message.kind != "Cancel"]
        shown.sort(key=lambda message: message.status == "Actual")
        changed = changed_at(self._sent, asked.at)
        name = asked.path.removeprefix("/cap/")
        if name == "atom":
            reply = _xml(_atom(asked, in_feed(self._sent, asked.at), changed), "application/atom+xml")
        elif name == "rss":
            reply = _xml(_rss(asked, in_feed(self._sent, asked.at)), "application/rss+xml")
        elif name in ("single.xml", "latin1.xml") and shown:
            encoding = "ISO-8859-1" if name == "latin1.xml" else "UTF-8"
            reply = _xml(cap_of(shown[-1], encoding), "application/cap+xml", encoding)
        else:
            ids = {f"alerts/{message.id}.xml": message for message in self._sent if message.sent <= asked.at}
            if name not in ids:
                return Reply(status=404, headers={"Content-Type": "text/plain"}, body=b"Not Found")
            return _xml(cap_of(ids[name], "UTF-8"), "application/cap+xml")
        return dated(reply, asked, modified=changed, expires=asked.at + MAX_AGE)


def _urn(message: Sent) -> str:
    return f"urn:oid:2.49.0.1.840.0.EXAMPLE.{message.id}"


def _local(at: datetime) -> str:
    return at.astimezone(HERE).isoformat()


def _feature(message: Sent) -> dict[str, Any]:
    geometry = None
    if message.ring:
        geometry = {"type": "Polygon", "coordinates": [[[lon, lat] for lat, lon in message.ring]]}
    address = "https://api.weather.gov"
    return {
        "id": f"{address}/alerts/{_urn(message)}", "type": "Feature", "geometry": geometry,
        "properties": {
            "id": _urn(message), "areaDesc": "; ".join(f"Zone {zone}" for zone in message.zones[:4]),
            "geocode": {"SAME": ["099001"], "UGC": list(message.zones)},
            "affectedZones": [f"{address}/zones/forecast/{zone}" for zone in message.zones],
            "references": [
                {
                    "@id": f"{address}/alerts/{_urn(old)}", "identifier": _urn(old), "sender": SENDER,
                    "sent": _local(old.sent),
                }
                for old in message.replaces
            ],
            "sent": _local(message.sent), "effective": _local(message.sent), "onset": _local(message.onset),
            "expires": _local(message.refreshed_by), "ends": None if message.ends is None else _local(message.ends),
            "status": message.status, "messageType": message.kind, "category": "Met", "severity": message.severity,
            "certainty": "Likely", "urgency": "Expected", "event": message.event, "sender": SENDER,
            "senderName": "NWS Invented", "headline": message.headline, "description": _words(message),
            "instruction": None, "response": "Prepare", "scope": "Public", "language": "en-US",
            "web": "http://www.weather.gov", "eventCode": {"NationalWeatherService": [message.code]},
            "parameters": {"eventEndingTime": [_local(message.event_ends)]},
        },
    }  # fmt: skip


def _words(message: Sent) -> str:
    return f"Invented {message.event} for a test; winds of 10 m/s & more."


def cap_of(message: Sent, encoding: str = "UTF-8") -> str:
    """One alert as CAP 1.2 XML."""
    references = " ".join(f"{CAP_SENDER},{old.id},{_local(old.sent)}" for old in message.replaces)
    polygon = " ".join(f"{lat:.2f},{lon:.2f}" for lat, lon in message.ring)
    zones = "".join(
        f"<geocode><valueName>UGC</valueName><value>{zone}</value></geocode>" for zone in message.zones
    )  # fmt: skip
    return (
        CAP_HEAD.format(encoding=encoding)
        + f'<alert xmlns="{CAP_NAMESPACE}"><identifier>{message.id}</identifier><sender>{CAP_SENDER}</sender>'
        f"<sent>{_local(message.sent)}</sent><status>{message.status}</status><msgType>{message.kind}</msgType>"
        f"<scope>Public</scope>"
        + (f"<references>{references}</references>" if references else "")
        + f"<info><language>en-US</language><category>Met</category><event>{message.event}</event>"
        f"<urgency>Expected</urgency><severity>{message.severity}</severity><certainty>Likely</certainty>"
        f"<effective>{_local(message.sent)}</effective><onset>{_local(message.onset)}</onset>"
        f"<expires>{_local(message.event_ends)}</expires><senderName>Agencé inventée</senderName>"
        f"<headline>{escape(message.headline)}</headline><description>{escape(_words(message))}</description>"
        f"<instruction>Leave the water.</instruction><web>https://agency.example/w/{message.id}</web>"
        f"<area><areaDesc>Invented band</areaDesc>"
        + (f"<polygon>{polygon}</polygon>" if polygon else "")
        + f"{zones}</area></info></alert>"
    )


def _link(asked: Asked, message: Sent) -> str:
    return f"http://{asked.host}/cap/alerts/{message.id}.xml"


def _atom(asked: Asked, shown: Sequence[Sent], changed: datetime) -> str:
    entries = "".join(
        f"<entry><id>{_link(asked, message)}</id><title>{escape(message.headline)}</title>"
        f"<updated>{_local(message.sent)}</updated>"
        f'<link rel="alternate" type="application/cap+xml" href="{_link(asked, message)}"/></entry>'
        for message in shown
    )
    return (
        CAP_HEAD.format(encoding="UTF-8")
        + f'<feed xmlns="http://www.w3.org/2005/Atom"><id>http://{asked.host}/cap/atom</id>'
        f"<title>Invented warnings</title>"
        f"<updated>{_local(changed)}</updated>{entries}</feed>"
    )


def _rss(asked: Asked, shown: Sequence[Sent]) -> str:
    items = "".join(
        f"<item><title>{escape(message.headline)}</title><link>{_link(asked, message)}</link>"
        f"<guid>{_link(asked, message)}</guid></item>"
        for message in shown
    )
    return (
        CAP_HEAD.format(encoding="UTF-8")
        + f'<rss version="2.0"><channel><title>Invented warnings</title><link>http://{asked.host}/</link>'
        f"<description>Invented</description>{items}</channel></rss>"
    )


def _xml(text: str, content_type: str, encoding: str = "UTF-8") -> Reply:
    return Reply(headers={"Content-Type": f"{content_type}; charset={encoding.lower()}"}, body=text.encode(encoding))
