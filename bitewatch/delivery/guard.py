"""The outgoing address guard: a webhook goes to public addresses, or through a door that the operator opened by name.

Strings are never judged, only what they resolve to: resolvers read ``2130706433`` and ``0177.0.0.1`` as 127.0.0.1.
"""

import ipaddress
import socket
import ssl
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from queue import Empty, SimpleQueue
from urllib.parse import urlsplit

from bitewatch.errors import Refused

AnyAddress = ipaddress.IPv4Address | ipaddress.IPv6Address
AnyNetwork = ipaddress.IPv4Network | ipaddress.IPv6Network
Resolver = Callable[[str, int], Sequence[str]]  #: host and port -> addresses as text

MAX_ADDRESS = 2048
CONNECT_S = 5.0


def _networks(*texts: str) -> tuple[AnyNetwork, ...]:
    return tuple(ipaddress.ip_network(text) for text in texts)


#: special-purpose blocks of the IANA registries, and the metadata address of one cloud host
REFUSED_V4 = _networks(
    "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "168.63.129.16/32", "169.254.0.0/16", "172.16.0.0/12",
    "192.0.0.0/24", "192.0.2.0/24", "192.88.99.0/24", "192.168.0.0/16", "198.18.0.0/15", "198.51.100.0/24",
    "203.0.113.0/24", "224.0.0.0/4", "240.0.0.0/4",
)  # fmt: skip
PUBLIC_V6 = ipaddress.IPv6Network("2000::/3")
REFUSED_V6 = _networks("2001::/23", "2001:db8::/32", "2002::/16", "3fff::/20")

