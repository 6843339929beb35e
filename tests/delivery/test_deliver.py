"""A pass over what is due, through real sockets: each message exactly once, and nothing lost whatever is answered."""

import json
import logging
import socket
from datetime import timedelta
from email import message_from_bytes, policy

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult
from pydantic import SecretStr
from sqlalchemy import event as listen_to
from sqlalchemy import select

from bitewatch.delivery import deliver as deliver_module
from bitewatch.delivery.address import Kind
from bitewatch.delivery.deliver import Channels
from bitewatch.delivery.endpoints import Suppression, read_endpoint, suppress_endpoint
from bitewatch.delivery.outbox import sweep_expired
from bitewatch.delivery.settings import SmtpSettings, WebhookSettings
from bitewatch.delivery.tables import outbox, suppression

KEY = "s1:2026-06-01:brief:0"
OK = b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n"


@pytest.fixture
def pat(post) -> str:
    return post.endpoint(Kind.EMAIL, "pat@example.com")


def states(post) -> dict[str, str]:
    with post.store.read() as connection:
        return {row.key.partition(":")[0]: row.state for row in connection.execute(select(outbox))}


def test_a_real_mail_server_with_starttls_and_a_login(post, pat: str, certificate, trusting) -> None:
    taken = []

    class Keep:
        async def handle_DATA(self, server, session, envelope):  # noqa: N802
            taken.append(envelope)
            return "250 2.0.0 kept"

    def check(server, session, envelope, mechanism, data) -> AuthResult:
        return AuthResult(success=(data.login, data.password) == (b"pat", b"canary-7341"))

    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    server = Controller(
        Keep(), hostname="127.0.0.1", port=port, tls_context=certificate("localhost"), require_starttls=True,
        authenticator=check, auth_required=True,
    )  # fmt: skip
    server.start()
    try:
        smtp = SmtpSettings(host="localhost", port=port, sender="bitewatch@example.org", user="pat", timeout_s=5.0)
        post.channels = Channels(
            smtp=smtp, smtp_password=SecretStr("canary-7341"), webhook=WebhookSettings(), tls=trusting
        )  # fmt: skip
        for n in range(3):
            post.decide(pat, subscription=f"s{n}", subject=f"Lake {n}: hög över – 5 ft")
        assert post.deliver().sent == 3
        assert post.deliver().sent == 0
        post.start()
        assert post.deliver().sent == 0
    finally:
        server.stop()
    assert [envelope.rcpt_tos for envelope in taken] == [["pat@example.com"]] * 3
    mails = [message_from_bytes(envelope.content, policy=policy.strict) for envelope in taken]
    assert sorted(mail["Subject"] for mail in mails) == [f"Lake {n}: hög över – 5 ft" for n in range(3)]
    assert len({mail["Message-ID"] for mail in mails}) == 3
    assert mails[0].get_body(("plain",)).get_content().replace("\r\n", "\n") == post.make().text + "\n"
    assert next(mails[0].get_body(("related",)).iter_attachments()).get_content() == post.make().pictures[0].png
    assert [name for name, _, _ in post.events()] == ["MessageSent"] * 3


@pytest.mark.parametrize(
    ("script", "told"),
    [
        ({"GREETING": ["421 busy"]}, "421"),
        ({"MAIL": ["421 closing"]}, "421"),
        ({"RCPT": ["450 4.2.0 greylisted"]}, "450 4.2.0 greylisted"),
        ({"RCPT": ["452 4.2.2 mailbox full"]}, "452 4.2.2 mailbox full"),
        ({"DOT": ["451 4.3.0 later"]}, "451"),
    ],
)
def test_what_is_temporary_waits_and_arrives_once(post, pat: str, relay, script, told: str) -> None:
    server = relay(**script)
    post.mails_to(server)
    post.decide(pat)
    assert post.deliver().deferred == 1
    row = post.row()
    assert row.state == "pending"
    assert told in row.last_error
    assert "\n" not in row.last_error
    assert timedelta(seconds=48) <= row.not_before - post.now + timedelta(seconds=1)
    assert row.not_before - post.now <= timedelta(seconds=72)
    assert post.deliver().sent == 0  # it is not yet due
    post.later(seconds=73)
    assert post.deliver().sent == 1
    assert len(server.taken) == 1
    assert [name for name, _, _ in post.events()] == ["MessageFailed", "MessageSent"]


