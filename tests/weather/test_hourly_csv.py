"""Hours out of CSV files as stations and spreadsheets write them."""

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import NoReturn

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.errors import PayloadRefused, SourceRefused, SourceUnavailable
from bitewatch.weather.hourly import COLUMNS
from bitewatch.weather.sources import hourly_csv
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Issue, Place, Received
from bitewatch.weather.sources.hourly_csv import HourlyCsv, hourly_from_csv

DATA = Path(__file__).parents[1] / "data" / "weather"
NOW = datetime(2026, 6, 1, 4, 30, tzinfo=UTC)
LAKE = Place(lake="demo", latitude=46.1, longitude=-94.2)


def test_a_station_log_becomes_whole_hours_and_says_what_it_lost() -> None:
    hourly, notes = hourly_from_csv((DATA / "station.csv").read_bytes())
    assert hourly.time[0] == np.datetime64("2026-06-01T00:00", "s")
    assert hourly.time.size == 7
    nan = np.nan
    expected = {
        "air_temp_c": [21.1, 20.6, 19.4, nan, 15.0, 13.3, 12.2],  # 01:53 stands nearer to 02:00 than 01:20 to 01:00
        "pressure_hpa": [1009.6, 1008.4, nan, nan, 1010.1, 1011.7, 1012.9],
        "wind_from_deg": [190, 200, nan, nan, 310, 320, nan],
        "precip_mm": [0.0, 0.0, 2.8, nan, 0.5, 0.0, 0.0],
        "cape_jkg": [nan] * 7,
    }
    for column, values in expected.items():
        assert np.array_equal(hourly[column], values, equal_nan=True), column
    assert set(notes) == {
        "unknown columns left out: visibility_km",
        "rows without a readable time left out: 1",
        "values of wind_from_deg that are not numbers left out: 1",
        "rows off the hour moved to the nearest hour: 6",
        "rows left out because another one is nearer to the same hour, or later in the file: 1",
        "pressure_hpa: values out of range left out: 1, the first -9999",
    }


def test_humidity_is_derived_where_only_the_dew_point_is_given() -> None:
    hourly, _ = hourly_from_csv(b"time,air_temp_c,dew_point_c\n2026-06-01T00:00Z,20.0,9.3\n")
    assert hourly["humidity_pct"][0] == pytest.approx(50.0, abs=0.3)


@pytest.mark.parametrize(
    "text",
    [
        "time,air_temp_c,wind_speed_ms\n2026-06-01T00:00Z,20.5,3\n2026-06-01T01:00Z,,4\n",
        "\ufefftime,air_temp_c,wind_speed_ms\r\n2026-06-01T00:00Z,20.5,3\r\n\r\n2026-06-01T01:00Z,NaN,4\r\n",
        "# a remark\n time , wind_speed_ms , air_temp_c \n2026-06-01 00:00, 3 , 20.5\n2026-06-01 01:00,4,M",
        '"time","air_temp_c","wind_speed_ms","",""\n"2026-05-31T19:00-05:00","20.5","3",,\n2026-06-01T03:00+02:00,-,4,,\n',
        "time,air_temp_c,wind_speed_ms\n2026-06-01T01:00Z,NA,4\n2026-06-01T00:00Z,20.5,3\n",
    ],
    ids=["plain", "from a spreadsheet", "with remarks and spaces", "quoted, with offsets", "unsorted"],
)
def test_the_same_hours_however_they_are_written(text: str) -> None:
    hourly, notes = hourly_from_csv(text.encode())
    assert hourly.time.tolist() == [datetime(2026, 6, 1, 0), datetime(2026, 6, 1, 1)]  # noqa: DTZ001 - numpy's are naive
    assert np.array_equal(hourly["air_temp_c"], [20.5, np.nan], equal_nan=True)
    assert hourly["wind_speed_ms"].tolist() == [3.0, 4.0]
    assert notes == ("no column pressure_hpa",)


def test_a_day_that_changes_the_clocks_keeps_every_hour_in_utc() -> None:
    rows = [f"2026-11-01T0{hour}:00-05:00,{hour}" for hour in (0, 1)] + ["2026-11-01T01:00-06:00,2"]
    hourly, _ = hourly_from_csv("\n".join(["time,air_temp_c", *rows]).encode())
    assert hourly.time.tolist() == [datetime(2026, 11, 1, hour) for hour in (5, 6, 7)]  # noqa: DTZ001
    assert hourly["air_temp_c"].tolist() == [0.0, 1.0, 2.0]


def test_the_nearest_to_the_hour_speaks_and_of_equals_the_last_in_the_file() -> None:
    rows = ["05:50Z,1", "06:00Z,2", "06:10Z,3", "06:50Z,4", "07:10Z,5", "08:00Z,6", "08:00Z,7"]
    hourly, notes = hourly_from_csv("\n".join(["time,air_temp_c", *(f"2026-06-01T{row}" for row in rows)]).encode())
    assert hourly["air_temp_c"].tolist() == [2.0, 5.0, 7.0]
    assert "rows off the hour moved to the nearest hour: 1" in notes
    assert "rows left out because another one is nearer to the same hour, or later in the file: 4" in notes


def test_a_row_that_breaks_off_is_left_out_whole() -> None:
    hourly, notes = hourly_from_csv(b"time,air_temp_c,wind_speed_ms\n2026-06-01T00:00Z,20.5,3\n2026-06-01T01:00Z,1")
    assert hourly.time.size == 1
    assert "rows without a cell for every column left out: 1" in notes


