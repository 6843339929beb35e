"""The one polite way to ask a provider: who asks is said, tries are few, waits are short, answers are bounded."""

import random
import time
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from http.cookiejar import DefaultCookiePolicy
from types import TracebackType
from typing import Self
from urllib.parse import urlsplit

import requests
import urllib3
from requests.adapters import HTTPAdapter
from requests.structures import CaseInsensitiveDict
from urllib3.exceptions import (
    ConnectTimeoutError,
    HTTPError,
    NameResolutionError,
    NewConnectionError,
    ReadTimeoutError,
    SSLError,
)

from bitewatch import __version__
from bitewatch.errors import PayloadRefused, SourceRefused, SourceUnavailable
from bitewatch.weather.sources.base import Question
from bitewatch.weather.sources.quota import named_window_end
from bitewatch.weather.sources.strict_json import parse_strictly

TRIES = 3
LONGEST_WAIT_S = 8.0
PASSING = (500, 502, 503, 504)  #: statuses worth another try at once; 429 is not, its window is minutes or more
LATER = (408, 425, 429)  #: statuses below 500 that time alone mends
GOOD = (200, 203)  #: 203: MET Norway marks a version so that is to end or is under test
UNCHANGED = 304
TOO_MANY = 429
CHUNK = 65_536
LONGEST_RETRY_AFTER_S = 6 * 3600.0  #: own choice; a longer one is a mistake, or is said again
LONGEST_GOOD = timedelta(days=7)  #: own choice; an Expires in another century must not end the questions
REST_S = 600.0  #: after a 429 that names no time; the least that MET Norway's terms of service ask for
CROWDED = "too many concurrent requests"  #: Open-Meteo: a matter of seconds, not of the quota
CROWDED_S = (5.0, 30.0)  #: own choice


def identification(contact: str) -> str:
    """What this program calls itself when it asks: name, version, and how its operator is reached."""
    return f"bitewatch/{__version__} ({contact})"


