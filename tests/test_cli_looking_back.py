"""The commands that look back: what is kept, the story of a day, known fronts and whether they came."""

import json
import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import insert

from bitewatch.cli import main
from bitewatch.cli.archive import _size
from bitewatch.errors import PayloadRefused
from bitewatch.service import clock
from bitewatch.store.events import Event, record
from bitewatch.store.migrate import open_store
from bitewatch.weather.archive import set_aside
from bitewatch.weather.sources.base import Received
from bitewatch.weather.tables import front, sighting

NOW = datetime(2026, 7, 21, 8, 0, tzinfo=UTC)  # 4 AM on the lakes of the demonstration
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
Run = Callable[..., Result]


@pytest.fixture
def run(demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Run]:
    for name in [name for name in os.environ if name.startswith("BITEWATCH_")]:
        monkeypatch.delenv(name)

    def invoke(*arguments: str, at: datetime = NOW) -> Result:
        monkeypatch.setenv(clock.MOVED, at.isoformat())
        clock._shift.cache_clear()
        folders = ["--config", str(demo), "--data", str(tmp_path / "data")]
        return CliRunner().invoke(main, [*folders, *arguments], catch_exceptions=False)

    yield invoke
    clock._shift.cache_clear()


def fine(done: Result) -> list[str]:
    """The lines that were printed, none too long for a terminal."""
    assert (done.exit_code, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    return lines


def followed(
    tmp_path: Path, *said: tuple[float, float], lake: str = "thrennick", kind: str = "cold", seen_h: float = 0.0,
    state: str = "foretold", observed_h: float | None = None,
) -> None:  # fmt: skip
    """A front with what was said of it: (hour of the issue, hour of the onset), from now."""
    store = open_store(tmp_path / "data", now=NOW)
    onset = NOW + said[-1][1] * HOUR
    with store.write() as connection:
        row = insert(front).values(
            lake=lake, kind=kind, onset=onset, earliest=onset - 3 * HOUR, latest=onset + 3 * HOUR, strength=0.7,
            told_onset=onset, source="hourly-csv", found_at=NOW + said[0][0] * HOUR, seen_at=NOW + seen_h * HOUR,
            misses=0, missed_in="", state=state, observed_onset=None if observed_h is None else NOW + observed_h * HOUR,
        )  # fmt: skip
        (number,) = connection.execute(row).inserted_primary_key or (0,)
        for seen, at in said:
            connection.execute(
                insert(sighting).values(
                    front=number, source="hourly-csv", model="file", seen_at=NOW + seen * HOUR, onset=NOW + at * HOUR,
                    strength=0.7,
                )
            )  # fmt: skip
    store.close()


# archive


@pytest.mark.parametrize(
    ("size", "said"),
    [
        (0, "0 bytes"), (999, "999 bytes"), (1000, "1.00 kB"), (4052, "4.05 kB"), (40_520, "40.5 kB"),
        (405_200, "405 kB"), (999_900, "1.00 MB"), (12_345_678, "12.3 MB"), (59.2e9, "59.2 GB"), (4.5e13, "45000 GB"),
    ],
)  # fmt: skip
def test_sizes_are_told_to_three_digits(size: float, said: str) -> None:
    assert _size(size) == said


def test_an_empty_archive_says_so(run: Run) -> None:
    lines = fine(run("archive"))
    assert lines[0] == "Nothing is kept yet."
    assert lines[1] == "Together 0 bytes, of at most 20.0 GB."


def test_what_is_kept_is_told_source_by_source(run: Run, tmp_path: Path) -> None:
    run("brief", "thrennick", "skarrow")
    store = open_store(tmp_path / "data", now=NOW)
    with store.write() as connection:
        received = Received(source="open-meteo", url_key="k", fetched_at=NOW - 9 * DAY, body=b"<html>")
        set_aside(connection, received, PayloadRefused("the body is not strict JSON", "at 1"))
    store.close()
    told = json.loads(run("archive", "--json").stdout)
    file, forecast = told["sources"]
    assert (file["source"], file["issues"], file["payloads"], file["set_aside"]) == ("hourly-csv", 1, 1, {})
    assert file["first"] == file["last"] == told["oldest_whole"] == "2026-07-21T08:00:00Z"
    assert file["bytes"] == file["bytes_per_issue"] > 1000
    assert forecast["set_aside"] == {"the body is not strict JSON": 1}
    assert told["bytes"] == file["bytes"] + forecast["bytes"] < told["file_bytes"]
    assert (told["whole_days"], told["daily_days"], told["most_bytes"]) == (60, 1100, 20_000_000_000)
    lines = fine(run("archive"))
    assert lines[:4] == [
        "hourly-csv",
        "  kept       1 issue in 1 payload",
        "  came       2026-07-21 08:00 to 2026-07-21 08:00 UTC",
        f"  size       {_size(file['bytes'])}, {_size(file['bytes'])} an issue",
    ]
    assert "  set aside  1: the body is not strict JSON" in lines
    assert "Every issue is kept for 60 days; the oldest of them is of 2026-07-21." in lines


def test_a_store_is_compacted_when_asked(run: Run, tmp_path: Path) -> None:
    store = open_store(tmp_path / "data", now=NOW)
    with store.write() as connection:
        connection.exec_driver_sql("CREATE TABLE ballast AS SELECT randomblob(3000000) AS b")
    with store.write() as connection:
        connection.exec_driver_sql("DROP TABLE ballast")
    store.close()
    before = json.loads(run("archive", "--json").stdout)
    after = json.loads(run("archive", "--compact", "--json").stdout)
    assert before["free_bytes"] > 3_000_000 > after["free_bytes"] == 0
    assert after["file_bytes"] < before["file_bytes"] - 2_900_000
    assert fine(run("archive"))[-1].endswith(", 0 bytes of it free.")


# events


def test_the_story_of_a_day_by_the_clock_of_the_lake(run: Run, tmp_path: Path) -> None:
    run("brief", "thrennick")
    run("subscribe", "thrennick", "--to", f"file:{tmp_path / 'out'}", "--at", "04:30")
    assert run("watch", "--once", at=NOW + HOUR).exit_code == 0
    store = open_store(tmp_path / "data", now=NOW)
    with store.write() as connection:
        for hours, reason in ((-4.5, "yesterday"), (-3.5, "after\nmidnight"), (20.5, "tomorrow")):
            record(
                connection, Event.FRONT_GONE, at=NOW + hours * HOUR, subject="thrennick", reason=reason
            )  # fmt: skip
        record(connection, Event.FRONT_GONE, at=NOW, subject="skarrow", reason="elsewhere")
    store.close()
    done = run("events", "thrennick")
    assert (done.exit_code, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0] == "12:30 AM  FrontGone         after midnight"
    assert {line[:10] for line in lines[1:]} == {" 4:00 AM  ", " 5:00 AM  "}
    names = [line[10:].split()[0] for line in lines]
    assert {"ForecastArrived", "BriefDecided", "MessageSent"} <= set(names)
    assert names.index("ForecastArrived") < names.index("BriefDecided") < names.index("MessageSent")
    assert "brief of 2026-07-21: " in next(line for line in lines if "BriefDecided" in line)
    assert "elsewhere" not in done.stdout
    told = json.loads(run("events", "thrennick", "--json").stdout)
    assert [one["event"] for one in told] == names
    assert told[0] | {"details": {}} == {
        "at": "2026-07-21T04:30:00Z", "event": "FrontGone", "subject": "thrennick", "reason": "after midnight",
        "details": {},
    }  # fmt: skip
    day_before = run("events", "thrennick", "--day", "2026-07-20").stdout.splitlines()
    assert day_before == ["11:30 PM  FrontGone         yesterday"]


def test_a_day_without_a_story_says_so(run: Run) -> None:
    assert fine(run("events", "thrennick")) == ["Nothing is written down of Lake Thrennick on 2026-07-21."]
    assert json.loads(run("events", "thrennick", "--json").stdout) == []
    for wrong, right in (("thrennik", "did you mean thrennick?"), ("--day=7/21", "is not a day")):
        done = run("events", *(["thrennick", wrong] if wrong.startswith("-") else [wrong]))
        assert (done.exit_code, done.stdout) == (1, "")
        assert right in done.stderr


# fronts


def test_known_fronts_are_listed_with_their_range_and_how_they_moved(run: Run, tmp_path: Path) -> None:
    followed(tmp_path, (-50, 12), (-20, 18))
    followed(tmp_path, (-90, -30), state="confirmed", observed_h=-28)
    followed(tmp_path, (-60, -10), seen_h=-1)
    followed(tmp_path, (-800, -740))
    followed(tmp_path, (-50, 12), lake="skarrow")
    lines = fine(run("fronts", "thrennick"))
    assert lines == [
        "moderate cold front, confirmed: Sun Jul 19 about 10 PM",
        "  between Sun Jul 19 about 7 PM and Mon Jul 20 about 1 AM, by hourly-csv",
        "  first told Fri Jul 17 about 10 AM, not moved since",
        "  measured at a station Mon Jul 20 about 12 AM",
        "moderate cold front, passed by its source's account: Mon Jul 20 about 6 PM",
        "  between Mon Jul 20 about 3 PM and Mon Jul 20 about 9 PM, by hourly-csv",
        "  first told Sat Jul 18 about 4 PM, not moved since",
        "moderate cold front, foretold: Tue Jul 21 about 10 PM",
        "  between Tue Jul 21 about 7 PM and Wed Jul 22 about 1 AM, by hourly-csv",
        "  first told Sun Jul 19 about 2 AM, now 6 h later",
    ]
    told = json.loads(run("fronts", "thrennick", "--json").stdout)
    assert told[2] == {
        "kind": "cold", "onset": "2026-07-22T02:00:00Z", "earliest": "2026-07-21T23:00:00Z",
        "latest": "2026-07-22T05:00:00Z", "strength": 0.7, "word": "moderate", "standing": "foretold",
        "source": "hourly-csv", "found": "2026-07-19T06:00:00Z", "seen": "2026-07-21T08:00:00Z", "observed": None,
        "moved_h": 6,
    }  # fmt: skip
    assert fine(run("fronts", "umberfold")) == ["No front is known of Umberfold Pond."]


def test_fronts_are_verified_and_drawn(run: Run, tmp_path: Path) -> None:
    # the file of the demonstration is confirmed at every look: from the first look on there is always one at hand;
    # the lakes share that file
    run("brief", "thrennick")
    store = open_store(tmp_path / "data", now=NOW)
    with store.write() as connection:  # as if that first look had been ten days ago
        for table, columns in (("payload", ("fetched_at",)), ("issue", ("retrieved_at",))):
            for column in columns:
                connection.exec_driver_sql(f"UPDATE {table} SET {column} = '2026-07-11T08:00:00Z'")
    store.close()
    followed(tmp_path, (-200, -100), (-150, -97), seen_h=-50, lake="skarrow")
    followed(tmp_path, (-80, -40), seen_h=-70, state="gone", lake="skarrow")
    png = tmp_path / "verified.png"
    lines = fine(run("fronts", "skarrow", "--verify", "--plot", str(png)))
    assert lines[0] == "Cold fronts of Skarrow Lake: 1 passed in 10 days that can be judged,"
    assert lines[1] == "0 by a station's hours and 1 by later issues of the source itself."
    assert lines[2] == "Not enough yet: 1 passage; 20 begin to tell something."
    assert lines[6:] == [
        "    0          1         0         0  1.00  0.00  1.00     +0.0   +0.0 to +0.0",
        "    1          1         0         1  1.00  0.50  0.50     +0.0   +0.0 to +0.0",
        "    2          1         0         0  1.00  0.00  1.00     +0.0   +0.0 to +0.0",
        "    3          1         0         0  1.00  0.00  1.00     -3.0   -3.0 to -3.0",
        "    4          1         0         0  1.00  0.00  1.00     -3.0   -3.0 to -3.0",
        "    5          0         0         0     -     -     -        -              -",
        "    6          0         0         0     -     -     -        -              -",
    ]
    assert png.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    told = json.loads(run("fronts", "skarrow", "--verify", "--json").stdout)
    assert told["passages"] == {"station": 0, "archive": 1}
    assert told["lead_days"][3] == {
        "lead_days": 3, "hits": 1, "misses": 0, "false_alarms": 0, "duplicates": 0, "unjudged": 0, "pod": 1.0,
        "far": 0.0, "csi": 1.0, "error_h": -3.0, "error_low_h": -3.0, "error_high_h": -3.0, "off_by_h": 3.0,
    }  # fmt: skip
    done = run("fronts", "skarrow", "--verify", "--plot", str(tmp_path / "nowhere" / "x.png"))
    assert (done.exit_code, done.stdout) == (1, "")
    assert "x.png: cannot be written" in done.stderr


def test_nothing_to_verify_says_so(run: Run) -> None:
    lines = fine(run("fronts", "thrennick", "--verify"))
    assert lines[2] == "Not enough yet: 0 passages; 20 begin to tell something."


@pytest.mark.parametrize(
    ("arguments", "right"),
    [
        (["x.csv"], "give --lat"), (["X.CSV", "--lat", "41", "--verify"], "are for a lake"),
        (["x.csv", "--lat", "41", "--plot", "p.png"], "are for a lake"),
        (["thrennick", "--lat", "41"], "is for a file"), (["thrennick", "--plot", "p.png"], "give both"),
    ],
)  # fmt: skip
def test_a_lake_and_a_file_have_their_own_options(run: Run, arguments: list[str], right: str) -> None:
    done = run("fronts", *arguments)
    assert (done.exit_code, done.stdout) == (2, "")
    assert right in done.stderr


def test_hours_too_few_to_judge_say_so(demo: Path, tmp_path: Path) -> None:
    header, *rows = [
        line for line in (demo / "weather" / "invented-hours.csv").read_text("utf-8").splitlines() if line[:1] != "#"
    ]
    for hours, in_sight in ((100, 96), (1, 0)):
        file = tmp_path / "few.csv"
        file.write_text("\n".join([header, *rows[:hours]]), "utf-8")
        done = CliRunner().invoke(main, ["fronts", str(file), "--lat", "41.3"], catch_exceptions=False)
        assert done.exit_code == 0
        assert done.stderr.splitlines()[-1] == (
            f"{file}: too few hours to say that there was no front: {in_sight} in a row can be judged, 120 are needed"
        )
        assert done.stdout.startswith("kind,onset_utc,strength,score\n")