@pytest.mark.parametrize("script", [{"RCPT": ["550 5.7.1 no"]}, {"DOT": ["554 5.6.0 no"]}])
def test_what_is_permanent_is_dead_and_the_rest_goes_on(post, pat: str, relay, script) -> None:
    server = relay(**script)
    post.mails_to(server)
    for n in range(3):
        post.decide(pat, subscription=f"s{n}")
    counts = post.deliver()
    assert (counts.refused, counts.sent) == (1, 2)
    assert sorted(states(post).values()) == ["dead", "sent", "sent"]
    assert len(server.taken) == 2


def test_an_address_that_does_not_exist_is_never_tried_again(post, pat: str, relay) -> None:
    server = relay(RCPT=["550 5.1.1 <pat@example.com> unknown"])
    post.mails_to(server)
    for n in range(3):
        post.decide(pat, subscription=f"s{n}")
    post.deliver()
    assert sorted(states(post).values()) == ["cancelled", "cancelled", "dead"]
    assert server.verbs.count("RCPT") == 1
    with post.store.read() as connection:
        found = connection.execute(select(suppression)).one()
    assert (found.reason, "pat@" in found.evidence) == ("hard_bounce", False)
    assert not post.decide(pat, subscription="s9").verdict.startswith("the message is in")


def test_no_answer_to_the_dot_is_one_more_copy_with_the_same_bytes_and_no_more(post, pat: str, relay) -> None:
    server = relay(DOT=["drop", "drop", "drop"])
    post.mails_to(server)
    post.decide(pat)
    for _ in range(5):
        post.deliver()
        post.start()
        post.later(hours=1)
    assert len(server.offered) == 2
    assert server.offered[0] == server.offered[1]
    assert (post.row().state, post.tries()) == ("dead", ["unknown", "unknown"])
    assert post.row().last_error.startswith("unknown outcome")


def test_a_crash_between_dot_and_mark_is_one_more_copy_and_no_more(post, pat: str, relay, monkeypatch) -> None:
    """The process dies, as far as the store can tell, whenever it would write that a mail was sent."""
    server = relay()
    post.mails_to(server)
    post.decide(pat)

    def dies(*args, **given):
        raise KeyboardInterrupt

    with monkeypatch.context() as dying:
        dying.setattr(deliver_module, "mark_sent", dies)
        for _ in range(2):
            with pytest.raises(KeyboardInterrupt):
                post.deliver()
            assert post.row().state == "committing"
            post.start()
    for _ in range(3):
        post.deliver()
        post.later(hours=1)
    assert len(server.taken) == 2
    assert server.taken[0] == server.taken[1]
    assert post.row().state == "dead"


def test_421_to_quit_after_the_250_is_sent(post, pat: str, relay) -> None:
    server = relay(QUIT=["421 bye", "421 bye"])
    post.mails_to(server)
    post.decide(pat)
    assert post.deliver().sent == 1
    assert post.deliver().sent == 0
    assert len(server.taken) == 1


def test_a_stripped_starttls_pauses_the_channel_and_burns_no_row(post, pat: str, relay) -> None:
    server = relay()
    post.mails_to(server, security="starttls")
    for n in range(3):
        post.decide(pat, subscription=f"s{n}")
    assert post.deliver().deferred == 1
    post.later(minutes=10)
    post.decide(pat, subscription="s3")
    assert post.deliver().deferred == 0
    assert server.verbs == ["EHLO"]
    with post.store.read() as connection:
        rows = connection.execute(select(outbox)).all()
    assert {row.state for row in rows} == {"pending"}
    assert all("STARTTLS" in row.last_error for row in rows)
    assert sum(row.attempts for row in rows) == 1


