from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from bitewatch.brief.cautions import BoatLimits
from bitewatch.brief.compose import compose
from bitewatch.brief.lake_day import WeatherSeen
from bitewatch.brief.page import STRIP_CID, render_page
from bitewatch.brief.payload import render_payload
from bitewatch.brief.pictures.depth_strip import draw_depth_strip
from bitewatch.brief.standing_call import told_view, turn_view
from bitewatch.brief.text import render_text
from bitewatch.brief.turn_message import compose_turn
from bitewatch.declared import declare, read_toml
from bitewatch.delivery.message import Message, Picture
from bitewatch.lake.profile import Lake
from bitewatch.position.engine import Position
from bitewatch.position.rulebook import default_book
from bitewatch.position.turn import ToldWindow, judge, memory_of
from bitewatch.presentation.technique import techniques
from bitewatch.presentation.trip import TripHours
from bitewatch.service.evaluate import evaluate
from bitewatch.service.weather_now import Weather
from bitewatch.units import UnitSystem
from bitewatch.weather.following import KnownFront
from bitewatch.weather.fronts import FrontKind
from bitewatch.weather.hourly import Hourly
from bitewatch.weather.sources.hourly_csv import hourly_from_csv
from bitewatch.weather.warnings import Warning, WarningsSeen, WarningsState  # noqa: A004

DAY = date(2026, 7, 21)  #: the first morning behind the invented front
NOW = datetime(2026, 7, 21, 8, 0, tzinfo=UTC)
LAUNCH = datetime(2026, 7, 21, 9, 30, tzinfo=UTC)
LEAST = {"id": "x", "name": "Invented Lake", "latitude": 41.3, "longitude": -74.2}
SEEN = WeatherSeen(
    source="made-up", model="made-up model", attribution="Weather by nobody at all", is_file=False,
    retrieved_at=NOW - timedelta(hours=1), reference_time=NOW - timedelta(hours=8), notes=(), payload_sha256="0" * 64,
)  # fmt: skip


@pytest.fixture(scope="session")
def hours(demo) -> Hourly:
    """The invented hours of the demonstration."""
    hourly, _ = hourly_from_csv((demo / "weather" / "invented-hours.csv").read_bytes())
    return hourly


@pytest.fixture(scope="session")
def with_columns(hours):
    """The invented hours with some columns set otherwise, everywhere or over the trip of a day only."""

    def make(*, at=None, **columns):
        changed = {name: values.copy() for name, values in hours.columns.items()}
        for name, value in columns.items():
            if at is None:
                changed[name][:] = value
            else:
                changed[name][at] = value
        return replace(hours, columns=changed)

    return make


@pytest.fixture(scope="session")
def trip_hours(hours):
    """Where the trip hours of the day stand on the time axis."""
    zone = declare(Lake, LEAST, file="x").zone_info
    return TripHours.parse("05:30-11:00").on(hours.time, DAY, zone)


@pytest.fixture(scope="session")
def lake(demo):
    """A lake of the demonstration by its id, or with no id one of which only name and place are known."""

    def make(lake_id=None, **changed):
        table = dict(LEAST)
        if lake_id:
            table = read_toml(demo / "lakes" / f"{lake_id}.toml", shown_as="x") | {"id": lake_id}
        return declare(Lake, table | changed, file="x")

    return make


@pytest.fixture(scope="session")
def lake_day(hours, lake):
    """Evaluates a lake for a day; ``hourly=None`` is a day without weather."""

    def make(of=None, *, hourly=hours, weather=SEEN, day=DAY, now=NOW, trip="05:30-11:00", told_before=None, **more):
        seen = Weather(
            hourly=hourly, own=None if hourly is None else np.ones(hourly.time.size, bool),
            seen=None if hourly is None else weather, failures=("nobody answers",) if hourly is None else (),
        )  # fmt: skip
        return evaluate(
            lake=of or lake("thrennick"), weather=seen, book=default_book(), table=techniques(),
            trip_hours=TripHours.parse(trip), day=day, now=now, told_before=told_before, **more,
        )  # fmt: skip

    return make


