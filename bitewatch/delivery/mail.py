"""The e-mail channel: a message as the bytes that go over the wire, and their way to the mail server."""

import hashlib
import re
import smtplib
import socket
import ssl
from collections.abc import Callable
from contextlib import suppress
from email import policy
from email.header import Header
from email.message import EmailMessage
from email.utils import format_datetime
from typing import Self

from pydantic import SecretStr

from bitewatch.delivery.frozen import Frozen
from bitewatch.delivery.guard import verifying_tls
from bitewatch.delivery.message import html_with
from bitewatch.delivery.replies import ChannelPaused, RelayUnreachable, reply_error
from bitewatch.delivery.settings import SmtpSettings
from bitewatch.errors import DeliveryRefused, DeliveryUnknown

_PLAIN = re.compile(r"[\x21-\x7e]{1,60}(?: [\x21-\x7e]{1,60})*")
_DOT_FIRST = re.compile(rb"^\.", re.MULTILINE)
_NOT_IN_LABELS = re.compile("[^a-z0-9]+")


def build_mail(frozen: Frozen, *, sender: str, sender_name: str, to: str | None) -> bytes:
    """The whole mail, the same bytes every time; ``to`` None is for a copy that goes to a folder.

    The few headers are written here and not by `email.policy`, which folds a long Message-ID into encoded words.
    """
    domain = frozen.message_id.rpartition("@")[2].removesuffix(">")
    head = [
        f"From: {_text('From', sender_name, quoted=True)} <{sender}>",
        f"To: {to or 'undisclosed-recipients:;'}",
        f"Subject: {_text('Subject', frozen.message.subject)}",
        f"Date: {format_datetime(frozen.decided_at)}",
        f"Message-ID: {frozen.message_id}",
        "Auto-Submitted: auto-generated",
        f"List-Id: <{_label(frozen.message.list_name)}.{domain}>",
    ]
    return "\r\n".join(head).encode("ascii") + b"\r\n" + _body(frozen, domain).as_bytes()


def _body(frozen: Frozen, domain: str) -> EmailMessage:
    """Text first, HTML last, its pictures beside it; ``=_`` in a boundary never occurs in quoted-printable."""
    mail = EmailMessage(policy=policy.SMTP)
    mail.set_content(frozen.message.text, cte="quoted-printable")
    html = html_with(frozen.message, lambda picture: f"cid:{picture.cid}.{frozen.stem}@{domain}")
    mail.add_alternative(html, subtype="html", cte="quoted-printable")
    mail.set_boundary(f"=_{frozen.stem}_a")
    if frozen.message.pictures:
        page = list(mail.iter_parts())[1]
        assert isinstance(page, EmailMessage)
        for picture in frozen.message.pictures:
            page.add_related(
                picture.png, maintype="image", subtype="png", cid=f"<{picture.cid}.{frozen.stem}@{domain}>",
                filename=picture.file_name, disposition="inline",
            )  # fmt: skip
        page.set_boundary(f"=_{frozen.stem}_r")
    return mail


def _text(name: str, text: str, *, quoted: bool = False) -> str:
    """Header text of one line, folded; anything but plain short words in encoded words of RFC 2047."""
    if not text:
        return ""
    if _PLAIN.fullmatch(text) and "=?" not in text and not (quoted and re.search(r"[^A-Za-z0-9 ]", text)):
        return Header(text, "us-ascii", header_name=name).encode(linesep="\r\n")
    return Header(text, "utf-8", header_name=name, maxlinelen=76).encode(linesep="\r\n")


def _label(list_name: str) -> str:
    """One label of a domain for a list name; names that would share one are told apart by their hash."""
    label = _NOT_IN_LABELS.sub("-", list_name.lower()).strip("-")[:40].rstrip("-")
    if label == list_name:
        return label
    return f"{label or 'list'}-{hashlib.sha256(list_name.encode()).hexdigest()[:8]}"


