"""A message: what is said, in every form it may be sent in, and nothing about to whom."""

import base64
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

_BREAKS = re.compile("\r\n?")
#: C0, DEL, C1, the two Unicode line separators, and halves of surrogate pairs, which no mail may carry
_NOT_IN_LINES = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_NOT_IN_BODIES = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_CID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_REFERENCE = re.compile(r"""\bsrc=(["'])cid:([^"']*)\1""")


def clean_line(text: str) -> str:
    """One line without control characters, its runs of white space made single spaces.

    >>> clean_line("North\\r\\nBcc: x  Pond\\x00")
    'North Bcc: x Pond'
    """
    return " ".join(_NOT_IN_LINES.sub(" ", text).split())


def clean_body(text: str) -> str:
    """A text of many lines, each ended by a single line feed, without control characters but the tab."""
    return _NOT_IN_BODIES.sub("", _BREAKS.sub("\n", text))


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture that the HTML of a message shows where it says ``src="cid:CID"``."""

    cid: str
    file_name: str
    alt: str
    png: bytes

    def __post_init__(self) -> None:
        if not _CID.fullmatch(self.cid):
            raise ValueError(f"a cid is up to 64 letters, digits, dots, dashes and underscores, not {self.cid!r}")
        object.__setattr__(self, "file_name", clean_line(self.file_name))
        object.__setattr__(self, "alt", clean_line(self.alt))


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message, whatever it says; user text in it is cleaned of control characters as it is made."""

    type: str  #: such as ``bitewatch.brief``
    subject: str
    text: str
    html: str  #: pictures are referred to as ``src="cid:CID"``
    pictures: tuple[Picture, ...] = ()
    data: Mapping[str, Any]  #: the same for a program, as JSON
    list_name: str  #: what a mail program may sort by; the same for every message of one list

    def __post_init__(self) -> None:
        object.__setattr__(self, "subject", clean_line(self.subject))
        object.__setattr__(self, "list_name", clean_line(self.list_name))
        object.__setattr__(self, "text", clean_body(self.text))
        object.__setattr__(self, "html", clean_body(self.html))


def html_with(message: Message, refer: Callable[[Picture], str]) -> str:
    """The HTML of a message, each picture referred to as ``refer`` says.

    Raises
    ------
    ValueError
        If the HTML shows a picture that the message does not carry.
    """
    known = {picture.cid: picture for picture in message.pictures}

    def replaced(found: re.Match[str]) -> str:
        if found[2] not in known:
            raise ValueError(f"the HTML shows cid:{found[2]}, which the message does not carry")
        return f"src={found[1]}{refer(known[found[2]])}{found[1]}"

    return _REFERENCE.sub(replaced, message.html)


def standalone_page(message: Message) -> str:
    """The HTML of a message as one page for a file: its pictures stand inside it as ``data:`` addresses."""
    return html_with(message, lambda picture: f"data:image/png;base64,{base64.b64encode(picture.png).decode('ascii')}")
