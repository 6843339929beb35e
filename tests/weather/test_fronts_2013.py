"""The detector against the cold fronts of New York, 2013, as people with charts told of them.

`tests/data/fronts_2013.csv` holds 18 cold fronts, each with the hours that its text allows, and 5 quiet spells; the
source of each stands in its row. Nothing of the detector may be tuned on them: windows are wide, 18 events carry a
critical success index no better than +-0.15, and 6 of them were looked up because a detector had shown them
("steered"). Where only some events are counted, all false alarms still are.

The city takes the three airports as one place: it has an alarm where at least two of them have one within 12 h of the
strongest, at their median hour.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest

from bitewatch.weather.fronts import find_fronts
from bitewatch.weather.hourly import Hourly

TRUTH = Path(__file__).parents[1] / "data" / "fronts_2013.csv"
STATIONS = {"EWR": 40.69, "JFK": 40.64, "LGA": 40.78}
YEAR_H = 365 * 24
TOLERANCE_H, AROUND_H, APART_H = 3, 12, 12


class Alarm(NamedTuple):
    """Hours since the year began, and the score."""

    at: float
    score: float


class Span(NamedTuple):
    """A truth window or a quiet spell, in hours since the year began."""

    first: float
    last: float
    quiet: bool
    strong: bool
    steered: bool

    def distance(self, at: float) -> float:
        return max(self.first - at, at - self.last, 0.0)

    def judges(self, at: float) -> bool:
        return self.distance(at) <= (0 if self.quiet else AROUND_H)


@dataclass(frozen=True)
class Verdict:
    """What became of each span and of each alarm."""

    spans: tuple[Span, ...]
    hit: tuple[bool, ...]  #: of each span
    false: tuple[int, ...]  #: false alarms that each span judged
    duplicates: int
    unjudged: int
    quiet_false: int

    def counts(self, take: Callable[[Span], bool] = lambda _: True) -> "Counts":
        windows = [i for i, span in enumerate(self.spans) if not span.quiet and take(span)]
        hits = sum(self.hit[i] for i in windows)
        return Counts(hits, len(windows) - hits, sum(self.false))


class Counts(NamedTuple):
    hits: int
    misses: int
    false: int

    @property
    def pod(self) -> float:
        return self.hits / (self.hits + self.misses)

    @property
    def far(self) -> float:
        return self.false / (self.hits + self.false) if self.hits + self.false else 0.0

    @property
    def csi(self) -> float:
        return self.hits / sum(self)


def judge(alarms: Sequence[Alarm], spans: Sequence[Span]) -> Verdict:
    """One alarm for one window, the nearest first; what is left over is a duplicate, false, or not judged."""
    pairs = sorted(
        (span.distance(alarm.at), -alarm.score, alarm.at, i, j)
        for i, span in enumerate(spans)
        for j, alarm in enumerate(alarms)
        if not span.quiet and span.distance(alarm.at) <= TOLERANCE_H
    )
    alarm_of: dict[int, int] = {}
    for *_, i, j in pairs:
        if i not in alarm_of and j not in alarm_of.values():
            alarm_of[i] = j
    doubled = {j for *_, i, j in pairs}
    false, duplicates, unjudged, quiet_false = [0] * len(spans), 0, 0, 0
    for j, alarm in enumerate(alarms):
        if j in alarm_of.values():
            continue
        judging = [i for i, span in enumerate(spans) if span.judges(alarm.at)]
        if j in doubled:
            duplicates += 1
        elif judging:
            false[min(judging, key=lambda i: spans[i].distance(alarm.at))] += 1
            quiet_false += any(spans[i].quiet for i in judging)
        else:
            unjudged += 1
    hit = tuple(i in alarm_of for i in range(len(spans)))
    return Verdict(tuple(spans), hit, tuple(false), duplicates, unjudged, quiet_false)


def city_of(stations: Sequence[Sequence[Alarm]]) -> list[Alarm]:
    """One alarm where at least two stations agree."""
    left = sorted(((alarm, s) for s, alarms in enumerate(stations) for alarm in alarms), key=lambda a: -a[0].score)
    found = []
    while left:
        first, _ = left[0]
        together: dict[int, Alarm] = {}
        for alarm, s in sorted(left, key=lambda a: abs(a[0].at - first.at)):
            if abs(alarm.at - first.at) <= APART_H:
                together.setdefault(s, alarm)
        left = [(alarm, s) for alarm, s in left if together.get(s) != alarm]
        if len(together) >= 2:
            at, score = (float(np.median(values)) for values in zip(*together.values(), strict=True))
            found.append(Alarm(at, score))
    return found


def bootstrap_csi(verdict: Verdict, draws: int = 2000) -> tuple[float, float]:
    """5th and 95th percentile of the index over events and spells drawn again."""
    windows = np.array([not span.quiet for span in verdict.spans])
    hit, false = np.array(verdict.hit), np.array(verdict.false)
    pick = np.random.default_rng(2013).integers(0, hit.size, (draws, hit.size))
    hits, events, alarms = (values[pick].sum(axis=1) for values in (hit, windows, false))
    low, high = np.percentile(hits / np.maximum(events + alarms, 1), [5, 95])
    return float(low), float(high)


def chance_csi(alarms: Sequence[Alarm], spans: Sequence[Span]) -> float:
    """Mean index of the same alarms moved around the year by 3 to 362 whole days."""
    moved = ([Alarm((at + 24 * days) % YEAR_H, score) for at, score in alarms] for days in range(3, 363))
    return float(np.mean([judge(shifted, spans).counts().csi for shifted in moved]))


@pytest.fixture(scope="module")
def spans() -> list[Span]:
    table = pd.read_csv(TRUTH)
    first, last = (
        (pd.to_datetime(table[column]) - pd.Timestamp("2013-01-01", tz="UTC")) / pd.Timedelta(hours=1)
        for column in ("window_start_utc", "window_end_utc")
    )
    return [
        Span(first[i], last[i], row.kind == "quiet", row.strong == 1, row.steered == 1)
        for i, row in enumerate(table.itertuples())
        if row.kind != "warm"
    ]


@pytest.fixture(scope="module")
def alarms(new_york: Callable[[str], Hourly]) -> dict[str, list[Alarm]]:
    begin = pd.Timestamp("2013-01-01", tz="UTC")
    found = {
        station: [
            Alarm((front.onset - begin) / pd.Timedelta(hours=1), front.score)
            for front in find_fronts(new_york(station), latitude)
        ]
        for station, latitude in STATIONS.items()
    }
    return {"city": city_of(list(found.values())), **found}


def test_the_scorer_by_hand() -> None:
    window = Span(100.0, 106.0, quiet=False, strong=True, steered=False)
    weak = Span(200.0, 206.0, quiet=False, strong=False, steered=True)
    quiet = Span(300.0, 360.0, quiet=True, strong=True, steered=False)
    at = [98.0, 105.0, 109.0, 115.0, 119.0, 310.0, 361.0]
    verdict = judge([Alarm(hour, 2.0) for hour in at], [window, weak, quiet])
    assert verdict.hit == (True, False, False)  # by the alarm inside the window
    assert verdict.duplicates == 2  # 98 and 109, within three hours of it
    assert verdict.false == (1, 0, 1)  # 115 and 310
    assert (verdict.unjudged, verdict.quiet_false) == (2, 1)
    assert verdict.counts() == (1, 1, 2)
    assert verdict.counts(lambda span: span.strong) == (1, 0, 2)
    assert (verdict.counts().pod, verdict.counts().far, verdict.counts().csi) == pytest.approx((1 / 2, 2 / 3, 1 / 4))


def test_one_alarm_cannot_hit_two_windows_and_the_stronger_of_two_inside_hits() -> None:
    first, second = (Span(a, a + 6, quiet=False, strong=True, steered=False) for a in (100.0, 108.0))
    assert judge([Alarm(107.5, 2.0)], [first, second]).hit == (False, True)
    both = judge([Alarm(101.0, 2.0), Alarm(104.0, 3.0)], [first, second])
    assert (both.hit, both.duplicates) == ((True, False), 1)


def test_the_city_needs_two_stations() -> None:
    stations = [[Alarm(10.0, 2.0), Alarm(50.0, 3.0)], [Alarm(14.0, 2.5)], [Alarm(11.0, 1.7), Alarm(80.0, 4.0)]]
    assert city_of(stations) == [(11.0, 2.0)]


@pytest.mark.shows
def test_fronts_of_2013(spans: list[Span], alarms: dict[str, list[Alarm]], capsys: pytest.CaptureFixture[str]) -> None:
    quiet_days = sum(span.last - span.first for span in spans if span.quiet) / 24
    verdicts = {place: judge(at_place, spans) for place, at_place in alarms.items()}
    takes: dict[str, Callable[[Span], bool]] = {
        "all": lambda _: True,
        "strong": lambda span: span.strong,
        "without steered": lambda span: not span.steered,
    }
    lines = ["", "", f"cold fronts, New York 2013: 18 events, {quiet_days:.1f} quiet days"]
    lines.append(f"{'place':6}{'events':17}{'h':>3}{'m':>3}{'f':>3}{'POD':>7}{'FAR':>6}{'CSI':>6}")
    for place, verdict in verdicts.items():
        for name, take in takes.items():
            c = verdict.counts(take)
            lines.append(f"{place:6}{name:17}{c.hits:3}{c.misses:3}{c.false:3}{c.pod:7.2f}{c.far:6.2f}{c.csi:6.2f}")
    lines.append(
        f"{'place':6}{'alarms':>7}{'duplicate':>11}{'not judged':>12}{'false per 10 quiet days':>25}"
        f"{'CSI by chance':>15}{'CSI 5-95 %':>14}"
    )
    for place, verdict in verdicts.items():
        low, high = bootstrap_csi(verdict)
        lines.append(
            f"{place:6}{len(alarms[place]):7}{verdict.duplicates:11}{verdict.unjudged:12}"
            f"{10 * verdict.quiet_false / quiet_days:25.2f}{chance_csi(alarms[place], spans):15.2f}"
            f"{f'{low:.2f}-{high:.2f}':>14}"
        )
    with capsys.disabled():
        print("\n".join(lines))
    for verdict in verdicts.values():
        assert verdict.counts(takes["strong"]).pod >= 0.95
        assert verdict.counts().csi >= 0.70
        assert 10 * verdict.quiet_false / quiet_days <= 0.6
