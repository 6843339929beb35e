"""The official warnings of an invented world: what its offices send before and while its fronts pass."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from tests.simulation.us_areas import BOX, zones_at
from tests.simulation.world import World

BAND_DEG = 3.0  #: warnings go to bands of longitude
WATCH, WIND, STORM = 0.6, 0.8, 0.9  #: strength of a front from which it brings each
SHOWN_AFTER_UPDATE = timedelta(minutes=5)  #: what is superseded stays in the feed for a while
SHOWN_AFTER_CANCEL = timedelta(minutes=15)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """One message of a chain."""

    id: str
    chain: str
    kind: str  #: Alert, Update or Cancel
    status: str  #: Actual, Test or Exercise
    event: str
    code: str
    severity: str
    sent: datetime
    onset: datetime
    refreshed_by: datetime  #: what ``expires`` says: not the end of the danger
    ends: datetime | None  #: None: the end stands in the parameters only
    event_ends: datetime
    zones: tuple[str, ...]
    ring: tuple[tuple[float, float], ...]  #: latitude, longitude; closed; empty where only zones are named
    replaces: tuple["Sent", ...] = ()

    @property
    def headline(self) -> str:
        return f"{self.event} until {self.event_ends.astimezone(UTC):%H:%M} UTC"


def everything_sent(world: World) -> tuple[Sent, ...]:
    """Every message of the days of a world, in order of sending."""
    bands = int((BOX[3] - BOX[2]) / BAND_DEG)
    found = [message for band in range(bands) for message in _of_band(world, BOX[2] + band * BAND_DEG, band)]
    return tuple(sorted((*found, *_drills(world)), key=lambda message: (message.sent, message.id)))


def in_feed(sent: tuple[Sent, ...], at: datetime) -> list[Sent]:
    """What a feed of active alerts shows: the last message of each chain until its end, others for a while."""
    shown = []
    newest: dict[str, Sent] = {message.chain: message for message in sent if message.sent <= at}
    for message in sent:
        if message.sent > at:
            break
        last = newest[message.chain]
        if message is not last:
            if message in last.replaces and at < last.sent + SHOWN_AFTER_UPDATE:
                shown.append(message)
        elif message.kind == "Cancel":
            if at < message.sent + SHOWN_AFTER_CANCEL:
                shown.append(message)
        elif at < message.event_ends:
            shown.append(message)
    return shown


def changed_at(sent: tuple[Sent, ...], at: datetime) -> datetime:
    """When what a feed shows last changed."""
    turns = (
        turn
        for message in sent
        for turn in (
            message.sent, message.event_ends,
            message.sent + (SHOWN_AFTER_CANCEL if message.kind == "Cancel" else SHOWN_AFTER_UPDATE),
        )
    )  # fmt: skip
    return max((turn for turn in turns if turn <= at), default=at.replace(hour=0, minute=0, second=0, microsecond=0))


def _of_band(world: World, west: float, band: int) -> Iterator[Sent]:
    south, north = 36.0, BOX[1] - 1.0
    rows = range(int(north - south))
    squares = [(south + row + 0.5, west + column + 0.5) for row in rows for column in range(int(BAND_DEG))]
    forecast_zones = tuple(zones_at(*square)[0] for square in squares)
    ring = tuple(
        (latitude, longitude)
        for latitude, longitude in (
            (41.0, west), (41.0, west + BAND_DEG), (46.0, west + BAND_DEG), (46.0, west), (41.0, west),
        )
    )  # fmt: skip
    counties = tuple(zones_at(*square)[1] for square in squares if 41.0 < square[0] < 46.0)
    for passage in world.passages(43.5, west + BAND_DEG / 2):
        onset = passage.onset.replace(second=0, microsecond=0)
        chain = f"{onset:%Y%m%d}.{band:02d}.watch"
        if passage.strength >= WATCH:
            begins, ends = onset - timedelta(hours=3), onset + timedelta(hours=4)
            first = Sent(
                id=f"{chain}.1", chain=chain, kind="Alert", status="Actual", event="Severe Thunderstorm Watch",
                code="SVA", severity="Severe", sent=onset - timedelta(hours=6), onset=begins, ends=None,
                refreshed_by=onset - timedelta(hours=3), event_ends=ends, zones=forecast_zones, ring=(),
            )  # fmt: skip
            yield first
            yield Sent(
                id=f"{chain}.2", chain=chain, kind="Update", status="Actual", event=first.event, code="SVA",
                severity="Severe", sent=onset - timedelta(hours=3, minutes=10), onset=begins, ends=None,
                refreshed_by=onset + timedelta(hours=1), event_ends=ends, zones=forecast_zones, ring=(),
                replaces=(first,),
            )  # fmt: skip
        chain = f"{onset:%Y%m%d}.{band:02d}.wind"
        if passage.strength >= WIND:
            ends = onset + timedelta(hours=8)
            first = Sent(
                id=f"{chain}.1", chain=chain, kind="Alert", status="Actual", event="Wind Advisory", code="WIY",
                severity="Moderate", sent=onset - timedelta(hours=10), onset=onset, ends=ends,
                refreshed_by=onset - timedelta(hours=1), event_ends=ends, zones=forecast_zones, ring=(),
            )  # fmt: skip
            yield first
            if band % 2:
                yield Sent(
                    id=f"{chain}.2", chain=chain, kind="Cancel", status="Actual", event=first.event, code="WIY",
                    severity="Moderate", sent=onset - timedelta(hours=2), onset=onset, ends=ends,
                    refreshed_by=onset - timedelta(hours=1), event_ends=ends, zones=forecast_zones, ring=(),
                    replaces=(first,),
                )  # fmt: skip
        chain = f"{onset:%Y%m%d}.{band:02d}.storm"
        if passage.strength >= STORM:
            ends = onset + timedelta(hours=1)
            yield Sent(
                id=f"{chain}.1", chain=chain, kind="Alert", status="Actual", event="Severe Thunderstorm Warning",
                code="SVR", severity="Severe", sent=onset - timedelta(hours=1), onset=onset - timedelta(hours=1),
                refreshed_by=ends, ends=ends, event_ends=ends, zones=counties, ring=ring,
            )  # fmt: skip


def _drills(world: World) -> Iterator[Sent]:
    for status in ("Test", "Exercise"):
        ends = world.start + timedelta(days=world.days + 1)
        yield Sent(
            id=f"drill.{status.lower()}", chain=status, kind="Alert", status=status, event="Tornado Warning",
            code="TOR", severity="Extreme", sent=world.start, onset=world.start, refreshed_by=ends, ends=ends,
            event_ends=ends,
            zones=tuple(zones_at(lat + 0.5, lon + 0.5)[0] for lat in range(40, 49) for lon in range(-100, -66)),
            ring=(),
        )  # fmt: skip
