"""The command line as a person and a program meet it: what is printed, what is refused, and with which exit code."""

import json
import logging
import os
import re
import resource
import sqlite3
import statistics
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner, Result

from bitewatch.cli import COMMANDS, main
from bitewatch.service import clock

DAY = "2026-07-21"
Run = Callable[..., Result]


@pytest.fixture
def config(demo: Path, tmp_path: Path) -> Path:
    """A copy of the demonstration that a test may spoil."""
    folder = tmp_path / "config"
    for file in demo.rglob("*.*"):
        copied = folder / file.relative_to(demo)
        copied.parent.mkdir(parents=True, exist_ok=True)
        copied.write_bytes(file.read_bytes())
    return folder


@pytest.fixture
def run(config: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Run]:
    for name in [name for name in os.environ if name.startswith("BITEWATCH_")]:
        monkeypatch.delenv(name)

    def invoke(*arguments: str, at: str = f"{DAY}T08:00:00+00:00") -> Result:
        monkeypatch.setenv(clock.MOVED, at)
        clock._shift.cache_clear()  # a process moves its clock once; this one plays many
        folders = ["--config", str(config), "--data", str(tmp_path / "data")]
        return CliRunner().invoke(main, [*folders, *arguments], catch_exceptions=False)

    yield invoke
    clock._shift.cache_clear()


def refused(done: Result, code: int = 1) -> str:
    """What was said of an input that was refused: one line, and nothing on the way to a program."""
    assert (done.exit_code, done.stdout) == (code, "")
    assert done.stderr.endswith("\n")
    assert done.stderr.count("\n") == 1
    return done.stderr.strip()


# brief


def test_a_brief_reads_aloud(run: Run) -> None:
    done = run("brief", "thrennick", "--day", DAY)
    assert (done.exit_code, done.stderr) == (0, "")
    first, *rest = done.stdout.splitlines()
    assert first.startswith("Lake Thrennick: crappie ")
    assert [title for title in ("WHY", "WHERE", "HOW", "CAUTIONS", "NOT KNOWN") if title not in rest] == []
    assert max(map(len, done.stdout.splitlines())) <= 72
    assert done.stdout.encode("latin-1")  # an old terminal shows it too


def test_without_a_day_a_file_gives_the_last_day_it_serves_and_says_so(run: Run) -> None:
    # the file ends on 25 July, 23:00 UTC; the clock stands days after it
    at = "2026-09-01T08:00:00+00:00"
    told = json.loads(run("brief", "thrennick", "--json", at=at).stdout)
    assert told["day"] == "2026-07-25"
    said = "This is for 2026-07-25, the last day that the file of hours serves; no other day was asked for."
    assert told["sections"][0] == {"key": "notice", "title": "Note", "lines": [said]}
    assert "for 2026-07-25, the last day" in " ".join(run("brief", "thrennick", at=at).stdout.split())
    evening = json.loads(run("brief", "thrennick", "--json", "--hours", "18:00-21:00", at=at).stdout)
    assert evening["day"] == "2026-07-24"  # the evening of the 25th is not whole


def test_without_a_day_it_is_today_while_the_file_serves_today(run: Run) -> None:
    told = json.loads(run("brief", "thrennick", "--json").stdout)
    assert told["day"] == DAY
    assert "notice" not in [section["key"] for section in told["sections"]]


