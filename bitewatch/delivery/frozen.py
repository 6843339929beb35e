"""A message frozen when it is decided: bodies and pictures kept once each, and read back the same for every try."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Connection

from bitewatch.delivery.message import Message, Picture, html_with
from bitewatch.store.bodies import keep_body, read_body
from bitewatch.store.metadata import INSTANT_TEXT

MAX_WEBHOOK_BYTES = 20_000  #: Standard Webhooks 1.0.0, "Payload size"


@dataclass(frozen=True, slots=True, kw_only=True)
class Frozen:
    """One owed message as it stands in the store."""

    key: str
    stem: str
    message_id: str
    local_date: date
    kind: str
    decided_at: datetime
    message: Message
    webhook_body: bytes  #: the exact bytes that are signed and sent


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """What is kept of a message: the bodies, and a small table that refers to them."""

    table: Mapping[str, Any]
    bodies: tuple[bytes, ...]
    body_hash: str  #: of all that the message says; the instant of the decision is no part of it


def take_apart(message: Message, *, now: datetime) -> Parts:
    """The parts of a message that is decided now.

    Raises
    ------
    ValueError, TypeError
        If the message cannot be sent: a picture is missing, or its data are not JSON.
    """
    html_with(message, lambda picture: picture.cid)
    said = _json(message.data)
    envelope = {
        "type": message.type,
        "timestamp": now.astimezone(UTC).strftime(INSTANT_TEXT),
        "data": dict(message.data),
    }
    text, html, body = message.text.encode(), message.html.encode(), _json(envelope)
    pictures = [
        {"cid": p.cid, "file_name": p.file_name, "alt": p.alt, "sha256": _sha256(p.png)} for p in message.pictures
    ]
    content = {
        "type": message.type, "subject": message.subject, "list_name": message.list_name, "text": _sha256(text),
        "html": _sha256(html), "pictures": pictures,
    }  # fmt: skip
    return Parts(
        table={**content, "body": _sha256(body)},
        bodies=(text, html, body, *(picture.png for picture in message.pictures)),
        body_hash=_sha256(_json({**content, "data": _sha256(said)})),
    )


def check_webhook_size(parts: Parts) -> None:
    """Refuse what receivers of webhooks do not take.

    Raises
    ------
    ValueError
        If the body is too large.
    """
    size = len(parts.bodies[2])
    if size >= MAX_WEBHOOK_BYTES:
        raise ValueError(f"the webhook body has {size} bytes; receivers take less than {MAX_WEBHOOK_BYTES}")


def payload_of(parts: Parts, *, stem: str, local_date: date, kind: str, now: datetime) -> str:
    """What the outbox row holds: the hashes, and what is this row's own."""
    own = {
        "stem": stem, "local_date": local_date.isoformat(), "kind": kind,
        "decided_at": now.astimezone(UTC).isoformat(timespec="seconds"),
    }  # fmt: skip
    return _json({**parts.table, **own}).decode()


def keep_parts(connection: Connection, parts: Parts) -> None:
    """Keep the bodies that are not yet kept."""
    for content in parts.bodies:
        keep_body(connection, content)


def read_frozen(connection: Connection, *, key: str, message_id: str, payload: str) -> Frozen:
    """A frozen message, read back."""
    table = json.loads(payload)
    body = read_body(connection, table["body"])
    pictures = tuple(
        Picture(cid=p["cid"], file_name=p["file_name"], alt=p["alt"], png=read_body(connection, p["sha256"]))
        for p in table["pictures"]
    )
    message = Message(
        type=table["type"], subject=table["subject"], list_name=table["list_name"], pictures=pictures,
        text=read_body(connection, table["text"]).decode(), html=read_body(connection, table["html"]).decode(),
        data=json.loads(body)["data"],
    )  # fmt: skip
    return Frozen(
        key=key, stem=table["stem"], message_id=message_id, local_date=date.fromisoformat(table["local_date"]),
        kind=table["kind"], decided_at=datetime.fromisoformat(table["decided_at"]), message=message, webhook_body=body,
    )  # fmt: skip


def _json(value: Any) -> bytes:
    # lone surrogates would not encode; sorted keys make equal data equal bytes
    text = json.dumps(_plain(value), ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))
    return text.encode("utf-8")


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
