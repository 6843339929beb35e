"""The signature against published vectors and another library; the exchange with a receiver that follows a script."""

import base64
import json
import time
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import SecretStr
from standardwebhooks import Webhook

from bitewatch.delivery.endpoints import new_webhook_secret
from bitewatch.delivery.guard import parse_door
from bitewatch.delivery.replies import EndpointBusy, EndpointGone
from bitewatch.delivery.webhook import post_webhook, sign
from bitewatch.errors import DeliveryDeferred, DeliveryUnknown

NOW = datetime(2026, 6, 1, 9, 30, tzinfo=UTC)
BODY = '{"data":{"lake":"Nörd"},"type":"bitewatch.brief"}'.encode()
ENDLESS = b"HTTP/1.1 100 Continue\r\n\r\n" * 4000
SECRET = SecretStr(new_webhook_secret())


# the reference vectors of Standard Webhooks 1.0.0 and of its test suites
@pytest.mark.parametrize(
    ("secret", "webhook_id", "timestamp", "body", "signature"),
    [
        (
            "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330,
            b'{"test": 2432232314}', "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
        ),
        (
            "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD", "msg_27UH4WbU6Z5A5EzD8u03UvzRbpk", 1649367553,
            b'{"email":"test@example.com","username":"test_user"}', "v1,tZ1I4/hDygAJgO5TYxiSd6Sd0kDW6hPenDe+bTa3Kkw=",
        ),
    ],
)  # fmt: skip
def test_published_vectors(secret: str, webhook_id: str, timestamp: int, body: bytes, signature: str) -> None:
    assert sign(SecretStr(secret), webhook_id, timestamp, body) == signature


@given(st.binary(min_size=24, max_size=64), st.text(st.characters(codec="utf-8")), st.integers(1, 4_000_000_000))
def test_another_library_signs_the_same(key: bytes, body: str, timestamp: int) -> None:
    secret = "whsec_" + base64.b64encode(key).decode()
    theirs = Webhook(secret).sign("msg_x", datetime.fromtimestamp(timestamp, UTC), body)
    assert sign(SecretStr(secret), "msg_x", timestamp, body.encode()) == theirs


@pytest.mark.parametrize(
    "secret", ["", "whsec_", "whsec_AAAA", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_" + "A" * 88 + "ä"]
)
def test_a_secret_of_another_form_is_refused_and_not_shown(secret: str) -> None:
    with pytest.raises(ValueError, match="base64 of 24 to 64 bytes"):
        sign(SecretStr(secret), "msg_x", 1, b"{}")


def send(hook, *, gate=lambda: None, scheme="http", **changes) -> str:
    doors = (parse_door(f"127.0.0.1:{hook.port}"),)
    given_ = {
        "url": f"{scheme}://127.0.0.1:{hook.port}/in?a=b", "webhook_id": "msg_x", "secret": SECRET, "now": NOW,
        "doors": doors, "gate": gate, **changes,
    }  # fmt: skip
    return post_webhook(BODY, **given_)


def test_the_receiver_can_verify_the_exact_bytes(hook) -> None:
    server = hook()
    now = datetime.fromtimestamp(int(time.time()), UTC)  # their library verifies against the wall clock
    assert send(server, now=now) == "the receiver answered 200"
    ((first, headers, body),) = server.requests
    assert first == "POST /in?a=b HTTP/1.1"
    assert headers["host"] == f"127.0.0.1:{server.port}"
    assert headers["content-type"] == "application/json"
    assert body == BODY
    assert Webhook(SECRET.get_secret_value()).verify(body, headers) == json.loads(BODY)


def test_https_is_verified_against_the_name(hook, certificate, trusting) -> None:
    server = hook(tls=certificate("localhost"))
    assert send(server, scheme="https", tls=trusting) == "the receiver answered 200"
    with pytest.raises(DeliveryDeferred, match="certificate is not good"):
        send(server, scheme="https", tls=None)
    assert len(server.requests) == 1


@pytest.mark.parametrize(
    ("answer", "error", "told", "wait_s"),
    [
        (b"HTTP/1.1 500 Oops\r\n\r\n", DeliveryDeferred, "500", None),
        (b"HTTP/1.1 404 Not Found\r\n\r\n", DeliveryDeferred, "404", None),
        (b"HTTP/1.1 410 Gone\r\n\r\n", EndpointGone, "410", None),
        (b"HTTP/1.1 429 Slow\r\nRetry-After: 120\r\n\r\n", EndpointBusy, "429", 120.0),
        (b"HTTP/1.1 503 Slow\r\nRetry-After: Mon, 01 Jun 2026 09:31:00 GMT\r\n\r\n", DeliveryDeferred, "503", 60.0),
        (b"HTTP/1.1 502 Slow\r\nRetry-After: -5\r\n\r\n", EndpointBusy, "502", None),
        (b"HTTP/1.1 307 Over There\r\nLocation: http://127.0.0.1:1/\r\n\r\n", DeliveryDeferred, "never followed", None),
        (b"SSH-2.0-hello\r\n", DeliveryUnknown, "no answer that can be read", None),
        (b"HTTP/1.1 200 OK\r\nX: " + b"y" * 4_000_000, DeliveryUnknown, "no answer that can be read", None),
        (ENDLESS + b"HTTP/1.1 200 OK\r\n\r\n", DeliveryUnknown, "no answer that can be read", None),
        (b"", DeliveryUnknown, "no answer that can be read", None),
        ("drop", DeliveryUnknown, "no answer that can be read", None),
    ],
)  # fmt: skip
def test_what_each_answer_means(hook, answer, error: type[Exception], told: str, wait_s: float | None) -> None:
    server = hook(answer)
    with pytest.raises(error, match=told) as raised:
        send(server)
    assert type(raised.value) is error
    assert getattr(raised.value, "wait_s", None) == wait_s
    assert len(server.requests) == 1


@pytest.mark.parametrize("status", [200, 202, 204, 299])
def test_every_2xx_is_sent_and_what_else_it_says_is_not_told(hook, status: int) -> None:
    assert send(hook(f"HTTP/1.1 {status} secret words\r\nX: y\r\n\r\n".encode())) == f"the receiver answered {status}"


def test_a_slow_drip_ends_at_the_deadline(hook) -> None:
    begun = time.monotonic()
    with pytest.raises(DeliveryUnknown, match=r"no answer within 0\.5 s|timed out"):
        send(hook("drip"), deadline_s=0.5)
    assert time.monotonic() - begun < 2.0


def test_a_resolver_that_hangs_ends_at_the_deadline(hook) -> None:
    server = hook()

    def hangs(host: str, port: int) -> list[str]:
        server.server.stopped.wait(30)
        return []

    with pytest.raises(DeliveryDeferred, match="has no address"):
        send(server, deadline_s=0.3, resolve=hangs)


def test_nothing_goes_where_no_door_is_open(hook) -> None:
    server = hook()
    for doors in ((), (parse_door("192.168.1.0/24"),)):
        with pytest.raises(DeliveryDeferred, match="allow_lan"):
            send(server, doors=doors)
    assert server.requests == []


def test_proxies_of_the_environment_are_ignored(hook, monkeypatch) -> None:
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:1")
    monkeypatch.setenv("HTTPS_PROXY", "http://127.0.0.1:1")
    server = hook()
    send(server)
    assert len(server.requests) == 1


def test_without_the_gate_the_last_byte_is_not_sent(hook) -> None:
    server = hook()

    def shut() -> None:
        raise RuntimeError("the gate is shut")

    with pytest.raises(RuntimeError, match="shut"):
        send(server, gate=shut)
    server.server.close()
    assert server.requests == []