@pytest.fixture(scope="session")
def limits():
    """A small boat."""
    return BoatLimits(max_wave_m=0.3, max_wind_ms=8.0)


@pytest.fixture(scope="session")
def briefed(limits):
    """Composes lake days."""

    def make(*lake_days, units=UnitSystem.US, limits=limits, notices=()):
        return compose(lake_days, table=techniques(), limits=limits, units=units, notices=notices)

    return make


@pytest.fixture(scope="session")
def message_of():
    """The message of a brief or a turn, with its picture, as the service makes it."""

    def make(brief):
        pictures = ()
        if brief.strip is not None:
            png = draw_depth_strip(brief.strip)
            pictures = (Picture(cid=STRIP_CID, file_name="depth-strip.png", alt=brief.strip.alt, png=png),)
        return Message(
            type=brief.form.partition("/")[0], subject=brief.subject, text=render_text(brief), html=render_page(brief),
            pictures=pictures, data=render_payload(brief), list_name="x",
        )  # fmt: skip

    return make


@pytest.fixture(scope="session")
def front():
    """A front as it is followed, so many hours after launch at 5:30 AM, with its range."""

    def make(hours, *, id=7, kind=FrontKind.COLD, early=2.0, late=2.0, **more):  # noqa: A002
        onset = LAUNCH + timedelta(hours=hours)
        known = {
            "strength": 0.8, "surge_at": None, "told_onset": onset, "source": "made-up", "found_at": NOW, "seen_at": NOW
        }  # fmt: skip
        return KnownFront(
            id=id, kind=kind, onset=onset, earliest=onset - timedelta(hours=early),
            latest=onset + timedelta(hours=late), **known | more,
        )  # fmt: skip

    return make


@pytest.fixture(scope="session")
def warning():
    """An official warning in force from 4 AM to 7 AM of the day, or as told otherwise."""

    def make(**changed):
        table = {
            "feed": "alerts", "id": "w1", "event": "Severe Thunderstorm Warning",
            "headline": "Severe Thunderstorm Warning until 7 AM", "description": "A storm.\n\nHAZARD...Wind  60 mph.",
            "instruction": "Leave the\nwater.", "web": "https://agency.invalid/w/1", "sender_name": "Example Agency",
            "severity": "Severe", "urgency": "Immediate", "certainty": "Observed", "sent": NOW, "onset": NOW,
            "ends": NOW + timedelta(hours=3),
        }  # fmt: skip
        return Warning(**table | changed)

    return make


@pytest.fixture(scope="session")
def some():
    """These warnings, as read at 4 AM."""

    def make(*warnings, state=WarningsState.SOME, **more):
        return WarningsSeen(state=state, warnings=warnings, read_at=NOW, **more)

    return make


@pytest.fixture(scope="session")
def turn_of(limits):
    """The turn that a day makes of what was told before, judged twice; of several lakes, pairs of the two."""

    def make(*pairs, units=UnitSystem.US, seq=0):
        turned = []
        for lake_day, told in pairs:
            now, memory = turn_view(lake_day), memory_of(told)
            for _ in range(2):
                judgement = judge(told, memory, now, at=lake_day.now, trip_end=lake_day.end)
                memory = judgement.memory
            assert judgement.verdict.is_turn
            turned.append((lake_day, judgement, told, now.view))
        return compose_turn(turned, table=techniques(), limits=limits, units=units, seq=seq)

    return make


@pytest.fixture(scope="session")
def told_high():
    """What a reader was told who was told of high fish until 8:30, and from then on of what is told now."""

    def make(lake_day):
        view = told_view(lake_day)
        later = LAUNCH + timedelta(hours=3)
        high = ToldWindow(
            start=lake_day.start, end=later, position=Position.HIGH, technique="tops-slip-float-drift",
            bait_top_m=1.8, bait_bottom_m=2.1, place="Orchard Point",
        )  # fmt: skip
        return replace(view, windows=(high, replace(view.windows[-1], start=later)))

    return make


@pytest.fixture(scope="session")
def nothing_known(hours):
    """Hours in which every value is missing."""
    return replace(hours, columns={name: np.full(hours.time.shape, np.nan) for name in hours.columns})
