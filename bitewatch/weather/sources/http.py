"""The one polite way to ask a provider: who asks is said, tries are few, waits are short, answers are bounded."""

import random
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

import requests
import urllib3
from requests.adapters import HTTPAdapter
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
from bitewatch.weather.sources.strict_json import parse_strictly

TRIES = 3
LONGEST_WAIT_S = 8.0
PASSING = (500, 502, 503, 504)  #: statuses worth another try at once; 429 is not, its window is minutes or more
LATER = (408, 425, 429)  #: statuses below 500 that time alone mends
CHUNK = 65_536


def identification(contact: str) -> str:
    """What this program calls itself when it asks: name, version, and how its operator is reached."""
    return f"bitewatch/{__version__} ({contact})"


class JitteredRetry(urllib3.Retry):
    """Waits a random time, so that many installations do not come back at once after an outage."""

    def get_backoff_time(self) -> float:
        """Between 0 and 2, then 4, then 8 times the backoff factor, in seconds, whatever Retry-After says."""
        longest = min(self.backoff_max, self.backoff_factor * 2.0 ** len(self.history))
        return random.uniform(0.0, longest)  # noqa: S311 - spreads load, guards nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The body of a good answer, as it came after decompression."""

    body: bytes
    content_type: str


class PoliteClient:
    """Asks with an identification, a bounded time and a bounded size.

    Neither proxies nor passwords are taken from the environment: settings are the only way in. A redirection is not
    followed: a key could go where it was not meant to.
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
        self._headers = {"User-Agent": user_agent, "Accept": "application/json", "Accept-Encoding": "gzip"}
        self._timeout = (connect_s, read_s)
        self._whole_s = whole_s
        self._max_bytes = max_bytes
        self._clock = clock
        # a POST only asks here, so it may be asked again
        self._retry = JitteredRetry(
            total=TRIES - 1, status_forcelist=PASSING, allowed_methods=None, raise_on_status=False,
            backoff_factor=backoff_factor, backoff_max=LONGEST_WAIT_S, respect_retry_after_header=False,
        )  # fmt: skip

    def post(self, url: str, form: Mapping[str, str]) -> Answer:
        """The answer to a form.

        Raises
        ------
        SourceUnavailable
            No whole answer came, or one that time may mend (5xx, 429).
        SourceRefused
            The answer says that the request is wrong, is a redirection, or is larger than the cap.
        """
        host = urlsplit(url).netloc
        try:
            with requests.Session() as session:
                session.trust_env = False
                for scheme in ("https://", "http://"):
                    session.mount(scheme, HTTPAdapter(max_retries=self._retry))
                with session.post(
                    url,
                    data=dict(form),
                    headers=self._headers,
                    timeout=self._timeout,
                    stream=True,
                    allow_redirects=False,
                ) as response:
                    body = self._read(response, host)
        except (requests.RequestException, HTTPError) as error:
            raise SourceUnavailable(f"{host}: {_why(error)}") from error
        if response.status_code != 200:
            line = f"{host}: answered {response.status_code}{_reason(body)}"
            passing = response.status_code >= 500 or response.status_code in LATER
            raise (SourceUnavailable if passing else SourceRefused)(line)
        return Answer(body=body, content_type=response.headers.get("Content-Type", ""))

    def _read(self, response: requests.Response, host: str) -> bytes:
        """The body, chunk by chunk: neither an endless drip nor a small body that unpacks to a huge one passes."""
        until = self._clock() + self._whole_s
        body = bytearray()
        while chunk := response.raw.read1(CHUNK, decode_content=True):
            body += chunk
            if len(body) > self._max_bytes:
                raise SourceRefused(f"{host}: the answer is larger than {self._max_bytes} bytes")
            if self._clock() > until:
                raise SourceUnavailable(f"{host}: the answer was not whole after {self._whole_s:g} s")
        return bytes(body)


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
    return f"the connection failed ({type(cause).__name__})"


def _reason(body: bytes) -> str:
    """The first words of an error body: the reason of a JSON one, nothing of an HTML one."""
    try:
        table = parse_strictly(body)
        text = str(table.get("reason", "")) if isinstance(table, dict) else ""
    except PayloadRefused:
        text = body[:400].decode("utf-8", "replace")
        text = "" if text.lstrip().startswith("<") else text
    words = "".join(letter if letter.isprintable() else " " for letter in text).split()
    return f": {' '.join(words)[:160]}" if words else ""
