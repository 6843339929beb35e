import os
import shutil
from pathlib import Path

import pytest

from bitewatch.errors import ConfigRefused, Refused
from bitewatch.settings import load_settings, read_environment

CONFIG = '[sources]\norder = ["hourly-csv"]\n\n[sources.hourly-csv]\nfile = "hours.csv"\n'


@pytest.fixture(autouse=True)
def _clean_environment(monkeypatch):
    for name in list(os.environ):
        if name.upper().startswith("BITEWATCH_"):
            monkeypatch.delenv(name)


@pytest.fixture
def folder(tmp_path):
    """A config folder with two lakes."""
    made = tmp_path / "config"
    (made / "lakes").mkdir(parents=True)
    (made / "bitewatch.toml").write_text(CONFIG)
    for lake in ("first", "second"):
        (made / "lakes" / f"{lake}.toml").write_text(f'name = "Lake {lake}"\nlatitude = 45\nlongitude = -93\n')
    return made


def faults(folder):
    with pytest.raises(ConfigRefused) as caught:
        load_settings(folder, None)
    return [str(fault) for fault in caught.value.faults]


def test_the_demonstration_is_right(demo, tmp_path):
    settings = load_settings(demo, tmp_path)
    assert sorted(settings.lakes) == ["skarrow", "thrennick", "umberfold"]
    assert settings.data == tmp_path
    assert settings.smtp_password is None


def test_defaults(folder, tmp_path):
    settings = load_settings(folder, tmp_path)
    assert (settings.config.units.value, settings.config.trip_hours) == ("us", "05:30-11:00")
    assert settings.config.smtp is None
    assert settings.config.service.tick_seconds == 30
    assert settings.book_for(settings.lake("first")).hash == settings.book.hash


def test_where_the_folders_are(folder, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "xdg"))
    assert load_settings(folder, None).data == tmp_path / "xdg" / "bitewatch"
    (folder / "bitewatch.toml").write_text(CONFIG + '[store]\nfolder = "kept"\n')
    assert load_settings(folder, None).data == folder / "kept"
    monkeypatch.setenv("BITEWATCH_DATA", str(tmp_path / "from-environment"))
    assert load_settings(folder, None).data == tmp_path / "from-environment"
    assert load_settings(folder, tmp_path / "given").data == tmp_path / "given"


def test_the_config_folder_of_the_platform_and_of_the_environment(folder, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "xdg"))
    shutil.copytree(folder, tmp_path / "xdg" / "bitewatch")
    assert load_settings(None, tmp_path).folder == tmp_path / "xdg" / "bitewatch"
    monkeypatch.setenv("BITEWATCH_CONFIG", "")  # as good as not set, and never the folder one happens to stand in
    assert load_settings(None, tmp_path).folder == tmp_path / "xdg" / "bitewatch"
    monkeypatch.setenv("BITEWATCH_CONFIG", str(folder))
    assert load_settings(None, tmp_path).folder == folder


def test_a_misspelt_variable_is_refused(monkeypatch):
    monkeypatch.setenv("BITEWATCH_SMTP_PASWORD", "hush")
    monkeypatch.setenv("BITEWATCH_REQUIRE_PG", "1")  # the project's own tests may say this
    with pytest.raises(ConfigRefused) as caught:
        read_environment()
    (fault,) = caught.value.faults
    assert str(fault) == "environment: BITEWATCH_SMTP_PASWORD: unknown variable; did you mean BITEWATCH_SMTP_PASSWORD?"


