"""Days of the air: by the sun, each a mean of its hours, and what is derived for them."""

import numpy as np
import pytest

from bitewatch.weather.daily import (
    BRIDGED_H,
    DAILY_COLUMNS,
    SKY_NOTE,
    Daily,
    daily_means,
    is_daily,
    joined,
    solar_days,
)
from bitewatch.weather.hourly import Hourly, from_points
from bitewatch.weather.humidity import saturation_vapour_hpa
from bitewatch.weather.sources.hourly_csv import hourly_from_csv

CHICAGO = {"latitude": 41.9, "longitude": -87.6}  # six hours behind by the sun


def hours(count=96, start="2026-07-01T06:00:00", **columns):
    """From six in the morning UTC, which is midnight by the sun there."""
    time = np.datetime64(start, "s") + np.arange(count) * np.timedelta64(3600, "s")
    given = {
        "air_temp_c": 20.0,
        "dew_point_c": 12.0,
        "wind_speed_ms": 3.0,
        "pressure_hpa": 1015.0,
        "shortwave_wm2": 250.0,
    }
    return from_points(
        time, {name: np.broadcast_to(value, count).astype(float) for name, value in (given | columns).items()}
    )


def test_a_day_is_the_mean_of_the_hours_that_end_in_it():
    # an hour's value at midnight belongs to the day that it ends
    rising = np.arange(96.0)
    table, notes = daily_means(hours(air_temp_c=rising), **CHICAGO)
    assert notes == ()
    assert table.day.astype(str).tolist() == ["2026-06-30", "2026-07-01", "2026-07-02", "2026-07-03", "2026-07-04"][:5]
    assert np.isnan(table["air_temp_c"][0])  # one hour is no day
    assert table["air_temp_c"][1] == pytest.approx(rising[1:25].mean())
    assert table["vapour_hpa"][1] == pytest.approx(float(saturation_vapour_hpa(12.0)))


@pytest.mark.parametrize(("longitude", "first"), [(-87.6, "2026-06-30"), (0.0, "2026-07-01"), (179.9, "2026-07-01")])
def test_days_are_counted_by_the_sun(longitude, first):
    assert str(solar_days(np.array(["2026-07-01T06:00:00"], "datetime64[s]"), longitude)[0]) == first


@pytest.mark.parametrize("missing", [BRIDGED_H, BRIDGED_H + 1])
def test_a_day_with_too_few_hours_has_no_mean(missing):
    air = np.full(96, 20.0)
    air[30 : 30 + missing] = np.nan
    table, _ = daily_means(hours(air_temp_c=air), **CHICAGO)
    assert np.isnan(table["air_temp_c"][2]) == (missing > BRIDGED_H)
    assert np.isfinite(table["wind_speed_ms"][2])


def test_vapour_from_humidity_where_there_is_no_dew_point():
    table, notes = daily_means(hours(dew_point_c=np.nan, humidity_pct=50.0), **CHICAGO)
    assert table["vapour_hpa"][1] == pytest.approx(0.5 * float(saturation_vapour_hpa(20.0)))
    assert notes == ("vapour pressure from humidity and air temperature where there is no dew point",)


def test_sunshine_from_clouds_where_it_is_not_given():
    clear, notes = daily_means(hours(shortwave_wm2=np.nan, cloud_pct=0.0), **CHICAGO)
    dull, _ = daily_means(hours(shortwave_wm2=np.nan, cloud_pct=100.0), **CHICAGO)
    assert notes == ("sunshine from the sun's height and the clouds where it is not given",)
    # clear-sky means of early July at 42 N lie near 340 to 360 W/m2 (from memory)
    assert 320 < clear["shortwave_wm2"][1] < 380
    assert dull["shortwave_wm2"][1] == pytest.approx(0.25 * clear["shortwave_wm2"][1])  # Kasten and Czeplak 1980


def test_without_either_it_is_missing():
    table, notes = daily_means(hours(shortwave_wm2=np.nan, dew_point_c=np.nan), **CHICAGO)
    assert np.isnan(table["shortwave_wm2"]).all()
    assert np.isnan(table["vapour_hpa"]).all()
    assert notes == ()


