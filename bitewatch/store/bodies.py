"""Bodies kept once each, by the SHA-256 of their bytes."""

import hashlib

from sqlalchemy import Connection, select
from sqlalchemy.dialects.sqlite import insert

from bitewatch.store.metadata import body


def keep_body(connection: Connection, content: bytes) -> str:
    """Keep some bytes, once, and hand back their SHA-256 in hex."""
    sha256 = hashlib.sha256(content).hexdigest()
    connection.execute(insert(body).values(sha256=sha256, bytes=content).on_conflict_do_nothing())
    return sha256


def read_body(connection: Connection, sha256: str) -> bytes:
    """The bytes with this SHA-256.

    Raises
    ------
    KeyError
        If no such body is kept.
    """
    content: bytes | None = connection.execute(select(body.c.bytes).where(body.c.sha256 == sha256)).scalar()
    if content is None:
        raise KeyError(sha256)
    return content
