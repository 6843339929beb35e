"""Politeness and patience, against a server on this machine."""

import gzip
import itertools
import socket
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Event, Thread

import pytest
import requests
import responses
from hypothesis import given
from hypothesis import strategies as st
from pytest_httpserver import HTTPServer
from urllib3.exceptions import MaxRetryError, NameResolutionError
from werkzeug import Request, Response

from bitewatch import __version__
from bitewatch.errors import SourceRefused, SourceUnavailable
from bitewatch.weather.sources.base import Question
from bitewatch.weather.sources.http import (
    LONGEST_GOOD,
    LONGEST_RETRY_AFTER_S,
    JitteredRetry,
    PoliteClient,
    expiry,
    identification,
    retry_after_s,
)

FORM = {"latitude": "46.1"}
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)


@pytest.fixture
def client() -> Iterator[PoliteClient]:
    with PoliteClient(
        identification("mail@club.example"), connect_s=2, read_s=2, backoff_factor=0, max_bytes=10_000
    ) as one:
        yield one


def question(server: HTTPServer, *, form: Mapping[str, str] | None = FORM) -> Question:
    return Question(key="f", url=server.url_for("/f"), form=form)


def test_it_says_who_asks_and_sends_the_form(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f", method="POST").respond_with_data(b'{"a": 1}', content_type="application/json")
    answer = client.ask(question(httpserver), now=NOW)
    assert (answer.body, answer.content_type) == (b'{"a": 1}', "application/json")
    ((request, _),) = httpserver.log
    assert request.headers["User-Agent"] == f"bitewatch/{__version__} (mail@club.example)"
    assert request.headers["Accept-Encoding"] == "gzip"
    assert request.form.to_dict() == FORM


@pytest.mark.parametrize("status", [500, 502, 503, 504])
def test_a_passing_failure_is_tried_again(httpserver: HTTPServer, client: PoliteClient, status: int) -> None:
    httpserver.expect_ordered_request("/f").respond_with_data(b"busy", status=status)
    httpserver.expect_ordered_request("/f").respond_with_data(b"{}")
    assert client.ask(question(httpserver), now=NOW).body == b"{}"
    assert len(httpserver.log) == 2


def test_it_gives_up_after_three_tries(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_json(
        {"error": True, "reason": "The service is overloaded"}, status=503
    )
    with pytest.raises(SourceUnavailable, match=r"^localhost:\d+: answered 503: The service is overloaded$"):
        client.ask(question(httpserver), now=NOW)
    assert len(httpserver.log) == 3


@pytest.mark.parametrize("status", [400, 401, 403, 404, 414, 422])
def test_a_refusal_is_final(httpserver: HTTPServer, client: PoliteClient, status: int) -> None:
    httpserver.expect_request("/f").respond_with_json({"error": True, "reason": "no such\n variable"}, status=status)
    with pytest.raises(SourceRefused, match=rf"answered {status}: no such variable$") as refused:
        client.ask(question(httpserver), now=NOW)
    assert refused.value.status == status
    assert len(httpserver.log) == 1


@pytest.mark.parametrize("status", [429, 503])
@pytest.mark.parametrize(
    ("said", "wait_s"),
    [
        ("120", 120.0), ("0", 0.0), ("999999999999999999999", LONGEST_RETRY_AFTER_S),
        # the three forms of a date, RFC 9110 5.6.7
        ("Mon, 01 Jun 2026 02:40:00 GMT", 600.0), ("Monday, 01-Jun-26 02:40:00 GMT", 600.0),
        ("Mon Jun  1 02:40:00 2026", 600.0), ("Mon, 01 Jun 2020 02:40:00 GMT", 0.0),
    ],
)  # fmt: skip
def test_retry_after_is_handed_on_and_never_slept_on(
    httpserver: HTTPServer, client: PoliteClient, monkeypatch: pytest.MonkeyPatch, status: int, said: str, wait_s: float
) -> None:
    def asleep(*_: object) -> None:
        raise AssertionError("it went to sleep because a server said so")

    monkeypatch.setattr(JitteredRetry, "sleep", asleep)
    httpserver.expect_request("/f").respond_with_data(b"later", status=status, headers={"Retry-After": said})
    with pytest.raises(SourceUnavailable, match=f"answered {status}: later") as unavailable:
        client.ask(question(httpserver), now=NOW)
    assert (unavailable.value.status, unavailable.value.wait_s) == (status, wait_s)
    assert len(httpserver.log) == 1  # where a time is named, no second try comes before it


@pytest.mark.parametrize(
    ("reason", "shortest_s", "longest_s"),
    [  # windows are fixed, the day one of UTC; NOW is 02:30:00
        ("Minutely API request limit exceeded. Please try again in one minute.", 60, 60),
        ("Hourly API request limit exceeded. Please try again in the next hour.", 1800, 1800),
        ("Daily API request limit exceeded. Please try again tomorrow.", 77_400, 77_400),
        ("Monthly API request limit exceeded.", 30 * 86_400 - 9000, 30 * 86_400 - 9000),
        ("Too many concurrent requests", 5, 30),
        ("", 600, 600),
    ],
)
def test_a_429_that_names_no_time_says_by_its_words_how_long(
    httpserver: HTTPServer, client: PoliteClient, reason: str, shortest_s: float, longest_s: float
) -> None:
    httpserver.expect_request("/f").respond_with_json({"error": True, "reason": reason}, status=429)
    with pytest.raises(SourceUnavailable) as unavailable:
        client.ask(question(httpserver), now=NOW)
    assert unavailable.value.wait_s is not None
    assert shortest_s <= unavailable.value.wait_s <= longest_s
    assert len(httpserver.log) == 1


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
    try:
        with (
            PoliteClient("bitewatch", read_s=0.05, backoff_factor=0) as impatient,
            pytest.raises(SourceUnavailable, match="did not answer in time"),
        ):
            impatient.ask(question(httpserver), now=NOW)
    finally:
        told.set()


def test_a_drip_without_end_is_cut_off(httpserver: HTTPServer) -> None:
    def drip(_: Request) -> Response:
        return Response(itertools.repeat(b" ", 500))

    httpserver.expect_request("/f").respond_with_handler(drip)
    clock = itertools.count(0.0, 121.0)  # each look at it is two minutes later
    with (
        PoliteClient("bitewatch", backoff_factor=0, clock=lambda: next(clock)) as client,
        pytest.raises(SourceUnavailable, match="not whole after 120 s"),
    ):
        client.ask(question(httpserver), now=NOW)


def test_nobody_listening_is_one_clear_line(client: PoliteClient) -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        port = closed.getsockname()[1]
    with pytest.raises(SourceUnavailable) as unavailable:
        client.ask(Question(key="f", url=f"http://127.0.0.1:{port}/f"), now=NOW)
    assert str(unavailable.value) == f"127.0.0.1:{port}: does not accept connections"


def test_an_unknown_name_is_one_clear_line(client: PoliteClient) -> None:
    gone = NameResolutionError("weather.example", None, socket.gaierror(-2, "Name or service not known"))  # type: ignore[arg-type]
    with responses.RequestsMock() as mock:
        mock.get("https://weather.example/f", body=requests.ConnectionError(MaxRetryError(None, "/f", gone)))  # type: ignore[arg-type]
        with pytest.raises(SourceUnavailable, match=r"^weather\.example: the name of the host is not known") as error:
            client.ask(Question(key="f", url="https://weather.example/f?apikey=SECRET"), now=NOW)
    assert "SECRET" not in str(error.value)


def test_a_cut_body_never_passes_for_a_whole_one(httpserver: HTTPServer, client: PoliteClient) -> None:
    def cut(_: Request) -> Response:
        return Response(iter([b'{"a": ']), headers={"Content-Length": "100"})

    httpserver.expect_request("/f").respond_with_handler(cut)
    with pytest.raises(SourceUnavailable, match="the connection broke off"):
        client.ask(question(httpserver), now=NOW)


def test_a_compressed_body_is_unpacked(httpserver: HTTPServer, client: PoliteClient) -> None:
    body = b'{"a": [' + b"1, " * 500 + b"1]}"
    httpserver.expect_request("/f").respond_with_data(gzip.compress(body), headers={"Content-Encoding": "gzip"})
    assert client.ask(question(httpserver), now=NOW).body == body


def test_the_cap_of_size_holds_after_unpacking(httpserver: HTTPServer, client: PoliteClient) -> None:
    packed = gzip.compress(bytes(20_000_000))
    httpserver.expect_request("/f").respond_with_data(packed, headers={"Content-Encoding": "gzip"})
    with pytest.raises(SourceUnavailable, match="larger than 10000 bytes"):
        client.ask(question(httpserver), now=NOW)


def test_a_body_that_is_not_the_packing_it_claims_is_a_failed_transport(
    httpserver: HTTPServer, client: PoliteClient
) -> None:
    httpserver.expect_request("/f").respond_with_data(b"plain", headers={"Content-Encoding": "gzip"})
    with pytest.raises(SourceUnavailable):
        client.ask(question(httpserver), now=NOW)


def test_a_redirection_is_not_followed(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_data(b"", status=307, headers={"Location": "/elsewhere"})
    with pytest.raises(SourceRefused, match="answered 307"):
        client.ask(question(httpserver), now=NOW)
    assert [request.path for request, _ in httpserver.log] == ["/f"]


def test_the_markup_of_an_error_page_stays_out_of_the_line(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_data(b"<html>\n<title>Bad gateway</title>", status=502)
    with pytest.raises(SourceUnavailable, match=r"answered 502$"):
        client.ask(question(httpserver), now=NOW)


def test_proxies_of_the_environment_are_not_used(
    httpserver: HTTPServer, client: PoliteClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NO_PROXY", raising=False)
    monkeypatch.delenv("no_proxy", raising=False)
    monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:9")
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")
    httpserver.expect_request("/f").respond_with_data(b"{}")
    assert client.ask(question(httpserver), now=NOW).body == b"{}"


def test_a_question_without_a_form_is_a_get_that_sends_back_what_the_provider_said_unchanged(
    httpserver: HTTPServer, client: PoliteClient
) -> None:
    etag, since = '"33a64df5"', "Mon, 01 Jun 2026 02:00:00 GMT"
    httpserver.expect_request("/f", method="GET").respond_with_data(
        b"", status=304, headers={"Expires": "Mon, 01 Jun 2026 03:02:00 GMT"}
    )
    answer = client.ask(question(httpserver, form=None), now=NOW, etag=etag, last_modified=since)
    assert (answer.status, answer.body, answer.expires_at) == (304, b"", NOW + timedelta(minutes=32))
    ((request, _),) = httpserver.log
    assert request.headers["If-None-Match"] == etag  # RFC 9110 13.1.2
    assert request.headers["If-Modified-Since"] == since  # RFC 9110 13.1.3


def test_a_form_is_never_sent_with_conditions(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_data(b"{}")
    client.ask(question(httpserver), now=NOW, etag='"a"', last_modified="Mon, 01 Jun 2026 02:00:00 GMT")
    ((request, _),) = httpserver.log
    assert not {"If-None-Match", "If-Modified-Since"} & set(request.headers.keys())  # RFC 9110 13.1.3: GET and HEAD


def test_an_unchanged_that_was_not_asked_for_is_not_an_answer(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_data(b"", status=304)
    with pytest.raises(SourceRefused, match="answered 304"):
        client.ask(question(httpserver, form=None), now=NOW)


def test_a_203_is_an_answer(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_data(b"{}", status=203)
    assert client.ask(question(httpserver, form=None), now=NOW).status == 203


def test_a_source_may_add_headers_but_not_say_who_asks(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_data(b"{}")
    headers = {"accept": "application/geo+json", "X-Api-Key": "k", "user-agent": "someone else"}
    client.ask(Question(key="f", url=httpserver.url_for("/f"), headers=headers), now=NOW)
    ((request, _),) = httpserver.log
    assert request.headers.getlist("Accept") == ["application/geo+json"]
    assert request.headers["X-Api-Key"] == "k"
    assert request.headers.getlist("User-Agent") == [identification("mail@club.example")]


def test_what_is_needed_to_ask_again_comes_with_the_answer(httpserver: HTTPServer, client: PoliteClient) -> None:
    headers = {"ETag": 'W/"1"', "Last-Modified": "Mon, 01 Jun 2026 02:00:00 GMT", "Cache-Control": "max-age=90"}
    httpserver.expect_request("/f").respond_with_data(b"{}", headers=headers)
    answer = client.ask(question(httpserver, form=None), now=NOW)
    assert (answer.etag, answer.last_modified) == ('W/"1"', "Mon, 01 Jun 2026 02:00:00 GMT")
    assert answer.expires_at == NOW + timedelta(seconds=90)


@pytest.mark.parametrize(
    "etag", ['"' + "a" * 200 + '"', '"a\tb"'], ids=["longer than the store holds", "a control character"]
)
def test_what_cannot_be_sent_back_unchanged_is_not_remembered(
    httpserver: HTTPServer, client: PoliteClient, etag: str
) -> None:
    httpserver.expect_request("/f").respond_with_data(b"{}", headers={"ETag": etag})
    assert client.ask(question(httpserver, form=None), now=NOW).etag is None


def test_questions_to_one_host_share_a_connection(client: PoliteClient) -> None:
    opened = []

    class KeepsOpen(BaseHTTPRequestHandler):  # the server of the other tests closes after each answer
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            opened.append(self.client_address)
            self.send_response(304 if len(opened) == 2 else 404 if len(opened) == 3 else 200)
            if len(opened) != 2:
                self.send_header("Content-Length", "2")
            self.end_headers()
            self.wfile.write(b"" if len(opened) == 2 else b"{}")

        def log_message(self, *_: object) -> None:
            """Stay quiet."""

    with ThreadingHTTPServer(("127.0.0.1", 0), KeepsOpen) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        asked = Question(key="f", url=f"http://127.0.0.1:{server.server_port}/f")
        for _ in range(4):
            with suppress(SourceRefused):
                client.ask(asked, now=NOW, etag='"a"')
        client.close()
        server.shutdown()
    assert len(opened) == 4
    assert len(set(opened)) == 1


def test_no_cookie_is_brought_back(httpserver: HTTPServer, client: PoliteClient) -> None:
    httpserver.expect_request("/f").respond_with_data(b"{}", headers={"Set-Cookie": "who=me; Path=/"})
    for _ in range(2):
        client.ask(question(httpserver, form=None), now=NOW)
    assert ["Cookie" in request.headers for request, _ in httpserver.log] == [False, False]


@pytest.mark.parametrize("cut", [1, 9, 20, 60])
def test_half_a_packed_body_never_passes_for_a_whole_one(
    httpserver: HTTPServer, client: PoliteClient, cut: int
) -> None:
    packed = gzip.compress(b"".join(b'{"%d": %d}' % (n, n * n) for n in range(60)))
    httpserver.expect_request("/f").respond_with_data(packed[:-cut], headers={"Content-Encoding": "gzip"})
    with pytest.raises(SourceUnavailable, match="broke off"):
        client.ask(question(httpserver), now=NOW)


@pytest.mark.parametrize("packing", ["br", "deflate", "gzip, gzip"])
def test_a_packing_that_was_not_asked_for_is_a_failed_transport(
    httpserver: HTTPServer, client: PoliteClient, packing: str
) -> None:
    httpserver.expect_request("/f").respond_with_data(b"{}", headers={"Content-Encoding": packing})
    with pytest.raises(SourceUnavailable, match="not asked for"):
        client.ask(question(httpserver), now=NOW)


@pytest.mark.parametrize("packed", [False, True], ids=["plain", "packed, and nothing comes out"])
def test_ten_gigabytes_stop_at_the_cap(httpserver: HTTPServer, client: PoliteClient, packed: bool) -> None:
    handed_out = 0

    def endless(_: Request) -> Response:
        def chunks() -> Iterator[bytes]:
            nonlocal handed_out
            if packed:  # the head of RFC 1952 2.3 with a file name that never ends
                yield bytes([31, 139, 8, 8, 0, 0, 0, 0, 0, 255])
            while handed_out < 10 * 2**30:
                handed_out += 65_536
                yield b"a" * 65_536

        return Response(chunks(), headers={"Content-Encoding": "gzip"} if packed else None)

    httpserver.expect_request("/f").respond_with_handler(endless)
    with pytest.raises(SourceUnavailable, match="larger than 10000 bytes"):
        client.ask(question(httpserver), now=NOW)
    assert handed_out < 64 * 2**20  # what the buffers of this machine took before the connection was closed


def test_the_status_counts_even_where_the_error_page_has_no_end(httpserver: HTTPServer, client: PoliteClient) -> None:
    def endless(_: Request) -> Response:
        return Response(itertools.repeat(b"no " * 20_000, 100), status=403)

    httpserver.expect_request("/f").respond_with_handler(endless)
    with pytest.raises(SourceRefused, match=r"answered 403$") as refused:
        client.ask(question(httpserver), now=NOW)
    assert refused.value.status == 403


@pytest.mark.parametrize(
    ("headers", "good_s"),
    [
        ({}, None),
        ({"Expires": "Mon, 01 Jun 2026 03:02:00 GMT"}, 1920.0),
        ({"Expires": "Mon, 01 Jun 2026 02:00:00 GMT"}, 0.0),  # past
        ({"Expires": "0"}, 0.0),  # RFC 9111 5.3: invalid dates, "0" among them, mean already expired
        ({"Expires": "-1"}, 0.0),
        ({"Cache-Control": "public, max-age=60, s-maxage=600"}, 60.0),  # 5.2.2.10: s-maxage is for shared caches
        ({"Cache-Control": "Max-Age=60", "Expires": "Mon, 01 Jun 2026 03:02:00 GMT"}, 60.0),  # 5.3: max-age wins
        ({"Cache-Control": 'max-age="60"'}, 60.0),  # 5.2: recipients take both forms
        ({"Cache-Control": "max-age=60", "Age": "45"}, 15.0),  # 4.2.3
        ({"Cache-Control": "max-age=60", "Age": "90"}, 0.0),
        ({"Cache-Control": "max-age=-60"}, 0.0),  # 4.2.1: invalid freshness is stale
        ({"Cache-Control": "max-age=soon", "Expires": "Mon, 01 Jun 2026 03:02:00 GMT"}, 0.0),
        ({"Cache-Control": "no-cache, max-age=60"}, 0.0),  # 5.2.2.4
        ({"Cache-Control": "public", "Expires": "Mon, 01 Jun 2026 03:02:00 GMT"}, 1920.0),
        ({"Cache-Control": "max-age=4294967296"}, LONGEST_GOOD.total_seconds()),
        ({"Expires": "Fri, 31 Dec 9999 23:59:59 GMT"}, LONGEST_GOOD.total_seconds()),
        ({"Expires": "Fri, 31 Dec 9999 23:59:59 -1200"}, 0.0),  # cannot be held
    ],
)
def test_until_when_an_answer_is_good(headers: dict[str, str], good_s: float | None) -> None:
    until = expiry(headers, NOW)
    assert (None if until is None else (until - NOW).total_seconds()) == good_s


SAID = st.text(max_size=60) | st.integers(-(10**12), 10**12).map(str) | st.datetimes().map(str)
SAID |= st.integers(-(10**6), 10**9).map("max-age={}, public".format)
SAID |= st.datetimes(timezones=st.just(UTC)).map(lambda moment: format_datetime(moment, usegmt=True))


@given(st.dictionaries(st.sampled_from(["Expires", "Cache-Control", "Age", "Retry-After"]), SAID))
def test_no_header_is_an_error_or_a_time_before_now(headers: dict[str, str]) -> None:
    until, wait_s = expiry(headers, NOW), retry_after_s(headers, NOW)
    assert until is None or NOW <= until <= NOW + LONGEST_GOOD
    assert wait_s is None or 0.0 <= wait_s <= LONGEST_RETRY_AFTER_S
    assert (until is None) or ("Expires" in headers or "Cache-Control" in headers)


@given(st.integers(-86_400, 9 * 86_400))
def test_a_date_ahead_is_obeyed_to_the_second(seconds: int) -> None:
    moment = NOW + timedelta(seconds=seconds)
    assert expiry({"Expires": format_datetime(moment, usegmt=True)}, NOW) == min(max(moment, NOW), NOW + LONGEST_GOOD)