def test_a_refused_login_pauses_until_somebody_starts_again(post, pat: str, relay, certificate, trusting) -> None:
    server = relay(tls=certificate("localhost"), extensions=("STARTTLS", "AUTH PLAIN"), AUTH=["535 5.7.8 no"])
    post.mails_to(server, tls=trusting, user="pat")
    post.channels = Channels(
        smtp=post.channels.smtp, smtp_password=SecretStr("canary-7341"), webhook=WebhookSettings(), tls=trusting
    )  # fmt: skip
    post.decide(pat)
    for _ in range(3):
        post.deliver()
        post.later(minutes=30)
    assert server.verbs.count("AUTH") == 1
    assert "MAIL" not in server.verbs
    assert (post.row().state, "535" in post.row().last_error) == ("pending", True)
    post.start()
    assert post.deliver().sent == 1
    with post.store.read() as connection:
        dump = "\n".join(connection.connection.driver_connection.iterdump())
    assert "canary" not in dump


def test_a_dead_relay_does_not_hold_up_the_webhooks_nor_burn_every_mail(post, pat: str, relay, hook) -> None:
    receiver = hook()
    web = WebhookSettings(allow_lan=(f"127.0.0.1:{receiver.port}",))
    smtp = SmtpSettings(host="127.0.0.1", port=1, sender="bitewatch@example.org", security="none", timeout_s=2.0)
    post.channels = Channels(smtp=smtp, smtp_password=None, webhook=web)
    for n in range(5):
        post.decide(pat, subscription=f"a{n}")
    post.decide(post.endpoint(Kind.WEBHOOK, f"http://127.0.0.1:{receiver.port}/in"), subscription="z")
    counts = post.deliver()
    assert (counts.sent, counts.deferred) == (1, 1)


def test_without_mail_settings_mails_wait_and_say_why(post, pat: str) -> None:
    post.decide(pat)
    assert post.deliver().sent == 0
    assert (post.row().state, post.row().last_error) == ("pending", "there is no [smtp] in the settings")
    with post.store.write() as connection:
        sweep_expired(connection, now=post.now + timedelta(days=1))
    assert (post.row().state, post.row().last_error) == ("expired", "there is no [smtp] in the settings")


def test_who_left_between_claim_and_gate_gets_nothing(post, pat: str, relay) -> None:
    server = relay()
    post.mails_to(server)
    post.decide(pat)
    offer = deliver_module.Relay._offer

    def leave(self, *args) -> None:
        offer(self, *args)
        with post.store.write() as connection:
            suppress_endpoint(connection, pat, reason=Suppression.UNSUBSCRIBED, evidence="", now=post.now)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(deliver_module.Relay, "_offer", leave)
        assert post.deliver().shut == 1
    assert server.offered == []
    assert (post.row().state, post.row().last_error) == ("cancelled", "the reader left on its way")


def test_a_gate_that_cannot_be_written_sends_no_dot(post, pat: str, relay) -> None:
    server = relay()
    post.mails_to(server)
    post.decide(pat)
    failing = [True]

    def no_room(connection, cursor, statement, parameters, context, executemany) -> None:
        if failing and "committing" in parameters and statement.startswith("UPDATE outbox SET state"):
            failing.clear()
            import sqlite3

            raise sqlite3.OperationalError("database or disk is full")

    listen_to.listen(post.store.engine, "before_cursor_execute", no_room)
    counts = post.deliver()
    assert not failing
    assert counts.sent == 0
    assert server.offered == []
    assert post.row().state == "pending"
    post.later(minutes=2)
    assert post.deliver().sent == 1
    assert len(server.taken) == 1