#: where a door may be; loopback is taken as one address with its port only
DOOR_RANGES = _networks("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "100.64.0.0/10", "fc00::/7")
#: refused whatever the doors say: link-local, metadata services, multicast, unspecified, broadcast
NEVER = _networks(
    "169.254.0.0/16", "fe80::/10", "100.100.100.200/32", "168.63.129.16/32", "192.0.0.192/32", "fd00:ec2::254/128",
    "224.0.0.0/4", "ff00::/8", "0.0.0.0/32", "::/128", "255.255.255.255/32",
)  # fmt: skip
DOOR_WANTED = (
    "a network inside 10.0.0.0/8, 172.16.0.0/12, 192.168.0.0/16, 100.64.0.0/10 or fc00::/7, such as 192.168.1.0/24, "
    "or one loopback address with its port, such as 127.0.0.1:8123"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Door:
    """A network of the operator's own that webhooks may go to."""

    network: AnyNetwork
    port: int | None  #: None opens every port

    def lets(self, address: AnyAddress, port: int) -> bool:
        """True if this door leads to the address and port."""
        return (self.port is None or self.port == port) and address in self.network and not _in(address, NEVER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """The parts of an address that may be sent to, once it is vetted."""

    scheme: str
    host: str  #: ASCII, an international name in its A-label form
    port: int
    path: str

    @property
    def host_header(self) -> str:
        """The value of the Host header."""
        name = f"[{self.host}]" if ":" in self.host else self.host
        return name if self.port == _port_of(self.scheme) else f"{name}:{self.port}"


def parse_door(text: str) -> Door:
    """A door from what stands in ``allow_lan``.

    Raises
    ------
    ValueError
        With what would be right.
    """
    host, colon, port = text.rpartition(":")
    if colon and port.isdecimal() and ("." in host or host.startswith("[")):
        address = _literal(host.removeprefix("[").removesuffix("]"))
        if address is None or not address.is_loopback or not 0 < int(port) < 65536:
            raise ValueError(f"must be {DOOR_WANTED}")
        return Door(network=ipaddress.ip_network(address), port=int(port))
    try:
        network = ipaddress.ip_network(text, strict=False)
    except ValueError:
        raise ValueError(f"must be {DOOR_WANTED}") from None
    if ipaddress.ip_interface(text).ip != network.network_address:
        raise ValueError(f"names one machine with the size of a network; did you mean {network}?")
    if not any(network.version == wide.version and network.subnet_of(wide) for wide in DOOR_RANGES):  # type: ignore[arg-type]
        raise ValueError(f"opens too much; must be {DOOR_WANTED}")
    return Door(network=network, port=None)


def refusal(text: str) -> str | None:
    """Why an address is not a public one, or None if it is.

    >>> refusal("8.8.8.8") is None
    True
    >>> refusal("64:ff9b::a9fe:a9fe")
    'is not a public address'
    """
    address = _literal(text)
    if address is None:
        return "is not an address that can be judged"
    if isinstance(address, ipaddress.IPv4Address):
        is_public = not _in(address, REFUSED_V4)
    else:
        is_public = address in PUBLIC_V6 and not _in(address, REFUSED_V6)
    return None if is_public else "is not a public address"


def parse_url(url: str, doors: Sequence[Door]) -> Target:
    """The parts of a webhook's address; its form only, `vet` judges where it leads.

    Raises
    ------
    Refused
        If the form is not one that is ever sent to.
    """
    if len(url) > MAX_ADDRESS:
        raise Refused(f"the address is longer than {MAX_ADDRESS} characters")
    if any(ord(letter) <= 0x20 or 0x7F <= ord(letter) <= 0x9F or letter == "\\" for letter in url):
        raise Refused("the address holds a space, a backslash or a control character; write it without")
    try:
        parts = urlsplit(url)
        scheme, port = parts.scheme, parts.port
        host = _ascii_host(parts.hostname or "")
    except ValueError:
        raise Refused("the address cannot be read; write it like https://example.org/hook") from None
    if scheme not in ("http", "https"):
        raise Refused("the address must begin with https://")
    if parts.username is not None or parts.password is not None:
        raise Refused("the address holds a user name or password; leave it out")
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    if not path.isascii():
        raise Refused("the path of the address must be percent-encoded")
    target = Target(scheme=scheme, host=host, port=_port_of(scheme) if port is None else port, path=path)
    if (scheme, target.port) != ("https", 443) and not doors:
        raise Refused(
            "only https on port 443 is sent to; another scheme or port is for your own network, "
            "opened under allow_lan in [webhook]"
        )
    return target


def vet(target: Target, doors: Sequence[Door], resolve: Resolver, timeout_s: float) -> list[AnyAddress]:
    """Where an address leads, resolved once; every answer is one that may be sent to.

    Raises
    ------
    Refused
        If there is no answer, or any answer is not to be sent to. The answers themselves are not told.
    """
    answers = [_literal(text) for text in _resolved(resolve, target, timeout_s)]
    if not answers:
        raise Refused(f"{target.host} has no address")
    vetted = []
    for address in answers:
        if address is None:
            raise Refused(f"{target.host} leads to an address that cannot be judged")
        if any(door.lets(address, target.port) for door in doors):
            vetted.append(address)
        elif refusal(str(address)):
            raise Refused(
                f"{target.host} leads to an address that is not public; "
                "one on your own network must be opened under allow_lan in [webhook]"
            )
        elif (target.scheme, target.port) != ("https", 443):
            raise Refused(f"{target.host} is a public address; only https on port 443 is sent to")
        else:
            vetted.append(address)
    return vetted


def connect(
    target: Target, *, doors: Sequence[Door], resolve: Resolver, tls: ssl.SSLContext | None, left_s: Callable[[], float]
) -> socket.socket:
    """A connection to the vetted literal, with TLS verified against the name.

    Raises
    ------
    Refused
        If the address is not one to be sent to.
    OSError
        If no connection came about in the time left, or the certificate is not good for the name.
    """
    error: OSError = OSError("no connection")
    for address in vet(target, doors, resolve, left_s()):
        try:
            plain = socket.create_connection((str(address), target.port), timeout=min(CONNECT_S, left_s()))
        except OSError as failed:
            error = failed
            continue
        try:
            if _literal(plain.getpeername()[0]) != address:
                raise Refused(f"{target.host}: the connection ended elsewhere than it was sent")
            plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            plain.settimeout(left_s())
            if target.scheme != "https":
                return plain
            return (tls or verifying_tls()).wrap_socket(plain, server_hostname=target.host)
        except BaseException:
            plain.close()
            raise
    raise error


@cache
def verifying_tls() -> ssl.SSLContext:
    """The context that trusts what the system trusts; read from the disk once."""
    return ssl.create_default_context()


def resolve_host(host: str, port: int) -> list[str]:
    """The addresses of a host as the system's resolver gives them."""
    return [str(found[4][0]) for found in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]


def _resolved(resolve: Resolver, target: Target, timeout_s: float) -> Sequence[str]:
    # the system's resolver has no time limit of its own; a thread that hangs in it is left behind
    answers: SimpleQueue[Sequence[str]] = SimpleQueue()

    def ask() -> None:
        try:
            answers.put(resolve(target.host, target.port))
        except (OSError, UnicodeError):
            answers.put(())

    threading.Thread(target=ask, daemon=True).start()
    try:
        return answers.get(timeout=max(0.0, timeout_s))
    except Empty:
        return ()


def _ascii_host(host: str) -> str:
    if not host or "%" in host:  # no host, or a scoped address
        raise ValueError(host)
    return host if ":" in host else host.encode("idna").decode("ascii").lower()


def _literal(text: str) -> AnyAddress | None:
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return None
    if isinstance(address, ipaddress.IPv6Address):
        if address.scope_id is not None:
            return None
        return address.ipv4_mapped or address
    return address


def _in(address: AnyAddress, networks: Iterable[AnyNetwork]) -> bool:
    return any(address in network for network in networks)


def _port_of(scheme: str) -> int:
    return 443 if scheme == "https" else 80