class JitteredRetry(urllib3.Retry):
    """Waits a random time, so that many installations do not come back at once after an outage."""

    def get_backoff_time(self) -> float:
        """Between 0 and 2, then 4, then 8 times the backoff factor, in seconds, whatever Retry-After says."""
        longest = min(self.backoff_max, self.backoff_factor * 2.0 ** len(self.history))
        return random.uniform(0.0, longest)  # noqa: S311 - spreads load, guards nothing

    def is_retry(self, method: str, status_code: int, has_retry_after: bool = False) -> bool:
        """Not at once where a time is named: whoever asks waits for it elsewhere (RFC 9110 10.2.3)."""
        return not has_retry_after and super().is_retry(method, status_code, has_retry_after)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A good answer; the body as it is after decompression, and empty where the status says "unchanged"."""

    status: int
    body: bytes
    content_type: str
    expires_at: datetime | None  #: until when the provider wants not to be asked again; None if it does not say
    etag: str | None
    last_modified: str | None


class PoliteClient:
    """Asks with an identification, a bounded time and a bounded size, over connections that are kept open.

    Neither proxies nor passwords are taken from the environment: settings are the only way in. A redirection is not
    followed, and no cookie is kept: a key could go where it was not meant to.
    """

    def __init__(
        self,
        user_agent: str,
        *,
        connect_s: float = 10.0,
        read_s: float = 30.0,
        whole_s: float = 120.0,
        max_bytes: int = 8 * 1024 * 1024,
        backoff_factor: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ):
        self.user_agent = user_agent
        self._timeout = (connect_s, read_s)
        self._whole_s = whole_s
        self._max_bytes = max_bytes
        self._clock = clock
        # a POST only asks here, so it may be asked again
        retry = JitteredRetry(
            total=TRIES - 1, status_forcelist=PASSING, allowed_methods=None, raise_on_status=False,
            backoff_factor=backoff_factor, backoff_max=LONGEST_WAIT_S, respect_retry_after_header=False,
        )  # fmt: skip
        self._session = requests.Session()
        self._session.trust_env = False
        self._session.cookies.set_policy(DefaultCookiePolicy(allowed_domains=()))
        for scheme in ("https://", "http://"):
            self._session.mount(scheme, HTTPAdapter(max_retries=retry))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections that are kept open."""
        self._session.close()

    def ask(
        self, question: Question, *, now: datetime, etag: str | None = None, last_modified: str | None = None
    ) -> Answer:
        """The answer to a question: GET, or POST if it has a form.

        Parameters
        ----------
        question : Question
            What is asked.
        now : datetime
            Against which the times in the answer are taken.
        etag, last_modified : str, optional
            What the provider said of the answer that is at hand, sent back as it came; only with a GET.

        Raises
        ------
        SourceUnavailable
            No whole answer came, one larger than the cap, or one that time may mend (5xx, 429).
        SourceRefused
            The answer says that the request is wrong, or is a redirection.
        """
        host = urlsplit(question.url).netloc
        conditions = {"If-None-Match": etag, "If-Modified-Since": last_modified}
        if question.form is not None:  # with a POST they mean something else, or nothing: RFC 9110 13.1.2, 13.1.3
            conditions = {}
        headers = CaseInsensitiveDict({"Accept": "application/json", **question.headers})
        headers.update({"User-Agent": self.user_agent, "Accept-Encoding": "gzip"})
        headers.update({name: value for name, value in conditions.items() if value})
        try:
            with self._session.request(
                "GET" if question.form is None else "POST",
                question.url,
                data=None if question.form is None else dict(question.form),
                headers=headers,
                timeout=self._timeout,
                stream=True,
                allow_redirects=False,
            ) as response:
                return self._answer(response, host, now, conditional=any(conditions.values()))
        except (requests.RequestException, HTTPError) as error:
            raise SourceUnavailable(f"{host}: {_why(error)}") from error

    def _answer(self, response: requests.Response, host: str, now: datetime, *, conditional: bool) -> Answer:
        status, headers = response.status_code, response.headers
        if status in GOOD or (status == UNCHANGED and conditional):
            return Answer(
                status=status, body=self._read(response, host, self._max_bytes),
                content_type=headers.get("Content-Type", "")[:100], expires_at=expiry(headers, now),
                etag=_validator(headers.get("ETag"), 200), last_modified=_validator(headers.get("Last-Modified"), 60),
            )  # fmt: skip
        try:
            words = _words(self._read(response, host, CHUNK))
        except (SourceUnavailable, requests.RequestException, HTTPError):
            words = ""  # the status says enough
        line = f"{host}: answered {status}" + (f": {words}" if words else "")
        if status < 500 and status not in LATER:
            raise SourceRefused(line, status=status)
        raise SourceUnavailable(line, status=status, wait_s=_wait_s(status, headers, words, now))

    def _read(self, response: requests.Response, host: str, max_bytes: int) -> bytes:
        """The body, chunk by chunk: neither an endless drip nor a small body that unpacks to a huge one passes.

        Unpacked here and not by urllib3, which takes the first half of a gzip body for the whole.
        """
        until = self._clock() + self._whole_s
        packing = response.headers.get("Content-Encoding", "identity").strip().lower()
        if packing not in ("identity", "gzip", "x-gzip"):
            raise SourceUnavailable(f"{host}: the answer is packed in a way that was not asked for")
        unpacker = None if packing == "identity" else zlib.decompressobj(16 + zlib.MAX_WBITS)
        body, came = bytearray(), 0
        while chunk := response.raw.read1(CHUNK, decode_content=False):
            came += len(chunk)
            try:
                body += chunk if unpacker is None else unpacker.decompress(chunk, max_bytes + 1 - len(body))
            except zlib.error as error:
                raise SourceUnavailable(f"{host}: the answer cannot be unpacked") from error
            if max(came, len(body)) > max_bytes:
                raise SourceUnavailable(f"{host}: the answer is larger than {max_bytes} bytes")
            if self._clock() > until:
                raise SourceUnavailable(f"{host}: the answer was not whole after {self._whole_s:g} s")
        if unpacker is not None and came and (not unpacker.eof or unpacker.unused_data):
            raise SourceUnavailable(f"{host}: the packed answer broke off, or something follows it")
        return bytes(body)


