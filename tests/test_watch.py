"""The whole service as its own process, under a moved clock, against real receivers on loopback."""

import json
import os
import queue
import re
import shutil
import signal
import socket
import sqlite3
import ssl
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from standardwebhooks import Webhook, WebhookVerificationError

from bitewatch.weather.hourly import Hourly
from bitewatch.weather.sources.hourly_csv import hourly_from_csv
from bitewatch.weather.sources.open_meteo import VARIABLES

DUE = datetime(2026, 7, 21, 8, 30, tzinfo=UTC)  # 04:30 on the demo lakes
PATIENCE_S = 60
PASSWORD = "correct-horse-battery"


def command() -> list[str]:
    script = Path(sys.executable).with_name("bitewatch")
    return [str(script)] if script.exists() else [sys.executable, "-c", "from bitewatch.cli import main; main()"]


@dataclass
class Home:
    """A config and a data folder, and the processes that work on them."""

    folder: Path
    demo: Path
    config: str = ""
    secrets: dict[str, str] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)  #: all that any process has said
    children: "list[Child]" = field(default_factory=list)

    def __post_init__(self) -> None:
        (self.folder / "config" / "lakes").mkdir(parents=True)
        for lake in (self.demo / "lakes").glob("*.toml"):
            (self.folder / "config" / "lakes" / lake.name).write_bytes(lake.read_bytes())
        shutil.copytree(self.demo / "outlines", self.folder / "config" / "outlines")
        (self.folder / "config" / "hours.csv").write_bytes((self.demo / "weather" / "invented-hours.csv").read_bytes())
        self.write('[sources]\norder = ["hourly-csv"]\n[sources.hourly-csv]\nfile = "hours.csv"\n')

    def write(self, config: str) -> None:
        (self.folder / "config" / "bitewatch.toml").write_text(config + "[service]\ntick_seconds = 1\n", "utf-8")

    def start(self, *arguments: str, at: datetime = DUE) -> "Child":
        certificates = Path(__file__).parent / "data" / "delivery" / "localhost.pem"
        environment = {name: value for name, value in os.environ.items() if not name.startswith("BITEWATCH_")}
        environment |= {
            "BITEWATCH_TEST_CLOCK": at.isoformat(), "BITEWATCH_CONFIG": str(self.folder / "config"),
            "BITEWATCH_DATA": str(self.folder / "data"), "SSL_CERT_FILE": str(certificates), "PYTHONWARNINGS": "error",
            **self.secrets,
        }  # fmt: skip
        child = Child(
            subprocess.Popen(
                [*command(), *arguments], env=environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE
            ),
            self.said,
        )
        self.children.append(child)
        return child

    def run(self, *arguments: str, at: datetime = DUE - timedelta(days=2)) -> tuple[int, str, list[str]]:
        """Exit code, what was printed, and the lines of the log."""
        child = self.start(*arguments, at=at)
        output, errors = child.process.communicate(timeout=PATIENCE_S)
        self.said += [output, errors]
        return child.process.returncode, output, errors.splitlines()

    def outbox(self) -> list[tuple[str, str]]:
        with closing(sqlite3.connect(self.folder / "data" / "bitewatch.sqlite")) as connection:
            return connection.execute("SELECT channel, state FROM outbox ORDER BY channel").fetchall()


