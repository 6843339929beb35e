from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.errors import Refused
from bitewatch.water.correction import Moments, condition
from bitewatch.water.day_course import day_course_c
from bitewatch.water.reading import Reading
from bitewatch.water.readings import (
    joined_by_day,
    parse_depth_m,
    parse_temperature,
    question,
    reading_errors,
    readings_from_csv,
)

ZONE = ZoneInfo("America/Chicago")
NOW = datetime(2026, 7, 20, 14, tzinfo=UTC)  # nine in the morning there
WEST = -93.0  # six hours behind UTC by the sun
NOON = datetime(2026, 7, 15, 18, tzinfo=UTC)  # by that sun


def read(*lines, header="time,water_temp_c", now=NOW):
    return readings_from_csv("\n".join([header, *lines, ""]), zone=ZONE, now=now)


def reading(at=NOON, temp_c=22.0, source="typed", **more):
    return Reading(**({"at": at, "temp_c": temp_c, "source": source, "known_at": at} | more))


# typed


#: 32 degF is 0 degC and 212 degF 100 degC by definition
@pytest.mark.parametrize(
    ("text", "temp_c"),
    [("32F", 0.0), ("212 degF", 100.0), ("71.6 f", 22.0), ("50°F", 10.0), ("22.2C", 22.2), ("22 °C", 22.0),
     (" 22.5 degC ", 22.5), ("-0.3C", -0.3)],
)  # fmt: skip
def test_a_temperature_with_its_unit(text, temp_c):
    assert parse_temperature(text) == pytest.approx(temp_c, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "asked"),
    [("72", "in which unit? write 72F or 72C"), ("72K", "in which unit"), ("warm", "write it as 72F or 22.5C"),
     ("", "is not a temperature"), ("nanF", "is not a temperature"), ("7 2F", "is not a temperature")],
)  # fmt: skip
def test_a_temperature_that_cannot_be_understood(text, asked):
    with pytest.raises(Refused, match=asked.replace("?", r"\?")):
        parse_temperature(text)


@given(st.integers(-50, 1300))
def test_tenths_of_either_unit_come_through(tenths):
    number = f"{tenths / 10:.1f}"
    assert parse_temperature(number + "C") == tenths / 10
    assert parse_temperature(number + "F") == pytest.approx((tenths / 10 - 32) * 5 / 9)


def test_a_depth_with_its_unit():
    assert (parse_depth_m("2ft"), parse_depth_m("0.6 m")) == (pytest.approx(0.6096), 0.6)  # 1 ft is 0.3048 m
    for text in ("2", "-1m", "deep"):
        with pytest.raises(Refused, match="write it as 2ft or"):
            parse_depth_m(text)


# questioned


@pytest.mark.parametrize("temp_c", [-0.5, 0.0, 22.0, 33.0, 40.0])
def test_what_a_lake_can_have_is_not_questioned(temp_c):
    assert question(temp_c) == ""


@pytest.mark.parametrize(
    ("temp_c", "asked"),
    [
        (72.0, "72 degC is hotter than any lake; in degF it would be 22.2 degC"),
        (41.0, "41 degC is hotter than any lake; in degF it would be 5.0 degC"),
        (150.0, "150 degC is hotter than any lake"),  # 65.6 degC were it degF: no better
        ((22.0 - 32) / 1.8, "-5.6 degC (22 degF) is colder than any open water; 22 degC would make sense"),
        (-30.0, "-30.0 degC (-22 degF) is colder than any open water"),
    ],
)
def test_the_other_unit_is_named_where_it_would_make_sense(temp_c, asked):
    assert question(temp_c) == asked


def test_the_lakes_own_model_asks():
    assert question(32.0, expected_c=21.0, expected_sd_c=1.0) == (
        "32.0 degC is 11 degC warmer than this lake should be (21, give or take 1)"
    )
    assert "9 degC colder than" in question(12.0, expected_c=21.0, expected_sd_c=0.4)
    assert "give or take 1" in question(12.0, expected_c=21.0, expected_sd_c=0.4)
    assert "as 39 degF it would fit" in question(39.0, expected_c=5.0, expected_sd_c=1.0)
    assert "as 5 degC" not in question(5.0, expected_c=21.0, expected_sd_c=1.0)  # as degC it would be 41


@pytest.mark.parametrize(("off", "sd", "asked"), [(4.9, 0.1, False), (5.1, 0.1, True), (5.1, 2.0, False)])
def test_five_degrees_and_four_spreads_are_the_bound(off, sd, asked):
    assert bool(question(21.0 + off, expected_c=21.0, expected_sd_c=sd)) == asked
    assert bool(question(21.0 - off, expected_c=21.0, expected_sd_c=sd)) == asked


# from a file