def test_every_fault_of_every_file_and_secret_at_once(folder, tmp_path, monkeypatch):
    (folder / "bitewatch.toml").write_text(CONFIG + "units = 3\n")
    (folder / "rules.toml").write_text('off = ["nothing-such"]\n')
    (folder / "lakes" / "first.toml").write_text('name = "First"\nlatitude = 91\nlongitude = 200\n')
    (folder / "lakes" / "second.toml").write_text("name = \n")
    monkeypatch.setenv("BITEWATCH_SMTP_PASSWORD_FILE", str(tmp_path / "gone"))
    monkeypatch.setenv("BITEWATCH_OPEN_METEO_API_KEY_FILE", str(tmp_path / "gone too"))
    told = [line.split(" ")[0:2] for line in faults(folder)]
    assert told == [
        ["bitewatch.toml:", "sources.hourly-csv.units"], ["rules.toml:", "off[1]"],
        ["lakes/first.toml:", "latitude"], ["lakes/first.toml:", "longitude"], ["lakes/second.toml:", "is"],
        ["environment:", "BITEWATCH_SMTP_PASSWORD_FILE:"], ["environment:", "BITEWATCH_OPEN_METEO_API_KEY_FILE:"],
    ]  # fmt: skip


@pytest.fixture
def secret(tmp_path, monkeypatch):
    """Makes a secret file with these bytes and mode, and points to it."""

    def make(content=b"hush\n", mode=0o600) -> Path:
        path = tmp_path / "secret"
        path.write_bytes(content)
        path.chmod(mode)
        monkeypatch.setenv("BITEWATCH_SMTP_PASSWORD_FILE", str(path))
        return path

    return make


@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_a_secret_from_a_file(folder, secret, tmp_path, mode):
    secret(mode=mode)
    settings = load_settings(folder, tmp_path)
    assert settings.smtp_password is not None
    assert settings.smtp_password.get_secret_value() == "hush"
    assert "hush" not in repr(settings)
    assert "hush" not in str(settings)


def test_a_secret_from_its_variable(folder, tmp_path, monkeypatch):
    monkeypatch.setenv("BITEWATCH_OPEN_METEO_API_KEY", "hush")
    settings = load_settings(folder, tmp_path)
    assert settings.open_meteo_api_key is not None
    assert settings.open_meteo_api_key.get_secret_value() == "hush"
    assert "hush" not in repr(settings) + repr(read_environment())


@pytest.mark.parametrize("mode", [0o604, 0o640, 0o644, 0o660, 0o602, 0o610, 0o777])
def test_a_secret_file_that_others_can_open(folder, secret, mode):
    secret(mode=mode)
    line = "environment: BITEWATCH_SMTP_PASSWORD_FILE: the file can be read by others; chmod 600 it"
    assert faults(folder) == [line]


@pytest.mark.parametrize(
    ("content", "why"), [(b" \n", "the file is empty"), (b"\xff\xfe", "the file is not UTF-8 text")]
)
def test_a_secret_file_without_a_secret(folder, secret, content, why):
    secret(content=content)
    assert faults(folder) == [f"environment: BITEWATCH_SMTP_PASSWORD_FILE: {why}"]


def test_a_secret_given_twice_is_never_shown(folder, secret, monkeypatch):
    secret()
    monkeypatch.setenv("BITEWATCH_SMTP_PASSWORD", "hush-hush")
    (line,) = faults(folder)
    assert line.endswith("give BITEWATCH_SMTP_PASSWORD or BITEWATCH_SMTP_PASSWORD_FILE, not both")
    assert "hush" not in line


def test_rules_and_rules_off(folder, tmp_path):
    (folder / "rules.toml").write_text('off = ["cold-heavy-rain"]\n\n[[rule]]\nid = "baseline"\nname = "Changed"\n')
    lake = folder / "lakes" / "first.toml"
    lake.write_text(lake.read_text() + 'rules_off = ["calm-evening-hatch"]\n')
    settings = load_settings(folder, tmp_path)
    assert "cold-heavy-rain" not in settings.book.ids
    assert "calm-evening-hatch" in settings.book.ids
    assert "calm-evening-hatch" not in settings.book_for(settings.lake("first")).ids
    assert next(rule for rule in settings.book.rule if rule.id == "baseline").name == "Changed"


@pytest.mark.parametrize(("asked", "hint"), [("frist", "did you mean first?"), ("nowhere", "there are first, second")])
def test_a_lake_that_is_not_there(folder, tmp_path, asked, hint):
    with pytest.raises(Refused, match=rf'^no lake "{asked}" in .*lakes; {hint[:-1]}'):
        load_settings(folder, tmp_path).lake(asked)
