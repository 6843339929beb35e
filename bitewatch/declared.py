"""Declared things: frozen models read from TOML, where a number carries its unit in its key.

Either unit is taken (``max_depth_m`` or ``max_depth_ft``), never both. What is wrong becomes one `Fault` a line, with
the key and the value as they were written.
"""

import codecs
import difflib
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Strict, ValidationError, model_validator
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticCustomError

from bitewatch.errors import ConfigRefused, Fault
from bitewatch.units import KeyUnit, other_keys

MAX_BYTES = 1_048_576  #: no honest config file is larger; a larger one is refused unread
Number = Annotated[float, Strict()]  #: a TOML number; neither text nor a boolean passes for one
Whole = Annotated[int, Strict()]


class Declared(BaseModel):
    """A frozen thing read from TOML; unknown keys are refused, either unit of a key is taken."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, validate_default=True)

    @model_validator(mode="before")
    @classmethod
    def _take_either_unit(cls, table: Any) -> Any:
        if not isinstance(table, dict):
            return table
        taken = dict(table)
        for canonical in cls.model_fields:
            for key, unit in other_keys(canonical).items():
                if key not in taken:
                    continue
                if canonical in taken:
                    raise PydanticCustomError(
                        "two_units", "the same number stands twice; give one of {keys}",
                        {"key": key, "keys": ", ".join([canonical, *other_keys(canonical)])},
                    )  # fmt: skip
                value = taken.pop(key)
                if isinstance(value, list):  # a list of numbers carries the unit of its key too
                    taken[canonical] = [unit.to_canonical(one) if _is_number(one) else one for one in value]
                else:
                    taken[canonical] = unit.to_canonical(value) if _is_number(value) else value
        return taken


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def wrong(key: str, right: str) -> PydanticCustomError:
    """For a check of a whole table: the key it stumbled over, by its canonical name, and what would be right."""
    return PydanticCustomError("wrong", "{right}", {"key": key, "right": right})


M = TypeVar("M", bound=Declared)

#: kinds of pydantic errors in plain words
PLAIN: Mapping[str, str] = {
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "finite_number": "must be a finite number",
    "string_type": "must be text in quotes",
    "string_too_short": "must not be empty",
    "string_too_long": "must have at most {max_length} characters",
    "string_pattern_mismatch": "has characters that are not taken here",
    "bool_type": "must be true or false",
    "tuple_type": "must be a list",
    "too_short": "must not be empty",
    "too_long": "must name at most {max_length}",
    "model_type": "must be a table",
    "dict_type": "must be a table",
    "mapping_type": "must be a table",
}


def read_toml(path: Path, *, shown_as: str) -> dict[str, Any]:
    """The table of a TOML file.

    Raises
    ------
    ConfigRefused
        If the file is missing, too large, not UTF-8 or not TOML.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise ConfigRefused(
            [Fault(file=shown_as, key="", value="", right=f"cannot be read: {error.strerror}")]
        ) from error
    if raw.startswith(codecs.BOM_UTF8):
        right = "starts with a byte order mark; save the file as UTF-8 without one"
        raise ConfigRefused([Fault(file=shown_as, key="", value="", right=right)])
    if len(raw) > MAX_BYTES:
        raise ConfigRefused([Fault(file=shown_as, key="", value="", right="is larger than 1 MiB; no config file is")])
    try:
        return tomllib.loads(raw.decode("utf-8"))
    except UnicodeDecodeError as error:
        right = f"byte {error.start} is not UTF-8; save the file as UTF-8"
        raise ConfigRefused([Fault(file=shown_as, key="", value="", right=right)]) from error
    except tomllib.TOMLDecodeError as error:
        why = "a key stands twice: " if "Cannot overwrite" in str(error) else "is not TOML: "
        raise ConfigRefused([Fault(file=shown_as, key="", value="", right=f"{why}{error}")]) from error


def declare(model: type[M], table: Mapping[str, Any], *, file: str) -> M:
    """A declared thing from the table of a file.

    Raises
    ------
    ConfigRefused
        With one fault for each thing that is wrong, each naming ``file``.
    """
    try:
        return model.model_validate(dict(table))
    except ValidationError as error:
        details = error.errors()
        raise ConfigRefused(_fault(model, table, one, file) for one in details if not _follows(one, details)) from error