def test_columns_in_any_order_and_either_unit():
    text = "# mine\nwater_temp_f, depth_ft ,time\n71.6,2,2026-07-10T15:00\n\n# a remark\n68,,2026-07-11T20:00Z\n"
    (first, second), faults = readings_from_csv(text, zone=ZONE, now=NOW)
    assert faults == ()
    assert first.at == datetime(2026, 7, 10, 20, tzinfo=UTC)  # the lake's wall time, five hours behind in summer
    assert (first.temp_c, first.depth_m) == (pytest.approx(22.0), pytest.approx(0.6096))
    assert (first.hour_known, first.source, first.known_at) == (True, "file", first.at)
    assert (second.at, second.depth_m) == (datetime(2026, 7, 11, 20, tzinfo=UTC), None)
    assert second.temp_c == pytest.approx(20.0)


@pytest.mark.parametrize("header", ["time,water_temp_c", "date,water_temp_c", "Date,Water_Temp_C"])
@pytest.mark.parametrize("day", ["2026-01-10", "20260110"])
def test_a_day_alone_stands_at_its_noon_with_the_hour_not_known(header, day):
    (one,), faults = read(f"{day},2", header=header)
    assert (one.at, one.hour_known, faults) == (datetime(2026, 1, 10, 18, tzinfo=UTC), False, ())


def test_good_rows_stay_and_each_fault_is_told_by_its_line():
    taken, faults = read(
        "2026-07-01T12:00,22", "# 3", "noon,22", "2026-07-01T12:00,72", "2026-07-02T12:00,warm", "2026-07-03",
        '2026-07-04T12:00,"22', "2026-07-05T12:00,22,5", "0026-07-06T12:00,22", "2026-07-07T12:00,nan",
        "2026-07-08T12:00," + "2" * 200_000, "2026-07-09T12:00,23",
    )  # fmt: skip
    assert [one.temp_c for one in taken] == [22.0, 23.0]
    wrong = {
        4: "is not a time", 5: "22.2 degC", 6: "not a number", 7: "not a number", 8: "not a line of CSV",
        9: "write 22.5 with a point", 10: "of which year", 11: "not a number", 12: "not a line of CSV",
    }  # fmt: skip
    assert len(faults) == len(wrong)
    for fault, (line, why) in zip(faults, wrong.items(), strict=True):
        assert fault.startswith(f"line {line}: ")
        assert why in fault


def test_a_depth_above_the_water_is_a_fault():
    taken, faults = read("2026-07-01,22,-0.1", "2026-07-02,22,0", header="time,water_temp_c,depth_ft")
    assert [one.depth_m for one in taken] == [0.0]
    assert faults == ("line 2: a depth must be 0 or more",)


def test_a_number_with_a_comma_in_quotes_is_taken():
    ((one,), faults) = read('2026-07-01T12:00,"22,5"')
    assert (one.temp_c, faults) == (22.5, ())


def test_the_future_is_refused_row_by_row_and_today_without_an_hour_is_not_the_future():
    taken, faults = read("2026-07-20T09:01,22", "2026-07-21,22", "2026-07-20T08:59,22", "2026-07-20,23")
    assert [fault.partition(":")[0] for fault in faults] == ["line 2", "line 3"]
    assert all("is in the future" in fault for fault in faults)
    assert [one.temp_c for one in taken] == [22.0, 23.0]
    assert taken[1].at == taken[1].known_at == datetime(2026, 7, 20, 17, tzinfo=UTC)  # it counts from noon on


def test_the_last_and_the_first_instants_of_the_calendar():
    _, faults = read("9999-12-31T23:00-05:00,22", "0001-01-01T00:00+05:00,22", "9999-12-31,22")
    assert len(faults) == 3


def test_what_stands_twice_counts_once_and_the_oldest_comes_first():
    taken, _ = read("2026-07-02T12:00,22", "2026-07-01T12:00,21", "2026-07-02T12:00,22", "2026-07-02T17:00Z,22")
    assert [one.temp_c for one in taken] == [21.0, 22.0]
    assert len(read("2026-07-02T12:00,22", "2026-07-02T12:00,22.4")[0]) == 2  # two thermometers


def test_the_repeated_hour_of_autumn_is_taken_at_its_first_turn():
    (one,), _ = read("2025-11-02T01:30,9")
    assert one.at == datetime(2025, 11, 2, 6, 30, tzinfo=UTC)


def test_a_column_that_is_not_known_is_named_once():
    taken, faults = read("2026-07-01,22,a,b,", header="time,water_temp_c,who,who,")
    assert len(taken) == 1
    assert faults == ("column who is not known and left out",)


