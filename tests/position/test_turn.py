"""Whether a call has turned: every verdict, its edges, and what must hold whatever comes."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.position.engine import Position
from bitewatch.position.turn import (
    FrontAhead,
    Memory,
    Now,
    Told,
    ToldWarning,
    ToldWindow,
    Verdict,
    judge,
    memory_of,
)

H, E, T = Position.HIGH, Position.EDGE, Position.TIGHT
START = datetime(2026, 7, 21, 10, tzinfo=UTC)
HOURS = 6
END = START + timedelta(hours=HOURS)
EVENING = START - timedelta(hours=12)


def hour(number):
    """The middle of a trip hour."""
    return START + timedelta(hours=number, minutes=30)


def windows(*positions):
    """Windows from one position an hour."""
    found = []
    for i, position in enumerate(positions):
        start, end = START + timedelta(hours=i), START + timedelta(hours=i + 1)
        if found and found[-1].position is position:
            found[-1] = replace(found[-1], end=end)
        else:
            found.append(ToldWindow(start=start, end=end, position=position, technique="jig", bait_top_m=2.0))
    return tuple(found)


def told(*positions, source="a", fronts=(), warnings=()):
    return Told(source=source, windows=windows(*positions), fronts=tuple(fronts), warnings=tuple(warnings))


def now(*positions, margin=0.3, gone=(), **view):
    """An evaluation whose leading position is ahead of both others by a margin, the same or one for each hour."""
    ahead = np.broadcast_to(margin, len(positions))
    probability = np.empty((3, len(positions)))
    for i, position in enumerate(positions):
        probability[:, i] = (1 - ahead[i]) / 3
        probability[list(Position).index(position), i] += ahead[i]
    time = tuple(hour(i) for i in range(len(positions)))
    return Now(view=told(*positions, **view), time=time, probability=probability, gone=tuple(gone))


def ask(was, memory, is_now, at=EVENING):
    return judge(was, memory, is_now, at=at, trip_end=END)


def run(was, *evaluations, at=EVENING):
    """The verdicts of one evaluation after the other, the reader never told."""
    memory, verdicts = memory_of(was), []
    for evaluation in evaluations:
        judgement = ask(was, memory, evaluation, at)
        memory = judgement.memory
        verdicts.append(judgement.verdict)
    return verdicts


ALL_HIGH = told(*[H] * HOURS)


# the call itself


def test_the_same_call_is_the_same():
    assert run(ALL_HIGH, *[now(*[H] * HOURS)] * 3) == [Verdict.SAME] * 3


def test_a_turn_must_hold_for_two_evaluations():
    assert run(ALL_HIGH, now(*[T] * HOURS), now(*[T] * HOURS)) == [Verdict.NOT_YET, Verdict.TURNED]


def test_what_turns_back_is_forgotten():
    back = [now(*[T] * HOURS), now(*[H] * HOURS), now(*[T] * HOURS)]
    assert run(ALL_HIGH, *back) == [Verdict.NOT_YET, Verdict.SAME, Verdict.NOT_YET]


def test_the_second_evaluation_must_say_the_same_position():
    assert run(ALL_HIGH, now(*[T] * HOURS), now(*[E] * HOURS), now(*[E] * HOURS)) == [
        Verdict.NOT_YET, Verdict.NOT_YET, Verdict.TURNED,
    ]  # fmt: skip


def test_in_some_hours_the_same_is_enough():
    first, second = now(H, H, H, T, T, T), now(H, E, E, E, T, T)
    memory = ask(ALL_HIGH, memory_of(ALL_HIGH), first).memory
    judgement = ask(ALL_HIGH, memory, second)
    assert judgement.verdict is Verdict.TURNED
    assert judgement.changed == (hour(4), hour(5))  # only the hours that held


@pytest.mark.parametrize(
    ("margin", "verdict"),
    [(0.0999, Verdict.TOO_CLOSE), (0.10, Verdict.NOT_YET), (0.1001, Verdict.NOT_YET), (np.nan, Verdict.TOO_CLOSE)],
)
def test_the_dead_band(margin, verdict):
    assert run(ALL_HIGH, now(*[T] * HOURS, margin=margin)) == [verdict]


def test_the_margin_is_the_mean_of_the_changed_hours_only():
    close = now(H, H, T, T, T, T, margin=[0.9, 0.9, 0.05, 0.05, 0.1, 0.1])
    assert run(ALL_HIGH, close) == [Verdict.TOO_CLOSE]
    clear = now(H, H, T, T, T, T, margin=[0.0, 0.0, 0.05, 0.05, 0.1, 0.2])
    assert run(ALL_HIGH, clear) == [Verdict.NOT_YET]


def test_a_close_margin_forgets_the_candidate():
    close = now(*[T] * HOURS, margin=0.05)
    assert run(ALL_HIGH, now(*[T] * HOURS), close, now(*[T] * HOURS))[-1] is Verdict.NOT_YET


def test_the_hours_that_held_must_be_clear_by_themselves():
    """Two hours held but are nearly level; the clear ones are new."""
    first = now(T, T, H, H, H, H)
    second = now(T, T, T, T, H, H, margin=[0.02, 0.02, 0.6, 0.6, 0.3, 0.3])
    assert run(ALL_HIGH, first, second) == [Verdict.NOT_YET, Verdict.NOT_YET]


def test_one_hour_alone_is_no_turn_unless_it_is_all_that_remains():
    one = now(H, H, H, H, H, T)
    assert run(ALL_HIGH, one, one) == [Verdict.SAME, Verdict.SAME]
    late = END - timedelta(minutes=40)
    assert run(ALL_HIGH, one, one, at=late) == [Verdict.NOT_YET, Verdict.TURNED]


def test_hours_that_are_over_do_not_count():
    early = now(T, T, T, H, H, H)
    assert run(ALL_HIGH, early) == [Verdict.NOT_YET]
    assert run(ALL_HIGH, early, at=START + timedelta(hours=3)) == [Verdict.SAME]
    assert run(ALL_HIGH, early, at=START + timedelta(hours=1)) == [Verdict.NOT_YET]  # two remain of the three


def test_windows_that_only_begin_otherwise_turn_too():
    was = told(H, H, H, H, T, T)
    assert run(was, *[now(H, H, T, T, T, T)] * 2) == [Verdict.NOT_YET, Verdict.TURNED]


def test_an_hour_on_the_edge_of_the_windows():
    """Trip hours at both ends reach half an hour over launch and haul-out."""
    view = told(H, H, H, T, T, T)
    assert view.position_at(START - timedelta(minutes=10)) is H
    assert view.position_at(END) is T
    assert view.position_at(START + timedelta(hours=3)) is T
    assert told().position_at(START) is None


def test_over_and_no_call():
    assert run(ALL_HIGH, now(*[T] * HOURS), at=END) == [Verdict.OVER]
    assert run(ALL_HIGH, now()) == [Verdict.NO_CALL]
    assert run(told(), now(*[T] * HOURS), now(*[T] * HOURS)) == [Verdict.NO_CALL] * 2


def test_no_call_between_asks_for_two_more():
    assert run(ALL_HIGH, now(*[T] * HOURS), now(), now(*[T] * HOURS))[-1] is Verdict.NOT_YET


def test_until_told_the_verdict_comes_again_and_then_never():
    turned = now(*[T] * HOURS)
    assert run(ALL_HIGH, *[turned] * 4) == [Verdict.NOT_YET, *[Verdict.TURNED] * 3]
    assert run(turned.view, *[turned] * 4) == [Verdict.SAME] * 4


# the source


def test_a_switch_alone_says_so_once_and_never_turns():
    other = now(*[T] * HOURS, source="b")
    assert run(ALL_HIGH, other, other, other) == [Verdict.SWITCHED] * 3
    memory = ask(ALL_HIGH, memory_of(ALL_HIGH), other).memory
    assert memory.baseline == other.view
    assert "a" in ask(ALL_HIGH, memory_of(ALL_HIGH), other).reasons[0]
    assert run(ALL_HIGH, now(*[H] * HOURS, source="b"), now(*[H] * HOURS, source="b")) == [
        Verdict.SWITCHED, Verdict.SAME,
    ]  # fmt: skip


def test_under_a_new_source_the_call_turns_against_both():
    takes_over, turns = now(*[E] * HOURS, source="b"), now(*[T] * HOURS, source="b")
    assert run(ALL_HIGH, takes_over, turns, turns) == [Verdict.SWITCHED, Verdict.NOT_YET, Verdict.TURNED]
    back_to_told = now(*[H] * HOURS, source="b")
    assert run(ALL_HIGH, takes_over, back_to_told, back_to_told) == [Verdict.SWITCHED, Verdict.SAME, Verdict.SAME]


def test_a_switch_forgets_the_candidate():
    assert run(ALL_HIGH, now(*[T] * HOURS), now(*[T] * HOURS, source="b"))[-1] is Verdict.SWITCHED
    assert run(ALL_HIGH, now(*[T] * HOURS), now(*[T] * HOURS, source="b"), now(*[T] * HOURS))[-1] is Verdict.SWITCHED


def test_a_source_that_comes_back_is_compared_with_its_own_word():
    """What turned while another source stood in is seen when the first is back, after it has held."""
    stands_in, back = now(*[H] * HOURS, source="b"), now(*[T] * HOURS)
    assert run(ALL_HIGH, stands_in, back, back, back) == [
        Verdict.SWITCHED, Verdict.SWITCHED, Verdict.NOT_YET, Verdict.TURNED,
    ]  # fmt: skip


def test_no_weather_is_no_switch():
    nothing = Now(view=told(source=""), time=(), probability=np.empty((3, 0)))
    assert run(ALL_HIGH, nothing, now(*[H] * HOURS)) == [Verdict.NO_CALL, Verdict.SAME]


# fronts


def front(hours, id_=1, strength=0.8):
    """A front so many hours after launch."""
    return FrontAhead(id=id_, onset=START + timedelta(hours=hours), strength=strength)


def with_fronts(was, is_now, *, baseline=None, gone=(), at=EVENING):
    before = replace(ALL_HIGH, fronts=tuple(was))
    memory = Memory(baseline=before if baseline is None else replace(ALL_HIGH, fronts=tuple(baseline)))
    return ask(before, memory, now(*[H] * HOURS, fronts=is_now, gone=gone), at)


@pytest.mark.parametrize(("hours", "verdict"), [(3.0, Verdict.EARLIER), (3.01, Verdict.SAME), (8.0, Verdict.SAME)])
def test_a_front_that_comes_two_hours_earlier(hours, verdict):
    judgement = with_fronts([front(5)], [front(hours)])
    assert judgement.verdict is verdict
    assert judgement.urgent is (verdict is Verdict.EARLIER)


def test_earlier_names_both_fronts():
    judgement = with_fronts([front(9)], [front(4)])
    assert (judgement.front, judgement.announced) == (front(4), front(9))
    assert "5 hours before" in judgement.reasons[0]


def test_earlier_than_the_baseline_too():
    assert with_fronts([front(9)], [front(4)], baseline=[front(5)]).verdict is Verdict.SAME
    assert with_fronts([front(9)], [front(4)], baseline=[]).verdict is Verdict.SAME
    assert with_fronts([front(9)], [front(3)], baseline=[front(5)]).verdict is Verdict.EARLIER


@pytest.mark.parametrize(("hours", "verdict"), [(HOURS + 12, Verdict.EARLIER), (HOURS + 12.1, Verdict.SAME)])
def test_an_earlier_front_must_matter_to_the_trip(hours, verdict):
    assert with_fronts([front(30)], [front(hours)]).verdict is verdict


def test_a_front_whose_announced_hour_has_passed_is_no_news():
    assert with_fronts([front(1)], [front(-2)], at=START + timedelta(hours=2)).verdict is Verdict.SAME


def test_fronts_are_matched_by_id_else_within_nine_hours():
    assert with_fronts([front(12, 1), front(20, 2)], [front(9, 1), front(20, 2)]).verdict is Verdict.EARLIER
    assert with_fronts([front(12, None)], [front(3.1, None)]).verdict is Verdict.EARLIER
    assert with_fronts([front(12, None)], [front(3, None)]).verdict is Verdict.SAME  # another passage
    assert with_fronts([front(12, 1)], [front(2, 1)]).verdict is Verdict.EARLIER  # followed all the way
    assert with_fronts([], [front(2, 1)]).verdict is Verdict.SAME  # a new front speaks through the call


def test_a_front_that_is_gone():
    judgement = with_fronts([front(4)], [], gone=[front(4)])
    assert judgement.verdict is Verdict.GONE
    assert judgement.urgent
    assert judgement.announced == front(4)


def test_a_front_that_merely_cannot_be_seen_is_not_gone():
    assert with_fronts([front(4)], []).verdict is Verdict.SAME


def test_gone_only_if_it_mattered_and_stood_in_the_baseline():
    assert with_fronts([front(HOURS + 12)], [], gone=[front(HOURS + 12)]).verdict is Verdict.GONE
    assert with_fronts([front(HOURS + 13)], [], gone=[front(HOURS + 13)]).verdict is Verdict.SAME
    assert with_fronts([front(4)], [], baseline=[], gone=[front(4)]).verdict is Verdict.SAME
    assert with_fronts([], [], gone=[front(4)]).verdict is Verdict.SAME  # never announced


def test_a_front_found_again_under_another_id_is_not_gone():
    assert with_fronts([front(4, 1)], [front(5, 2)], gone=[front(4, 1)]).verdict is Verdict.SAME


def test_no_front_is_judged_in_the_issue_that_switches():
    was = replace(ALL_HIGH, fronts=(front(9),))
    earlier = now(*[H] * HOURS, source="b", fronts=[front(2)])
    gone = now(*[H] * HOURS, source="b", gone=[front(9)])
    assert run(was, earlier, earlier) == [Verdict.SWITCHED, Verdict.SAME]
    assert run(was, gone, gone) == [Verdict.SWITCHED, Verdict.SAME]
    later = now(*[H] * HOURS, source="b", fronts=[front(8)])
    assert run(was, later, earlier) == [Verdict.SWITCHED, Verdict.EARLIER]  # the new source itself moved it


# official warnings


def warning(id_="w1", event="Gale Warning", onset=-2.0, ends=4.0, references=(), severity=""):
    begin = START + timedelta(hours=onset)
    end = None if ends is None else START + timedelta(hours=ends)
    message = id_.partition("#")[0]
    return ToldWarning(
        id=id_, event=event, onset=begin, ends=end, message=message, references=tuple(references), severity=severity
    )  # fmt: skip


def warned(was, is_now, *, at=EVENING, memory=None, **view):
    before = replace(ALL_HIGH, warnings=tuple(was))
    return ask(before, memory or memory_of(before), now(*[H] * HOURS, warnings=is_now, **view), at)


def test_a_new_warning():
    judgement = warned([], [warning()])
    assert (judgement.verdict, judgement.urgent, judgement.warnings) == (Verdict.WARNED, True, ("w1",))
    assert "Gale Warning" in judgement.reasons[0]
    assert warned([warning()], [warning()]).verdict is Verdict.SAME
    assert warned([warning()], [warning(), warning("w2", "Fog Advisory")]).warnings == ("w2",)


def test_a_warning_that_has_ended_is_none():
    assert warned([], [warning(ends=1.0)], at=START + timedelta(hours=1)).verdict is Verdict.SAME
    assert warned([], [warning(ends=None)], at=START + timedelta(hours=5)).verdict is Verdict.WARNED


@pytest.mark.parametrize(
    ("changed", "is_news"),
    [
        ({}, False), ({"ends": 4.2}, False), ({"ends": 4.25}, True), ({"ends": 3.1}, False), ({"ends": 3.0}, True),
        ({"ends": None}, True), ({"severity": "Extreme"}, True),
        ({"event": "Storm Warning"}, True), ({"onset": -2.9}, False), ({"onset": -3.0}, True), ({"onset": 0.0}, True),
    ],
)  # fmt: skip
def test_an_update_is_news_only_if_event_begin_or_end_change(changed, is_news):
    update = warning("w2", **{"references": ["w1"], **changed})
    assert (warned([warning()], [update]).verdict is Verdict.WARNED) is is_news


def test_two_warnings_of_one_message_are_updated_by_another_such():
    both = [warning("w1"), warning("w1#2", "Dense Fog Advisory")]
    update = [warning("w2", references=["w1"]), warning("w2#2", "Dense Fog Advisory", references=["w1"])]
    judgement = warned(both, update)
    assert judgement.verdict is Verdict.SAME
    assert judgement.memory.followed == (("w2", "w2", "w1"), ("w2#2", "w2", "w1#2"))
    third = warning("w2#3", "Tornado Warning", references=["w1"])
    assert warned(both, [*update, third]).warnings == ("w2#3",)


def test_the_same_said_by_no_update_is_a_new_warning():
    assert warned([warning()], [warning("w2")]).verdict is Verdict.WARNED


def test_a_begin_that_has_passed_counts_as_now():
    """An authority that gives no onset is taken to mean the time of sending: each update would seem to begin anew."""
    at = START + timedelta(hours=3)
    assert warned([warning()], [warning("w2", onset=3.0, references=["w1"])], at=at).verdict is Verdict.SAME


def test_updates_without_news_are_followed_through_those_that_name_only_the_one_before():
    before = replace(ALL_HIGH, warnings=(warning(),))
    memory = memory_of(before)
    for number, ends in enumerate((4.1, 4.2), start=2):
        update = warning(f"w{number}", ends=ends, references=[f"w{number - 1}"])
        judgement = warned([warning()], [update], memory=memory)
        assert judgement.verdict is Verdict.SAME
        memory = Memory.from_json(json.loads(json.dumps(judgement.memory.to_json())))
    drifted = warning("w4", ends=4.3, references=["w3"])  # by little steps a quarter of an hour over what was told
    assert warned([warning()], [drifted], memory=memory).verdict is Verdict.WARNED


def test_a_warning_stands_before_all_else_and_a_switch_is_not_lost():
    was = replace(ALL_HIGH, fronts=(front(9),))
    everything = now(*[T] * HOURS, source="b", fronts=[front(2)], warnings=[warning()])
    judgement = ask(was, memory_of(was), everything)
    assert judgement.verdict is Verdict.WARNED
    assert judgement.memory.baseline == everything.view
    no_call = Now(view=told(warnings=[warning()]), time=(), probability=np.empty((3, 0)))
    assert ask(was, memory_of(was), no_call).verdict is Verdict.WARNED


def test_the_order_of_verdicts():
    was = replace(ALL_HIGH, fronts=(front(9, 1), front(5, 2)))
    both = now(*[T] * HOURS, fronts=[front(4, 1)], gone=[front(5, 2)])
    memory = replace(memory_of(was), candidate=both.view.windows)
    assert ask(was, memory, both).verdict is Verdict.EARLIER
    moved_away = [front(9, 1), front(16, 3)]
    assert ask(was, memory, now(*[T] * HOURS, fronts=moved_away, gone=[front(5, 2)])).verdict is not Verdict.GONE
    only_gone = now(*[T] * HOURS, fronts=[front(16, 1)], gone=[front(5, 2)])
    assert ask(was, memory, only_gone).verdict is Verdict.GONE
    assert ask(was, memory, now(*[T] * HOURS, fronts=was.fronts)).verdict is Verdict.TURNED
    assert [one for one in Verdict if one.is_urgent] == [Verdict.WARNED, Verdict.EARLIER, Verdict.GONE]
    assert [one for one in Verdict if one.is_turn] == list(Verdict)[:4]


# whatever comes

calls = st.lists(st.sampled_from(Position), min_size=HOURS, max_size=HOURS)
instants = st.integers(-20, HOURS * 60 - 1).map(lambda minutes: START + timedelta(minutes=minutes))
#: as they are followed: no two of one id
fronts = st.lists(
    st.tuples(st.integers(-20, 40), st.one_of(st.none(), st.integers(1, 4))),
    max_size=4,
    unique_by=lambda pair: object() if pair[1] is None else pair[1],
).map(lambda pairs: [front(hours, id_) for hours, id_ in pairs])
warnings = st.lists(
    st.builds(
        warning, st.sampled_from(["w1", "w2", "w3"]), st.sampled_from(["Gale", "Fog"]), st.integers(-9, 5),
        st.one_of(st.none(), st.integers(1, 20)), st.lists(st.sampled_from(["w1", "w2", "w3"]), max_size=2),
    ),
    max_size=3,
)  # fmt: skip
views = st.builds(
    lambda positions, source, ahead, official: told(*positions, source=source, fronts=ahead, warnings=official),
    calls, st.sampled_from("abc"), fronts, warnings,
)  # fmt: skip


def evaluation(view, gone=(), margin=0.3):
    """An evaluation that would tell a view."""
    positions = [view.position_at(hour(i)) for i in range(HOURS)]
    return replace_view(now(*positions, margin=margin, gone=gone), view)


def replace_view(one, view):
    return Now(view=view, time=one.time, probability=one.probability, gone=one.gone)


@settings(max_examples=50, deadline=None)
@given(
    was=views, by_source=st.dictionaries(st.sampled_from("abc"), st.tuples(views, fronts), min_size=2, max_size=3),
    order=st.lists(st.sampled_from("abc"), max_size=12), at=instants,
)  # fmt: skip
def test_sources_that_take_turns_and_each_say_the_same_never_turn_a_call(was, by_source, order, at):
    """What the reader was told by one source is what that source goes on to say; the others say what they will."""
    was = replace(was, warnings=())
    memory = memory_of(was)
    for source in order:
        view, gone = by_source.get(source, (was, ()))
        if source == was.source:
            view, gone = was, ()
        view = replace(view, source=source, warnings=())
        judgement = judge(was, memory, evaluation(view, gone), at=at, trip_end=END)
        assert not judgement.verdict.is_turn
        memory = judgement.memory


@settings(max_examples=50, deadline=None)
@given(was=views, view=views, gone=fronts, at=instants, times=st.integers(1, 5))
def test_once_told_the_same_evaluation_tells_nothing_more(was, view, gone, at, times):
    memory, present = memory_of(was), evaluation(view, gone)
    for _ in range(times):
        judgement = judge(was, memory, present, at=at, trip_end=END)
        memory = judgement.memory
        if judgement.verdict.is_turn:
            was, memory = view, memory_of(view)
            break
    for _ in range(times):
        judgement = judge(was, memory, present, at=at, trip_end=END)
        told_again = judgement.verdict.is_turn and was == view
        assert not told_again
        memory = judgement.memory


@settings(max_examples=50, deadline=None)
@given(was=views, evaluations=st.lists(st.tuples(views, fronts), max_size=6), at=instants)
def test_what_is_remembered_goes_through_json_and_changes_no_verdict(was, evaluations, at):
    assert Told.from_json(json.loads(json.dumps(was.to_json()))) == was
    memory = memory_of(was)
    for view, gone in evaluations:
        judgement = judge(was, memory, evaluation(view, gone), at=at, trip_end=END)
        kept = Memory.from_json(json.loads(json.dumps(judgement.memory.to_json())))
        assert kept == judgement.memory
        memory = kept


@settings(max_examples=50, deadline=None)
@given(was=views, first=views, second=views, at=instants)
def test_a_turn_without_urgency_always_held(was, first, second, at):
    """No two evaluations that lead elsewhere than told in different places make a turn of the call."""
    quiet = [replace(one, source=was.source, fronts=(), warnings=()) for one in (was, first, second)]
    memory = judge(quiet[0], memory_of(quiet[0]), evaluation(quiet[1]), at=at, trip_end=END).memory
    judgement = judge(quiet[0], memory, evaluation(quiet[2]), at=at, trip_end=END)
    if judgement.verdict is Verdict.TURNED:
        for instant in judgement.changed:
            positions = [one.position_at(instant) for one in quiet]
            assert positions[0] is not positions[1]
            assert positions[1] is positions[2]
            assert instant + timedelta(minutes=30) > at
