"""Endpoints: each address once, with the secret that signs what is posted to it."""

import base64
import secrets
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from pydantic import SecretStr
from sqlalchemy import Connection, insert, select, update
from sqlalchemy.dialects.sqlite import insert as insert_or

from bitewatch.delivery.address import Address, Kind
from bitewatch.delivery.tables import endpoint, suppression

SECRET_BYTES = 32  #: Standard Webhooks 1.0.0 takes 24 to 64


class EndpointState(StrEnum):
    """Whether messages go to an endpoint."""

    ACTIVE = "active"
    PAUSED = "paused"  #: its messages wait
    DISABLED = "disabled"  #: its messages are cancelled


class Suppression(StrEnum):
    """Why nothing is ever sent to an endpoint again."""

    UNSUBSCRIBED = "unsubscribed"
    HARD_BOUNCE = "hard_bounce"
    SOFT_BOUNCE = "soft_bounce"
    COMPLAINT = "complaint"
    OPERATOR = "operator"


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """One address that messages go to, as the store knows it."""

    id: str
    kind: Kind
    address: str
    state: EndpointState
    reason: str | None
    lan_allowed: bool
    secret: SecretStr | None


def new_webhook_secret() -> str:
    """A new signing secret; its owner is shown it once and gives it to the receiver."""
    return "whsec_" + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode("ascii")


def add_endpoint(
    connection: Connection, address: Address, *, now: datetime, secret: str | None, by_operator: bool
) -> str:
    """The id of the endpoint with this address, made if there is none.

    An endpoint that is known already keeps its secret, and is active again. ``by_operator`` says whether it may go
    through ``webhook.allow_lan``; an address that a reader typed into a form never may.
    """
    if (address.kind is Kind.WEBHOOK) != (secret is not None):
        raise ValueError("a webhook has a secret, and nothing else has one")
    known = find_endpoint(connection, address)
    if known is not None:
        active = {"state": EndpointState.ACTIVE, "reason": None, "open_until": None}
        connection.execute(update(endpoint).where(endpoint.c.id == known).values(**active))
        return known
    row = {"id": secrets.token_hex(8), "kind": address.kind, "address": address.value, "state": EndpointState.ACTIVE}
    breaker = {"consecutive_failures": 0, "lan_allowed": int(by_operator)}
    connection.execute(insert(endpoint).values(**row, **breaker, secret=secret, created_at=now))
    return row["id"]


def find_endpoint(connection: Connection, address: Address) -> str | None:
    """The id of the endpoint with this address, or None."""
    same = (endpoint.c.kind == address.kind) & (endpoint.c.address == address.value)
    found: str | None = connection.execute(select(endpoint.c.id).where(same)).scalar()
    return found


def read_endpoint(connection: Connection, endpoint_id: str) -> Endpoint:
    """An endpoint.

    Raises
    ------
    KeyError
        If there is none with this id.
    """
    row = connection.execute(select(endpoint).where(endpoint.c.id == endpoint_id)).one_or_none()
    if row is None:
        raise KeyError(endpoint_id)
    return Endpoint(
        id=row.id, kind=Kind(row.kind), address=row.address, state=EndpointState(row.state), reason=row.reason,
        lan_allowed=bool(row.lan_allowed), secret=None if row.secret is None else SecretStr(row.secret),
    )  # fmt: skip


def why_never(connection: Connection, endpoint_id: str) -> str | None:
    """Why nothing may be sent to an endpoint any more, or None if something may."""
    reason: str | None = connection.execute(
        select(suppression.c.reason).where(suppression.c.endpoint == endpoint_id).order_by(suppression.c.since)
    ).scalar()
    if reason is not None:
        return f"suppressed: {reason}"
    known = read_endpoint(connection, endpoint_id)
    return f"disabled: {known.reason}" if known.state is EndpointState.DISABLED else None


def disable_endpoint(connection: Connection, endpoint_id: str, *, reason: str) -> None:
    """Send nothing more to an endpoint until its operator adds it again."""
    row = update(endpoint).where(endpoint.c.id == endpoint_id)
    connection.execute(row.values(state=EndpointState.DISABLED, reason=reason))


def suppress_endpoint(
    connection: Connection, endpoint_id: str, *, reason: Suppression, evidence: str, now: datetime
) -> None:
    """Write down a reason never to send to an endpoint again; the first of its kind stands."""
    row = insert_or(suppression).values(endpoint=endpoint_id, reason=reason, since=now, evidence=evidence)
    connection.execute(row.on_conflict_do_nothing())


def slow_down(connection: Connection, endpoint_id: str, *, until: datetime) -> None:
    """Claim nothing for an endpoint that says it is busy before ``until``."""
    connection.execute(update(endpoint).where(endpoint.c.id == endpoint_id).values(open_until=until))