def test_json_is_as_its_schema_says_with_and_without_a_call(run: Run) -> None:
    schema = json.loads(run("brief", "--schema").stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for arguments in (["thrennick", "umberfold", "skarrow"], ["thrennick", "--day", "2025-01-01"]):
        done = run("brief", *arguments, "--json")
        assert (done.exit_code, done.stderr) == (0, "")
        told = json.loads(done.stdout)
        validator.validate(told)
        del told["lakes"][0]["name"]
        assert not validator.is_valid(told)


def test_the_page_and_the_files(run: Run, tmp_path: Path) -> None:
    page, folder = tmp_path / "brief.html", tmp_path / "out"
    done = run("brief", "thrennick", "--day", DAY, "--html", str(page), "--files", str(folder))
    assert (done.exit_code, done.stderr) == (0, "")
    html = page.read_text("utf-8")
    assert html.lower().startswith("<!doctype html>")
    pictures = re.findall(r'src="([^"]*)"', html)
    assert pictures
    assert all(picture.startswith("data:image/png;base64,") for picture in pictures)
    assert sorted(file.suffix for file in folder.iterdir()) == [".eml", ".html", ".json"]
    message = json.loads(next(folder.glob("*.json")).read_text("utf-8"))
    assert message["type"] == "bitewatch.brief"
    assert message["data"]["day"] == DAY


def test_what_cannot_be_written_is_refused_in_one_line(run: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    inside = str(tmp_path / "file" / "brief")
    assert "cannot be written" in refused(run("brief", "thrennick", "--day", DAY, "--html", inside))
    assert "cannot be written" in refused(run("brief", "thrennick", "--day", DAY, "--files", inside))


@pytest.mark.parametrize(
    ("arguments", "right"),
    [
        (["brief", "thrennik"], "did you mean thrennick?"),
        (["brief", "zzz"], "there are skarrow, thrennick, umberfold"),
        (["brief", "thrennick", "--day", "21.7.2026"], "write YYYY-MM-DD"),
        (["brief", "thrennick", "--day", "2026-02-30"], "is not a day"),
        (["brief", "thrennick", "--hours", "5-11"], "write HH:MM"),
        (["brief", "thrennick", "--hours", "05:30"], "write them as 05:30-11:00"),
        (["brief", "thrennick", "--hours", "05:30-05:30"], "longer than 18 hours"),
        (["rules", "zzz", "--at", "2026-07-21T07:00"], "there are"),
        (["rules", "thrennick", "--at", "noon"], "write YYYY-MM-DDTHH:MM"),
        (["subscribe", "thrennick", "--to", "ftp://x", "--at", "04:30"], "accepted are mailto:"),
        (["subscribe", "thrennick", "--to", "http://example.org/x", "--at", "04:30"], "accepted are"),
        (["subscribe", "thrennick", "--to", "file:briefs", "--at", "4h"], "write HH:MM, such as 04:30"),
        (["subscribe", "thrennick", "--to", "file:briefs", "--at", "04:30", "--days", "weekend"], "write them as sat"),
        (["unsubscribe", "none"], "bitewatch subscriptions lists them"),
        (["fronts", "/no/such/file.csv", "--lat", "41"], "No such file"),
    ],
)
def test_refused_with_what_would_be_right(run: Run, arguments: list[str], right: str) -> None:
    assert right in refused(run(*arguments))


@pytest.mark.parametrize(
    "arguments",
    [
        ["brief"], ["brief", "thrennick", "--dya", DAY], ["rules", "thrennick"], ["rules", "--at", DAY], ["nothing"],
        ["subscribe", "thrennick"], ["fronts", "x.csv"], ["fronts", "x.csv", "--lat", "91"],
        ["subscribe", "thrennick", "--to", "file:briefs", "--at", "04:30", "--for", "monday"],
    ],
)  # fmt: skip
def test_a_wrong_use_is_exit_code_2(run: Run, arguments: list[str]) -> None:
    done = run(*arguments)
    assert (done.exit_code, done.stdout) == (2, "")
    assert "Usage:" in done.stderr


def test_every_fault_of_a_config_folder_is_told_a_line_each(run: Run, config: Path) -> None:
    (config / "bitewatch.toml").write_text("units = 'imperial'\n[sources]\norder = ['hourly-csv']\n", "utf-8")
    (config / "lakes" / "skarrow.toml").write_text("name = 'Skarrow'\nlatitude = 141\nlongitude = -74\n", "utf-8")
    done = run("brief", "thrennick")
    assert (done.exit_code, done.stdout) == (1, "")
    lines = done.stderr.splitlines()
    assert [re.split(r": (?=is )| = ", line)[0] for line in lines] == [
        "bitewatch.toml: units", "bitewatch.toml: sources.hourly-csv.file", "lakes/skarrow.toml: latitude",
    ]  # fmt: skip


def test_no_weather_at_all_is_a_brief_that_says_so_and_exit_code_3(run: Run, config: Path) -> None:
    # The brief is still printed: its cautions hold, and a program finds no_call. 3 tells a script what 0 would hide.
    file = config / "weather" / "invented-hours.csv"
    kept = file.read_bytes()
    file.unlink()
    done = run("brief", "thrennick", "--json")
    assert (done.exit_code, done.stderr) == (3, "")
    told = json.loads(done.stdout)
    assert "the file cannot be read: No such file or directory" in told["lakes"][0]["no_call"]
    assert told["lakes"][0]["calls"] == []
    told_of_rules = refused(run("rules", "thrennick", "--at", f"{DAY}T07:00"), 3)
    assert "the file cannot be read" in told_of_rules
    # a file that was read once stands in for itself while it is away
    file.write_bytes(kept)
    assert run("brief", "thrennick").exit_code == 0
    file.unlink()
    done = run("brief", "thrennick", "--json")
    assert (done.exit_code, done.stderr) == (0, "")
    assert json.loads(done.stdout)["lakes"][0]["calls"] != []
    assert "the file cannot be read" in " ".join(json.loads(done.stdout)["lakes"][0]["doubts"])


def test_a_day_that_the_hours_miss_is_told_and_not_a_failure(run: Run) -> None:
    done = run("brief", "thrennick", "--day", "2025-01-01")
    assert (done.exit_code, done.stderr) == (0, "")
    assert "miss the trip" in " ".join(done.stdout.split())


# rules and fronts


def test_the_rule_book_is_listed(run: Run) -> None:
    told = json.loads(run("rules", "--json").stdout)
    ids = [rule["id"] for rule in told["rules"]]
    assert {"cold-front-day-one", "stable-warm-spell", "baseline"} <= set(ids)
    text = run("rules").stdout
    assert text.startswith(f"{len(ids)} rules, book {told['hash'][:12]}")
    assert [one for one in ids if f"\n{one}  (" not in text] == []
    assert text.count("source: ") == len(ids)


def test_which_rules_fired_at_an_hour_and_how_much_they_moved(run: Run) -> None:
    done = run("rules", "thrennick", "--at", f"{DAY}T07:00", "--json")
    assert (done.exit_code, done.stderr) == (0, "")
    told = json.loads(done.stdout)
    assert told["at"] == f"{DAY}T11:00:00Z"  # 07:00 on the lake
    assert run("rules", "thrennick", "--at", f"{DAY}T11:00Z", "--json").stdout == done.stdout
    assert run("rules", "thrennick", "--at", f"{DAY}T13:00+02:00", "--json").stdout == done.stdout
    crappie = told["calls"]["crappie"]
    assert sum(crappie["probability"].values()) == pytest.approx(1, abs=2e-4)
    front = next(row for row in crappie["fired"] if row["rule"] == "cold-front-day-one")
    assert front["moved"]["tight"] > 0 > front["moved"]["high"]
    text = run("rules", "thrennick", "--at", f"{DAY}T07:00").stdout
    assert f"{front['moved']['tight']:+.2f}" in text
    assert "cold-front-day-one" in text


def test_fronts_read_only_their_file(demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BITEWATCH_CONFIG", str(tmp_path / "nowhere"))
    monkeypatch.setenv("BITEWATCH_DATA", str(tmp_path / "nowhere"))
    file = demo / "weather" / "invented-hours.csv"
    done = CliRunner().invoke(main, ["fronts", str(file), "--lat", "41.3"], catch_exceptions=False)
    assert (done.exit_code, done.stderr) == (0, "")
    header, *rows = done.stdout.splitlines()
    assert header == "kind,onset_utc,strength,score"
    assert [row.split(",")[1][:10] for row in rows] == ["2026-07-11", "2026-07-21"]
    as_json = CliRunner().invoke(main, ["fronts", str(file), "--lat", "41.3", "--json"], catch_exceptions=False)
    assert [f"{one['kind']},{one['onset_utc']}" for one in json.loads(as_json.stdout)] == [
        row.rsplit(",", 2)[0] for row in rows
    ]
    assert not (tmp_path / "nowhere").exists()


def test_fronts_of_what_is_no_table_is_one_line(tmp_path: Path) -> None:
    for content in (b"", b"\xff\xfe\x00", b"time;air\n", b"time,air_temp_c\nyesterday,20\n"):
        (tmp_path / "hours.csv").write_bytes(content)
        line = refused(CliRunner().invoke(main, ["fronts", str(tmp_path / "hours.csv"), "--lat", "41"]))
        assert line.startswith(str(tmp_path / "hours.csv"))


# subscriptions


def test_subscribe_list_and_unsubscribe(run: Run, tmp_path: Path) -> None:
    assert run("subscriptions").stdout == "No subscriptions yet; bitewatch subscribe makes one.\n"
    out = tmp_path / "out"
    given = ["--to", f"file:{out}", "--at", "20:15", "--for", "tomorrow", "--hours", "6:00-10:30", "--days", "sat,sun"]
    done = run("subscribe", "thrennick", "skarrow", "thrennick", *given)
    assert (done.exit_code, done.stderr) == (0, "")
    new = done.stdout.partition(":")[0]
    assert "there already" in refused(run("subscribe", "thrennick", "skarrow", *given))
    assert json.loads(run("subscriptions", "--json").stdout) == [
        {
            "id": new, "channel": "file", "address": str(out), "lakes": ["thrennick", "skarrow"], "at": "20:15",
            "for": "tomorrow", "hours": "06:00-10:30", "days": ["sat", "sun"],
        }
    ]  # fmt: skip
    assert run("subscriptions").stdout == (
        f"{new}  20:15 for tomorrow, sat,sun, trip 06:00-10:30: thrennick, skarrow to {out}\n"
    )
    assert run("unsubscribe", new).stdout == f"{new} ended: thrennick, skarrow to {out}\n"
    assert json.loads(run("subscriptions", "--json").stdout) == []
    assert not out.exists()


def test_what_waits_is_cancelled_when_a_reader_leaves(
    run: Run, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    done = run("subscribe", "thrennick", "--to", "mailto:reader@example.net", "--at", "04:30")
    assert "No [smtp] in bitewatch.toml yet" in done.stderr
    new = done.stdout.partition(":")[0]
    at = f"{DAY}T08:40:00+00:00"
    assert run("watch", "--once", at=at).stdout == "sent 0, deferred 0, refused 0, unknown 0\n"
    assert [one.getMessage() for one in caplog.records if one.levelno >= logging.WARNING] == [
        "mails wait until this is mended and the service starts again: there is no [smtp] in the settings"
    ]
    assert run("unsubscribe", new, at=at).exit_code == 0
    assert run("watch", "--once", at=at).exit_code == 0
    with closing(sqlite3.connect(tmp_path / "data" / "bitewatch.sqlite")) as connection:
        assert connection.execute("SELECT state, last_error FROM outbox").fetchall() == [("cancelled", "unsubscribed")]


def test_a_webhook_secret_is_shown_once_and_no_secret_ever_again(
    run: Run, config: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    toml = config / "bitewatch.toml"
    toml.write_text(
        toml.read_text("utf-8")
        + '\n[webhook]\nallow_lan = ["127.0.0.1:9"]\n'
        + '[smtp]\nhost = "127.0.0.1"\nport = 9\nsender = "bitewatch@example.org"\nuser = "pat"\n',
        "utf-8",
    )
    monkeypatch.setenv("BITEWATCH_SMTP_PASSWORD", "canary-in-a-coal-mine")
    made = run("subscribe", "thrennick", "--to", "http://127.0.0.1:9/in", "--at", "04:30")
    assert made.exit_code == 0
    secret = made.stdout.split()[-1]
    assert secret.startswith("whsec_")
    caplog.set_level(logging.DEBUG)
    said = []
    said.append(run("subscribe", "skarrow", "--to", "http://127.0.0.1:9/in", "--at", "04:30"))  # the address is known
    said.append(run("subscribe", "skarrow", "--to", "http://127.0.0.1:9/in", "--at", "04:30"))  # refused
    said.append(run("subscribe", "skarrow", "--to", "mailto:pat@example.org", "--at", "04:30"))
    said.append(run("subscriptions"))
    said.append(run("subscriptions", "--json"))
    said.append(
        run("watch", "--once", at=f"{DAY}T08:40:00+00:00")
    )  # nothing listens on port 9: each try fails, and the log tells of it
    said.append(run("brief", "thrennick", "--json"))
    toml.write_text(toml.read_text("utf-8") + 'password = "x"\n', "utf-8")
    said.append(run("subscriptions"))  # refused config
    assert [one.exit_code for one in said] == [0, 1, 0, 0, 0, 0, 0, 1]
    assert said[5].stdout == "sent 0, deferred 3, refused 0, unknown 0\n"
    everything = "".join(one.output for one in said) + caplog.text
    assert caplog.text.count("MessageFailed") == 3
    assert "whsec_" not in everything  # nor a secret that would not be the one that signs
    for canary in (secret, secret.removeprefix("whsec_"), "canary-in-a-coal-mine"):
        assert canary not in everything


def test_a_store_that_fails_is_one_line(run: Run, tmp_path: Path) -> None:
    assert run("subscriptions").exit_code == 0
    store = tmp_path / "data" / "bitewatch.sqlite"
    with closing(sqlite3.connect(store)) as connection:
        connection.execute("DROP TABLE subscription")
    line = refused(run("subscriptions"))
    assert line == f"{tmp_path / 'data'}: the store cannot be used now: no such table: subscription"
    store.write_bytes(b"no store at all")
    assert refused(run("subscriptions")).startswith(f"{store}: the store is not a database")


# the start


def child(*arguments: str, **options: Any) -> "subprocess.CompletedProcess[str]":
    environment = {name: value for name, value in os.environ.items() if not name.startswith("BITEWATCH_")}
    return subprocess.run(
        [sys.executable, *arguments], env=environment, text=True, capture_output=True, timeout=60, **options
    )


def test_help_starts_under_a_fifth_of_a_second() -> None:
    program = "from bitewatch.cli import main; main()"
    seconds = []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = child("-c", program, "--help")
        after = resource.getrusage(resource.RUSAGE_CHILDREN)  # other work on the machine is not ours
        seconds.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        assert done.returncode == 0
        assert [name for name in COMMANDS if f"\n  {name} " not in done.stdout] == []
    assert statistics.median(seconds) < 0.2, seconds


def test_help_reads_nothing_heavy() -> None:
    program = (
        "import sys; from bitewatch.cli import main; main(['--help'], standalone_mode=False); "
        "print('HEAVY', *sorted({'numpy', 'pandas', 'sqlalchemy', 'matplotlib', 'requests', 'pydantic', 'apscheduler',"
        " 'alembic', 'jinja2'} & set(sys.modules)))"
    )
    assert child("-c", program).stdout.splitlines()[-1] == "HEAVY"


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help_that_says_what_the_list_says(name: str) -> None:
    done = CliRunner().invoke(main, [name, "--help"])
    assert done.exit_code == 0
    assert f"Usage: main {name}" in done.stdout
    command = main.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    assert command.name == name


def test_a_reader_that_goes_away_is_no_traceback(config: Path, tmp_path: Path) -> None:
    program = "from bitewatch.cli import main; main()"
    reading, writing = os.pipe()
    os.close(reading)
    arguments = ["--config", str(config), "--data", str(tmp_path / "data"), "brief", "thrennick", "--day", DAY]
    environment = {name: value for name, value in os.environ.items() if not name.startswith("BITEWATCH_")}
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments], env=environment, text=True, timeout=60, stdout=writing,
        stderr=subprocess.PIPE,
    )  # fmt: skip
    os.close(writing)
    assert "Traceback" not in done.stderr


def test_two_first_starts_at_once_make_one_store(config: Path, tmp_path: Path) -> None:
    program = "from bitewatch.cli import main; main()"
    arguments = ["--config", str(config), "--data", str(tmp_path / "data"), "subscriptions"]
    started = [
        subprocess.Popen([sys.executable, "-c", program, *arguments], text=True, stderr=subprocess.PIPE, stdout=-1)
        for _ in range(4)
    ]
    ended = [one.communicate(timeout=60) for one in started]
    assert [one.returncode for one in started] == [0] * 4, [errors for _, errors in ended]
    assert {output for output, _ in ended} == {"No subscriptions yet; bitewatch subscribe makes one.\n"}
