"""Sending what is due: claim, talk to the receiver, pass the gate, send the byte that counts, write the outcome."""

import dataclasses
import json
import logging
import ssl
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from random import Random, SystemRandom

from pydantic import SecretStr
from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from bitewatch.delivery.address import Kind
from bitewatch.delivery.endpoints import Suppression, disable_endpoint, read_endpoint, slow_down, suppress_endpoint
from bitewatch.delivery.files import write_files
from bitewatch.delivery.frozen import read_frozen
from bitewatch.delivery.guard import Resolver, resolve_host
from bitewatch.delivery.identity import webhook_id
from bitewatch.delivery.mail import Relay, build_mail
from bitewatch.delivery.outbox import (
    Claimed,
    GateShut,
    Phase,
    cancel_messages,
    claim,
    count_phase,
    gate,
    mark_deferred,
    mark_failed,
    mark_sent,
    mark_shut,
    mark_unknown,
    note_why_waiting,
)
from bitewatch.delivery.replies import ChannelPaused, EndpointBusy, EndpointGone, RelayUnreachable
from bitewatch.delivery.schedule import next_try
from bitewatch.delivery.settings import SmtpSettings, WebhookSettings
from bitewatch.delivery.webhook import DEADLINE_S, post_webhook
from bitewatch.errors import DeliveryDeferred, DeliveryRefused, DeliveryUnknown
from bitewatch.store.database import Store
from bitewatch.store.facts import read_fact, set_fact

log = logging.getLogger(__name__)

PAUSE_FACT = "email_paused"  #: JSON: the epoch that paused it, and why
NO_SMTP = "there is no [smtp] in the settings"


@dataclass(frozen=True, slots=True, kw_only=True)
class Channels:
    """What messages are sent with."""

    smtp: SmtpSettings | None  #: None: mails wait
    smtp_password: SecretStr | None
    webhook: WebhookSettings
    webhook_deadline_s: float = DEADLINE_S
    resolve: Resolver = resolve_host
    tls: ssl.SSLContext | None = None  #: None trusts what the system trusts


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """How the tries of one pass ended."""

    sent: int
    deferred: int
    refused: int
    unknown: int
    shut: int
    bugs: int

    def __add__(self, other: "Counts") -> "Counts":
        """Of two passes together."""
        mine, others = dataclasses.asdict(self), dataclasses.asdict(other)
        return Counts(**{name: mine[name] + others[name] for name in mine})


def why_email_waits(connection: Connection, channels: Channels, *, epoch: int) -> str | None:
    """Why no mail is tried, or None. A pause ends with its epoch: whoever starts again has looked at it."""
    if channels.smtp is None:
        return NO_SMTP
    pause = json.loads(read_fact(connection, PAUSE_FACT) or "{}")
    return str(pause["reason"]) if pause.get("epoch") == epoch else None


def deliver_due(
    store: Store, channels: Channels, *, epoch: int, now_fn: Callable[[], datetime], rng: Random | None = None
) -> Counts:
    """Send every message that is due, one after another; one that fails never stops the rest.

    An error of the store itself is raised. The row at hand is then settled by `next_epoch` and `recover`, which must
    be called before the next pass.
    """
    with _Pass(store, channels, epoch, now_fn, rng or SystemRandom()) as work:
        while (claimed := work.take()) is not None:
            work.send(claimed)
    ended = work.ended
    return Counts(
        sent=ended[Phase.SENT], deferred=ended[Phase.DEFERRED], refused=ended[Phase.REFUSED],
        unknown=ended[Phase.UNKNOWN], shut=ended[Phase.SHUT], bugs=ended[Phase.BUG],
    )  # fmt: skip


