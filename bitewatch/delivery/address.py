"""Where messages go to: an address as its owner writes it, and what is wrong with one that cannot be used."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from bitewatch.delivery.guard import CONNECT_S, Door, Resolver, parse_url, resolve_host, vet
from bitewatch.errors import Refused

ACCEPTED = (
    "mailto:NAME@DOMAIN, https://HOST/PATH, http://HOST/PATH inside an opened network of your own, or file:FOLDER"
)

_ATOM = r"[A-Za-z0-9!#$&'*+/=^_`{|}~-]+"
_LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
_DOMAIN = re.compile(rf"{_LABEL}(?:\.{_LABEL})*")
_MAIL = re.compile(rf"({_ATOM}(?:\.{_ATOM})*)@({_DOMAIN.pattern})")


class Kind(StrEnum):
    """The channels; an endpoint has one."""

    EMAIL = "email"
    WEBHOOK = "webhook"
    FILE = "file"


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """One place that messages can go to."""

    kind: Kind
    value: str  #: a mail address, a web address, or the absolute path of a folder


def parse_address(text: str, *, doors: Sequence[Door] = ()) -> Address:
    """The address that somebody wrote. Nothing is looked up; `check_address` does that.

    Raises
    ------
    Refused
        With what is accepted.
    """
    scheme, colon, rest = text.partition(":")
    match scheme.lower() if colon else "":
        case "mailto":
            try:
                return Address(kind=Kind.EMAIL, value=check_mail_address(rest))
            except ValueError as error:
                raise Refused(f"{text!r}: {error}; accepted are {ACCEPTED}") from None
        case "http" | "https":
            try:
                parse_url(text, doors)
            except Refused as error:
                raise Refused(f"{error}; accepted are {ACCEPTED}") from None
            return Address(kind=Kind.WEBHOOK, value=text)
        case "file":
            return Address(kind=Kind.FILE, value=str(_folder(rest, text)))
    raise Refused(f"{text!r}: is not an address that messages can go to; accepted are {ACCEPTED}")


def check_address(address: Address, *, doors: Sequence[Door] = (), resolve: Resolver = resolve_host) -> None:
    """Look up where an address leads, as every sending will again.

    Raises
    ------
    Refused
        If a webhook leads to where nothing is sent to.
    """
    if address.kind is Kind.WEBHOOK:
        vet(parse_url(address.value, doors), doors, resolve, CONNECT_S)


def check_mail_address(text: str) -> str:
    """A mail address, its domain in small letters.

    Raises
    ------
    ValueError
        If it is not of the plain form, or its mailbox is written in other letters than ASCII.

    >>> check_mail_address("Pat@Example.ORG")
    'Pat@example.org'
    """
    found = _MAIL.fullmatch(text)
    if found is None or len(found[1]) > 64 or len(text) > 254:
        raise ValueError("is not a mail address of plain letters, such as pat@example.org")
    return f"{found[1]}@{found[2].lower()}"


def check_domain(text: str) -> str:
    """A domain name in small letters.

    Raises
    ------
    ValueError
        If it is not one.
    """
    if len(text) > 150 or _DOMAIN.fullmatch(text) is None:
        raise ValueError(f"{text!r} is not a domain such as example.org")
    return text.lower()


def _folder(rest: str, text: str) -> Path:
    path = rest.removeprefix("//") if rest.startswith("///") else rest
    if not path or path.startswith("//") or any(ord(letter) < 0x20 for letter in path):
        raise Refused(f"{text!r}: names no folder; write file:FOLDER or file:/ABSOLUTE/FOLDER")
    return Path(path).resolve()
