"""Fronts followed from issue to issue: found, moved, gone, seen again, confirmed, withdrawn; and what always holds."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import count
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.weather.following import (
    Change,
    KnownFront,
    Standing,
    Told,
    confirm,
    follow,
    guessed_spread_h,
    heard,
)
from bitewatch.weather.fronts import Front, FrontKind
from bitewatch.weather.hourly import HOUR, Hourly, from_points
from bitewatch.weather.look import Look, look

NOW = datetime(2026, 7, 20, tzinfo=UTC)
BACK, AHEAD = -168, 240  #: hours of an issue, around now
ISSUES = count()


def at(hour: float) -> datetime:
    return NOW + timedelta(hours=hour)


def front(hour: float, kind: FrontKind = FrontKind.COLD, strength: float = 0.8, surge: float | None = None) -> Front:
    surge_at = None if surge is None else at(surge)
    return Front(kind=kind, onset=at(hour), strength=strength, score=2.6, signs={}, surge_at=surge_at)


def warm(hour: float) -> Front:
    return front(hour, FrontKind.WARM)


def sees(
    *fronts: Front, source: str = "a", told_at: float = 0, trace: float = 2.0, back: int = BACK, ahead: int = AHEAD,
    whole: bool = True, issue: str = "",
) -> Look:  # fmt: skip
    """An issue that shows these fronts, and a trace of one in every hour."""
    hours = ahead - back + 1
    count_ = np.arange(hours)
    score = np.full(hours, trace)
    return Look(
        source=source, model="m", issue=issue or f"{next(ISSUES)}", at=at(told_at), fronts=fronts,
        time=np.datetime64("2026-07-20T00", "s") + np.arange(back, ahead + 1) * HOUR,
        score={FrontKind.COLD: score, FrontKind.WARM: score}, hours_before=count_, hours_after=count_[::-1],
        whole=np.full(hours, whole),
    )  # fmt: skip


def after(*looks: Look, known: Sequence[KnownFront] = ()) -> tuple[tuple[KnownFront, ...], list[Change]]:
    """Issues followed one after the other, each when it comes; the changes of the last."""
    changes: tuple[Change, ...] = ()
    for each in looks:
        known, changes = follow(known, each, now=each.at)
    return tuple(known), list(changes)


def test_a_front_is_found_once() -> None:
    known, changes = after(sees(front(30, surge=45)))
    assert [change.what for change in changes] == [Told.FOUND]
    assert changes[0].reason == (
        "a cold front is foretold for 2026-07-21 06:00 UTC, with a second surge of cold at 2026-07-21 21:00 UTC"
    )
    assert (known[0].onset, known[0].surge_at, known[0].id, known[0].source) == (at(30), at(45), None, "a")
    assert after(sees(front(30, surge=45)), known=known)[1] == []
    assert "passed at" in after(sees(front(-30)))[1][0].reason


def test_six_hours_are_one_front_that_moved() -> None:
    known, changes = after(sees(front(30)), sees(front(36)))
    assert [change.what for change in changes] == [Told.MOVED]
    assert (changes[0].before, changes[0].front.onset) == (at(30), at(36))
    assert changes[0].reason == (
        "the cold front of 2026-07-21 06:00 UTC is now told 6 h later, at 2026-07-21 12:00 UTC"
    )
    assert len(known) == 1
    assert "2 h earlier" in after(sees(front(34)), known=known)[1][0].reason


def test_less_than_two_hours_is_not_told_until_it_adds_up() -> None:
    known, changes = after(sees(front(30)), sees(front(31)))
    assert (changes, known[0].onset, known[0].told_onset) == ([], at(31), at(30))
    known, changes = after(sees(front(32)), known=known)
    assert [change.what for change in changes] == [Told.MOVED]
    assert (changes[0].before, known[0].told_onset) == (at(30), at(32))


def test_a_front_that_slips_and_slips_stays_one() -> None:
    known, changes = after(*(sees(front(30 + 8 * issue), told_at=issue) for issue in range(15)))
    assert (len(known), known[0].onset, known[0].found_at) == (1, at(142), NOW)
    assert [change.what for change in changes] == [Told.MOVED]


def test_nine_hours_off_is_another_front() -> None:
    known, changes = after(sees(front(30)), sees(front(39)))
    assert [change.what for change in changes] == [Told.FOUND]
    assert [one.onset for one in known] == [at(30), at(39)]
    assert after(sees(front(30)), sees(warm(30)))[1][0].what is Told.FOUND


def test_gone_at_once_without_a_trace_and_else_after_two_issues() -> None:
    known, changes = after(sees(front(30)), sees(trace=1.2))
    assert [change.what for change in changes] == [Told.GONE]
    assert known[0].standing is Standing.GONE
    known, changes = after(sees(front(30)), sees(trace=1.21))
    assert (changes, known[0].misses, known[0].standing) == ([], 1, Standing.FORETOLD)
    known, changes = after(sees(trace=1.21), known=known)
    assert [change.what for change in changes] == [Told.GONE]
    assert "2 issues of a" in changes[0].reason
    back, _ = after(sees(front(30)), sees(), sees(front(31)), sees())
    assert (back[0].misses, back[0].standing) == (1, Standing.FORETOLD)  # not in a row


def test_the_same_issue_misses_once() -> None:
    known, _ = after(sees(front(30)), sees(issue="x"), sees(issue="x"), sees(issue="x"))
    assert (known[0].misses, known[0].standing) == (1, Standing.FORETOLD)


def test_a_front_that_is_seen_again_is_the_same() -> None:
    known, changes = after(sees(front(30)), sees(trace=0.0, told_at=6), sees(front(34), told_at=24))
    assert [change.what for change in changes] == [Told.FOUND]
    assert "is seen again" in changes[0].reason
    assert (len(known), known[0].standing, known[0].found_at, known[0].told_onset) == (
        1, Standing.FORETOLD, NOW, at(34),
    )  # fmt: skip
    known, _ = after(sees(front(30)), sees(trace=0.0, told_at=6), sees(front(34), told_at=25))
    assert len(known) == 2


def test_a_switch_of_source_makes_no_front_go() -> None:
    known, changes = after(sees(front(30)), sees(source="b", trace=0.0, told_at=6), sees(source="b", told_at=23))
    assert (changes, known[0].standing, known[0].misses) == ([], Standing.FORETOLD, 0)
    known, changes = after(sees(source="b", told_at=24), known=known)
    assert [change.what for change in changes] == [Told.GONE]
    assert "for a day" in changes[0].reason


def test_the_first_source_may_still_tell_of_it_beside_the_second() -> None:
    known, _ = after(sees(front(50)), sees(source="b", told_at=20))
    known = heard(known, sees(front(52), told_at=20))
    assert (known[0].onset, known[0].seen_at) == (at(50), at(20))
    assert after(sees(source="b", told_at=43), known=known)[1] == []


def test_what_an_issue_could_not_show_is_left_alone() -> None:
    known, _ = after(sees(front(-100), front(20), front(200)))
    short = sees(trace=0.0, back=16, ahead=206)
    assert follow(known, short, now=NOW) == (known, ())
    longer = sees(trace=0.0, back=15, ahead=207)
    assert [change.front.onset for change in follow(known, longer, now=NOW)[1]] == [at(20), at(200)]


def test_at_the_ends_of_an_issue_nothing_is_found_but_what_slips_there_is_followed() -> None:
    assert after(sees(front(AHEAD - 6), front(BACK + 4))) == ((), [])
    assert len(after(sees(front(AHEAD - 7), front(BACK + 5)))[1]) == 2
    known, changes = after(sees(front(AHEAD - 7)), sees(front(AHEAD - 1)))
    assert ([change.what for change in changes], known[0].onset) == ([Told.MOVED], at(AHEAD - 1))


def test_what_passed_is_forgotten_by_nobody_after_a_day() -> None:
    known, _ = after(sees(front(10)))
    assert after(sees(trace=0.0, told_at=34), known=known)[1][0].what is Told.GONE
    assert follow(known, sees(trace=0.0, told_at=35), now=at(35)) == (known, ())
    lost = sees(trace=0.0, told_at=12, whole=False)  # a column is missing: an earlier issue's hours without pressure
    assert follow(known, lost, now=lost.at) == (known, ())


def test_a_second_surge_slips_past_a_day_and_back_without_a_word() -> None:
    known, changes = after(sees(front(30, surge=52)), sees(front(30), front(56, strength=0.3)))
    assert (changes, len(known), known[0].surge_at) == ([], 1, at(56))
    known, changes = after(sees(front(31, surge=53)), known=known)
    assert (changes, len(known), known[0].surge_at) == ([], 1, at(53))


def test_two_fronts_that_slip_within_a_day_stay_two() -> None:
    known, changes = after(sees(front(30), front(56, strength=0.3)), sees(front(31, surge=55)))
    assert changes == []
    assert [(one.onset, one.strength, one.surge_at) for one in known] == [(at(31), 0.8, None), (at(55), 0.3, None)]


def test_a_first_surge_that_comes_up_or_drops_out_moves_the_front() -> None:
    known, changes = after(sees(front(50)), sees(front(32, surge=50)))
    assert [change.what for change in changes] == [Told.MOVED]
    assert (len(known), known[0].onset, known[0].surge_at) == (1, at(32), at(50))
    known, changes = after(sees(front(51)), known=known)
    assert [change.what for change in changes] == [Told.MOVED]
    assert (len(known), known[0].onset, known[0].surge_at) == (1, at(51), None)


def test_a_surge_after_a_front_that_left_the_hours_is_still_its_surge() -> None:
    known, _ = after(sees(front(30, surge=48)))
    later = sees(front(49), back=30, ahead=200, told_at=40)
    known, changes = follow(known, later, now=later.at)
    assert (changes, len(known), known[0].onset, known[0].surge_at) == ((), 1, at(30), at(49))


def test_the_range_is_wider_the_longer_the_lead_and_the_more_sources_differ() -> None:
    (known,), _ = after(sees(front(48)))
    assert guessed_spread_h(48) == 5.0
    assert (known.earliest, known.latest) == (at(43), at(53))
    (known,) = heard([known], sees(front(40), source="b"))
    assert (known.onset, known.earliest, known.latest) == (at(48), at(40), at(53))
    (known,), _ = after(sees(front(48), told_at=24), known=[known])
    assert (known.earliest, known.latest) == (at(40), at(51.5))
    (known,), _ = after(sees(front(48), told_at=25), known=[known])
    assert (known.earliest, known.latest) == (at(48 - guessed_spread_h(23)), at(48 + guessed_spread_h(23)))
    (wide,), _ = follow([known], sees(front(48), told_at=25), now=at(25), spread_h=lambda lead: lead)
    assert (wide.earliest, wide.latest) == (at(25), at(71))


def test_a_sighting_is_kept_when_it_says_something_new() -> None:
    (known,), _ = after(
        sees(front(48)), sees(front(48, strength=0.84), told_at=1), sees(front(48, strength=0.86), told_at=2),
        sees(front(49), told_at=3), sees(front(49), told_at=14), sees(front(49), told_at=15),
    )  # fmt: skip
    assert [(one.seen_at, one.onset) for one in known.sightings] == [
        (at(0), at(48)), (at(2), at(48)), (at(3), at(49)), (at(15), at(49)),
    ]  # fmt: skip


def test_a_station_confirms_and_says_when_it_was_seen() -> None:
    known, _ = after(sees(front(30)))
    early = sees(front(33), source="s", ahead=37, back=-50, told_at=37)
    assert confirm(known, early, now=at(37)) == (known, ())  # four hours after it nothing is settled
    shown = sees(front(33), source="s", ahead=38, back=-50, told_at=38)
    confirmed, changes = confirm(known, shown, now=at(39))
    assert [change.what for change in changes] == [Told.CONFIRMED]
    assert changes[0].reason == (
        "a cold front passed the station at 2026-07-21 09:00 UTC, foretold for 2026-07-21 06:00 UTC; "
        "seen at 2026-07-21 15:00 UTC"
    )
    (one,) = confirmed
    assert (one.standing, one.observed_onset, one.onset, one.earliest, one.latest) == (
        Standing.CONFIRMED, at(33), at(33), at(33), at(33),
    )  # fmt: skip
    assert confirm(confirmed, shown, now=at(40)) == (confirmed, ())
    assert follow(confirmed, sees(front(29), told_at=40), now=at(40)) == (confirmed, ())
    assert follow(confirmed, sees(trace=0.0, told_at=40), now=at(40)) == (confirmed, ())


def test_a_station_withdraws_only_what_it_must_have_seen() -> None:
    known, _ = after(sees(front(30)))
    short = sees(source="s", back=17, ahead=46)  # 30 - 9 - 5 and 30 + 9 + 7
    assert confirm(known, short, now=at(46)) == (known, ())
    assert confirm(known, sees(source="s", back=16, ahead=45), now=at(46)) == (known, ())
    withdrawn, changes = confirm(known, sees(source="s", back=16, ahead=46), now=at(46))
    assert [(change.what, change.front.standing) for change in changes] == [(Told.GONE, Standing.WITHDRAWN)]
    assert "the station's hours do not show" in changes[0].reason
    still = sees(front(31), told_at=46)
    assert follow(withdrawn, still, now=at(46)) == (withdrawn, ())  # the model's past does not bring it back


def test_a_station_finds_what_nobody_foretold_and_what_was_given_up() -> None:
    shown = sees(front(30), source="s", ahead=60, back=-50)
    (found,), changes = confirm((), shown, now=at(60))
    assert [(change.what, change.front.standing) for change in changes] == [(Told.FOUND, Standing.CONFIRMED)]
    assert found.observed_onset == at(30)
    given_up, _ = after(sees(front(28)), sees(trace=0.0))
    (one,), changes = confirm(given_up, shown, now=at(60))
    assert ([change.what for change in changes], one.standing) == ([Told.CONFIRMED], Standing.CONFIRMED)


def made_up_issue(onset: int, hours: int = 480, *, south: bool = False) -> Hourly:
    """Air with one cold front at an hour after `NOW` less ten days."""
    k = np.arange(hours)
    behind = k >= onset
    wind_from = np.where(behind, 320.0, 200.0)
    return from_points(np.datetime64("2026-07-10T00", "s") + k * HOUR, {
        "air_temp_c": np.where(behind, 12.0, 20.0), "dew_point_c": np.where(behind, 5.0, 15.0),
        "pressure_hpa": 1010 + 0.5 * np.minimum(abs(k - onset), 12), "wind_speed_ms": np.full(hours, 6.0),
        "wind_from_deg": (180 - wind_from) % 360 if south else wind_from,
    })  # fmt: skip


@pytest.mark.parametrize(("latitude", "south"), [(46.0, False), (-46.0, True)])
def test_from_hours_to_changes_in_either_hemisphere(latitude: float, south: bool) -> None:
    """Six hours later in the next issue, and confirmed by hours that are measured: the mirror image does the same."""
    first, second, none = (
        look(made_up_issue(onset, south=south), latitude, source="a", model="m", issue=str(onset), at=NOW)
        for onset in (270, 276, 9999)
    )
    known, changes = follow((), first, now=NOW)
    assert [(change.what, change.front.onset) for change in changes] == [(Told.FOUND, at(30))]
    known, changes = follow(known, second, now=NOW)
    assert [(change.what, change.front.onset) for change in changes] == [(Told.MOVED, at(36))]
    measured = look(made_up_issue(275, 281, south=south), latitude, source="s", model="m", issue="s", at=at(41))
    (one,), changes = confirm(known, measured, now=at(41))
    assert [(change.what, one.observed_onset) for change in changes] == [(Told.CONFIRMED, at(35))]
    assert [change.what for change in follow(known, none, now=NOW)[1]] == [Told.GONE]


def test_a_look_knows_what_it_could_show() -> None:
    hourly = made_up_issue(270)
    gap = {name: values.copy() for name, values in hourly.columns.items()}
    for values in gap.values():
        values[300:310] = np.nan
    seen = look(Hourly(time=hourly.time, columns=gap), 46.0, source="a", model="m", issue="x", at=NOW)
    could = [hour for hour in range(480) if seen.could_show(at(hour - 240))]
    assert could == [*range(5, 293), *range(315, 473)]
    settled = [hour for hour in range(480) if seen.is_settled(at(hour - 240))]
    assert settled == [*range(5, 295), *range(315, 475)]
    assert seen.is_whole(at(30))
    assert not seen.is_whole(at(55))
    assert not seen.is_faint(FrontKind.COLD, at(38))
    assert seen.is_faint(FrontKind.COLD, at(60))


FRONTS = st.lists(
    st.tuples(st.integers(-6, 9), st.integers(0, 3), st.sampled_from(list(FrontKind)), st.booleans()), max_size=8,
    unique_by=lambda drawn: (drawn[0], drawn[2]),
).map(lambda drawn: [
    front(25 * day + late, kind, surge=25 * day + late + 20 if surge and kind is FrontKind.COLD else None)
    for day, late, kind, surge in drawn
])  # fmt: skip


def shifted(one: Front, hours: float) -> Front:
    by = timedelta(hours=hours)
    return replace(one, onset=one.onset + by, surge_at=None if one.surge_at is None else one.surge_at + by)


@settings(deadline=None, max_examples=50)
@given(FRONTS, st.floats(-8.99, 8.99))
def test_shifted_by_less_than_nine_hours_nothing_is_new_or_gone(fronts: list[Front], by: float) -> None:
    known, first = after(sees(*fronts))
    assert len(first) == len(known) == len(fronts)
    numbered = [replace(one, id=n) for n, one in enumerate(known)]
    moved, changes = after(sees(*(shifted(one, by) for one in fronts)), known=numbered)
    assert [one.id for one in moved] == [one.id for one in numbered]
    assert [one.kind for one in moved] == [one.kind for one in numbered]
    assert {change.what for change in changes} <= {Told.MOVED}
    assert len(changes) == (len(fronts) if abs(by) >= 2 else 0)


@settings(deadline=None, max_examples=50)
@given(FRONTS, FRONTS, st.sampled_from(["a", "b"]), st.floats(0, 3), st.integers(0, 2**32))
def test_whatever_comes_next(fronts: list[Front], later: list[Front], source: str, trace: float, seed: int) -> None:
    known = [replace(one, id=n) for n, one in enumerate(after(sees(*fronts))[0])]
    issue = sees(*later, source=source, trace=trace, told_at=6)
    following, changes = follow(known, issue, now=at(6))
    # one event for one change, and every known front is still there
    assert len({id(change.front) for change in changes}) == len(changes)
    assert {one.id for one in following if one.id is not None} == {one.id for one in known}
    assert all(one.earliest <= one.onset <= one.latest for one in following)
    # the same issue says nothing twice, and the order in which things are handed in does not matter
    assert follow(following, issue, now=at(6)) == (following, ())
    shuffled, mixed = [*known], [*later]
    Random(seed).shuffle(shuffled)
    Random(seed).shuffle(mixed)
    assert follow(shuffled, replace(issue, fronts=tuple(mixed)), now=at(6)) == (following, changes)
    # what passed more than a day ago is never lost, and a switch of source alone loses nothing
    kept = [one for one in known if at(6) - one.onset > timedelta(hours=24) or source == "b"]
    standing = {one.id for one in following if one.stands}
    assert {one.id for one in kept} <= standing


@settings(deadline=None, max_examples=50)
@given(FRONTS, FRONTS)
def test_a_station_says_nothing_twice(fronts: list[Front], measured: list[Front]) -> None:
    known = after(sees(*fronts))[0]
    shown = sees(*measured, source="s", told_at=120, ahead=120)
    once, changes = confirm(known, shown, now=at(120))
    assert confirm(once, shown, now=at(121)) == (once, ())
    assert len({id(change.front) for change in changes}) == len(changes)
    settled = [one for one in measured if at(BACK + 5) <= one.onset <= at(115)]
    observed = {one.observed_onset for one in once} - {None}
    assert {one.onset for one in settled} <= observed | {one.surge_at for one in once}
    assert observed <= {one.onset for one in settled} | {one.surge_at for one in settled}