class Child:
    """A process whose log is read as it comes."""

    def __init__(self, process: "subprocess.Popen[str]", said: list[str]):
        self.process = process
        self._said = said
        self._lines: queue.Queue[str] = queue.Queue()

    def until(self, text: str) -> str:
        """The next line of the log that holds a text."""
        if not hasattr(self, "_reader"):
            self._reader = threading.Thread(target=self._read, daemon=True)
            self._reader.start()
        while text not in (line := self._lines.get(timeout=PATIENCE_S)):
            assert line, f"the process ended without saying {text!r}: {''.join(self._said)}"
        return line

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self._said.append(line)
            self._lines.put(line)
        self._lines.put("")

    def terminate(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        assert self.process.stdout is not None
        assert self.process.stderr is not None
        self._said.append(self.process.stdout.read())
        self.process.stdout.close()
        self.process.stderr.close()
        return code


@pytest.fixture
def home(tmp_path: Path, demo: Path) -> Iterator[Home]:
    made = Home(tmp_path, demo)
    yield made
    for child in made.children:  # a test that failed may have left one running
        if child.process.poll() is None:
            child.process.kill()
            child.process.wait()


@dataclass
class Mailbox:
    """A mail server that takes what it gets, or answers RCPT with what it is told."""

    refuses: str = ""
    mails: "queue.Queue[bytes]" = field(default_factory=queue.Queue)
    tries: int = 0
    port: int = 0

    async def handle_RCPT(  # noqa: N802 - the name is aiosmtpd's
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: Sequence[str]
    ) -> str:
        self.tries += 1
        if self.refuses:
            return self.refuses
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        assert isinstance(envelope.content, bytes)
        self.mails.put(envelope.content)
        return "250 2.0.0 taken"


@pytest.fixture
def mailbox() -> Iterator[Callable[..., Mailbox]]:
    running: list[Controller] = []

    def start(*, tls: bool) -> Mailbox:
        box = Mailbox()
        with socket.create_server(("127.0.0.1", 0)) as free:
            box.port = free.getsockname()[1]
        more: dict[str, Any] = {}
        if tls:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(Path(__file__).parent / "data" / "delivery" / "localhost.pem")

            def knows(server: SMTP, session: Session, envelope: Envelope, mechanism: str, login: Any) -> AuthResult:
                return AuthResult(success=login == LoginPassword(b"pat", PASSWORD.encode()), handled=False)

            more = {"tls_context": context, "require_starttls": True, "auth_required": True, "authenticator": knows}
        running.append(Controller(box, hostname="127.0.0.1", port=box.port, **more))
        running[-1].start()
        return box

    yield start
    for one in running:
        one.stop()


@dataclass
class Web:
    """A web server: what was posted to it, and what it answers."""

    answer: bytes = b""
    posts: "queue.Queue[tuple[dict[str, str], bytes]]" = field(default_factory=queue.Queue)
    port: int = 0


@pytest.fixture
def web() -> Iterator[Web]:
    made = Web()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            made.posts.put(({name.lower(): value for name, value in self.headers.items()}, body))
            self.send_response(200)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(made.answer)))
            self.end_headers()
            self.wfile.write(made.answer)

        def log_message(self, *_: Any) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    made.port = server.server_port
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    yield made
    server.shutdown()
    server.server_close()
    thread.join()


def brief_in(body: bytes) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(body)
    assert told["type"] == "bitewatch.brief"
    assert datetime.fromisoformat(told["timestamp"]) >= DUE
    found: dict[str, Any] = told["data"]
    return found


