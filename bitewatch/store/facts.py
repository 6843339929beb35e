"""Facts about this store itself: its epoch, its heartbeat, the secret that message identities are made with."""

import secrets

from sqlalchemy import Connection, select
from sqlalchemy.dialects.sqlite import insert

from bitewatch.store.metadata import meta


def read_fact(connection: Connection, name: str) -> str | None:
    """The value of a fact, or None."""
    value: str | None = connection.execute(select(meta.c.value).where(meta.c.name == name)).scalar()
    return value


def set_fact(connection: Connection, name: str, value: str) -> None:
    """Write a fact, in place of an older one."""
    row = insert(meta).values(name=name, value=value)
    connection.execute(row.on_conflict_do_update(index_elements=[meta.c.name], set_={"value": value}))


def install_secret(connection: Connection) -> bytes:
    """The 32 random bytes of this installation; made on first use, inside a write."""
    known = read_fact(connection, "install_secret")
    if known is None:
        known = secrets.token_hex(32)
        set_fact(connection, "install_secret", known)
    return bytes.fromhex(known)
