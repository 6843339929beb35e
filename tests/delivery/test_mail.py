"""A mail as bytes, read back by a strict parser, and the conversation with a mail server that follows a script."""

import re
from datetime import UTC, date, datetime
from email import message_from_bytes, policy
from email.header import decode_header, make_header

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pydantic import SecretStr

from bitewatch.delivery.frozen import Frozen
from bitewatch.delivery.mail import Relay, build_mail
from bitewatch.delivery.message import Message, Picture
from bitewatch.delivery.replies import ChannelPaused, EndpointGone, RelayUnreachable
from bitewatch.delivery.settings import SmtpSettings
from bitewatch.errors import DeliveryDeferred, DeliveryRefused, DeliveryUnknown

STEM = "0123456789abcdef0123456789abcdef"
MAIL = b"Subject: x\r\n\r\n.first\r\n..second\r\nlast\r\n"


def frozen(domain: str = "example.org", **changes) -> Frozen:
    given_ = {
        "type": "bitewatch.brief", "subject": "s", "text": "t", "html": "<p>h</p>", "data": {}, "list_name": "pond",
        **changes,
    }  # fmt: skip
    return Frozen(
        key="s1:2026-06-01:brief:0", stem=STEM, message_id=f"<{STEM}.v1@{domain}>", local_date=date(2026, 6, 1),
        kind="brief", decided_at=datetime(2026, 6, 1, 9, 30, tzinfo=UTC), message=Message(**given_), webhook_body=b"{}",
    )  # fmt: skip


def build(one: Frozen, **changes) -> bytes:
    return build_mail(
        one, **{"sender": "bw@example.org", "sender_name": "bitewatch", "to": "pat@example.com", **changes}
    )


def test_the_parts_stand_in_their_order_and_come_back_as_they_were() -> None:
    png = bytes(range(256)) * 4
    picture = Picture(cid="strip", file_name="tiefe ü.png", alt="depths", png=png)
    text = "Tief – 5 ft\n.dot\n" + "long " * 400 + "\nlast"
    html = '<p>Tief – 5 ft</p><img src="cid:strip" alt="depths">'
    mail = message_from_bytes(build(frozen(text=text, html=html, pictures=(picture,))), policy=policy.strict)
    assert [part.get_content_type() for part in mail.walk()] == [
        "multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png",
    ]  # fmt: skip
    plain, page, image = (part for part in mail.walk() if not part.is_multipart())
    assert plain.get_content().replace("\r\n", "\n") == text + "\n"
    assert image.get_content() == png
    assert image.get_filename() == "tiefe ü.png"
    assert image.get_content_disposition() == "inline"
    cid = image["Content-ID"].strip("<>")
    assert f'src="cid:{cid}"' in page.get_content()
    assert not any(part.defects for part in mail.walk())


def test_the_headers_are_the_standard_ones_once_each() -> None:
    raw = build(frozen(list_name="north-pond"))
    mail = message_from_bytes(raw, policy=policy.strict)
    for name in ("From", "To", "Subject", "Date", "Message-ID", "MIME-Version"):
        assert len(mail.get_all(name)) == 1, name
    assert mail["From"].addresses[0].addr_spec == "bw@example.org"
    assert mail["To"].addresses[0].addr_spec == "pat@example.com"
    assert mail["Date"].datetime == datetime(2026, 6, 1, 9, 30, tzinfo=UTC)
    assert mail["Message-ID"] == f"<{STEM}.v1@example.org>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["List-Id"] == "<north-pond.example.org>"


def test_every_try_has_the_same_bytes() -> None:
    picture = Picture(cid="strip", file_name="a.png", alt="", png=b"png")
    one = frozen(html='<img src="cid:strip">', pictures=(picture,))
    assert build(one) == build(one)


def test_lists_with_names_that_look_alike_are_told_apart() -> None:
    ids = {
        str(message_from_bytes(build(frozen(list_name=name)))["List-Id"])
        for name in ("Pond", "pond", "pönd", "湖", "沼")
    }
    assert len(ids) == 5
    assert all(re.fullmatch(r"<[a-z0-9-]+\.example\.org>", one) for one in ids)


def test_a_long_domain_is_not_folded_into_encoded_words() -> None:
    domain = ".".join(["long-label-of-a-domain"] * 5) + ".example"
    assert f"\r\nMessage-ID: <{STEM}.v1@{domain}>\r\n".encode() in build(frozen(domain))


hostile = st.text(max_size=400) | st.text(
    st.sampled_from('=?utf-8qbB\r\n\0<>@,;:"() ä湖\u202e\u2028\x85\ud800{}.'), max_size=200
)