def test_one_mail_one_post_one_set_of_files_and_nothing_more_after_a_restart(
    home: Home, mailbox: Callable[..., Mailbox], web: Web, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    box = mailbox(tls=True)
    home.secrets = {"BITEWATCH_SMTP_PASSWORD": PASSWORD}
    home.write(
        '[sources]\norder = ["hourly-csv"]\n[sources.hourly-csv]\nfile = "hours.csv"\n'
        f'[smtp]\nhost = "localhost"\nport = {box.port}\nsender = "watch@example.org"\nuser = "pat"\n'
        f'[webhook]\nallow_lan = ["127.0.0.1:{web.port}"]\n'
    )
    ids, secret = [], ""
    for address in ("mailto:reader@example.net", f"http://127.0.0.1:{web.port}/in", f"file:{tmp_path / 'out'}"):
        code, output, errors = home.run("subscribe", "thrennick", "--to", address, "--at", "04:30")
        assert (code, errors) == (0, [])
        ids.append(output.partition(":")[0])
        if found := re.search(r"whsec_\S+", output):
            secret = found[0]
            home.said.remove(output)  # shown this once

    watching = home.start("watch", at=DUE - timedelta(seconds=2))
    watching.until("watching; a tick every 1 seconds")
    mail = message_from_bytes(box.mails.get(timeout=PATIENCE_S), policy=policy.default)
    headers, body = web.posts.get(timeout=PATIENCE_S)
    for _ in ids:
        watching.until("MessageSent")
    assert watching.terminate() == 0

    check_signature(secret, headers, body, monkeypatch)
    data = brief_in(body)
    assert (data["day"], data["run"]) == ("2026-07-21", "thrennick")
    assert str(mail["To"]) == "reader@example.net"
    assert str(mail["Subject"]) == data["subject"]
    assert str(mail["Message-ID"]).endswith("@example.org>")
    plain = mail.get_body(("plain",))
    assert plain is not None
    assert "Lake Thrennick" in plain.get_content()
    files = sorted((tmp_path / "out").iterdir())
    assert [file.suffix for file in files] == [".eml", ".html", ".json"]
    assert brief_in(files[2].read_bytes())["subject"] == data["subject"]
    assert home.outbox() == [("email", "sent"), ("file", "sent"), ("webhook", "sent")]

    again = home.start("watch", at=DUE + timedelta(minutes=1))
    again.until("watching; a tick every 1 seconds")  # said after the first tick
    assert again.terminate() == 0
    code, output, _ = home.run("watch", "--once", at=DUE + timedelta(minutes=2))
    assert (code, output) == (0, "sent 0, deferred 0, refused 0, unknown 0\n")
    assert (box.mails.qsize(), web.posts.qsize(), box.tries) == (0, 0, 1)
    assert sorted((tmp_path / "out").iterdir()) == files

    code, output, _ = home.run("subscriptions", "--json")
    assert {one["id"] for one in json.loads(output)} == set(ids)
    everything = "".join(home.said)
    assert "MessageSent" in everything
    assert secret not in everything
    assert PASSWORD not in everything


def check_signature(secret: str, headers: dict[str, str], body: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """The reference library takes the message as it came, and nothing else; its clock is moved like the sender's."""
    sent_at = datetime.fromtimestamp(int(headers["webhook-timestamp"]), UTC)
    assert DUE <= sent_at < DUE + timedelta(minutes=2)

    class Moved(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> "Moved":
            return cls.fromtimestamp(sent_at.timestamp(), tz)

    monkeypatch.setattr("standardwebhooks.webhooks.datetime", Moved)
    Webhook(secret).verify(body, headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(secret).verify(body + b" ", headers)


def test_a_full_mailbox_gives_one_line_and_the_brief_goes_out_when_there_is_room(
    home: Home, mailbox: Callable[..., Mailbox]
) -> None:
    box = mailbox(tls=False)
    home.write(
        '[sources]\norder = ["hourly-csv"]\n[sources.hourly-csv]\nfile = "hours.csv"\n'
        f'[smtp]\nhost = "127.0.0.1"\nport = {box.port}\nsender = "watch@example.org"\nsecurity = "none"\n'
    )
    assert home.run("subscribe", "thrennick", "--to", "mailto:reader@example.net", "--at", "04:30")[0] == 0
    box.refuses = "452 4.2.2 mailbox full"
    code, output, log = home.run("watch", "--once", at=DUE)
    assert (code, output) == (0, "sent 0, deferred 1, refused 0, unknown 0\n")
    (line,) = (line for line in log if "WARNING" in line or "ERROR" in line)
    assert "452" in line
    assert "mailbox full" in line
    assert "tried again at 2026-07-21T08:3" in line
    assert home.outbox() == [("email", "pending")]

    box.refuses = ""
    code, output, log = home.run("watch", "--once", at=DUE + timedelta(minutes=2))
    assert (code, output) == (0, "sent 1, deferred 0, refused 0, unknown 0\n")
    assert [line for line in log if "WARNING" in line or "ERROR" in line] == []
    assert home.outbox() == [("email", "sent")]
    assert box.mails.qsize() == 1
    assert box.tries == 2


def test_a_refused_password_is_told_and_the_mails_wait(home: Home, mailbox: Callable[..., Mailbox]) -> None:
    box = mailbox(tls=True)
    home.secrets = {"BITEWATCH_SMTP_PASSWORD": "not-the-one"}
    home.write(
        '[sources]\norder = ["hourly-csv"]\n[sources.hourly-csv]\nfile = "hours.csv"\n'
        f'[smtp]\nhost = "localhost"\nport = {box.port}\nsender = "watch@example.org"\nuser = "pat"\n'
    )
    assert home.run("subscribe", "thrennick", "--to", "mailto:reader@example.net", "--at", "04:30")[0] == 0
    watching = home.start("watch", at=DUE)
    line = watching.until("mails wait")
    assert "refuses the user name and password (535)" in line
    watching.until("watching;")
    assert watching.terminate() == 0
    assert sum("mails wait" in said for said in home.said) == 1
    assert "not-the-one" not in "".join(home.said)
    assert home.outbox() == [("email", "pending")]


def open_meteo_body(hourly: Hourly, latitude: float, longitude: float) -> dict[str, Any]:
    """Hours as Open-Meteo would give them."""
    columns: dict[str, list[float | int | None]] = {
        theirs: [None if np.isnan(value) else float(value) for value in hourly[ours]]
        for theirs, (ours, _) in VARIABLES.items()
    }
    columns["time"] = [int(second) for second in hourly.time.astype("datetime64[s]").astype(np.int64)]
    units = {"time": "unixtime", **{theirs: unit for theirs, (_, unit) in VARIABLES.items()}}
    return {
        "latitude": latitude, "longitude": longitude, "elevation": 195.0, "utc_offset_seconds": 0,
        "hourly_units": units, "hourly": columns,
    }  # fmt: skip


def test_a_body_with_nan_and_a_source_out_of_reach_give_a_line_each_and_no_brief_is_lost(
    home: Home, web: Web, demo: Path, tmp_path: Path
) -> None:
    hourly, _ = hourly_from_csv((demo / "weather" / "invented-hours.csv").read_bytes())
    good = open_meteo_body(hourly, 41.32, -74.22)
    spoilt = json.loads(json.dumps(good))
    spoilt["hourly"]["temperature_2m"][20] = float("nan")
    with socket.create_server(("127.0.0.1", 0)) as free:
        closed = free.getsockname()[1]
    source = '[sources]\norder = ["open-meteo"]\ncontact = "pat@example.org"\n[sources.open-meteo]\n'
    home.write(f'{source}url = "http://127.0.0.1:{web.port}/v1/forecast"\n')
    out = tmp_path / "out"
    assert home.run("subscribe", "thrennick", "--to", f"file:{out}", "--at", "04:30")[0] == 0

    def day(number: int, *, hour: int = 0) -> tuple[str, list[str]]:
        code, output, log = home.run("watch", "--once", at=DUE + timedelta(days=number, hours=hour))
        assert code == 0
        assert "Traceback" not in "".join(log)
        return output, [line.partition("WARNING ")[2] for line in log if "WARNING" in line or "ERROR" in line]

    web.answer = json.dumps(good).encode()
    assert day(-1, hour=12) == ("sent 1, deferred 0, refused 0, unknown 0\n", [])
    web.answer = json.dumps(spoilt).encode()
    output, warned = day(0)
    assert output.startswith("sent 1,")
    assert len(warned) == 1
    assert warned[0].startswith("SourceDown open-meteo: the body is not strict JSON: ")
    home.write(f'{source}url = "http://127.0.0.1:{closed}/v1/forecast"\n')
    output, warned = day(1)
    assert output.startswith("sent 1,")
    assert warned == []  # the same outage; it was told

    briefs = [json.loads(file.read_text("utf-8"))["data"] for file in sorted(out.glob("*.json"))]
    assert [brief["day"] for brief in briefs] == ["2026-07-20", "2026-07-21", "2026-07-22"]
    assert [bool(brief["lakes"][0]["calls"]) for brief in briefs] == [True, True, False]
    first, second = (brief["lakes"][0]["weather"] for brief in briefs[:2])
    assert second == first | {"freshness": "usable"}  # the last good issue, and its age is told
    assert "the body is not strict JSON" in " ".join(briefs[1]["lakes"][0]["doubts"])
    assert f"127.0.0.1:{closed}: does not accept connections" in briefs[2]["lakes"][0]["no_call"]


def test_a_wrong_config_stops_the_start_with_a_line_for_each_fault(home: Home) -> None:
    home.write("unit = 'us'\n[sources]\norder = ['hourly-csv']\n[sources.hourly-csv]\nfile = 5\n")
    code, output, log = home.run("watch", at=DUE)
    assert (code, output) == (1, "")
    assert len(log) == 2
    assert all(line.startswith("bitewatch.toml: ") for line in log)
    assert "did you mean units?" in "".join(log)
    assert not (home.folder / "data").exists()


def test_a_second_watch_stands_by_until_the_first_ends(home: Home, tmp_path: Path) -> None:
    home.run("subscribe", "thrennick", "--to", f"file:{tmp_path / 'out'}", "--at", "04:30")
    first = home.start("watch", at=DUE)
    first.until("watching;")
    second = home.start("watch", at=DUE + timedelta(minutes=1))
    second.until("standing by")
    assert first.terminate() == 0
    second.until("watching;")
    assert second.terminate() == 0
    assert len(list((tmp_path / "out").glob("*.json"))) == 1
    assert home.outbox() == [("file", "sent")]