@pytest.mark.parametrize("cell", ["1_0", "1,5", "ten", "0x10", "inf", "1e999"])
def test_what_is_not_a_number_is_missing_and_counted(cell: str) -> None:
    hourly, notes = hourly_from_csv(f'time,air_temp_c,wind_speed_ms\n2026-06-01T00:00Z,"{cell}",3\n'.encode())
    assert np.isnan(hourly["air_temp_c"]).all()
    assert "values of air_temp_c that are not numbers left out: 1" in notes


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"", Reason.NOT_CSV),
        (b"\n\n", Reason.NOT_CSV),
        (b"<html><body>log in</body></html>", Reason.NOT_CSV),
        (b"time;air_temp_c\n2026-06-01T00:00Z;20\n", Reason.NOT_CSV),
        (b"time,temperature\n2026-06-01T00:00Z,20\n", Reason.NOT_CSV),
        (b"time,air_temp_c,air_temp_c\n2026-06-01T00:00Z,20,21\n", Reason.NOT_CSV),
        (b'time,air_temp_c\n2026-06-01T00:00Z,"20\n2026-06-01T01:00Z,20\n', Reason.NOT_CSV),
        (b"time,air_temp_c\n2026-06-01T00:00Z," + b"9" * 200_000, Reason.NOT_CSV),
        (b"time,air_temp_c\n", Reason.NO_HOURS),
        (b"time,air_temp_c\ntomorrow,20\n", Reason.NO_HOURS),
        (b"time,air_temp_c\n2026-06-01T00:00Z,M\n", Reason.NO_HOURS),
        (b"time,air_temp_c\n2026-06-01T00:00Z,20\n2926-06-01T01:00Z,20\n", Reason.WRONG_HOURS),
        ("time,air_temp_c\n2026-06-01T00:00Z,20 °C\n".encode("latin-1"), Reason.NOT_TEXT),
    ],
)
def test_a_file_without_a_usable_hour_is_refused(body: bytes, reason: Reason) -> None:
    with pytest.raises(PayloadRefused) as refused:
        hourly_from_csv(body)
    assert refused.value.reason == reason
    assert "\n" not in str(refused.value)


CELLS = st.sampled_from(
    ["2026-06-01T00:00Z", "2026-06-01T00:53", "20", "-9999", "", "M", "0001-01-01", "9999-12-31T23:59"]
)
ROWS = st.lists(st.lists(CELLS | st.text(max_size=8), max_size=4).map(",".join), max_size=8)


@given(st.permutations(["time", "air_temp_c", "humidity_pct", "wind_from_deg"]), ROWS)
def test_any_table_is_hours_or_refused(header: list[str], rows: list[str]) -> None:
    with suppress(PayloadRefused):
        hourly, _ = hourly_from_csv("\n".join([",".join(header), *rows]).encode("utf-8", "replace"))
        assert set(hourly.columns) == set(COLUMNS)
        assert not any(np.isinf(values).any() for values in hourly.columns.values())


@given(st.lists(st.tuples(st.integers(0, 300), st.integers(-300, 400).map(lambda n: n / 10)), min_size=1))
def test_whole_hours_come_through_as_they_were(points: list[tuple[int, float]]) -> None:
    by_hour = dict(points)
    rows = (f"{np.datetime64('2026-06-01T00:00', 's') + np.timedelta64(hour, 'h')}Z,{value}" for hour, value in points)
    hourly, _ = hourly_from_csv("\n".join(["time,air_temp_c", *rows]).encode())
    offsets = (hourly.time - np.datetime64("2026-06-01T00:00", "s")) // np.timedelta64(1, "h")
    for offset, value in zip(offsets.tolist(), hourly["air_temp_c"].tolist(), strict=True):
        assert value == by_hour[offset] if offset in by_hour else np.isnan(value)


class Reading:
    """Reads what it is handed, and keeps nothing."""

    def from_file(self, received: Received, read: Callable[[Received], tuple[Issue, ...]]) -> tuple[Issue, ...]:
        self.received = received
        return read(received)

    def issues(self, *_: object, **__: object) -> NoReturn:
        raise AssertionError("a file is not asked for over a network")

    facts = issues


def fetched(source: HourlyCsv, place: Place = LAKE) -> tuple[Issue, Received]:
    asking = Reading()
    (issue,) = source.fetch([source.cell(place, asking, now=NOW)], asking, now=NOW)
    return issue, asking.received


def test_each_lake_has_its_own_file_and_the_key_is_free_of_the_machine(tmp_path: Path) -> None:
    (tmp_path / "weather").mkdir()
    (tmp_path / "weather" / "demo.csv").write_bytes((DATA / "station.csv").read_bytes())
    issue, received = fetched(HourlyCsv(tmp_path, "weather/{lake}.csv"))
    assert issue.cell == received.url_key == "hourly-csv:weather/demo.csv"
    assert str(tmp_path) not in repr(received)
    other = Place(lake="other", latitude=0.0, longitude=0.0)
    shared, _ = fetched(HourlyCsv(tmp_path, "weather/demo.csv"), other)
    assert shared.cell == issue.cell


def test_a_missing_file_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(SourceUnavailable) as unavailable:
        fetched(HourlyCsv(tmp_path, "weather/{lake}.csv"))
    assert str(unavailable.value) == "hourly-csv:weather/demo.csv: the file cannot be read: No such file or directory"


def test_a_folder_in_place_of_a_file_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(SourceUnavailable, match="cannot be read: Is a directory"):
        fetched(HourlyCsv(tmp_path, "."))


def test_a_file_without_end_is_not_read_to_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hourly_csv, "MAX_BYTES", 1000)
    (tmp_path / "demo.csv").write_bytes(bytes(1001))
    with pytest.raises(SourceRefused, match="larger than"):
        fetched(HourlyCsv(tmp_path, "{lake}.csv"))
