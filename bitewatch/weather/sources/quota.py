"""How much may be asked of each provider: fixed windows of time, and what was spent in them. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from typing import Literal, get_args

Window = Literal["minute", "hour", "day", "month"]
WINDOWS: tuple[Window, ...] = get_args(Window)
ROUNDING = 1e-6  #: tenths do not add up to wholes


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one source may be asked."""

    spacing_s: float = 0.0  #: between two questions to one host
    windows: Mapping[Window, float] = field(
        default_factory=dict
    )  #: the most weight in each, which begin at full UTC ones


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """What was spent in the window that began at ``began_at``."""

    began_at: datetime
    weight: float


Ledger = Mapping[Window, Spent]

#: below the 600, 5,000, 10,000 and 300,000 that open-meteo.com/en/terms allows an address: others may share it
OPEN_METEO_FREE = Limits(windows={"minute": 300.0, "hour": 3000.0, "day": 8000.0, "month": 240_000.0})
CUSTOMER_SHARE = 0.8  #: of a paid quota; own choice, so that questions by hand still pass at the end of the month
CAREFUL = Limits(spacing_s=0.5)  #: for whoever publishes no limit; own choice

#: by source; MET Norway allows 20 a second to all installations together (api.met.no, terms of service), and the US
#: Geological Survey 50 an hour to whoever has no key (reported by its users)
LIMITS: Mapping[str, Limits] = MappingProxyType(
    {
        "open-meteo": OPEN_METEO_FREE,
        "met-norway": Limits(spacing_s=0.2),
        "nws": CAREFUL,
        "nws-stations": CAREFUL,
        "nws-alerts": CAREFUL,
        "cap": CAREFUL,
        "usgs": Limits(spacing_s=0.5, windows={"hour": 40.0}),
    }
)


def open_meteo_customer(calls_per_month: float = 1_000_000.0) -> Limits:
    """The limits of a customer of Open-Meteo: a quota a month, and none within it."""
    return Limits(windows={"month": CUSTOMER_SHARE * calls_per_month})


def usgs_with_key() -> Limits:
    """The limits of USGS Water Data with a free key, of which a third party tells 1,000 an hour."""
    return Limits(spacing_s=LIMITS["usgs"].spacing_s, windows={"hour": 800.0})


def call_weight(variables: int, days: int) -> float:
    """What a call of Open-Meteo for one place weighs against the quota, as the provider counts it.

    Checks from the provider's own documentation: 13 variables over 9 days weigh 1.3.

    >>> call_weight(13, 9)
    1.3
    >>> call_weight(10, 14)
    1.0
    """
    tens = variables / 10
    return max(1.0, tens, days / 14 * tens)


def window_start(window: Window, now: datetime) -> datetime:
    """When the window that ``now`` lies in began.

    >>> window_start("month", datetime(2026, 6, 17, 9, 30, tzinfo=UTC)).isoformat()
    '2026-06-01T00:00:00+00:00'
    """
    start = now.astimezone(UTC).replace(second=0, microsecond=0)
    if window != "minute":
        start = start.replace(minute=0)
    if window in ("day", "month"):
        start = start.replace(hour=0)
    return start.replace(day=1) if window == "month" else start


def window_end(window: Window, now: datetime) -> datetime:
    """When the window that ``now`` lies in is over.

    >>> window_end("month", datetime(2026, 12, 17, 9, 30, tzinfo=UTC)).isoformat()
    '2027-01-01T00:00:00+00:00'
    """
    longest = {"minute": timedelta(minutes=1), "hour": timedelta(hours=1), "day": timedelta(days=1)}
    return window_start(window, window_start(window, now) + longest.get(window, timedelta(days=31)))


def named_window_end(words: str, now: datetime) -> datetime | None:
    """The end of the window that a refusal names; None if it names none.

    >>> named_window_end("Hourly API request limit exceeded", datetime(2026, 6, 1, 9, 30, tzinfo=UTC)).isoformat()
    '2026-06-01T10:00:00+00:00'
    """
    names: Mapping[str, Window] = {"minutely": "minute", "hourly": "hour", "daily": "day", "monthly": "month"}
    window = names.get(words.partition(" ")[0].lower())
    return None if window is None else window_end(window, now)


def spend(ledger: Ledger, weight: float, now: datetime) -> Ledger:
    """The ledger after a question; what was spent in windows that are over is forgotten.

    Nothing is ever given back: a question that fails costs too, and what it cost is not told.
    """
    return {
        window: Spent(began_at=window_start(window, now), weight=_spent(ledger, window, now) + weight)
        for window in WINDOWS
    }


def wait_until(ledger: Ledger, limits: Limits, weight: float, now: datetime) -> datetime | None:
    """Until when a question of this weight must wait; None if it may be asked.

    Raises
    ------
    ValueError
        If it is heavier than a whole window: it could never be asked.
    """
    for window, most in limits.windows.items():
        if weight > most:
            raise ValueError(f"a question of weight {weight:g} can never be asked: at most {most:g} a {window}")
    full = [
        window_end(window, now)
        for window, most in limits.windows.items()
        if _spent(ledger, window, now) + weight > most + ROUNDING
    ]
    return max(full, default=None)


def _spent(ledger: Ledger, window: Window, now: datetime) -> float:
    spent = ledger.get(window)
    return spent.weight if spent is not None and spent.began_at == window_start(window, now) else 0.0
