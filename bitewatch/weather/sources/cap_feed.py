"""A feed of CAP messages: one message, or a list (Atom, RSS) that holds them or says where they are.

References
----------
.. [1] OASIS, "Example Practices: CAP Feeds Version 1.0," Committee Note, 2013 [memory].
.. [2] IETF, RFC 4287, "The Atom Syndication Format," 2005.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from itertools import chain
from typing import TYPE_CHECKING
from urllib.parse import urljoin, urlsplit

from bitewatch.errors import OutsideFailed, PayloadRefused, SourceUnavailable, SourceWaits
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Asking, Question, Received
from bitewatch.weather.sources.cap import NAMESPACES, is_alert, parse_xml, read_alert
from bitewatch.weather.warnings import FeedRead, Unread
from bitewatch.weather.warnings import Warning as OfficialWarning

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

SOURCE = "cap"
ATOM = "{http://www.w3.org/2005/Atom}"
CAP_TYPE = "application/cap+xml"
ACCEPT = f"{CAP_TYPE}, application/atom+xml, application/rss+xml, application/xml;q=0.9, text/xml;q=0.9"
MOST_LINKS = 100  #: messages that are followed from one list (own choice)
LINK_GOOD_FOR = timedelta(days=30)  #: a message does not change: another one has another address, or another time
NAME_LENGTH = 150  #: characters of a feed's name; what is longer is told apart by a hash
PORTS = {"http": 80, "https": 443}


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """Where a message is, and when the list says that it was written last."""

    url: str
    updated: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """What a feed answers with."""

    warnings: tuple[OfficialWarning, ...] = ()
    links: tuple[Link, ...] = ()
    unread: tuple[Unread, ...] = ()


class CapFeed:
    """One feed of official warnings, by its address."""

    every = timedelta(seconds=120)

    def __init__(self, url: str):
        self._url = url
        self.name = shown_address(url)
        self._read: dict[Link, tuple[OfficialWarning, ...]] = {}

    def question(self) -> Question:
        """The feed itself."""
        return Question(
            key=f"{SOURCE}:{self.name}", url=self._url, headers={"Accept": ACCEPT}, good_for=timedelta(seconds=60)
        )

    def fetch(self, asking: Asking, *, now: datetime) -> FeedRead:
        """The feed as it is now, with the messages that it links to.

        A message is asked for once: it does not change, and its list says when it does. A link that does not answer is
        told of in what comes back, and as long as its host is silent the links after it are not tried.

        Raises
        ------
        OutsideFailed
            If the feed itself did not come, or nothing in it may be believed.
        """
        listing: Listing = asking.facts(
            SOURCE, self.question(), partial(read_feed, feed=self.name, url=self._url), now=now
        )
        unread = list(listing.unread)
        known = {link: self._read[link] for link in listing.links if link in self._read}
        missing = [link for link in listing.links if link not in known]
        for number, link in enumerate(missing):
            try:
                known[link] = self._follow(link, asking, now)
            except OutsideFailed as error:
                if isinstance(error, SourceUnavailable) or (isinstance(error, SourceWaits) and not error.only_this):
                    unread.append(Unread(why=f"{len(missing) - number} of its messages did not come: {error}"))
                    break
                unread.append(Unread(why=f"{shown_address(link.url)}: {error}"))
        self._read = known
        once: dict[str, OfficialWarning] = {}
        for warning in chain(listing.warnings, *known.values()):
            once.setdefault(warning.id, warning)
        return FeedRead(warnings=tuple(once.values()), unread=tuple(unread))

    def _follow(self, link: Link, asking: Asking, now: datetime) -> tuple[OfficialWarning, ...]:
        told = hashlib.sha256(f"{link.url} {link.updated}".encode()).hexdigest()[:16]
        question = Question(
            key=f"{SOURCE}:{shown_address(link.url)}@{told}", url=link.url, headers={"Accept": ACCEPT},
            good_for=LINK_GOOD_FOR,
        )  # fmt: skip
        read = partial(read_message, feed=self.name)
        found: tuple[OfficialWarning, ...] = asking.facts(SOURCE, question, read, now=now)
        return found


def read_message(received: Received, *, feed: str) -> tuple[OfficialWarning, ...]:
    """The warnings in one CAP message. Pure.

    Raises
    ------
    PayloadRefused
        If it is none.
    """
    root = parse_xml(received.body)
    if not is_alert(root):
        raise PayloadRefused(Reason.WRONG_SHAPE, f"no CAP message but {ascii(root.tag)[:80]}")
    return read_alert(root, feed)


def read_feed(received: Received, *, feed: str, url: str) -> Listing:
    """What a feed says itself, and the links that are left to follow. Pure.

    Parameters
    ----------
    received
        The answer of the feed.
    feed
        Its name, for the warnings in it.
    url
        Its address: links are seen from there, and none leads to another host.

    Raises
    ------
    PayloadRefused
        If it is neither a CAP message, nor Atom, nor RSS.
    """
    root = parse_xml(received.body)
    if is_alert(root):
        return Listing(warnings=read_alert(root, feed))
    if root.tag == f"{ATOM}feed":
        entries = root.findall(f"{ATOM}entry")
    elif root.tag == "rss" and root.find("channel") is not None:
        entries = root.findall("channel/item")
    else:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"neither CAP nor a list, but {ascii(root.tag)[:80]}")
    warnings: list[OfficialWarning] = []
    links: dict[Link, None] = {}
    unread = []
    for entry in entries:
        held = [element for namespace in NAMESPACES for element in entry.iter(f"{{{namespace}}}alert")]
        try:
            for alert in held:
                warnings += read_alert(alert, feed)
            if not held:
                links[_link(entry, url)] = None
        except PayloadRefused as error:
            unread.append(Unread(why=str(error)))
    if len(links) > MOST_LINKS:
        unread.append(Unread(why=f"it lists {len(links)} messages, of which {MOST_LINKS} are read"))
    return Listing(warnings=tuple(warnings), links=tuple(links)[:MOST_LINKS], unread=tuple(unread))


def _link(entry: "Element", url: str) -> Link:
    """Where the message of an entry is."""
    address = next(_addresses(entry), "")
    if not address:
        raise PayloadRefused(Reason.WRONG_SHAPE, "an entry without a CAP message and without a link to one")
    try:
        target = urljoin(url, address)
        same_host = _origin(target) == _origin(url)
    except ValueError as error:  # a port or a host that cannot be
        raise PayloadRefused(Reason.WRONG_SHAPE, f"a link to {ascii(address)[:80]}") from error
    if not same_host or not target.isascii() or not target.isprintable() or " " in target:
        raise PayloadRefused(Reason.WRONG_SHAPE, f"a link that leads elsewhere: {ascii(address)[:80]}")
    updated = entry.findtext(f"{ATOM}updated") or entry.findtext("pubDate") or ""
    return Link(url=target, updated=updated.strip()[:100])


def _addresses(entry: "Element") -> Iterator[str]:
    """In Atom a link has a type ([2]_, 4.2.7); in RSS it is an enclosure with a type, or the one link of an item."""
    for link in (*entry.findall(f"{ATOM}link"), *entry.findall("enclosure")):
        if link.get("type", "").partition(";")[0].strip().lower() == CAP_TYPE:
            yield (link.get("href") or link.get("url") or "").strip()
    yield (entry.findtext("link") or "").strip()


def _origin(url: str) -> tuple[str, str | None, int | None, bool]:
    """Scheme, host and port, and whether a name or a password stands before them."""
    parts = urlsplit(url)
    return parts.scheme, parts.hostname, parts.port or PORTS.get(parts.scheme), "@" in parts.netloc


def shown_address(url: str) -> str:
    """An address as it may be shown and logged: without what follows a question mark, which may be a key."""
    parts = urlsplit(url)
    shown = f"{parts.hostname or ''}{f':{parts.port}' if parts.port else ''}{parts.path}"
    if parts.query or len(shown) > NAME_LENGTH:
        shown = f"{shown[:NAME_LENGTH]}#{hashlib.sha256(url.encode()).hexdigest()[:8]}"
    return shown
