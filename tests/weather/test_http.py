"""Politeness and patience, against a server on this machine."""

import gzip
import itertools
import socket
from threading import Event

import pytest
import requests
import responses
from pytest_httpserver import HTTPServer
from urllib3.exceptions import MaxRetryError, NameResolutionError
from werkzeug import Request, Response

from bitewatch import __version__
from bitewatch.errors import SourceRefused, SourceUnavailable
from bitewatch.weather.sources.http import JitteredRetry, PoliteClient, identification

FORM = {"latitude": "46.1"}


@pytest.fixture
def client() -> PoliteClient:
    return PoliteClient(identification("mail@club.example"), connect_s=2, read_s=2, backoff_factor=0, max_bytes=10_000)


def test_it_says_who_asks_and_sends_the_form(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f", method="POST").respond_with_data(b'{"a": 1}', content_type="application/json")
    answer = client.post(httpserver.url_for("/f"), FORM)
    assert (answer.body, answer.content_type) == (b'{"a": 1}', "application/json")
    ((request, _),) = httpserver.log
    assert request.headers["User-Agent"] == f"bitewatch/{__version__} (mail@club.example)"
    assert request.headers["Accept-Encoding"] == "gzip"
    assert request.form.to_dict() == FORM


@pytest.mark.parametrize("status", [500, 502, 503, 504])
def test_a_passing_failure_is_tried_again(httpserver: HTTPServer, client: PoliteClient, status: int) -> None:
    httpserver.expect_ordered_request("/f").respond_with_data(b"busy", status=status)
    httpserver.expect_ordered_request("/f").respond_with_data(b"{}")
    assert client.post(httpserver.url_for("/f"), FORM).body == b"{}"
    assert len(httpserver.log) == 2


def test_it_gives_up_after_three_tries(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_json(
        {"error": True, "reason": "The service is overloaded"}, status=503
    )
    with pytest.raises(SourceUnavailable, match=r"^localhost:\d+: answered 503: The service is overloaded$"):
        client.post(httpserver.url_for("/f"), FORM)
    assert len(httpserver.log) == 3


@pytest.mark.parametrize("status", [400, 401, 403, 404, 414, 422])
def test_a_refusal_is_final(httpserver: HTTPServer, client: PoliteClient, status: int) -> None:
    httpserver.expect_request("/f").respond_with_json({"error": True, "reason": "no such\n variable"}, status=status)
    with pytest.raises(SourceRefused, match=rf"answered {status}: no such variable$"):
        client.post(httpserver.url_for("/f"), FORM)
    assert len(httpserver.log) == 1


@pytest.mark.parametrize(
    "reason",
    ["Minutely API request limit exceeded", "Daily API request limit exceeded", "Too many concurrent requests"],
)
def test_a_used_up_quota_is_not_asked_again_at_once(httpserver: HTTPServer, client: PoliteClient, reason: str) -> None:
    httpserver.expect_request("/f").respond_with_json({"error": True, "reason": reason}, status=429)
    with pytest.raises(SourceUnavailable, match=f"answered 429: {reason}"):
        client.post(httpserver.url_for("/f"), FORM)
    assert len(httpserver.log) == 1


def test_retry_after_is_never_slept_on(
    httpserver: HTTPServer, client: PoliteClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def asleep(*_: object) -> bool:
        raise AssertionError("it went to sleep because a server said so")

    monkeypatch.setattr(JitteredRetry, "sleep_for_retry", asleep)
    httpserver.expect_request("/f").respond_with_data(b"later", status=503, headers={"Retry-After": "21600"})
    with pytest.raises(SourceUnavailable, match="answered 503: later"):
        client.post(httpserver.url_for("/f"), FORM)
    assert len(httpserver.log) == 3


def test_waits_grow_are_random_and_stay_under_eight_seconds() -> None:
    for failures, longest in ((1, 2.0), (2, 4.0), (3, 8.0), (6, 8.0)):
        retry = JitteredRetry(total=9, backoff_factor=1.0, backoff_max=8.0, status_forcelist=[503])
        retry.history = (None,) * failures  # type: ignore[assignment] # only their number counts
        waits = [retry.get_backoff_time() for _ in range(300)]
        assert 0.0 <= min(waits) < 0.2 * longest
        assert 0.8 * longest < max(waits) <= longest


def test_silence_ends_in_a_timeout(httpserver: HTTPServer) -> None:
    told = Event()

    def silent(_: Request) -> Response:
        told.wait(20)
        return Response(b"{}")

    httpserver.expect_request("/f").respond_with_handler(silent)
    impatient = PoliteClient("bitewatch", read_s=0.05, backoff_factor=0)
    try:
        with pytest.raises(SourceUnavailable, match="did not answer in time"):
            impatient.post(httpserver.url_for("/f"), FORM)
    finally:
        told.set()


def test_a_drip_without_end_is_cut_off(httpserver: HTTPServer) -> None:
    def drip(_: Request) -> Response:
        return Response(itertools.repeat(b" ", 500))

    httpserver.expect_request("/f").respond_with_handler(drip)
    clock = itertools.count(0.0, 121.0)  # each look at it is two minutes later
    client = PoliteClient("bitewatch", backoff_factor=0, clock=lambda: next(clock))
    with pytest.raises(SourceUnavailable, match="not whole after 120 s"):
        client.post(httpserver.url_for("/f"), FORM)


def test_nobody_listening_is_one_clear_line(client: PoliteClient) -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        port = closed.getsockname()[1]
    with pytest.raises(SourceUnavailable) as unavailable:
        client.post(f"http://127.0.0.1:{port}/f", FORM)
    assert str(unavailable.value) == f"127.0.0.1:{port}: does not accept connections"


def test_an_unknown_name_is_one_clear_line(client: PoliteClient) -> None:
    gone = NameResolutionError("weather.example", None, socket.gaierror(-2, "Name or service not known"))  # type: ignore[arg-type]
    with responses.RequestsMock() as mock:
        mock.post("https://weather.example/f", body=requests.ConnectionError(MaxRetryError(None, "/f", gone)))  # type: ignore[arg-type]
        with pytest.raises(SourceUnavailable, match=r"^weather\.example: the name of the host is not known"):
            client.post("https://weather.example/f", FORM)


def test_a_cut_body_never_passes_for_a_whole_one(httpserver: HTTPServer, client: PoliteClient) -> None:
    def cut(_: Request) -> Response:
        return Response(iter([b'{"a": ']), headers={"Content-Length": "100"})

    httpserver.expect_request("/f").respond_with_handler(cut)
    with pytest.raises(SourceUnavailable, match="the connection failed"):
        client.post(httpserver.url_for("/f"), FORM)


def test_a_compressed_body_is_unpacked(httpserver: HTTPServer, client: PoliteClient) -> None:
    body = b'{"a": [' + b"1, " * 500 + b"1]}"
    httpserver.expect_request("/f").respond_with_data(gzip.compress(body), headers={"Content-Encoding": "gzip"})
    assert client.post(httpserver.url_for("/f"), FORM).body == body


def test_the_cap_of_size_holds_after_unpacking(httpserver: HTTPServer, client: PoliteClient) -> None:
    packed = gzip.compress(bytes(20_000_000))
    httpserver.expect_request("/f").respond_with_data(packed, headers={"Content-Encoding": "gzip"})
    with pytest.raises(SourceRefused, match="larger than 10000 bytes"):
        client.post(httpserver.url_for("/f"), FORM)


def test_a_body_that_is_not_the_packing_it_claims_is_a_failed_transport(
    httpserver: HTTPServer, client: PoliteClient
) -> None:
    httpserver.expect_request("/f").respond_with_data(b"plain", headers={"Content-Encoding": "gzip"})
    with pytest.raises(SourceUnavailable):
        client.post(httpserver.url_for("/f"), FORM)


def test_a_redirection_is_not_followed(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_data(b"", status=307, headers={"Location": "/elsewhere"})
    with pytest.raises(SourceRefused, match="answered 307"):
        client.post(httpserver.url_for("/f"), FORM)
    assert [request.path for request, _ in httpserver.log] == ["/f"]


def test_the_markup_of_an_error_page_stays_out_of_the_line(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_data(b"<html>\n<title>Bad gateway</title>", status=502)
    with pytest.raises(SourceUnavailable, match=r"answered 502$"):
        client.post(httpserver.url_for("/f"), FORM)


def test_proxies_of_the_environment_are_not_used(
    httpserver: HTTPServer, client: PoliteClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NO_PROXY", raising=False)
    monkeypatch.delenv("no_proxy", raising=False)
    monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:9")
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")
    httpserver.expect_request("/f").respond_with_data(b"{}")
    assert client.post(httpserver.url_for("/f"), FORM).body == b"{}"
