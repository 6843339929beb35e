"""JSON as the standard has it: what Python's reader lets pass is refused here."""

import json
import math
from typing import Any, NoReturn

from bitewatch.errors import PayloadRefused
from bitewatch.weather.sources.acceptance import Reason

LONGEST_INTEGER = 18  #: digits; every integer of the agreed shapes is far shorter, and int64 holds it


def parse_strictly(body: bytes) -> Any:
    """The value of a JSON text in UTF-8.

    Raises
    ------
    PayloadRefused
        For NaN and infinities, numbers too large to hold, a key that stands twice, text after the value, nesting
        beyond reason, and everything that is not JSON in UTF-8.
    """
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise PayloadRefused(Reason.NOT_TEXT, f"byte {error.start}") from error
    try:
        return json.loads(
            text, parse_constant=_refuse, parse_float=_finite, parse_int=_short, object_pairs_hook=_each_key_once
        )
    except json.JSONDecodeError as error:
        raise PayloadRefused(Reason.NOT_JSON, f"{error.msg} at character {error.pos} of {len(text)}") from error
    except RecursionError as error:
        raise PayloadRefused(Reason.NOT_JSON, "nested too deeply") from error


def _refuse(constant: str) -> NoReturn:
    raise PayloadRefused(Reason.NOT_JSON, f"{constant} is not a number")


def _finite(number: str) -> float:
    value = float(number)
    if math.isinf(value):
        raise PayloadRefused(Reason.NOT_JSON, f"{number[:20]} is too large a number")
    return value


def _short(number: str) -> int:
    if len(number.lstrip("-")) > LONGEST_INTEGER:
        raise PayloadRefused(Reason.NOT_JSON, f"{number[:20]} is too large a number")
    return int(number)


def _each_key_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) != len(pairs):
        seen: set[str] = set()
        twice = next(key for key, _ in pairs if key in seen or seen.add(key))  # type: ignore[func-returns-value]
        raise PayloadRefused(Reason.NOT_JSON, f"the key {ascii(twice)[:60]} stands twice")
    return table