@pytest.mark.parametrize("hour", ["", "T00:00", "T12:00", "T23:59:59Z", "T22:00-05:00", "T00:00+10:00"])
def test_a_table_with_one_row_a_day_is_taken_as_it_is_whatever_the_hour(hour):
    rows = "\n".join(f"2026-05-{day:02d}{hour},{day},4.5,2,210" for day in range(1, 31))
    text = f"time,air_temp_c,dew_point_c,wind_speed_ms,shortwave_wm2\n{rows}\n"
    hourly, _ = hourly_from_csv(text.encode(), days_as_written=True)
    assert is_daily(hourly)
    table, _ = daily_means(hourly, **CHICAGO)
    assert (str(table.day[0]), str(table.day[-1])) == ("2026-05-01", "2026-05-30")
    np.testing.assert_allclose(table["air_temp_c"], np.arange(1.0, 31.0))


@pytest.mark.parametrize("hour", ["", "T03:00", "T21:00"])
def test_clouds_of_a_daily_row_tell_the_sunshine_of_its_day_as_those_of_its_hours_would(hour):
    rows = "\n".join(f"2026-05-{day:02d}{hour},15,4.5,2,50" for day in range(1, 31))
    header = "time,air_temp_c,dew_point_c,wind_speed_ms,cloud_pct"
    hourly, _ = hourly_from_csv(f"{header}\n{rows}\n".encode(), days_as_written=True)
    once, notes = daily_means(hourly, **CHICAGO)
    every = "\n".join(f"2026-05-{day:02d}T{at:02d}:00,15,4.5,2,50" for day in range(1, 31) for at in range(24))
    by_hour, _ = daily_means(hourly_from_csv(f"{header}\n{every}\n".encode())[0], **CHICAGO)
    np.testing.assert_allclose(once["shortwave_wm2"][1:-1], by_hour["shortwave_wm2"][-30:][1:-1], rtol=0.01)
    assert SKY_NOTE in notes


def days(first, *values):
    day = np.datetime64(first, "D") + np.arange(len(values))
    return Daily(day=day, columns=dict.fromkeys(DAILY_COLUMNS, np.array(values, float)))


def test_of_several_tables_the_first_tells_what_it_knows():
    whole = joined(days("2026-05-02", 1.0, np.nan), days("2026-05-01", 7.0, 8.0, 9.0, 10.0))
    assert whole.day.astype(str).tolist() == [f"2026-05-0{n}" for n in range(1, 5)]
    np.testing.assert_array_equal(whole["air_temp_c"], [7.0, 1.0, 9.0, 10.0])


def test_days_between_two_tables_are_missing():
    whole = joined(days("2026-05-01", 1.0), days("2026-05-04", 4.0))
    np.testing.assert_array_equal(whole["air_temp_c"], [1.0, np.nan, np.nan, 4.0])


def test_nothing_to_join_and_gaps_in_the_axis_are_refused():
    with pytest.raises(ValueError, match="no days"):
        joined()
    with pytest.raises(ValueError, match="without a gap"):
        Daily(day=np.array(["2026-05-01", "2026-05-03"], "datetime64[D]"), columns=days("2026-05-01", 1, 1).columns)


def test_a_stretch_of_days():
    cut = days("2026-05-01", 1.0, 2.0, 3.0).within(np.datetime64("2026-05-02"), np.datetime64("2026-06-01"))
    np.testing.assert_array_equal(cut["air_temp_c"], [2.0, 3.0])


@pytest.mark.parametrize("every", [3, 6])
def test_hours_of_every_third_or_sixth_are_enough(every):
    whole = hours()
    columns = {name: values.copy() for name, values in whole.columns.items()}
    for values in columns.values():
        values[np.arange(96) % every != 0] = np.nan
    table, notes = daily_means(Hourly(time=whole.time, columns=columns), **CHICAGO)
    assert table["air_temp_c"][2] == pytest.approx(20.0)
    assert "gaps of up to 6 hours filled straight across" in notes


def test_a_station_that_gives_no_sunshine_by_night():
    sun = np.where(np.arange(96) % 24 < 6, np.nan, 300.0)  # blank at night, or below 0 and put aside
    table, _ = daily_means(hours(shortwave_wm2=sun), **CHICAGO)
    assert np.isfinite(table["shortwave_wm2"][2])
