"""Loopback receivers that do what a script says, and a store with a clock that only a test moves."""

import socket
import ssl
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO

import pytest
from sqlalchemy import select

from bitewatch.delivery.address import Address, Kind
from bitewatch.delivery.decide import Decided, Owed, decide
from bitewatch.delivery.deliver import Channels, Counts, deliver_due
from bitewatch.delivery.endpoints import add_endpoint, new_webhook_secret
from bitewatch.delivery.message import Message, Picture
from bitewatch.delivery.recovery import next_epoch, recover
from bitewatch.delivery.settings import SmtpSettings, WebhookSettings
from bitewatch.delivery.tables import attempt, outbox
from bitewatch.store.database import Store
from bitewatch.store.metadata import event
from bitewatch.store.migrate import open_store

CERTIFICATES = Path(__file__).parents[1] / "data" / "delivery"
START = datetime(2026, 6, 1, 9, 30, tzinfo=UTC)
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))


def server_tls(name: str) -> ssl.SSLContext:
    """What a server shows: a certificate for localhost, or for elsewhere.example."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(CERTIFICATES / f"{name}.pem")
    return context


@pytest.fixture
def certificate() -> Callable[[str], ssl.SSLContext]:
    return server_tls


@pytest.fixture
def trusting() -> ssl.SSLContext:
    """A client context that trusts the two certificates of the tests, and still checks names."""
    context = ssl.create_default_context(cafile=str(CERTIFICATES / "localhost.pem"))
    context.load_verify_locations(CERTIFICATES / "elsewhere.pem")
    return context


@pytest.fixture
def message() -> Callable[..., Message]:
    def make(**changes: Any) -> Message:
        given: dict[str, Any] = {
            "type": "bitewatch.brief", "subject": "High over the weeds, 5 ft down",
            "text": "First line – plain.\n.a line that starts with a dot\n..and two\nlast", "list_name": "north-pond",
            "html": '<p>First line</p><img src="cid:strip" alt="depths">', "data": {"pace": "slow", "depth_m": 1.5},
            "pictures": (Picture(cid="strip", file_name="depth strip.png", alt="depths", png=PNG),),
        }  # fmt: skip
        return Message(**{**given, **changes})

    return make


class Server:
    """Answers on a loopback port, each connection in a thread of its own, until it is closed."""

    def __init__(self, talk: Callable[[socket.socket], None]):
        self._talk = talk
        self.stopped = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            thread = threading.Thread(target=self._serve, args=(connection,))
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        connection.settimeout(20)
        try:
            self._talk(connection)
        except (OSError, EOFError):
            pass
        finally:
            connection.close()

    def close(self) -> None:
        self.stopped.set()
        if self._listener.fileno() >= 0:
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for thread in self._threads:
            thread.join(25)
            assert not thread.is_alive()


def reset(connection: socket.socket) -> None:
    """Close with a reset, as a crashed receiver does."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    connection.close()


@dataclass
class Relay:
    """A mail server that answers each verb as its script says, then as a good server does."""

    script: dict[str, list[str]]
    tls: ssl.SSLContext | None
    extensions: tuple[str, ...]
    verbs: list[str] = field(default_factory=list)
    clear: list[str] = field(default_factory=list)  #: lines that came before TLS
    offered: list[bytes] = field(default_factory=list)  #: mails that came whole, dot included
    taken: list[bytes] = field(default_factory=list)
    port: int = 0

    GOOD = {"DATA": "354 go on", "QUIT": "221 bye", "STARTTLS": "220 go on", "AUTH": "235 welcome"}  # noqa: RUF012

    def talk(self, connection: socket.socket) -> None:
        with ExitStack() as open_things:
            self._talk(connection, open_things)

    def _talk(self, connection: socket.socket, open_things: ExitStack) -> None:
        is_clear = True
        lines = open_things.enter_context(connection.makefile("rb"))
        connection.sendall((self._answer("GREETING") or "220 relay.test ESMTP").encode() + b"\r\n")
        while line := lines.readline():
            text = line.decode().strip()
            verb = text.split(" ")[0].upper()
            self.verbs.append(verb)
            if is_clear:
                self.clear.append(text)
            answer = self._answer(verb)
            if answer == "drop":
                return reset(connection)
            if answer is None and verb == "EHLO":
                shown = [one for one in self.extensions if one != "STARTTLS" or (is_clear and self.tls)]
                rows = ["relay.test", *shown]
                answer = "\r\n".join(f"250{'-' if n < len(rows) - 1 else ' '}{row}" for n, row in enumerate(rows))
            connection.sendall((answer or self.GOOD.get(verb, "250 ok")).encode() + b"\r\n")
            if verb == "QUIT":
                return None
            if verb == "STARTTLS" and (answer or "220").startswith("220"):
                assert self.tls is not None
                connection = open_things.enter_context(
                    self.tls.wrap_socket(connection, server_side=True, do_handshake_on_connect=False)
                )
                connection.do_handshake()
                lines, is_clear = open_things.enter_context(connection.makefile("rb")), False
            if verb == "DATA" and (answer or "354").startswith("354"):
                mail = b""
                while not mail.endswith(b"\r\n.\r\n"):
                    row = lines.readline()
                    if not row:
                        return None
                    mail += row
                mail = mail[:-3].replace(b"\r\n..", b"\r\n.")
                self.offered.append(mail)
                answer = self._answer("DOT")
                if answer == "drop":
                    return reset(connection)
                if answer == "silence":
                    lines.read(1)
                    return None
                if answer is None or answer.startswith("2"):
                    self.taken.append(mail)
                connection.sendall((answer or "250 2.0.0 taken").encode() + b"\r\n")
        return None

    def _answer(self, verb: str) -> str | None:
        waiting = self.script.get(verb)
        return waiting.pop(0) if waiting else None