def _follows(detail: ErrorDetails, details: list[ErrorDetails]) -> bool:
    """True for a list called too short only because pydantic counts none of its items that are wrong themselves."""
    place = detail["loc"]
    return detail["type"] == "too_short" and any(
        len(other["loc"]) > len(place) and other["loc"][: len(place)] == place for other in details
    )


def _fault(model: type[BaseModel], table: Any, detail: ErrorDetails, file: str) -> Fault:
    """One pydantic error in the words of the file's author."""
    kind, context = detail["type"], detail.get("ctx", {})
    place: list[str] = []
    owner: type[BaseModel] | None = model
    unit: KeyUnit | None = None
    value: Any = detail["input"]
    field_info = None
    for step in detail["loc"]:
        if isinstance(step, int):
            place.append(f"[{step + 1}]")
            table = table[step] if isinstance(table, list) and step < len(table) else {}
            continue
        written, unit = step, None
        if isinstance(table, dict) and step not in table:
            for key, other in other_keys(step).items():
                if key in table:
                    written, unit, value = key, other, table[key]
        field_info = _fields(owner).get(step)
        shown = _printable(written)
        place.append(f".{shown}" if place else shown)
        table = table.get(written, {}) if isinstance(table, dict) else {}
        if field_info is not None:
            owner = _model_inside(field_info.annotation)
    key = "".join(place)
    if "key" in context:  # a check of a whole table names the key it stumbled over
        name = str(context["key"])
        written = next((other for other in other_keys(name) if isinstance(table, dict) and other in table), name)
        if isinstance(table, dict) and written in table:
            value = table[written]
        else:
            kind = "missing"
        key = f"{key}.{written}" if key else written
        return Fault(file=file, key=key, value=_shown(kind, value), right=detail["msg"])
    wanted = (field_info.description if field_info else None) or ""
    return Fault(file=file, key=key, value=_shown(kind, value), right=_right(kind, detail, unit, wanted, owner, key))


def _fields(owner: type[BaseModel] | None) -> dict[str, FieldInfo]:
    """The fields of a model by the keys under which they are written."""
    return {info.alias or name: info for name, info in (owner.model_fields if owner else {}).items()}


def _model_inside(annotation: Any) -> type[BaseModel] | None:
    """The model that a field holds, directly, optionally, or as the items of a sequence or mapping."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for part in getattr(annotation, "__args__", ()):
        found = _model_inside(part)
        if found is not None:
            return found
    return None


def _shown(kind: str, value: Any) -> str:
    if kind == "missing" or isinstance(value, dict | list):
        return ""
    text = f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    text = re.sub(r"//[^/@\s]*@", "//***@", _printable(text))  # an address may hold a password: no log is to have it
    return text if len(text) <= 60 else text[:57] + "..."


def _printable(text: str) -> str:
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)


def _right(
    kind: str, detail: ErrorDetails, unit: KeyUnit | None, wanted: str, owner: type[BaseModel] | None, key: str
) -> str:
    context = detail.get("ctx", {})
    tail = f"; {wanted}" if wanted else ""
    if kind == "extra_forbidden":
        return _unknown_key(owner, key)
    if kind == "missing":
        return f"is required{tail}"
    bounds = {"greater_than": ("above", "gt"), "greater_than_equal": ("at least", "ge"),
              "less_than": ("below", "lt"), "less_than_equal": ("at most", "le")}  # fmt: skip
    if kind in bounds:
        word, name = bounds[kind]
        limit = context[name]
        if unit is not None and isinstance(limit, int | float):
            limit = unit.from_canonical(limit)
        return (
            f"must be {word} {limit:.6g}{tail}" if isinstance(limit, int | float) else f"must be {word} {limit}{tail}"
        )
    if kind in ("enum", "literal_error"):
        return f"must be one of {context['expected']}{tail}"
    if kind in PLAIN:
        return f"{PLAIN[kind].format(**context)}{tail}"
    if kind == "value_error":
        return f"{context['error']}{tail}"
    return f"{detail['msg'].removeprefix('Input ')}{tail}"


def _unknown_key(owner: type[BaseModel] | None, key: str) -> str:
    known = [name for field in _fields(owner) for name in (field, *other_keys(field))]
    near = difflib.get_close_matches(key.rpartition(".")[2], known, n=1, cutoff=0.6)
    return f"unknown key; did you mean {near[0]}?" if near else f"unknown key; known are {', '.join(sorted(known))}"
