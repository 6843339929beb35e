"""The brief as JSON, for programs; its schema is published with the package."""

import json
from importlib import resources
from typing import Any

from bitewatch.brief.compose import Brief

FORM = "bitewatch.brief/1"


def render_payload(brief: Brief) -> dict[str, Any]:
    """The whole brief: the sentences as the reader gets them, and the numbers behind them; what is missing is None."""
    return {
        "form": FORM,
        "subject": brief.subject,
        "danger": brief.danger,
        "headline": list(brief.headline),
        "sections": [
            {"key": section.key, "title": section.title, "lines": list(section.lines)} for section in brief.sections
        ],
        "attributions": list(brief.attributions),
        **brief.facts,
    }


def payload_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of what `render_payload` returns."""
    schema: dict[str, Any] = json.loads(
        resources.files("bitewatch.brief").joinpath("data/brief.schema.json").read_text("utf-8")
    )
    return schema
