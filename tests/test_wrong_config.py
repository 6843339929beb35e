"""One folder a mistake in data/wrong_config: the lines in its expected.txt, word for word, and exit code 1."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from bitewatch.cli import main
from bitewatch.errors import ConfigRefused
from bitewatch.settings import load_settings

FOLDERS = sorted((Path(__file__).parent / "data" / "wrong_config").iterdir())


@pytest.fixture(autouse=True)
def _quiet_environment(monkeypatch):
    for name in ("CONFIG", "DATA", "SMTP_PASSWORD", "SMTP_PASSWORD_FILE"):
        monkeypatch.delenv(f"BITEWATCH_{name}", raising=False)


def test_there_are_many():
    assert len(FOLDERS) >= 95


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_mistake(folder, tmp_path):
    expected = (folder / "expected.txt").read_text("utf-8").replace("{folder}", str(folder)).splitlines()
    assert expected
    with pytest.raises(ConfigRefused) as caught:
        load_settings(folder, tmp_path)
    assert [str(fault) for fault in caught.value.faults] == expected
    ran = CliRunner().invoke(main, ["--config", str(folder), "--data", str(tmp_path), "brief", "x"])
    assert ran.exit_code == 1
    assert ran.stderr.splitlines() == expected
    assert ran.stdout == ""
    assert list(tmp_path.iterdir()) == []  # refused before anything was made


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_each_line_names_an_existing_file_and_what_would_be_right(folder):
    for line in (folder / "expected.txt").read_text("utf-8").splitlines():
        file, _, rest = line.replace("{folder}/", "").partition(": ")
        assert (folder / file).is_file() or folder.name == "no-bitewatch-toml"
        assert len(rest) > 10
