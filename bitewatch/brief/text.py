"""The brief as plain text: it reads well aloud and on the smallest screen."""

import textwrap

from bitewatch.brief.compose import Brief

WIDTH = 72


def render_text(brief: Brief) -> str:
    """The whole message; a line break only where a sentence is over, or a line is full, or another's text has one."""
    blocks = ["\n".join(_wrapped(line, "") for line in brief.headline)]
    for section in brief.sections:
        shown = _verbatim if section.verbatim else _wrapped
        lines = [shown(line, "- ") for line in section.lines]
        blocks.append("\n".join([section.title.upper(), *lines]))
    return "\n\n".join(blocks) + "\n"


def _wrapped(line: str, bullet: str) -> str:
    return textwrap.fill(
        line, WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip


def _verbatim(text: str, bullet: str) -> str:
    """Another's text with its own breaks, its lines under one another."""
    first, *rest = text.split("\n")
    return "\n".join([f"{bullet}{first}", *(f"{' ' * len(bullet)}{line}".rstrip() for line in rest)])