class _Pass:
    """One run over what is due: it holds the connection to the mail server."""

    def __init__(
        self, store: Store, channels: Channels, epoch: int, now_fn: Callable[[], datetime], rng: Random
    ):  # fmt: skip
        self._store, self._channels, self._epoch, self._now, self._rng = store, channels, epoch, now_fn, rng
        self._relay = None if channels.smtp is None else Relay(channels.smtp, channels.smtp_password, tls=channels.tls)
        self._without: set[Kind] = set()
        self.ended: Counter[Phase] = Counter()
        with store.write() as connection:
            waits = why_email_waits(connection, channels, epoch=epoch)
            if waits is not None:
                self._without.add(Kind.EMAIL)
                note_why_waiting(connection, Kind.EMAIL, reason=waits)

    def __enter__(self) -> "_Pass":
        return self

    def __exit__(self, *_: object) -> None:
        if self._relay is not None:
            self._relay.close()

    def take(self) -> Claimed | None:
        """The next row that is due and ours."""
        with self._store.write() as connection:
            return claim(connection, epoch=self._epoch, now=self._now(), without=self._without)

    def send(self, claimed: Claimed) -> None:
        """One try of one row, from the claim to its outcome."""
        passed = False

        def pass_gate() -> None:
            nonlocal passed
            with self._store.write() as connection:
                gate(connection, claimed, now=self._now())
            passed = True

        try:
            reply = self._hand_over(claimed, pass_gate)
        except GateShut as shut:
            with self._store.write() as connection:
                mark_shut(connection, claimed, now=self._now(), why=shut.why)
            self.ended[Phase.SHUT] += 1
        except DeliveryUnknown as error:
            with self._store.write() as connection:
                now, again = self._times(claimed, None)
                mark_unknown(connection, claimed, now=now, reason=str(error), not_before=again)
            self.ended[Phase.UNKNOWN] += 1
        except DeliveryDeferred as error:
            self._defer(claimed, error)
        except DeliveryRefused as error:
            self._refuse(claimed, error)
        except DBAPIError as error:  # the gate could not be written, so the last byte was not sent
            log.error("the store failed at the gate of %s: %s", claimed.key, error.orig)
            self._defer(claimed, DeliveryDeferred("the store could not record the gate; nothing was sent"))
        except Exception as error:
            self._note_bug(claimed, error, passed=passed)
        else:
            with self._store.write() as connection:
                mark_sent(connection, claimed, now=self._now(), reply=reply)
            self.ended[Phase.SENT] += 1

    def _hand_over(self, claimed: Claimed, pass_gate: Callable[[], None]) -> str:
        with self._store.read() as connection:
            to = read_endpoint(connection, claimed.endpoint)
            frozen = read_frozen(
                connection, key=claimed.key, message_id=claimed.message_id, payload=claimed.payload
            )  # fmt: skip
        smtp = self._channels.smtp
        domain = claimed.message_id.rpartition("@")[2].removesuffix(">")
        sender, name = (f"bitewatch@{domain}", "bitewatch") if smtp is None else (smtp.sender, smtp.sender_name)
        if claimed.channel is Kind.FILE:
            mail = build_mail(frozen, sender=sender, sender_name=name, to=None)
            return write_files(frozen, mail, folder=Path(to.address), gate=pass_gate)
        if claimed.channel is Kind.EMAIL:
            assert self._relay is not None
            mail = build_mail(frozen, sender=sender, sender_name=name, to=to.address)
            return self._relay.send(mail, to=to.address, gate=pass_gate)
        assert to.secret is not None
        return post_webhook(
            frozen.webhook_body, url=to.address, webhook_id=webhook_id(frozen.stem), secret=to.secret,
            now=self._now(), gate=pass_gate, doors=self._channels.webhook.doors if to.lan_allowed else (),
            deadline_s=self._channels.webhook_deadline_s, resolve=self._channels.resolve, tls=self._channels.tls,
        )  # fmt: skip

    def _times(self, claimed: Claimed, asked_s: float | None) -> tuple[datetime, datetime | None]:
        now = self._now()
        return now, next_try(claimed.channel, claimed.attempts, now=now, asked_s=asked_s, rng=self._rng)

    def _defer(self, claimed: Claimed, error: DeliveryDeferred) -> None:
        reason = str(error)
        with self._store.write() as connection:
            now, again = self._times(claimed, error.wait_s)
            if isinstance(error, ChannelPaused):
                again = now
                set_fact(connection, PAUSE_FACT, json.dumps({"epoch": self._epoch, "reason": reason}))
                note_why_waiting(connection, Kind.EMAIL, reason=reason)
            mark_deferred(connection, claimed, now=now, reason=reason, not_before=again)
            if isinstance(error, EndpointBusy) and again is not None:
                slow_down(connection, claimed.endpoint, until=again)
        if isinstance(error, ChannelPaused | RelayUnreachable):
            self._without.add(claimed.channel)
        self.ended[Phase.DEFERRED] += 1

    def _refuse(self, claimed: Claimed, error: DeliveryRefused) -> None:
        now, reason = self._now(), str(error)
        with self._store.write() as connection:
            mark_failed(connection, claimed, now=now, reason=reason)
            if isinstance(error, EndpointGone):
                if claimed.channel is Kind.EMAIL:
                    cause = Suppression.HARD_BOUNCE
                    suppress_endpoint(connection, claimed.endpoint, reason=cause, evidence=reason, now=now)
                else:
                    disable_endpoint(connection, claimed.endpoint, reason=reason)
                cancel_messages(connection, now=now, reason=reason, endpoint=claimed.endpoint)
        self.ended[Phase.REFUSED] += 1

    def _note_bug(self, claimed: Claimed, error: Exception, *, passed: bool) -> None:
        log.exception("a bug while sending %s", claimed.key)
        place = traceback.extract_tb(error.__traceback__)[-1]
        reason = f"bug: {type(error).__name__} in {Path(place.filename).name}:{place.lineno}"
        with self._store.write() as connection:
            now, again = self._times(claimed, None)
            if count_phase(connection, claimed.key, Phase.BUG):
                again = None
            mark = mark_unknown if passed else mark_deferred
            mark(connection, claimed, now=now, reason=reason, not_before=again, phase=Phase.BUG)
        self.ended[Phase.BUG] += 1