@given(hostile, hostile, hostile)
@example("=?utf-8?q?Bcc=3A?=", "a\r\n.\r\nMAIL FROM:<x>", 'x"; y=<z>')
@example("x" * 3000, ".\r\n" * 3, "")
@example("ends in blank ", "no end", "湖" * 300)
def test_no_user_text_breaks_the_form(subject: str, body: str, name: str) -> None:
    picture = Picture(cid="p", file_name=name, alt=name, png=b"png")
    one = frozen(subject=subject, text=body, html=f"<p>{body}</p>", list_name=name, pictures=(picture,))
    raw = build(one)
    assert raw.replace(b"\r\n", b"").find(b"\r") == raw.replace(b"\r\n", b"").find(b"\n") == -1
    assert b"\0" not in raw
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998
    raw.decode("ascii")
    mail = message_from_bytes(raw, policy=policy.strict)
    assert list(mail.keys()) == [
        "From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "List-Id", "MIME-Version", "Content-Type",
    ]  # fmt: skip
    # two parsers: the strict one, and the older decoder of RFC 2047
    assert " ".join(str(mail["Subject"]).split()) == one.message.subject
    old = message_from_bytes(raw, policy=policy.compat32)["Subject"]
    assert " ".join(str(make_header(decode_header(str(old)))).split()) == one.message.subject
    plain = next(part for part in mail.walk() if part.get_content_type() == "text/plain")
    assert plain.get_content().replace("\r\n", "\n").rstrip("\n") == one.message.text.rstrip("\n")


@given(st.text(max_size=60).filter(lambda text: text.strip()))
def test_any_name_of_a_sender_comes_back(name: str) -> None:
    clean = Message(type="t", subject=name, text="", html="", data={}, list_name="").subject
    raw = build(frozen(), sender_name=clean)
    assert message_from_bytes(raw, policy=policy.strict)["From"].addresses[0].addr_spec == "bw@example.org"
    # the older decoder: the strict parser of Python 3.11 puts a blank between two encoded words of a name
    display, _, _ = str(message_from_bytes(raw, policy=policy.compat32)["From"]).rpartition(" ")
    assert " ".join(str(make_header(decode_header(display))).split()) == clean


def send(relay, *, tls=None, gate=lambda: None, password=None, mails=1, **smtp) -> str:
    given_ = {"host": "localhost", "port": relay.port, "sender": "bw@example.org", "timeout_s": 5.0, **smtp}
    given_.setdefault("security", "starttls" if relay.tls else "none")
    secret = None if password is None else SecretStr(password)
    with Relay(SmtpSettings(**given_), secret, tls=tls) as connection:
        for _ in range(mails):
            reply = connection.send(MAIL, to="pat@example.com", gate=gate)
    return reply


def test_one_recipient_and_the_dots_arrive_as_they_were(relay) -> None:
    server = relay()
    assert send(server, mails=2) == "the mail server took it (250)"
    assert server.taken == [MAIL, MAIL]
    assert server.verbs == ["EHLO", "MAIL", "RCPT", "DATA", "RSET", "MAIL", "RCPT", "DATA", "QUIT"]


def test_starttls_and_login_and_nothing_before_it_in_clear(relay, certificate, trusting) -> None:
    server = relay(tls=certificate("localhost"), extensions=("STARTTLS", "AUTH PLAIN"))
    send(server, tls=trusting, user="pat", password="canary-7341")
    assert [line.upper() for line in server.clear] == ["EHLO EXAMPLE.ORG", "STARTTLS"]
    assert server.verbs[2:4] == ["EHLO", "AUTH"]
    assert server.taken == [MAIL]


@pytest.mark.parametrize("name", ["localhost", "elsewhere"])
def test_a_certificate_that_is_not_good_stops_the_channel(relay, certificate, trusting, name: str) -> None:
    """The first is trusted by nobody, the second is good for another name."""
    server = relay(tls=certificate(name))
    with pytest.raises(ChannelPaused, match="certificate"):
        send(server, tls=None if name == "localhost" else trusting)
    assert server.offered == []
    assert [line.upper() for line in server.clear] == ["EHLO EXAMPLE.ORG", "STARTTLS"]


def test_a_stripped_starttls_sends_nothing(relay) -> None:
    server = relay(extensions=("AUTH PLAIN",))
    with pytest.raises(ChannelPaused, match="does not offer STARTTLS; nothing was sent"):
        send(server, security="starttls", user="pat", password="canary-7341")
    assert server.verbs == ["EHLO"]


@pytest.mark.parametrize(("reply", "error"), [("454 later", RelayUnreachable), ("501 never", ChannelPaused)])
def test_a_refused_starttls_sends_nothing(relay, certificate, reply: str, error: type[Exception]) -> None:
    server = relay(tls=certificate("localhost"), STARTTLS=[reply])
    with pytest.raises(error):
        send(server)
    assert server.verbs == ["EHLO", "STARTTLS"]


