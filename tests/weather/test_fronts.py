"""Fronts: given check values, symmetries, and properties that hold for any series."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from bitewatch.weather import series, signs
from bitewatch.weather.fronts import (
    Front,
    FrontKind,
    find_fronts,
    front_strength,
    fronts_of,
    passages,
    score_of_strength,
)
from bitewatch.weather.governing import front_variables
from bitewatch.weather.hourly import COLUMNS, HOUR, Floats, Hourly, from_points
from bitewatch.weather.signs import COLD_WEIGHTS, cold_front_signs

START = np.datetime64("2000-01-01T00:00:00", "s")
K = np.arange(960)
ONSET = 480


def made_up(
    *,
    temp: tuple[float, float] = (20.0, 12.0),
    dew: tuple[float, float] = (15.0, 5.0),
    slope: float = 0.5,
    wind_from: tuple[float, float] = (200.0, 320.0),
    daily_k: float = 0.0,
) -> dict[str, Floats]:
    """Forty days with one step at hour 480; the numbers asked of them are given check values of the method."""
    after = K >= ONSET
    return {
        "air_temp_c": np.where(after, temp[1], temp[0]) + daily_k * np.cos(2 * np.pi * (K - 20) / 24),
        "dew_point_c": np.where(after, dew[1], dew[0]),
        "pressure_hpa": 1010 + slope * np.minimum(abs(K - ONSET), 12),
        "wind_speed_ms": np.full(K.size, 6.0),
        "wind_from_deg": np.where(after, wind_from[1], wind_from[0]),
    }


def hourly(columns: dict[str, Floats], start: np.datetime64 = START) -> Hourly:
    return from_points(start + np.arange(next(iter(columns.values())).size) * HOUR, columns)


def stacked(cells: list[Hourly]) -> Hourly:
    return Hourly(time=cells[0].time, columns={c: np.stack([cell[c] for cell in cells]) for c in COLUMNS})


def test_each_sign_by_hand() -> None:
    """Falls of 6 K and 5 K, a rise of 3 hPa after a fall of 2, 8 m/s less from the south and a quarter circle."""
    hour = np.arange(31)
    after = hour >= 15
    changes = signs.changes_of(
        np.where(after, 4.0, 10.0), np.where(after, 3.0, 8.0),
        np.select([hour < 12, hour < 17], [1012.0, 1010.0], 1013.0),
        np.full(31, 4.0), np.where(hour == 15, np.nan, np.where(after, -4.0, 4.0)),
    )  # fmt: skip
    found = signs.cold(changes)
    by_hand = [found.temperature[15], found.dew_point[15], found.pressure[15], found.wind[15]]
    assert by_hand == pytest.approx([1.5, 1.0, 1.4, 1.2])
    parts = np.array([[1.5], [1.0], [1.4], [1.2]])
    assert signs.weigh(*parts, weights=COLD_WEIGHTS) == pytest.approx(4.900, abs=5e-4)
    parts[1] = np.nan
    assert signs.weigh(*parts, weights=COLD_WEIGHTS) == pytest.approx(5.193, abs=5e-4)
    parts[[0, 2]] = np.nan
    assert np.isnan(signs.weigh(*parts, weights=COLD_WEIGHTS))


def test_each_sign_of_a_warm_front_by_hand() -> None:
    """Rises of 6 K and 5 K, a fall of 2 hPa before, 8 m/s more from the south and a quarter circle to the right.

    That is 6/4, 5/4, 0.5 x 2/3 and 0.6 x 8/5 + 0.4, weighed by 1, 0.8, 1 and 0.8.
    """
    hour = np.arange(31)
    after = hour >= 15
    changes = signs.changes_of(
        np.where(after, 10.0, 4.0), np.where(after, 8.0, 3.0),
        np.select([hour < 12, hour < 17], [1012.0, 1010.0], 1013.0),
        np.full(31, -4.0), np.where(hour == 15, np.nan, np.where(after, 4.0, -4.0)),
    )  # fmt: skip
    found = signs.warm(changes)
    by_hand = [found.temperature[15], found.dew_point[15], found.pressure[15], found.wind[15]]
    assert by_hand == pytest.approx([1.5, 1.25, 1 / 3, 1.36])
    assert found.score[15] == pytest.approx(1.5 + 1.0 + 1 / 3 + 1.088)


def test_gate_counts_a_missing_sign_by_half() -> None:
    two, two_and_missing = [2.0, 2.0, 0.0, 0.0], [2.0, 2.0, np.nan, 0.0]
    three_halves, held = [2.0, 2.0, np.nan, np.nan], [-1.0, 2.0, 0.2, 0.0]
    scores = signs.weigh(*np.array([two, two_and_missing, three_halves, held]).T, weights=COLD_WEIGHTS)
    assert scores[:2].tolist() == [0.0, 0.0]
    assert scores[2] == pytest.approx(2.0 * 3.8)
    assert scores[3] == 0.0
    assert signs.weigh(*np.array([[-1.0], [-1.0], [0.2], [0.3]]), weights=COLD_WEIGHTS) < 0


@pytest.mark.parametrize(
    ("columns", "score"),
    [
        (made_up(), 5.991),
        (made_up(temp=(20.0, 16.0), dew=(15.0, 11.0), slope=0.3), 3.702),
        (made_up(temp=(20.0, 17.0), dew=(15.0, 12.0), slope=0.2), 3.122),
        (made_up(daily_k=6.0), 5.991),
        ({name: values for name, values in made_up().items() if name != "dew_point_c"}, 5.562),
    ],
    ids=["strong", "moderate", "mild", "daily cycle", "no dew point"],
)
def test_made_up_front(columns: dict[str, Floats], score: float) -> None:
    (front,) = find_fronts(hourly(columns), 46.0)
    assert front.kind is FrontKind.COLD
    assert front.onset == datetime(2000, 1, 21, tzinfo=UTC)
    assert front.score == pytest.approx(score, abs=5e-4)
    assert front.strength == 1.0
    assert set(front.signs) == {"temperature", "dew point", "pressure", "wind"}


def test_signs_around_the_made_up_front() -> None:
    """Given: a fall of 7.82 K and 10 K, a kink of 3.42 and a rise of 1.47 hPa, 10.23 m/s and 120 degrees."""
    found = cold_front_signs(hourly(made_up()), latitude=46.0)
    assert found.score[478:483] == pytest.approx([4.464, 5.659, 5.991, 4.692, 3.001], abs=5e-4)
    assert found.temperature[ONSET] == pytest.approx(7.82 / 4, abs=0.005 / 4)
    assert found.dew_point[ONSET] == pytest.approx(10.0 / 5)
    assert found.pressure[ONSET] == pytest.approx((0.6 * 3.42 + 0.4 * 1.47) / 3, abs=0.002)
    assert found.wind[ONSET] == pytest.approx(0.6 * 10.23 / 6 + 0.4 * 120 / 90, abs=0.001)


@pytest.mark.parametrize(
    "columns",
    [
        made_up(temp=(20.0, 20.0), dew=(15.0, 15.0), slope=0.0),
        made_up(temp=(20.0, 20.0), dew=(15.0, 15.0), slope=0.0, wind_from=(200.0, 200.0), daily_k=6.0),
        made_up(temp=(12.0, 20.0), dew=(5.0, 15.0), wind_from=(110.0, 200.0)),
    ],
    ids=["wind shift alone", "daily cycle alone", "warm front"],
)
def test_no_cold_front(columns: dict[str, Floats]) -> None:
    assert not [front for front in find_fronts(hourly(columns), 46.0) if front.kind is FrontKind.COLD]


WARM = made_up(temp=(12.0, 20.0), dew=(5.0, 15.0), wind_from=(110.0, 200.0))


def test_made_up_warm_front() -> None:
    (front,) = find_fronts(hourly(WARM), 46.0)
    assert (front.kind, front.onset) == (FrontKind.WARM, datetime(2000, 1, 21, tzinfo=UTC))
    assert front.score == pytest.approx(4.544, abs=5e-4)


@pytest.mark.parametrize("columns", [made_up(), WARM], ids=["cold", "warm"])
def test_the_south_is_the_mirror_of_the_north(columns: dict[str, Floats]) -> None:
    (north,) = find_fronts(hourly(columns), 46.0)
    mirrored = columns | {"wind_from_deg": (180 - columns["wind_from_deg"]) % 360}
    (south,) = find_fronts(hourly(mirrored), -46.0)
    assert (south.kind, south.onset) == (north.kind, north.onset)
    assert south.score == pytest.approx(north.score, abs=1e-9)
    assert not [front for front in find_fronts(hourly(mirrored), 46.0) if front.score >= north.score - 0.5]


def test_fronts_of_both_kinds_come_in_order_of_time() -> None:
    """A warm front at hour 480 and a cold one two days behind it."""
    cold = {name: np.roll(values, 48) for name, values in made_up().items()}
    columns = {name: np.where(K < ONSET + 24, values, cold[name]) for name, values in WARM.items()}
    found = [(front.kind, front.onset) for front in find_fronts(hourly(columns), 46.0)]
    assert found == [
        (FrontKind.WARM, datetime(2000, 1, 21, tzinfo=UTC)), (FrontKind.COLD, datetime(2000, 1, 23, tzinfo=UTC)),
    ]  # fmt: skip


def test_the_first_hour_may_be_any_hour_of_the_day() -> None:
    whole = made_up(daily_k=6.0)
    late = hourly({name: values[7:] for name, values in whole.items()}, START + 7 * HOUR)
    (front,) = find_fronts(late, 46.0)
    assert front.onset == datetime(2000, 1, 21, tzinfo=UTC)
    assert front.score == pytest.approx(5.991, abs=0.01)


def test_daily_cycle_is_removed_and_its_mean_kept() -> None:
    """In the middle of a long record the mean over a day of a cycle is its mean, so nothing of it may be left."""
    hour = np.arange(24 * 90)
    cycle = 5 * np.cos(2 * np.pi * (hour - 15) / 24) + 1.5 * np.sin(4 * np.pi * hour / 24)
    left = series.without_daily_cycle(17 + cycle, first_hour=0, harmonics=2)
    assert left[24 * 20 : -24 * 20] == pytest.approx(17.0, abs=1e-9)


def test_centred_day_mean_weights() -> None:
    spike = np.zeros(99)
    spike[50] = 24.0
    mean = series.centred_day_mean(spike)
    assert mean[[37, 38, 39, 50, 61, 62, 63]] == pytest.approx([0, 0.5, 1, 1, 1, 0.5, 0])
    few = np.full(99, np.nan)
    few[46:54] = 3.0
    assert np.isnan(series.centred_day_mean(few)[50])
    few[45] = 3.0
    assert series.centred_day_mean(few)[50] == 3.0


def test_short_gaps_are_filled_and_long_ones_are_not() -> None:
    x = np.array([np.nan, 1.0, np.nan, np.nan, np.nan, 5.0, np.nan, np.nan, np.nan, np.nan, 2.0, np.nan, 4.0, np.nan])
    filled = series.fill_short_gaps(x)
    assert filled[1:6] == pytest.approx([1, 2, 3, 4, 5])
    assert filled[10:13] == pytest.approx([2, 3, 4])
    assert np.flatnonzero(np.isnan(filled)).tolist() == [0, 6, 7, 8, 9, 13]
    assert np.array_equal(series.fill_short_gaps(np.stack([x, x]))[1], filled, equal_nan=True)


def test_wind_is_filled_across_north_and_a_calm_needs_no_direction() -> None:
    u, v = series.wind_components(
        np.array([6.0, np.nan, 6.0, 0.1, 5.0]), np.array([350.0, np.nan, 10.0, np.nan, np.nan])
    )
    assert series.fill_short_gaps(u)[1] == pytest.approx(0.0, abs=1e-12)
    assert series.fill_short_gaps(v)[1] == pytest.approx(-6 * np.cos(np.radians(10)))
    assert (u[3], v[3]) == (0.0, 0.0)
    assert np.isnan(u[4])


def test_a_window_needs_half_its_hours() -> None:
    means = series.Windows(np.array([1.0, np.nan, np.nan, 4.0, 6.0]), 7)
    assert means.mean(0, 4)[:1] == pytest.approx(11 / 3)
    assert np.isnan(means.mean(3, 7)[1])  # one hour of five
    assert means.mean(1, 5)[2] == pytest.approx(5.0)  # two, at the end of the record
    assert np.isnan(means.mean(0, 1)).tolist() == [False, True, False, False, False]


def test_a_cell_in_a_batch_is_bit_for_bit_the_cell_alone(new_york: Callable[[str], Hourly]) -> None:
    cells = [new_york(station) for station in ("EWR", "JFK", "LGA")]
    gaps = {c: cells[0][c].copy() for c in COLUMNS}
    for n, values in enumerate(gaps.values()):
        values[n::53] = np.nan
        values[1000 + 40 * n : 1030 + 40 * n] = np.nan
    cells.append(Hourly(time=cells[0].time, columns=gaps))
    cells.append(Hourly(time=cells[0].time, columns={c: cells[1][c][::-1].copy() for c in COLUMNS}))
    latitudes = np.array([40.7, 40.6, 40.8, -35.0, 50.0])
    together = cold_front_signs(stacked(cells), latitude=latitudes)
    variables = front_variables(together.score, passages(together.score))
    for lane, (cell, latitude) in enumerate(zip(cells, latitudes, strict=True)):
        alone = cold_front_signs(cell, latitude=latitude)
        for name in ("temperature", "dew_point", "pressure", "wind", "score"):
            assert np.array_equal(getattr(alone, name), getattr(together, name)[lane], equal_nan=True), name
        own = front_variables(alone.score, passages(alone.score))
        for name in ("front_strength", "hours_since_front", "front_strength_ahead", "hours_to_front"):
            assert np.array_equal(getattr(own, name), getattr(variables, name)[lane], equal_nan=True), name


@pytest.mark.parametrize(("station", "alarms", "strong"), [("EWR", 93, 31), ("JFK", 87, 34), ("LGA", 83, 29)])
def test_new_york_2013_counts(new_york: Callable[[str], Hourly], station: str, alarms: int, strong: int) -> None:
    """The counts are given check values, to within two; a tenth of the pressures is missing."""
    score = cold_front_signs(new_york(station), latitude=40.7).score
    hours = np.flatnonzero(passages(score))
    assert hours.size == pytest.approx(alarms, abs=2)
    assert (score[hours] >= 3.0).sum() == pytest.approx(strong, abs=2)
    assert np.diff(hours).min() > 12
    fronts = [front for front in find_fronts(new_york(station), 40.7) if front.kind is FrontKind.COLD]
    assert min(later.onset - first.onset for first, later in pairwise(fronts)) > timedelta(hours=24)
    assert len(fronts) + sum(front.surge_at is not None for front in fronts) == hours.size
    assert max(front.score for front in fronts) == score[hours].max()


def surges(*hours: int, score: float = 3.0) -> tuple[Front, ...]:
    """Cold fronts found where a made-up score peaks; every second peak is weak."""
    line = np.zeros(400)
    line[list(hours)] = np.where(np.arange(len(hours)) % 2, 1.7, score)
    blank = np.zeros(400)
    of = signs.Signs(temperature=blank, dew_point=blank, pressure=blank, wind=blank, score=line)
    none = signs.Signs(temperature=blank, dew_point=blank, pressure=blank, wind=blank, score=blank)
    return fronts_of(START + np.arange(400) * HOUR, of, none)


def hours_of(front: Front) -> tuple[int, int | None]:
    begin = datetime(2000, 1, 1, tzinfo=UTC)
    onset, surge = ((one - begin) // timedelta(hours=1) if one else None for one in (front.onset, front.surge_at))
    assert onset is not None
    return onset, surge


def test_a_second_surge_belongs_to_the_front_before_it() -> None:
    assert [hours_of(front) for front in surges(100, 124)] == [(100, 124)]
    assert [hours_of(front) for front in surges(100, 125)] == [(100, None), (125, None)]
    assert [hours_of(front) for front in surges(100, 114, 128, 142)] == [(100, 114), (128, 142)]
    (weak_first,) = surges(100, 120, score=1.61)
    assert (weak_first.score, weak_first.strength) == (1.7, pytest.approx(0.278, abs=5e-4))
    (strong_first,) = surges(100, 120)
    assert (strong_first.score, strong_first.strength) == (3.0, 1.0)


def test_the_same_passage_is_of_one_kind_and_less_than_nine_hours_off() -> None:
    (front,) = surges(100)
    hour = timedelta(hours=1)
    assert front.same_passage(replace(front, onset=front.onset + 8 * hour, strength=0.2))
    assert front.same_passage(replace(front, onset=front.onset - 8 * hour))
    assert not front.same_passage(replace(front, onset=front.onset + 9 * hour))
    assert not front.same_passage(replace(front, kind=FrontKind.WARM))


def test_one_cell_at_a_time_and_a_latitude_that_fits() -> None:
    two = stacked([hourly(made_up()), hourly(made_up())])
    with pytest.raises(ValueError, match="one cell"):
        find_fronts(two, 46.0)
    with pytest.raises(ValueError, match="broadcast"):
        cold_front_signs(two, latitude=[46.0, 46.0, 46.0])


@pytest.mark.parametrize(("score", "strength"), [(1.0, 0.0), (1.6, 0.222), (2.4, 0.667), (3.0, 1.0), (6.0, 1.0)])
def test_front_strength(score: float, strength: float) -> None:
    assert front_strength(score) == pytest.approx(strength, abs=5e-4)
    assert front_strength(score_of_strength(strength)) == pytest.approx(strength)


SCORES = arrays(
    float,
    st.tuples(st.integers(1, 3), st.integers(1, 220)),
    elements=st.one_of(st.integers(-4, 12).map(lambda n: n / 4), st.just(np.nan)),
    fill=st.just(0.0),
)


@given(SCORES)
@settings(deadline=None)
def test_passages_are_those_of_the_greedy_rule(score: Floats) -> None:
    expected = np.zeros(score.shape, bool)
    for lane in range(score.shape[0]):
        hours = [t for t in range(score.shape[1]) if score[lane, t] >= 1.6]
        for t in sorted(hours, key=lambda t: (-score[lane, t], t)):
            expected[lane, t] = not expected[lane, max(0, t - 12) : t + 13].any()
    assert np.array_equal(passages(score), expected)
    assert np.array_equal(passages(score[0]), expected[0])