def test_a_bug_kills_its_row_at_the_second_time_and_nothing_else(post, pat: str, relay, monkeypatch, caplog) -> None:
    server = relay()
    post.mails_to(server)
    for name in ("bad", "good"):
        post.decide(pat, subscription=name)
    build = deliver_module.build_mail

    def breaks(frozen, **given):
        if frozen.key.startswith("bad"):
            raise KeyError("canary-7341")
        return build(frozen, **given)

    monkeypatch.setattr(deliver_module, "build_mail", breaks)
    with caplog.at_level(logging.ERROR):
        counts = post.deliver()
    assert (counts.bugs, counts.sent) == (1, 1)
    assert "a bug while sending bad:2026-06-01:brief:0" in caplog.text
    assert states(post) == {"bad": "pending", "good": "sent"}
    post.later(minutes=2)
    assert post.deliver().bugs == 1
    row = post.row("bad:2026-06-01:brief:0")
    assert row.state == "dead"
    assert row.last_error.startswith("bug: KeyError in test_deliver.py:")
    assert len(server.taken) == 1


def test_a_webhook_arrives_once(post, hook) -> None:
    receiver = hook()
    post.decide(post.endpoint(Kind.WEBHOOK, post.hooks_to(receiver)))
    assert post.deliver().sent == 1
    post.start()
    assert post.deliver().sent == 0
    ((_, headers, body),) = receiver.requests
    assert json.loads(body) == {
        "type": "bitewatch.brief", "timestamp": "2026-06-01T09:30:00Z", "data": {"pace": "slow", "depth_m": 1.5},
    }  # fmt: skip
    assert headers["webhook-id"].startswith("msg_")


@pytest.mark.parametrize("first", [b"HTTP/1.1 500 Oops\r\n\r\n", "drop", "drip"])
def test_a_retry_has_the_same_id_and_bytes_and_a_new_timestamp(post, hook, first) -> None:
    receiver = hook(first, OK)
    post.decide(post.endpoint(Kind.WEBHOOK, post.hooks_to(receiver, webhook_deadline_s=0.4)))
    assert post.deliver().sent == 0
    assert post.row().state == "pending"
    post.later(seconds=7)
    assert post.deliver().sent == 1
    (_, one, body), (_, two, again) = receiver.requests
    assert body == again
    assert one["webhook-id"] == two["webhook-id"]
    assert int(two["webhook-timestamp"]) - int(one["webhook-timestamp"]) == 7
    assert one["webhook-signature"] != two["webhook-signature"]


def test_retry_after_slows_the_whole_endpoint_down(post, hook) -> None:
    receiver = hook(b"HTTP/1.1 429 Slow\r\nRetry-After: 600\r\n\r\n", OK)
    place = post.endpoint(Kind.WEBHOOK, post.hooks_to(receiver))
    for n in range(3):
        post.decide(place, subscription=f"s{n}")
    assert post.deliver().deferred == 1
    post.later(seconds=590)
    assert post.deliver().sent == 0
    post.later(seconds=10)
    assert post.deliver().sent == 3


def test_a_redirect_is_not_followed(post, hook) -> None:
    target = hook()
    receiver = hook(f"HTTP/1.1 307 There\r\nLocation: http://127.0.0.1:{target.port}/\r\n\r\n".encode())
    post.decide(post.endpoint(Kind.WEBHOOK, post.hooks_to(receiver)))
    assert post.deliver().deferred == 1
    assert target.requests == []


def test_410_disables_the_endpoint_until_its_operator_adds_it_again(post, hook) -> None:
    receiver = hook(b"HTTP/1.1 410 Gone\r\n\r\n", OK)
    url = post.hooks_to(receiver)
    place = post.endpoint(Kind.WEBHOOK, url)
    for n in range(2):
        post.decide(place, subscription=f"s{n}")
    post.deliver()
    assert sorted(states(post).values()) == ["cancelled", "dead"]
    with post.store.read() as connection:
        assert read_endpoint(connection, place).state == "disabled"
    assert post.endpoint(Kind.WEBHOOK, url) == place
    post.decide(place, subscription="s2")
    assert post.deliver().sent == 1


