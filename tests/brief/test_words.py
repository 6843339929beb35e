from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.brief.words import (
    POSITION_WORDS,
    SPOT_WORDS,
    Words,
    chance,
    compass,
    listed,
    sentence,
    strength_words,
    technique_words,
)
from bitewatch.lake.profile import SpotKind
from bitewatch.position.engine import Position
from bitewatch.presentation.technique import techniques
from bitewatch.units import UnitSystem

CHICAGO = ZoneInfo("America/Chicago")
US, METRIC = Words(UnitSystem.US, CHICAGO), Words(UnitSystem.METRIC, CHICAGO)
MORNING = datetime(2026, 7, 21, 10, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("words", "top", "bottom", "told"),
    [
        (US, 1.8288, 2.4384, "6-8 ft"), (US, 1.8, 1.9, "6 ft"), (US, 0.01, 0.1, "just under the surface"),
        (METRIC, 1.8, 2.4, "2-2.5 m"), (METRIC, 2.9, 3.1, "3 m"), (METRIC, 0.0, 0.2, "just under the surface"),
    ],
)  # fmt: skip
def test_depths(words, top, bottom, told):
    assert words.depths(top, bottom) == told


def test_no_finer_than_known():
    assert (US.temperature(23.37), METRIC.temperature(23.37)) == ("74 °F", "23 °C")
    assert (US.wind(4.4704), METRIC.wind(4.4704)) == ("10 mph", "4 m/s")
    assert (US.wave(0.05), US.wave(0.17), METRIC.wave(0.17)) == ("under half a foot", "about 0.5 ft", "about 0.2 m")
    assert US.winds(2.2352, 4.4704) == "5-10 mph"
    assert US.winds(4.4, 4.5) == "10 mph"
    assert METRIC.wave(0.01) == "under 0.1 m"


def test_clock_day_and_span():
    assert (US.clock(MORNING), METRIC.clock(MORNING)) == ("5:30 AM", "05:30")
    end = datetime(2026, 7, 21, 16, 0, tzinfo=UTC)
    noon = datetime(2026, 7, 21, 17, 0, tzinfo=UTC)
    assert (US.span(MORNING, end), METRIC.span(MORNING, end)) == ("5:30-11:00 AM", "05:30-11:00")
    assert US.span(MORNING, noon) == "5:30 AM-12:00 PM"
    assert US.clock(datetime(2026, 7, 21, 5, 0, tzinfo=UTC)) == "12:00 AM"
    assert (US.day(date(2026, 7, 1)), METRIC.day(date(2026, 7, 1))) == ("Wed Jul 1", "Wed 1 Jul")
    assert US.moment(MORNING) == "Tue Jul 21 about 5 AM"


#: earliest and latest hour, UTC, of July 21 -> how a reader in Chicago is told
@pytest.mark.parametrize(
    ("earliest", "latest", "told"),
    [
        (10.0, 14.0, "Tue Jul 21 between about 5 and 9 AM"), (15.0, 19.0, "Tue Jul 21 between about 10 AM and 2 PM"),
        (10.5, 13.2, "Tue Jul 21 between about 5 and 9 AM"), (10.0, 10.0, "Tue Jul 21 about 5 AM"),
        (3.0, 7.0, "between Mon Jul 20 about 10 PM and Tue Jul 21 about 2 AM"),
    ],
)  # fmt: skip
def test_ranges_of_hours(earliest, latest, told):
    midnight = datetime(2026, 7, 21, tzinfo=UTC)
    first, last = midnight + timedelta(hours=earliest), midnight + timedelta(hours=latest)
    assert US.hours_between(first, last) == told
    if "Mon" not in told:
        assert US.hours_between(first, last, day=False) == told.removeprefix("Tue Jul 21 ")


def test_ranges_of_hours_for_a_metric_reader():
    first = datetime(2026, 7, 21, 10, tzinfo=UTC)
    assert METRIC.hours_between(first, first + timedelta(hours=4)) == "Tue 21 Jul between about 05:00 and 09:00"


@given(probability=st.floats(0, 1))
def test_a_chance_is_told_in_tenths_and_never_as_certain(probability):
    told = int(chance(probability).split()[0])
    assert 1 <= told <= 9
    assert abs(told / 10 - probability) <= 0.1


@pytest.mark.parametrize(
    ("degrees", "point"), [(0, "N"), (22, "N"), (23, "NE"), (90, "E"), (200, "S"), (337, "NW"), (338, "N"), (360, "N")]
)
def test_compass(degrees, point):
    assert compass(degrees) == point


@pytest.mark.parametrize(("strength", "word"), [(0.1, "faint"), (0.22, "weak"), (0.6, "moderate"), (1.0, "strong")])
def test_strength(strength, word):
    assert strength_words(strength) == word


def test_every_position_and_kind_of_spot_has_words_that_are_not_the_bare_code_word():
    for position in Position:
        for rock in (False, True):
            told = POSITION_WORDS[position, rock]
            assert " " in told
            assert told != position.value
    assert len(set(POSITION_WORDS.values())) == 6
    assert set(SPOT_WORDS) == set(SpotKind)
    assert not any("-" in words for words in SPOT_WORDS.values())


def test_techniques_name_the_tops_as_the_lake_has_them(lake):
    row = next(row for row in techniques().technique if row.id == "tops-lee-spinner")
    assert "over the weed tops" in technique_words(row.how, lake("thrennick"))
    assert "over the top of the rock" in technique_words(row.how, lake("skarrow"))


def test_sentences():
    assert (sentence("a fact"), sentence("Is it?"), sentence("")) == ("A fact.", "Is it?", "")
    assert (listed(["a"]), listed(["a", "b", "c"]), listed([])) == ("a", "a, b and c", "")
