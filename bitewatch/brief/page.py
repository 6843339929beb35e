"""The brief as a page, for mail and for files: no remote address, readable in the dark and without pictures."""

import functools

from jinja2 import PackageLoader, StrictUndefined
from jinja2.sandbox import SandboxedEnvironment

from bitewatch.brief.compose import Brief

STRIP_CID = "depth-strip"  #: the picture is referred to as cid:depth-strip; a file carries it as data instead


@functools.cache
def _environment() -> SandboxedEnvironment:
    return SandboxedEnvironment(
        loader=PackageLoader("bitewatch.brief"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip


def render_page(brief: Brief) -> str:
    """The whole brief as HTML."""
    return _environment().get_template("brief.html.j2").render(brief=brief, strip_cid=STRIP_CID)