@pytest.mark.parametrize(
    "text",
    ["", "# nothing\n", "2026-07-01,22\n", "time\n", "time,date,water_temp_c\n", "time,water_temp_c,water_temp_f\n",
     "time;water_temp_c\n", "time,time,water_temp_c\n", "time,water_temp_c,depth_m,depth_ft\n", '"time,water_temp_c\n'],
)  # fmt: skip
def test_without_a_header_nothing_is_guessed(text):
    with pytest.raises(Refused):
        readings_from_csv(text, zone=ZONE, now=NOW)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_end_as_any_system_ends_them(end):
    text = end.join(["time,water_temp_c", "2026-07-01,22", ",,", "2026-07-02,x", ""])
    taken, faults = readings_from_csv(text, zone=ZONE, now=NOW)
    assert (len(taken), [fault[:7] for fault in faults]) == (1, ["line 4:"])


@given(st.lists(st.text(alphabet="0123456789-T:+Z.,;\"'#\t \x00eEnaif_°²５", max_size=25), max_size=6))
@settings(deadline=None)
def test_whatever_stands_in_it_every_line_is_a_reading_or_a_fault(rows):
    taken, faults = read(*rows, header="time,water_temp_c,depth_m")
    assert len(taken) + len(faults) <= len(rows)
    for one in taken:
        assert one.at.utcoffset() == timedelta(0)
        assert question(one.temp_c) == ""
        assert one.depth_m is None or one.depth_m >= 0


# a gauge is one thermometer


def gauge(first, count, step_h=1.0, level_c=22.0, **more):
    """What a thermometer shows that follows the course of the day about a mean."""
    at = [first + timedelta(hours=step_h * n) for n in range(count)]
    by_the_sun = [(one - timedelta(hours=6)).hour + one.minute / 60 for one in at]
    return [
        reading(one, level_c + float(day_course_c(hour)), source="usgs", **more)
        for one, hour in zip(at, by_the_sun, strict=True)
    ]


MIDNIGHT = NOON - timedelta(hours=12)


@pytest.mark.parametrize("count", [4, 9, 24])
def test_many_of_a_day_are_one_and_a_part_of_the_day_tells_of_the_whole(count):
    (one,) = joined_by_day(gauge(MIDNIGHT, count), WEST)
    assert one.is_day_mean
    assert one.temp_c == pytest.approx(22.0)
    assert MIDNIGHT <= one.at < MIDNIGHT + timedelta(hours=count)
    assert one.known_at == MIDNIGHT + timedelta(hours=count - 1)  # not known before its last


def test_the_day_is_that_of_the_sun_and_a_whole_one_stands_at_noon():
    joined = joined_by_day(gauge(MIDNIGHT, 48), WEST)
    assert [one.at for one in joined] == [NOON, NOON + timedelta(days=1)]


def test_two_gauges_and_a_guide_are_three():
    other = [replace(one, source="other") for one in gauge(MIDNIGHT, 24)]
    joined = joined_by_day([*gauge(MIDNIGHT, 24), reading(), *other], WEST)
    assert sorted(one.source for one in joined) == ["other", "typed", "usgs"]


def test_a_few_of_a_day_stay_as_they_are():
    few = [reading(NOON + timedelta(hours=n)) for n in range(3)]
    assert joined_by_day(few, WEST) == few


def test_of_a_probe_let_down_the_depth_that_the_model_means_is_taken():
    let_down = [reading(temp_c=22.0 - depth, depth_m=depth) for depth in (0.0, 0.3, 0.8, 2.0, 4.0, 8.0)]
    assert [one.depth_m for one in joined_by_day(let_down[::-1], WEST)] == [0.8]
    assert [one.depth_m for one in joined_by_day(let_down[3:], WEST)] == [2.0]
    two = [reading(depth_m=0.8), reading(depth_m=0.5, temp_c=23.0)]
    assert len(joined_by_day(two, WEST)) == 2  # neither is the better one


def test_depths_of_one_gauge_are_not_mixed_into_one_mean():
    chain = [*gauge(MIDNIGHT, 24, depth_m=0.5), *gauge(MIDNIGHT + timedelta(minutes=10), 24, level_c=9.0, depth_m=9.0)]
    assert [(one.depth_m, round(one.temp_c)) for one in joined_by_day(chain, WEST)] == [(0.5, 22), (9.0, 9)]


def test_joined_again_it_is_the_same():
    once = joined_by_day(gauge(MIDNIGHT, 72), WEST)
    assert joined_by_day(once, WEST) == once


def test_an_instant_at_the_edge_of_the_calendar_stops_nothing():
    edge = reading(datetime(1, 1, 1, tzinfo=UTC))
    assert joined_by_day([edge], WEST) == [edge]


# held against the model

DAY = np.arange("2026-07-10", "2026-07-20", dtype="datetime64[D]")


