"""The brief as a page, for mail and for files: no remote address, readable in the dark and without pictures."""

import functools
import re

from jinja2 import PackageLoader, StrictUndefined
from jinja2.sandbox import SandboxedEnvironment

from bitewatch.brief.compose import Brief

STRIP_CID = "depth-strip"  #: the picture is referred to as cid:depth-strip; a file carries it as data instead


_RANGE = re.compile(r"(?<=\d)-(?=\d)")
_UNIT = re.compile(r"(?<=\d) (?=(?:ft|m|mph|m/s|°F|°C|AM|PM|in 10)\b)")
NO_BREAK_HYPHEN, NO_BREAK_SPACE = "\u2011", "\u00a0"


def held_together(line: str) -> str:
    """A line whose ranges and units a narrow screen does not tear apart.

    >>> print(held_together("14-16 ft down").encode("ascii", "namereplace").decode())
    14\\N{NON-BREAKING HYPHEN}16\\N{NO-BREAK SPACE}ft down
    """
    return _UNIT.sub(NO_BREAK_SPACE, _RANGE.sub(NO_BREAK_HYPHEN, line))


@functools.cache
def _environment() -> SandboxedEnvironment:
    environment = SandboxedEnvironment(
        loader=PackageLoader("bitewatch.brief"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    environment.filters["held_together"] = held_together
    return environment


def render_page(brief: Brief) -> str:
    """The whole brief as HTML."""
    return _environment().get_template("brief.html.j2").render(brief=brief, strip_cid=STRIP_CID)
