"""The repository itself: what lies where, how long files are, and that nothing points outside."""

import ast
import os
import re
import subprocess
from pathlib import Path

import pytest

import bitewatch

REPO = Path(__file__).resolve().parent.parent
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "bitewatch", "config_demo", "tests", "deploy"}
TEXT = {".py", ".md", ".toml", ".sh", ".csv", ".j2", ".mako", ".json", ".txt", ".sql", ""}
OUTSIDE = re.compile(
    r"\.\./shared|(?<![\w.])/(?:root|work|farm|home/\w+|Users/\w+|tmp)/|shared/(?:design|science|behaviour|sources|delivery)\b"
)


def tracked() -> list[Path]:
    listed = subprocess.run(
        ["git", "-C", str(REPO), "ls-files", "--cached", "--others", "--exclude-standard"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if listed.returncode:
        pytest.skip("not a git checkout: what belongs to the repository cannot be told")
    return [REPO / name for name in listed.stdout.splitlines() if (REPO / name).is_file()]


def test_the_top_level_holds_what_it_should_and_nothing_else() -> None:
    top = {path.relative_to(REPO).parts[0] for path in tracked()}
    assert {name for name in top if not name.startswith(".")} == TOP


def test_no_path_points_outside_the_repository() -> None:
    found = []
    for path in tracked():
        if path.suffix in TEXT and path != Path(__file__).resolve():
            for number, line in enumerate(path.read_text("utf-8", errors="replace").splitlines(), 1):
                if OUTSIDE.search(line):
                    found.append(f"{path.relative_to(REPO)}:{number}: {line.strip()[:100]}")
    assert not found, "\n".join(found)


@pytest.mark.skipif(os.environ.get("TESTED_PACKAGE") != "wheel", reason="run by hand; deploy/test tests the wheel")
def test_it_is_the_built_wheel_that_is_tested() -> None:
    package = Path(bitewatch.__file__).resolve().parent
    assert package.parent.name == "site-packages"
    assert not package.is_relative_to(REPO / "bitewatch")
    packed = {path.relative_to(package) for path in package.rglob("*") if path.is_file() and path.suffix != ".pyc"}
    here = {path.relative_to(REPO / "bitewatch") for path in tracked() if path.is_relative_to(REPO / "bitewatch")}
    assert packed == here


def test_no_link_leads_outside() -> None:
    for path in tracked():
        assert path.resolve().is_relative_to(REPO), path


def test_files_of_the_package_stay_under_400_lines() -> None:
    long = [path for path in tracked() if path.suffix == ".py" and "bitewatch" in path.relative_to(REPO).parts[:1]]
    assert long
    assert not [path for path in long if len(path.read_text("utf-8").splitlines()) > 400]


def test_only_the_clock_asks_the_time() -> None:
    for path in (REPO / "bitewatch").rglob("*.py"):
        if path.name == "clock.py":
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Attribute) and node.attr in ("now", "utcnow", "today"):
                owner = ast.unparse(node.value)
                assert owner not in ("datetime", "date", "datetime.datetime", "pd.Timestamp"), (
                    f"{path}: {owner}.{node.attr}"
                )


def test_nothing_is_pickled() -> None:
    for path in (REPO / "bitewatch").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not {"pickle", "marshal", "joblib", "shelve", "dill"}.intersection(names), path


def test_the_licence_is_told_the_same_everywhere() -> None:
    assert 'license = "MIT"' in (REPO / "pyproject.toml").read_text("utf-8")
    assert (REPO / "bitewatch" / "LICENSE").read_text("utf-8").startswith("MIT License")


def test_locks_hold_versions_and_hashes_and_name_no_registry() -> None:
    for name in ("locked.txt", "locked-test.txt", "lowest-test.txt"):
        text = (REPO / "deploy" / name).read_text("utf-8")
        assert "://" not in text
        pins = re.findall(r"^[A-Za-z0-9]\S*==", text, flags=re.MULTILINE)
        assert len(pins) > 30
        assert text.count("--hash=sha256:") >= len(pins)


def test_ci_calls_the_one_test_command() -> None:
    commands = [
        line for line in (REPO / ".ci" / "run").read_text("utf-8").splitlines()
        if line and not line.startswith("#") and not line.startswith("set ")
    ]  # fmt: skip
    assert len(commands) == 1
    assert commands[0].endswith('/../deploy/test"')