class Relay:
    """The connection to the mail server; made at the first mail, and kept for the next ones until it is closed."""

    def __init__(self, settings: SmtpSettings, password: SecretStr | None, *, tls: ssl.SSLContext | None = None):
        self._settings = settings
        self._password = password
        self._tls = tls
        self._smtp: smtplib.SMTP | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Say goodbye; what the server answers to that changes nothing."""
        smtp, self._smtp = self._smtp, None
        if smtp is not None:
            with suppress(OSError, smtplib.SMTPException):
                smtp.quit()
            smtp.close()

    def send(self, mail: bytes, *, to: str, gate: Callable[[], None]) -> str:
        """Hand one mail over for one recipient, and return what the server said to it.

        ``gate`` is called with everything sent but the final dot; if it raises, the dot is never sent.

        Raises
        ------
        DeliveryDeferred, DeliveryRefused
            If the server did not take the mail.
        DeliveryUnknown
            If the dot was sent and no answer came.
        """
        smtp: smtplib.SMTP | None = None
        try:
            smtp = self._ready()
            self._offer(smtp, mail, to)
            gate()
            reply = self._finish(smtp, to)
        except (OSError, smtplib.SMTPException) as error:
            self._drop(smtp)
            raise RelayUnreachable(f"the mail server was lost: {_said(error)}") from None
        except DeliveryRefused:  # that mail only; the connection is between two mails again
            raise
        except BaseException:
            self._drop(smtp)
            raise
        return reply

    def _ready(self) -> smtplib.SMTP:
        """A connection that is known to be alive, authenticated, between two mails."""
        if self._smtp is not None:
            with suppress(OSError, smtplib.SMTPException):
                if self._smtp.rset()[0] == 250:
                    return self._smtp
            self._drop(self._smtp)
        self._smtp = self._connect()
        return self._smtp

    def _connect(self) -> smtplib.SMTP:
        given = self._settings
        tls = self._tls or verifying_tls()  # smtplib verifies nothing unless it is given a context that does
        where = f"{given.host}:{given.port}"
        try:
            if given.security == "tls":
                smtp: smtplib.SMTP = smtplib.SMTP_SSL(
                    given.host, given.port, local_hostname=given.domain, timeout=given.timeout_s, context=tls
                )
            else:
                smtp = smtplib.SMTP(given.host, given.port, local_hostname=given.domain, timeout=given.timeout_s)
        except ssl.SSLCertVerificationError as error:
            raise ChannelPaused(f"the certificate of {where} is not good: {error.verify_message}") from None
        except smtplib.SMTPConnectError as error:
            raise RelayUnreachable(f"{where} answered {error.smtp_code}") from None
        except (OSError, smtplib.SMTPException) as error:
            raise RelayUnreachable(f"no connection to {where}: {_said(error)}") from None
        try:
            assert smtp.sock is not None
            smtp.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._secure(smtp, where, tls)
            self._log_in(smtp, where)
        except BaseException:
            smtp.close()
            raise
        return smtp

    def _secure(self, smtp: smtplib.SMTP, where: str, tls: ssl.SSLContext) -> None:
        code, answer = smtp.ehlo()
        if code != 250:
            raise reply_error(code, answer, "EHLO")
        if self._settings.security != "starttls":
            return
        if not smtp.has_extn("starttls"):
            raise ChannelPaused(f"{where} does not offer STARTTLS; nothing was sent")
        try:
            code, answer = smtp.starttls(context=tls)
        except ssl.SSLCertVerificationError as error:
            raise ChannelPaused(f"the certificate of {where} is not good: {error.verify_message}") from None
        except smtplib.SMTPResponseException as error:
            code, answer = error.smtp_code, b""
        if code != 220:
            if 400 <= code < 500:
                raise RelayUnreachable(f"{where} cannot start TLS now ({code})")
            raise ChannelPaused(f"{where} refuses STARTTLS ({code}); nothing was sent")
        code, answer = smtp.ehlo()
        if code != 250:
            raise reply_error(code, answer, "EHLO")

    def _log_in(self, smtp: smtplib.SMTP, where: str) -> None:
        user = self._settings.user
        if user is None:
            return
        password = "" if self._password is None else self._password.get_secret_value()
        if not password:
            raise ChannelPaused(f"there is a user name but no password for {where}")
        if not (user + password).isascii():
            raise ChannelPaused(f"the user name or the password for {where} has letters outside ASCII")
        try:
            smtp.login(user, password)
        except smtplib.SMTPAuthenticationError as error:
            if 400 <= error.smtp_code < 500:
                raise RelayUnreachable(f"{where} cannot check the password now ({error.smtp_code})") from None
            raise ChannelPaused(f"{where} refuses the user name and password ({error.smtp_code})") from None
        except smtplib.SMTPServerDisconnected:
            raise
        except smtplib.SMTPException:
            raise ChannelPaused(f"{where} offers no way to log in") from None

    def _offer(self, smtp: smtplib.SMTP, mail: bytes, to: str) -> None:
        """Everything up to the final dot."""
        size = [f"size={len(mail)}"] if smtp.has_extn("size") else []
        code, answer = smtp.mail(self._settings.sender, size)
        if code != 250:
            raise reply_error(code, answer, "MAIL", to)
        code, answer = smtp.rcpt(to)
        if code not in (250, 251):
            raise reply_error(code, answer, "RCPT", to)
        code, answer = smtp.docmd("DATA")
        if code != 354:
            raise reply_error(code, answer, "DATA", to)
        smtp.send(_DOT_FIRST.sub(b"..", mail))

    def _finish(self, smtp: smtplib.SMTP, to: str) -> str:
        """The final dot, and the answer that decides."""
        try:
            smtp.send(b".\r\n")
            assert smtp.sock is not None
            smtp.sock.settimeout(self._settings.answer_timeout_s)
            code, answer = smtp.getreply()
            smtp.sock.settimeout(self._settings.timeout_s)
        except (OSError, smtplib.SMTPException) as error:
            raise DeliveryUnknown(f"the mail server did not answer the last byte: {_said(error)}") from None
        if 200 <= code < 300:
            return f"the mail server took it ({code})"
        if not 400 <= code < 600:
            raise DeliveryUnknown(f"the mail server answered the last byte with {code}")
        raise reply_error(code, answer, "the end of the mail", to)

    def _drop(self, smtp: smtplib.SMTP | None) -> None:
        if smtp is not None:
            smtp.close()
        self._smtp = None


def _said(error: BaseException) -> str:
    return str(error) or type(error).__name__