def expiry(headers: Mapping[str, str], now: datetime) -> datetime | None:
    """Until when an answer is good: never before ``now``, at most `LONGEST_GOOD` after it; None where nothing is said.

    ``max-age`` counts before ``Expires`` (RFC 9111 5.3), and what cannot be read counts as over (4.2.1, 5.3).

    >>> expiry({"Expires": "0"}, datetime(2026, 6, 1, tzinfo=UTC)) == datetime(2026, 6, 1, tzinfo=UTC)
    True
    """
    directives = [part.strip().lower().partition("=") for part in headers.get("Cache-Control", "").split(",")]
    names = {name.strip() for name, _, _ in directives}
    ages = [_seconds(value.strip(' "')) for name, _, value in directives if name.strip() == "max-age"]
    if names & {"no-store", "no-cache"}:  # RFC 9111 5.2.2.4, 5.2.2.5
        return now
    if ages:
        known = [age for age in ages if age is not None]
        left_s = min(known) - (_seconds(headers.get("Age", "")) or 0.0) if len(known) == len(ages) else 0.0
        until = now + timedelta(seconds=left_s)
    elif "Expires" in headers:
        until = _date(headers["Expires"]) or now
    else:
        return None
    return min(max(until, now), now + LONGEST_GOOD)


def retry_after_s(headers: Mapping[str, str], now: datetime) -> float | None:
    """Seconds that ``Retry-After`` asks for (RFC 9110 10.2.3), 0 to `LONGEST_RETRY_AFTER_S`; None if unreadable."""
    said = headers.get("Retry-After", "").strip()
    wait_s = _seconds(said)
    if wait_s is None:
        until = _date(said)
        if until is None:
            return None
        wait_s = (until - now).total_seconds()
    return min(max(wait_s, 0.0), LONGEST_RETRY_AFTER_S)


def _wait_s(status: int, headers: Mapping[str, str], words: str, now: datetime) -> float | None:
    """How long to leave the host alone; None where nothing speaks for it."""
    asked_s = retry_after_s(headers, now)
    if asked_s is not None or status != TOO_MANY:
        return asked_s
    if words.lower().startswith(CROWDED):
        return random.uniform(*CROWDED_S)  # noqa: S311 - spreads load, guards nothing
    until = named_window_end(words, now)
    return REST_S if until is None else (until - now).total_seconds()


def _seconds(text: str) -> float | None:
    """A number of seconds as RFC 9111 1.2.2 writes it, at most 2**31; None if it is none."""
    return min(float(text[:12]), 2.0**31) if text.isascii() and text.isdecimal() else None


def _date(text: str) -> datetime | None:
    """A date in one of the three forms of RFC 9110 5.6.7; None if it is none."""
    try:
        date = parsedate_to_datetime(text)
        return (date if date.tzinfo else date.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError, IndexError, TypeError):  # the parser of the standard library leaks all of these
        return None


def _validator(text: str | None, longest: int) -> str | None:
    """What can be sent back unchanged; anything else is not remembered."""
    return text if text and len(text) <= longest and text.isprintable() and text == text.strip() else None


def _why(error: Exception) -> str:
    """What went wrong on the way, without the address that was asked (it may hold a key)."""
    cause: object = error
    for _ in range(4):  # requests wraps urllib3, which wraps the cause
        inner = getattr(cause, "reason", None) or next(iter(getattr(cause, "args", ())), None)
        if not isinstance(inner, Exception):
            break
        cause = inner
    if isinstance(cause, NameResolutionError):  # the more special first: urllib3 has it a kind of timeout
        return "the name of the host is not known; is this machine online?"
    if isinstance(cause, NewConnectionError):
        return "does not accept connections"
    if isinstance(cause, ConnectTimeoutError):
        return "did not accept a connection in time"
    if isinstance(cause, ReadTimeoutError | TimeoutError):
        return "did not answer in time"
    if isinstance(cause, SSLError | requests.exceptions.SSLError):
        return "its certificate is not trusted"
    return "the connection broke off"


def _words(body: bytes) -> str:
    """The first words of an error body: the reason of a JSON one, nothing of one in HTML or XML."""
    try:
        table = parse_strictly(body)
        text = str(table.get("reason") or table.get("detail") or "") if isinstance(table, dict) else ""
    except PayloadRefused:
        text = body[:400].decode("utf-8", "replace")
        text = "" if text.lstrip().startswith("<") else text
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())[:160]