def test_ten_tries_and_then_no_more(post, hook) -> None:
    receiver = hook(b"HTTP/1.1 500 Oops\r\n\r\n")
    place = post.endpoint(Kind.WEBHOOK, post.hooks_to(receiver))
    post.decide(place)
    with post.store.write() as connection:
        connection.execute(outbox.update().values(expires_at=post.now + timedelta(days=30)))
    for _ in range(12):
        post.deliver()
        post.later(hours=30)
    assert len(receiver.requests) == 10
    assert (post.row().state, post.row().last_error) == ("dead", "the receiver answered 500 (the last try)")


def test_an_endpoint_of_a_reader_never_goes_through_the_door(post, hook) -> None:
    receiver = hook()
    place = post.endpoint(Kind.WEBHOOK, post.hooks_to(receiver), by_operator=False)
    post.decide(place)
    assert post.deliver().deferred == 1
    assert receiver.requests == []
    assert "allow_lan" in post.row().last_error


def test_the_secret_of_a_webhook_is_nowhere_but_in_its_endpoint(post, hook, caplog) -> None:
    receiver = hook(b"HTTP/1.1 500 Oops\r\n\r\n")
    place = post.endpoint(Kind.WEBHOOK, post.hooks_to(receiver))
    with post.store.read() as connection:
        secret = read_endpoint(connection, place).secret.get_secret_value()
    post.decide(place)
    with caplog.at_level(logging.DEBUG):
        post.deliver()
    with post.store.read() as connection:
        dump = "\n".join(connection.connection.driver_connection.iterdump())
    assert dump.count(secret) == 1
    assert secret not in caplog.text


def test_files_are_written_once_whole_and_under_readable_names(post, tmp_path) -> None:
    folder = tmp_path / "out" / "briefs"
    place = post.endpoint(Kind.FILE, str(folder))
    post.decide(place)
    assert post.deliver().sent == 1
    names = sorted(path.name for path in folder.iterdir())
    stem = names[0].removesuffix(".eml")
    assert names == [f"{stem}.eml", f"{stem}.html", f"{stem}.json"]
    assert stem.startswith("2026-06-01-brief-")
    assert len(stem) == len("2026-06-01-brief-") + 8
    mail = message_from_bytes((folder / names[0]).read_bytes(), policy=policy.strict)
    assert mail["Subject"] == post.make().subject
    assert "data:image/png;base64," in (folder / names[1]).read_text()
    assert json.loads((folder / names[2]).read_text())["data"] == {"pace": "slow", "depth_m": 1.5}

    before = {path: path.read_bytes() for path in folder.iterdir()}
    with post.store.write() as connection:  # as after a crash past the gate
        connection.execute(outbox.update().values(state="committing"))
    post.start()
    assert post.deliver().sent == 1
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


def test_a_folder_that_cannot_be_written_to_waits(post, tmp_path) -> None:
    blocked = tmp_path / "a file"
    blocked.write_text("not a folder")
    post.decide(post.endpoint(Kind.FILE, str(blocked / "briefs")))
    assert post.deliver().deferred == 1
    assert "the folder cannot be written to" in post.row().last_error
    blocked.unlink()
    post.later(minutes=2)
    assert post.deliver().sent == 1


def test_files_of_who_left_on_the_way_do_not_appear(post, tmp_path, monkeypatch) -> None:
    folder = tmp_path / "briefs"
    place = post.endpoint(Kind.FILE, str(folder))
    post.decide(place)
    build = deliver_module.build_mail

    def leave(frozen, **given):
        with post.store.write() as connection:
            suppress_endpoint(connection, place, reason=Suppression.OPERATOR, evidence="", now=post.now)
        return build(frozen, **given)

    monkeypatch.setattr(deliver_module, "build_mail", leave)
    assert post.deliver().shut == 1
    assert list(folder.iterdir()) == []
    assert post.row().state == "cancelled"
