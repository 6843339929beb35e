"""The brief as JSON, for programs; its schema is published with the package."""

import json
from collections.abc import Callable
from importlib import resources
from typing import Any

from bitewatch.brief.compose import Brief


def render_payload(brief: Brief) -> dict[str, Any]:
    """The whole brief: the sentences as the reader gets them, and the numbers behind them; what is missing is None."""
    return {
        "form": brief.form,
        "subject": brief.subject,
        "danger": brief.danger,
        "headline": list(brief.headline),
        "sections": [
            {"key": section.key, "title": section.title, "lines": list(section.lines)} for section in brief.sections
        ],
        "attributions": list(brief.attributions),
        "left_out": [],
        **brief.facts,
    }


def fitted(payload: dict[str, Any], most_bytes: int) -> dict[str, Any]:
    """A payload that a receiver with a limit takes; ``left_out`` names what had to go.

    First the full texts of official warnings, of which headline and link stay, then the sentences of lakes that are not
    run, all reasons, all sentences, the last lakes, and the last of many warnings; the headline and the lake to run
    always stay.
    """
    steps: tuple[tuple[str, Callable[[dict[str, Any]], dict[str, Any]]], ...] = (
        ("texts of official warnings", _without_official_texts),
        ("sections of other lakes", _without_other_sections),
        ("reasons", _without_reasons),
        ("sections", lambda whole: whole | {"sections": []}),
    )
    for name, leave_out in steps:
        if _size(payload) <= most_bytes:
            return payload
        payload = leave_out(payload) | {"left_out": [*payload["left_out"], name]}
    while _size(payload) > most_bytes and len(payload["lakes"]) > 1:
        name = payload["lakes"][-1]["lake"]
        payload = payload | {"lakes": payload["lakes"][:-1], "left_out": [*payload["left_out"], f"lake {name}"]}
    while _size(payload) > most_bytes and payload["lakes"][0]["official"]["warnings"]:
        payload = _without_last_warning(payload)
    return payload


def _without_official_texts(payload: dict[str, Any]) -> dict[str, Any]:
    return payload | {"sections": [one for one in payload["sections"] if one["key"] != "official"]}


def _without_last_warning(payload: dict[str, Any]) -> dict[str, Any]:
    first, *others = payload["lakes"]
    official = first["official"] | {"warnings": first["official"]["warnings"][:-1]}
    left_out = dict.fromkeys([*payload["left_out"], "official warnings"])
    return payload | {"lakes": [first | {"official": official}, *others], "left_out": list(left_out)}


def _without_other_sections(payload: dict[str, Any]) -> dict[str, Any]:
    return payload | {"sections": [one for one in payload["sections"] if not one["key"].startswith("instead-")]}


def _without_reasons(payload: dict[str, Any]) -> dict[str, Any]:
    lakes = [lake | {"calls": [call | {"reasons": []} for call in lake["calls"]]} for lake in payload["lakes"]]
    return payload | {"lakes": lakes}


def _size(payload: dict[str, Any]) -> int:
    return len(json.dumps(payload, ensure_ascii=False).encode())  # as channels write it


def payload_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of what `render_payload` returns."""
    schema: dict[str, Any] = json.loads(
        resources.files("bitewatch.brief").joinpath("data/brief.schema.json").read_text("utf-8")
    )
    return schema