@pytest.mark.parametrize(
    ("reply", "error"),
    [("535 5.7.8 no", ChannelPaused), ("534 5.7.9 no", ChannelPaused), ("454 4.7.0 later", RelayUnreachable)],
)
def test_a_refused_login_sends_nothing_and_tells_no_password(
    relay, certificate, trusting, reply: str, error: type[Exception]
) -> None:
    server = relay(tls=certificate("localhost"), extensions=("STARTTLS", "AUTH PLAIN"), AUTH=[reply])
    with pytest.raises(error) as told:
        send(server, tls=trusting, user="pat", password="canary-7341")
    assert "MAIL" not in server.verbs
    assert "canary" not in repr(told.value) + str(told.value.__context__)


def test_no_password_no_way_to_log_in_and_letters_outside_ascii(relay, certificate, trusting) -> None:
    for extensions, password in ((("STARTTLS",), "x"), (("AUTH PLAIN", "STARTTLS"), None), (("STARTTLS",), "pässwort")):
        server = relay(tls=certificate("localhost"), extensions=extensions)
        with pytest.raises(ChannelPaused) as told:
            send(server, tls=trusting, user="pat", password=password)
        assert "ssw" not in str(told.value).replace("password", "")


@pytest.mark.parametrize(
    ("script", "error", "told"),
    [
        ({"GREETING": ["554 no"]}, RelayUnreachable, "554"),
        ({"EHLO": ["421 busy"]}, RelayUnreachable, "421"),
        ({"MAIL": ["530 5.7.0 log in first"]}, ChannelPaused, "530"),
        ({"MAIL": ["550 5.1.1 sender unknown"]}, DeliveryRefused, "MAIL"),
        ({"RCPT": ["450 4.2.0 later"]}, DeliveryDeferred, "450 4.2.0 later to RCPT"),
        ({"RCPT": ["452 4.2.2 mailbox full"]}, DeliveryDeferred, "452 4.2.2 mailbox full to RCPT"),
        ({"RCPT": ["550 5.1.1 <PAT@example.com> unknown"]}, EndpointGone, "<the reader> unknown to RCPT"),
        ({"RCPT": ["550 4.7.1 come back"]}, DeliveryDeferred, "4.7.1"),
        ({"RCPT": ["drop"]}, RelayUnreachable, "lost"),
        ({"DATA": ["554 no"]}, DeliveryRefused, "554"),
        ({"DATA": ["421 closing"]}, RelayUnreachable, "421"),
        ({"DOT": ["421 closing"]}, RelayUnreachable, "421"),
        ({"DOT": ["450 later"]}, DeliveryDeferred, "450"),
        ({"DOT": ["554 5.6.0 spam"]}, DeliveryRefused, "554"),
        ({"DOT": ["drop"]}, DeliveryUnknown, "did not answer the last byte"),
        ({"DOT": ["354 what"]}, DeliveryUnknown, "354"),
    ],
)
def test_what_each_answer_means(relay, script: dict[str, list[str]], error: type[Exception], told: str) -> None:
    server = relay(**script)
    with pytest.raises(error, match=re.escape(told)) as raised:
        send(server)
    assert type(raised.value) is error
    assert server.taken == []
    assert "\n" not in str(raised.value)


def test_silence_after_the_dot_is_an_unknown_outcome(relay) -> None:
    with pytest.raises(DeliveryUnknown, match="timed out"):
        send(relay(DOT=["silence"]), answer_timeout_s=0.3)


def test_what_quit_is_answered_changes_nothing(relay) -> None:
    for answer in ("421 too late", "drop"):
        server = relay(QUIT=[answer])
        assert send(server) == "the mail server took it (250)"
        assert server.verbs.count("DATA") == 1


def test_a_connection_that_went_away_between_two_mails_is_made_again(relay) -> None:
    server = relay(RSET=["421 that was enough", "drop"])
    send(server, mails=3)
    assert len(server.taken) == 3
    assert server.verbs.count("EHLO") == 3


def test_a_refused_mail_does_not_spoil_the_next(relay) -> None:
    server = relay(RCPT=["550 no"])
    settings = SmtpSettings(host="localhost", port=server.port, sender="bw@example.org", security="none")
    with Relay(settings, None) as connection:
        with pytest.raises(DeliveryRefused):
            connection.send(MAIL, to="pat@example.com", gate=lambda: None)
        connection.send(MAIL, to="kim@example.com", gate=lambda: None)
    assert server.taken == [MAIL]
    assert server.verbs.count("EHLO") == 1


def test_without_the_gate_there_is_no_dot(relay) -> None:
    server = relay()

    def shut() -> None:
        raise RuntimeError("the gate is shut")

    with pytest.raises(RuntimeError, match="shut"):
        send(server, gate=shut)
    assert server.offered == []
    assert server.verbs[-1] == "DATA"


def test_no_server_at_all(relay) -> None:
    settings = SmtpSettings(host="127.0.0.1", port=1, sender="bw@example.org", security="none", timeout_s=2.0)
    with Relay(settings, None) as connection, pytest.raises(RelayUnreachable, match="no connection"):
        connection.send(MAIL, to="pat@example.com", gate=lambda: None)
