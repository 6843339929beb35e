"""Warnings as they are weighed: what stands, where, when, and what is known at all. All warnings are invented."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.weather.areas import EARTH_KM, inside_circle, inside_ring
from bitewatch.weather.warnings import (
    NO_END,
    FeedState,
    Kind,
    WarningsState,
    end_of,
    from_json,
    in_force,
    kind,
    official_time,
    overlaps,
    safe_link,
    seen_at,
    stands_above,
    to_json,
    touches,
    touching,
)
from bitewatch.weather.warnings import Warning as OfficialWarning

NOW = datetime(2026, 6, 1, 16, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
SQUARE = ((46.0, -94.5), (46.0, -94.0), (46.4, -94.0), (46.4, -94.5), (46.0, -94.5))


def a_warning(number: int = 1, **said: Any) -> OfficialWarning:
    base: dict[str, Any] = {
        "feed": "nws", "id": f"urn:invented:{number}", "event": "Wind Advisory", "headline": "Wind", "description": "",
        "instruction": "", "web": "", "sender_name": "Invented Office", "severity": "Moderate", "urgency": "Expected",
        "certainty": "Likely", "sent": NOW - HOUR, "onset": NOW, "ends": NOW + 4 * HOUR, "zones": ("MNZ025",),
    }  # fmt: skip
    return OfficialWarning(**(base | said))


def ids(warnings: tuple[OfficialWarning, ...]) -> list[str]:
    return [one.id.rpartition(":")[2] for one in warnings]


# --- what stands: OASIS CAP 1.2, 3.2.1 (msgType, references), 3.2.2 (responseType, urgency, expires)


def test_an_update_takes_the_place_of_what_it_names() -> None:
    first = a_warning(1)
    second = a_warning(2, message_type="Update", references=(first.id,), sent=NOW)
    third = a_warning(3, message_type="Update", references=(first.id, second.id), sent=NOW + HOUR)
    assert ids(in_force([first, second, third], NOW)) == ["3"]
    assert ids(in_force([second, first], NOW)) == ["2"]


def test_an_update_that_is_over_still_takes_the_place_of_what_it_names() -> None:
    first = a_warning(1, ends=NOW + 10 * HOUR)
    second = a_warning(2, message_type="Update", references=(first.id,), ends=NOW - HOUR / 2)
    assert in_force([first, second], NOW) == ()


def test_a_cancellation_is_not_shown_and_takes_back_what_it_names() -> None:
    first, other = a_warning(1), a_warning(9)
    cancel = a_warning(2, message_type="Cancel", references=(first.id,))
    assert ids(in_force([first, cancel, other], NOW)) == ["9"]


def test_only_updates_and_cancellations_take_a_place() -> None:
    first, second = a_warning(1), a_warning(2, message_type="Alert", references=("urn:invented:1",))
    assert ids(in_force([first, second], NOW)) == ["1", "2"]


def test_one_feed_does_not_take_back_what_another_said() -> None:
    first = a_warning(1)
    foreign = a_warning(2, feed="elsewhere", message_type="Cancel", references=(first.id,))
    assert ids(in_force([first, foreign], NOW)) == ["1"]


def test_a_message_does_not_take_its_own_place_nor_that_of_a_later_one() -> None:
    itself = a_warning(1, message_type="Update", references=("urn:invented:1",))
    older = a_warning(2, message_type="Update", references=("urn:invented:3",), sent=NOW - 5 * HOUR)
    newer = a_warning(3, message_type="Update", references=("urn:invented:2",), sent=NOW - HOUR)
    assert ids(in_force([itself, older, newer], NOW)) == ["1", "3"]


def test_every_warning_of_a_message_is_replaced_with_it() -> None:
    first, second = a_warning(1, message="m"), replace(a_warning(1, message="m"), id="m#2")
    update = a_warning(3, message_type="Update", references=("m",))
    assert ids(in_force([first, second, update], NOW)) == ["3"]


def test_all_clear_and_past_things_do_not_stand() -> None:
    assert in_force([a_warning(is_over=True)], NOW) == ()


@given(st.integers(-10, 10))
def test_never_past_the_end_and_without_one_as_long_as_it_is_carried(hours: int) -> None:
    now = NOW + hours * HOUR
    one, endless = a_warning(1), a_warning(2, ends=None)
    assert ("1" in ids(in_force([one, endless], now))) == (now < NOW + 4 * HOUR)
    assert end_of(endless) == endless.sent + NO_END
    assert in_force([endless], endless.sent + NO_END) == ()
    assert in_force([endless], endless.sent + timedelta(days=2)) == (endless,)


def test_overlap_with_a_trip() -> None:
    one = a_warning(onset=NOW + HOUR, ends=NOW + 2 * HOUR)
    assert overlaps(one, NOW, NOW + HOUR)  # it begins at haul-out
    assert not overlaps(one, NOW, NOW + HOUR - timedelta(seconds=1))
    assert overlaps(one, NOW + 1.5 * HOUR, NOW + 9 * HOUR)
    assert not overlaps(one, NOW + 2 * HOUR, NOW + 9 * HOUR)
    upside_down = a_warning(onset=NOW + 5 * HOUR, ends=NOW + 2 * HOUR)  # shown rather than lost
    assert overlaps(upside_down, NOW, NOW + 3 * HOUR)


# --- where


def test_a_zone_is_matched_whatever_its_case() -> None:
    one = a_warning(zones=("mnz025",))
    assert touches(one, 0.0, 0.0, ["MNZ025"])
    assert touches(one, 0.0, 0.0, ["MnZ025", "XXX001"])
    assert not touches(one, 0.0, 0.0, ["MNZ026"])
    assert not touches(one, 46.2, -94.2, [])


def test_polygon_edge_and_circle() -> None:
    one = a_warning(zones=(), polygons=(SQUARE,), circles=((47.0, -95.0, 10.0),))
    assert touches(one, 46.2, -94.2, [])
    assert touches(one, 46.0, -94.25, [])  # on the edge
    assert touches(one, 46.4, -94.0, [])  # on a corner
    assert not touches(one, 46.2, -93.999999, [])
    assert touches(one, 47.0, -95.0, [])
    assert not touches(one, 47.1, -95.0, [])


def test_an_area_in_words_alone_touches_nothing() -> None:
    assert not touches(a_warning(zones=(), area="Lake district"), 46.2, -94.2, ["MNZ025"])


@pytest.mark.parametrize("turned", [0.0, 360.0, -360.0])
def test_a_ring_over_the_antimeridian(turned: float) -> None:
    ring = [(51.0, 179.0), (51.0, -179.0), (52.0, -179.0), (52.0, 179.0), (51.0, 179.0)]
    latitude, longitude = [51.5, 51.5, 51.5, 51.5, 51.5, 51.5], [179.5, -179.5, 180.0, -180.0, 178.5, 0.0]
    turned_ring = [(lat, lon + turned) for lat, lon in ring]
    assert inside_ring(latitude, longitude, turned_ring).tolist() == [True, True, True, True, False, False]


def test_a_ring_that_is_not_convex() -> None:
    horseshoe = [(0, 0), (0, 3), (3, 3), (3, 2), (1, 2), (1, 1), (3, 1), (3, 0), (0, 0)]
    latitude, longitude = [0.5, 2.0, 2.0, 2.0, 3.0], [1.5, 0.5, 1.5, 2.5, 1.5]
    assert inside_ring(latitude, longitude, horseshoe).tolist() == [True, True, False, True, False]


@given(
    st.floats(-80, 80), st.floats(-180, 180), st.floats(0.01, 5), st.floats(0.01, 5),
    st.lists(st.tuples(st.floats(-12, 12), st.floats(-12, 12)), min_size=1, max_size=20),
)  # fmt: skip
def test_a_rectangle_holds_what_lies_between_its_sides(
    latitude: float, longitude: float, half_height: float, half_width: float, off: list[tuple[float, float]]
) -> None:
    corners = [(-1, -1), (-1, 1), (1, 1), (1, -1)]
    ring = [(latitude + y * half_height, (longitude + x * half_width + 540) % 360 - 180) for y, x in corners]
    y, x = np.array(off).T
    clear = (abs(abs(y) - half_height) > 1e-6) & (abs(abs(x) - half_width) > 1e-6)
    found = inside_ring(latitude + y, (longitude + x + 540) % 360 - 180, ring)
    expected = (abs(y) < half_height) & (abs(x) < half_width)
    assert found[clear].tolist() == expected[clear].tolist()


@given(st.floats(-90, 90), st.floats(-180, 180), st.floats(0, 179))
def test_along_a_meridian_an_arc_is_its_angle_times_the_radius(latitude: float, longitude: float, off: float) -> None:
    """The length of an arc: s = R * angle; over the pole the meridian goes on on the other side."""
    ahead = latitude + off
    there = (ahead, longitude) if ahead <= 90 else (180 - ahead, longitude + 180)
    distance_km = EARTH_KM * np.radians(off)
    assert inside_circle([there[0]], [there[1]], (latitude, longitude), distance_km + 0.01).tolist() == [True]
    assert inside_circle([there[0]], [there[1]], (latitude, longitude), distance_km - 0.01).tolist() == [False]


def test_many_places_at_once_are_told_as_one_by_one() -> None:
    rng = np.random.default_rng(1)
    latitude, longitude = rng.uniform(45.5, 47.5, 500), rng.uniform(-95.5, -93.5, 500)
    in_zone = {"MNZ025": [3, 7, 499]}
    one = a_warning(polygons=(SQUARE,), circles=((47.0, -95.0, 20.0),))
    many = touching(one, latitude, longitude, in_zone)
    zones = [["MNZ025"] if number in in_zone["MNZ025"] else [] for number in range(500)]
    assert many.tolist() == [touches(one, *place) for place in zip(latitude, longitude, zones, strict=True)]
    assert 20 < many.sum() < 480


# --- what is known


@pytest.fixture
def at_lake() -> Callable[..., Any]:
    def seen(feeds: list[FeedState], *warnings: OfficialWarning, **changes: Any) -> Any:
        where: dict[str, Any] = {
            "latitude_deg": 46.2, "longitude_deg": -94.2, "zones": ("MNZ025",), "now": NOW, "until": NOW + 6 * HOUR,
        }  # fmt: skip
        return seen_at(feeds, warnings, **(where | changes))

    return seen


def fresh(**changes: Any) -> FeedState:
    said: dict[str, Any] = {"name": "nws", "read_at": NOW - timedelta(minutes=2)}
    return FeedState(**(said | changes))


def test_without_a_feed_nothing_is_known(at_lake: Callable[..., Any]) -> None:
    seen = at_lake([])
    assert (seen.state, seen.why) == (WarningsState.UNAVAILABLE, "no feed of official warnings is set up")


def test_a_fresh_feed_says_none_or_some(at_lake: Callable[..., Any]) -> None:
    none = at_lake([fresh()])
    assert (none.state, none.warnings, none.why) == (WarningsState.NONE, (), "")
    some = at_lake([fresh()], a_warning())
    assert (some.state, some.warnings) == (WarningsState.SOME, (a_warning(),))
    assert some.read_at == NOW - timedelta(minutes=2)


@pytest.mark.parametrize(("minutes", "state"), [(10, "none"), (11, "unavailable"), (-11, "unavailable")])
def test_ten_minutes_and_no_longer(at_lake: Callable[..., Any], minutes: int, state: str) -> None:
    seen = at_lake([fresh(read_at=NOW - timedelta(minutes=minutes), trouble="did not answer in time")])
    assert seen.state == state
    assert ("did not answer in time" in seen.why) == (state == "unavailable")


def test_what_is_known_is_shown_though_more_may_be(at_lake: Callable[..., Any]) -> None:
    old = fresh(name="old.example/feed", read_at=NOW - timedelta(minutes=11))
    seen = at_lake([fresh(), old], a_warning())
    assert seen.state is WarningsState.UNAVAILABLE
    assert seen.warnings == (a_warning(),)
    assert seen.why == "old.example/feed was last read at 2026-06-01 15:49 UTC"
    assert seen.read_at == old.read_at
    never = at_lake([fresh(), fresh(name="new.example", read_at=None)])
    assert (never.state, never.why, never.read_at) == (
        WarningsState.UNAVAILABLE, "new.example has not been read yet", None,
    )  # fmt: skip


def test_none_is_not_said_where_areas_could_not_be_told(at_lake: Callable[..., Any]) -> None:
    in_words = at_lake([fresh(without_place=1)])
    assert (in_words.state, in_words.why) == (
        WarningsState.UNAVAILABLE, "nws: 1 warning is for areas told in words alone",
    )  # fmt: skip
    assert at_lake([fresh(without_place=2)], a_warning()).state is WarningsState.SOME
    assert "2 warnings are" in at_lake([fresh(without_place=2)], a_warning()).why
    assert at_lake([fresh(only_by_zone=300)]).state is WarningsState.NONE
    no_zones = at_lake([fresh(only_by_zone=300)], zones=())
    assert no_zones.state is WarningsState.UNAVAILABLE
    assert "give warning_zones" in no_zones.why


def test_the_soonest_first_and_dangers_before_others(at_lake: Callable[..., Any]) -> None:
    later = a_warning(1, onset=NOW + 2 * HOUR)
    other = a_warning(2, event="Invented Statement", severity="Minor")
    wind = a_warning(3)
    elsewhere = a_warning(4, zones=("XXZ001",))
    too_late = a_warning(5, onset=NOW + 7 * HOUR, ends=NOW + 9 * HOUR)
    seen = at_lake([fresh()], later, other, elsewhere, wind, too_late)
    assert ids(seen.warnings) == ["3", "2", "1"]


# --- kinds: names of events as the NWS lists them (weather.gov/help-map [memory]) and invented ones


@pytest.mark.parametrize(
    ("event", "expected"),
    [
        ("Severe Thunderstorm Warning", Kind.THUNDERSTORM), ("Tornado Watch", Kind.THUNDERSTORM),
        ("Special Marine Warning", Kind.THUNDERSTORM), ("Lake Wind Advisory", Kind.WIND), ("Gale Watch", Kind.WIND),
        ("Small Craft Advisory", Kind.WIND), ("Storm Warning", Kind.WIND), ("Hurricane Watch", Kind.WIND),
        ("Dense Fog Advisory", Kind.FOG), ("Freezing Fog Advisory", Kind.FOG), ("Extreme Heat Warning", Kind.HEAT),
        ("Heat Advisory", Kind.HEAT), ("Wind Chill Warning", Kind.COLD), ("Winter Storm Warning", Kind.COLD),
        ("Ice Storm Warning", Kind.COLD), ("Frost Advisory", Kind.COLD), ("Flash Flood Warning", Kind.FLOOD),
        ("Storm Surge Warning", Kind.FLOOD), ("Civil Notice of a Service", Kind.OTHER), ("", Kind.OTHER),
    ],
)  # fmt: skip
def test_the_kind_is_in_the_words(event: str, expected: Kind) -> None:
    assert kind(a_warning(event=event)) is expected


def test_the_code_tells_where_the_words_do_not() -> None:
    assert kind(a_warning(event="Gewitter", codes=("XXX", "SVR"))) is Kind.THUNDERSTORM
    assert kind(a_warning(event="Gewitter")) is Kind.OTHER


@pytest.mark.parametrize(
    ("event", "severity", "above"),
    [
        ("Dense Fog Advisory", "Minor", True), ("Heat Advisory", "Moderate", True), ("Gewitter", "Severe", True),
        ("Gewitter", "Unknown", True), ("Gewitter", "Moderate", False), ("Frost Advisory", "Minor", False),
        ("Flood Warning", "Extreme", True), ("Gewitter", "a word that nobody knows", True),
    ],
)  # fmt: skip
def test_dangers_stand_above_the_call(event: str, severity: str, above: bool) -> None:
    assert stands_above(a_warning(event=event, severity=severity)) is above


# --- as data


@given(st.text(), st.text(st.characters(exclude_categories=["Cs"])))
def test_a_warning_goes_through_json_unchanged(headline: str, description: str) -> None:
    one = a_warning(
        headline=headline, description=description, polygons=(SQUARE,), circles=((1.0, 2.0, 3.5),), ends=None,
        references=("a", "b"), message="m", codes=("SVR",), onset=NOW + timedelta(microseconds=5),
    )  # fmt: skip
    assert from_json(json.loads(json.dumps(to_json(one)))) == one
    assert from_json(to_json(a_warning())) == a_warning()


@pytest.mark.parametrize(
    ("text", "hour"),
    [
        ("2026-06-01T11:02:00-05:00", 16), ("2026-06-01T16:02:00-00:00", 16), ("2026-06-01T16:02:00Z", 16),
        ("2026-06-01T16:02:00.5+00:00", 16),
    ],
)  # fmt: skip
def test_times_have_an_offset(text: str, hour: int) -> None:
    """OASIS CAP 1.2, 3.3.2: the offset is always written, UTC as -00:00."""
    assert official_time(text).hour == hour
    assert official_time(text).tzinfo is UTC


@pytest.mark.parametrize(
    "text",
    [
        "", "2026-06-01T11:02:00", "2026-06-01", "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00",
        "2026-13-01T00:00:00Z", "2026-06-01T11:02:00-25:00", "2026-06-01 11:02:00-05:00", "1780000000",
        "٢026-06-01T11:02:00Z",
    ],
)  # fmt: skip
def test_what_is_no_such_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not"):
        official_time(text)


def test_a_link_is_a_web_address_or_nothing() -> None:
    assert safe_link(" https://agency.example/w/2\n") == "https://agency.example/w/2"
    for bad in (
        "javascript:alert(1)",
        "https://a.example/\r\nX: y",
        "ftp://a.example",
        "https://a b",
        "",
        "https://ä.example",
    ):
        assert safe_link(bad) == ""
