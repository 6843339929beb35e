"""The brief as plain text: it reads well aloud and on the smallest screen."""

import textwrap

from bitewatch.brief.compose import Brief

WIDTH = 72


def render_text(brief: Brief) -> str:
    """The whole brief; a line break only where a sentence is over, or a line is full."""
    blocks = ["\n".join(_wrapped(line, "") for line in brief.headline)]
    for section in brief.sections:
        lines = [_wrapped(line, "- ") for line in section.lines]
        blocks.append("\n".join([section.title.upper(), *lines]))
    return "\n\n".join(blocks) + "\n"


def _wrapped(line: str, bullet: str) -> str:
    return textwrap.fill(
        line, WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