@pytest.fixture
def relay() -> Iterator[Callable[..., Relay]]:
    servers: list[Server] = []

    def start(
        *, tls: ssl.SSLContext | None = None, extensions: tuple[str, ...] = ("STARTTLS", "SIZE 9999999"),
        **script: list[str],
    ) -> Relay:  # fmt: skip
        made = Relay(script=dict(script), tls=tls, extensions=extensions)
        servers.append(Server(made.talk))
        made.port = servers[-1].port
        return made

    yield start
    for server in servers:
        server.close()


@dataclass
class Hook:
    """A receiver of webhooks: raw answers in their order, the last one for ever."""

    answers: list[bytes | str]
    tls: ssl.SSLContext | None
    requests: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    server: Any = None

    @property
    def port(self) -> int:
        port: int = self.server.port
        return port

    def talk(self, connection: socket.socket) -> None:
        with ExitStack() as open_things:
            if self.tls is not None:
                connection = open_things.enter_context(
                    self.tls.wrap_socket(connection, server_side=True, do_handshake_on_connect=False)
                )
                connection.do_handshake()
            self._answer(connection, open_things.enter_context(connection.makefile("rb")))

    def _answer(self, connection: socket.socket, reader: BinaryIO) -> None:
        first = reader.readline().decode().strip()
        headers = {}
        while (line := reader.readline().decode().strip()) != "":
            name, _, value = line.partition(": ")
            headers[name.lower()] = value
        wanted = int(headers.get("content-length", 0))
        body = reader.read(wanted)
        if len(body) < wanted or not first:
            return
        self.requests.append((first, headers, body))
        answer = self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]
        if answer == "drop":
            reset(connection)
        elif answer == "drip":
            for letter in b"HTTP/1.1 200 OK\r\nX: " + b"y" * 10_000:
                connection.sendall(bytes([letter]))
                if self.server.stopped.wait(0.05):
                    return
        else:
            assert isinstance(answer, bytes)
            connection.sendall(answer)


@pytest.fixture
def hook() -> Iterator[Callable[..., Hook]]:
    hooks: list[Hook] = []

    def start(*answers: bytes | str, tls: ssl.SSLContext | None = None) -> Hook:
        made = Hook(answers=list(answers) or [b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n"], tls=tls)
        made.server = Server(made.talk)
        hooks.append(made)
        return made

    yield start
    for one in hooks:
        one.server.close()


@dataclass
class Post:
    """A store, a clock and the channels: what the service holds."""

    store: Store
    make: Callable[..., Message]
    now: datetime = START
    epoch: int = 0
    channels: Channels = field(
        default_factory=lambda: Channels(smtp=None, smtp_password=None, webhook=WebhookSettings())
    )

    def start(self) -> None:
        with self.store.write() as connection:
            self.epoch = next_epoch(connection)
            recover(connection, epoch=self.epoch, now=self.now)

    def mails_to(self, relay: Relay, *, tls: ssl.SSLContext | None = None, **smtp: Any) -> None:
        given = {"host": "localhost", "port": relay.port, "sender": "bitewatch@example.org", "timeout_s": 5.0, **smtp}
        given.setdefault("security", "starttls" if relay.tls else "none")
        self.channels = Channels(
            smtp=SmtpSettings(**given), smtp_password=None, webhook=WebhookSettings(), tls=tls
        )  # fmt: skip

    def hooks_to(self, hook: Hook, **changes: Any) -> str:
        """The address of a receiver, with the door to it open."""
        web = WebhookSettings(allow_lan=(f"127.0.0.1:{hook.port}",))
        self.channels = Channels(smtp=None, smtp_password=None, webhook=web, **changes)
        return f"http://127.0.0.1:{hook.port}/in"

    def endpoint(self, kind: Kind, value: str, *, by_operator: bool = True) -> str:
        secret = new_webhook_secret() if kind is Kind.WEBHOOK else None
        with self.store.write() as connection:
            return add_endpoint(
                connection, Address(kind=kind, value=value), now=self.now, secret=secret, by_operator=by_operator
            )

    def decide(self, endpoint: str, *, subscription: str = "s1", seq: int = 0, **changes: Any) -> Decided:
        owed = Owed(
            subscription=subscription, local_date=date(2026, 6, 1), kind="brief", seq=seq, endpoint=endpoint,
            expires_at=START + timedelta(hours=14), inputs_ref="issue 1",
        )  # fmt: skip
        with self.store.write() as connection:
            return decide(connection, owed, self.make(**changes), now=self.now, domain="example.org")

    def deliver(self) -> Counts:
        return deliver_due(self.store, self.channels, epoch=self.epoch, now_fn=lambda: self.now)

    def later(self, **by: float) -> None:
        self.now += timedelta(**by)

    def row(self, key: str = "s1:2026-06-01:brief:0") -> Any:
        with self.store.read() as connection:
            return connection.execute(select(outbox).where(outbox.c.key == key)).one()

    def tries(self, key: str = "s1:2026-06-01:brief:0") -> list[str]:
        with self.store.read() as connection:
            found = select(attempt.c.phase).where(attempt.c.key == key).order_by(attempt.c.n)
            return list(connection.execute(found).scalars())

    def events(self) -> list[tuple[str, str, str]]:
        with self.store.read() as connection:
            rows = connection.execute(select(event).order_by(event.c.id)).all()
            return [(row.name, row.subject, row.reason) for row in rows]


@pytest.fixture
def post(tmp_path: Path, message: Callable[..., Message]) -> Iterator[Post]:
    store = open_store(tmp_path / "data", now=START)
    made = Post(store=store, make=message)
    made.start()
    yield made
    store.close()