def held(*readings, model_c=22.0, start_sd_c=0.0, mixed_m=4.0, widen=1.0):
    model, start, mixed = (np.broadcast_to(x, DAY.shape).astype(float) for x in (model_c, start_sd_c, mixed_m))
    return reading_errors(
        readings, longitude=WEST, day=DAY, model_c=model, start_sd_c=start, season=np.full(DAY.size, 2026),
        mixed_m=mixed, widen=widen,
    )  # fmt: skip


def test_a_reading_is_reduced_to_the_mean_of_its_day():
    afternoon = held(reading(NOON + timedelta(hours=4), 23.3)).errors  # the warmest hour, 0.30 over the mean
    morning = held(reading(NOON - timedelta(hours=5.5), 22.69)).errors  # the coldest, 0.31 under it
    np.testing.assert_allclose([afternoon.error_c[0], morning.error_c[0]], 1.0)
    np.testing.assert_allclose([afternoon.scatter_c[0], morning.scatter_c[0]], 0.65)
    assert afternoon.at[0] == np.datetime64("2026-07-15").astype(int) + 16 / 24


def test_without_its_hour_it_is_taken_as_it_is_and_trusted_less():
    told = held(reading(temp_c=23.0, hour_known=False)).errors
    assert told.error_c[0] == 1.0
    assert told.scatter_c[0] == pytest.approx(np.sqrt(0.65**2 + 0.30**2))


def test_a_gauge_corrects_as_one_thermometer():
    asked = Moments(at=np.array([20649.5]), start_sd_c=np.zeros(1), season=np.array([2026]))
    assert np.datetime64(20649, "D") == np.datetime64("2026-07-15")
    many = held(*gauge(MIDNIGHT, 24, level_c=23.0))
    assert condition(asked, many.errors).correction_c[0] == pytest.approx(0.660, abs=5e-4)  # check value [own]
    assert len(many.used) == 1


def test_each_meets_the_model_of_its_own_day_and_season():
    ramp = np.arange(DAY.size, dtype=float)
    told = held(
        reading(NOON, 20.0, is_day_mean=True), reading(NOON + timedelta(days=2), 20.0, is_day_mean=True),
        model_c=15.0 + ramp, start_sd_c=ramp / 10,
    ).errors  # fmt: skip
    np.testing.assert_allclose(told.error_c, [0.0, -2.0])
    np.testing.assert_allclose(told.start_sd_c, [0.5, 0.7])
    assert told.season.tolist() == [2026, 2026]


def test_what_is_left_out_is_told_with_its_reason():
    model = np.where(np.datetime64("2026-07-12") == DAY, np.nan, 22.0)
    wrong = [
        reading(datetime(2026, 7, 9, 18, tzinfo=UTC)), reading(datetime(2026, 7, 12, 18, tzinfo=UTC)),
        reading(depth_m=6.0, source="file"), reading(NOON + timedelta(days=1), 35.0),
        reading(datetime(2026, 7, 20, 18, tzinfo=UTC)),
    ]  # fmt: skip
    found = held(*wrong, reading(NOON), model_c=model)
    assert len(found.used) == found.errors.at.size == 1
    assert set(found.unused) == set(wrong)
    assert found.left_out == (
        "the reading of 2026-07-09, 22.0 degC, is not used: no weather of that day",
        "the reading of 2026-07-12, 22.0 degC, is not used: no weather of that day",
        "the reading of 2026-07-15, 22.0 degC, is not used: it was taken below the mixed layer",
        "the reading of 2026-07-16, 35.0 degC, is not used: it is 13 degC above what this lake can have then",
        "the reading of 2026-07-20, 22.0 degC, is not used: no weather of that day",
    )


def test_the_bound_is_five_spreads_of_model_and_thermometer():
    spread = np.sqrt(0.31**2 + 0.85**2 + 0.65**2)
    for off, used in ((4.95 * spread, 1), (5.05 * spread, 0), (-5.05 * spread, 0)):
        assert len(held(reading(temp_c=22.0 + off, is_day_mean=True)).used) == used
    far = reading(temp_c=22.0 + 5.05 * spread, is_day_mean=True)
    assert len(held(far, widen=1.5).used) == len(held(far, start_sd_c=1.0).used) == 1


def test_of_many_reasons_the_newest_are_told_and_the_rest_counted():
    found = held(*(reading(datetime(2026, 5, day, 18, tzinfo=UTC)) for day in range(1, 9)))
    assert len(found.left_out) == 6
    assert found.left_out[-2].startswith("the reading of 2026-05-08")
    assert found.left_out[-1] == "and 3 more"
    assert len(found.unused) == 8


def test_without_readings_there_is_nothing_to_correct():
    assert held().errors.at.shape == (0,)
    assert held().left_out == ()
