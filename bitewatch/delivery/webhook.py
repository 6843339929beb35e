"""The webhook channel: a signed POST by Standard Webhooks 1.0.0, inside one deadline, to a vetted address."""

import base64
import hashlib
import hmac
import http.client
import io
import socket
import ssl
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, cast

from pydantic import SecretStr

from bitewatch import __version__
from bitewatch.delivery.guard import Door, Resolver, Target, connect, parse_url, resolve_host
from bitewatch.delivery.replies import raise_for_status
from bitewatch.delivery.schedule import retry_after_s
from bitewatch.errors import DeliveryDeferred, DeliveryUnknown, Refused

DEADLINE_S = 15.0  #: over the whole exchange, the lookup included
MOST_READ = 65_536  #: bytes of an answer


def sign(secret: SecretStr, webhook_id: str, timestamp: int, body: bytes) -> str:
    """The ``webhook-signature`` of a body: HMAC-SHA256 over id, timestamp and the exact bytes.

    Raises
    ------
    ValueError
        If the secret is not ``whsec_`` and the base64 of 24 to 64 bytes.
    """
    text = secret.get_secret_value()
    try:
        key = base64.b64decode(text.removeprefix("whsec_"), validate=True)
    except ValueError:
        key = b""
    if not text.startswith("whsec_") or not 24 <= len(key) <= 64:
        raise ValueError("a webhook secret is whsec_ and the base64 of 24 to 64 bytes")
    signed = f"{webhook_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode("ascii")


def post_webhook(
    body: bytes,
    *,
    url: str,
    webhook_id: str,
    secret: SecretStr,
    now: datetime,
    gate: Callable[[], None],
    doors: Sequence[Door] = (),
    deadline_s: float = DEADLINE_S,
    resolve: Resolver = resolve_host,
    tls: ssl.SSLContext | None = None,
) -> str:
    """Post a body, and return what the receiver answered; of the answer only its status is ever told.

    ``gate`` is called with everything sent but the last byte; if it raises, that byte is never sent.

    Raises
    ------
    DeliveryDeferred, DeliveryRefused
        If the receiver did not take it.
    DeliveryUnknown
        If the last byte was sent and no answer could be read.
    """
    ends = time.monotonic() + deadline_s

    def left_s() -> float:
        left = ends - time.monotonic()
        if left <= 0:
            raise TimeoutError(f"no answer within {deadline_s:g} s")
        return left

    passed = False
    try:
        target = parse_url(url, doors)
        with connect(target, doors=doors, resolve=resolve, tls=tls, left_s=left_s) as connection:
            head = _head(target, body, webhook_id, int(now.timestamp()), secret)
            _send(connection, head + body[:-1], left_s)
            gate()
            passed = True
            _send(connection, body[-1:], left_s)
            status, retry_after = _read_status(connection, left_s)
    except Refused as error:
        raise DeliveryDeferred(str(error)) from None
    except (OSError, http.client.HTTPException) as error:
        if passed:
            raise DeliveryUnknown(f"the receiver gave no answer that can be read: {_said(error)}") from None
        raise DeliveryDeferred(f"the receiver cannot be reached: {_said(error)}") from None
    raise_for_status(status, retry_after_s(retry_after, now))
    return f"the receiver answered {status}"


def _head(target: Target, body: bytes, webhook_id: str, timestamp: int, secret: SecretStr) -> bytes:
    lines = (
        f"POST {target.path} HTTP/1.1",
        f"Host: {target.host_header}",
        f"User-Agent: bitewatch/{__version__}",
        "Content-Type: application/json",
        f"Content-Length: {len(body)}",
        f"webhook-id: {webhook_id}",
        f"webhook-timestamp: {timestamp}",
        f"webhook-signature: {sign(secret, webhook_id, timestamp, body)}",
        "Connection: close",
    )
    return "\r\n".join(lines).encode("ascii") + b"\r\n\r\n"


def _send(connection: socket.socket, data: bytes, left_s: Callable[[], float]) -> None:
    view = memoryview(data)
    while view:
        connection.settimeout(left_s())
        view = view[connection.send(view) :]


def _read_status(connection: socket.socket, left_s: Callable[[], float]) -> tuple[int, str | None]:
    answer = http.client.HTTPResponse(cast(socket.socket, _Readable(connection, left_s)), method="POST")
    try:
        answer.begin()
        return answer.status, answer.headers.get("Retry-After")
    finally:
        answer.close()


class _Readable:
    """What `http.client` needs of a socket."""

    def __init__(self, connection: socket.socket, left_s: Callable[[], float]):
        self._reader = _Bounded(connection, left_s)

    def makefile(self, mode: str) -> io.BufferedReader:  # noqa: ARG002
        return io.BufferedReader(self._reader)


class _Bounded(io.RawIOBase):
    """Reads no longer than the whole exchange may take, and no more than an honest answer holds."""

    def __init__(self, connection: socket.socket, left_s: Callable[[], float]):
        self._connection = connection
        self._left_s = left_s
        self._read = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        if self._read >= MOST_READ:
            raise OSError(f"the answer is longer than {MOST_READ} bytes")
        self._connection.settimeout(self._left_s())
        count = self._connection.recv_into(buffer)
        self._read += count
        return count


def _said(error: BaseException) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not good: {error.verify_message}"
    if isinstance(error, TimeoutError):
        return str(error) or "timed out"
    return type(error).__name__
