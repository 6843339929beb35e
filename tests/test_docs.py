"""Documentation cannot rot: what README and DEVELOPERS.md name is there, and the README's commands run."""

import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from bitewatch.cli import COMMANDS, main
from bitewatch.declared import declare
from bitewatch.lake.profile import Lake, SpotKind
from bitewatch.position.evidence import evidence_table
from bitewatch.position.rulebook import Rule, default_book, merge
from bitewatch.position.variables import VARIABLES
from bitewatch.presentation.technique import Technique
from bitewatch.settings import PREFIX, Config, Environment
from bitewatch.store.events import Event
from bitewatch.units import other_keys
from bitewatch.weather.hourly import COLUMNS
from bitewatch.weather.sources.settings import SourcesSettings

REPO = Path(__file__).resolve().parent.parent
PAGES = {name: (REPO / name).read_text("utf-8") for name in ("README.md", "DEVELOPERS.md")}


def backticked(text: str) -> set[str]:
    return set(re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL)))


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", text, flags=re.DOTALL)


def keys_of(model: type[BaseModel]) -> set[str]:
    """Every key that a model or a model inside it takes, as written."""
    keys: set[str] = set()
    for name, info in model.model_fields.items():
        keys |= {info.alias or name, name, *other_keys(name)}
        for part in (info.annotation, *getattr(info.annotation, "__args__", ())):
            if isinstance(part, type) and issubclass(part, BaseModel):
                keys |= keys_of(part)
    return keys


def options() -> set[str]:
    found = {"--help", "--version"}
    context: Any = main.make_context("bitewatch", ["brief"], resilient_parsing=True)
    for command in (main, *(main.get_command(context, name) for name in COMMANDS)):
        assert command is not None
        found |= {flag for parameter in command.params for flag in (*parameter.opts, *parameter.secondary_opts)}
    return found


@pytest.mark.parametrize("page", PAGES)
def test_every_name_is_known(page: str) -> None:
    known = keys_of(Config) | keys_of(Lake) | keys_of(Rule) | keys_of(Technique)
    known |= {*COLUMNS, *VARIABLES, *(rule.id for rule in default_book().rule), *evidence_table()}
    known |= {"config_demo", "make_conditions", "build_sources"}  # a folder and two functions
    words = {token for token in backticked(PAGES[page]) if re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)+", token)}
    assert words, "the pages name keys and variables"
    assert words <= known


@pytest.mark.parametrize("page", PAGES)
def test_every_command_and_option_is_there(page: str) -> None:
    text = PAGES[page]
    said = "\n".join([*blocks(text, "console"), *backticked(text)])
    commands = set(re.findall(r"\bbitewatch (?:--config \S+ |--data \S+ )*([a-z]+)\b", said))
    assert commands <= set(COMMANDS)
    flags = {flag for token in backticked(text) for flag in re.findall(r"(?<!\S)--[a-z][a-z-]*", token)}
    assert flags <= options()


def test_every_command_is_told_in_the_readme() -> None:
    for name in COMMANDS:
        assert re.search(rf"\b{name}\b", PAGES["README.md"]), name


def test_every_variable_of_the_environment_is_known_and_every_event_is_told() -> None:
    known = {f"{PREFIX}{name}".upper() for name in Environment.model_fields}
    for text in PAGES.values():
        assert set(re.findall(r"\bBITEWATCH_[A-Z_]+\b", text)) <= known
    told = {token for token in backticked(PAGES["DEVELOPERS.md"]) if re.fullmatch(r"([A-Z][a-z]+){2,}", token)}
    assert {event.value for event in Event} == told


def test_every_kind_of_spot_and_source_is_told() -> None:
    told = backticked(PAGES["README.md"])
    assert {kind.value for kind in SpotKind} <= told
    sources = SourcesSettings.model_fields["order"].annotation
    assert set(re.findall(r"'([a-z-]+)'", str(sources))) <= told


def test_every_path_named_is_there() -> None:
    for text in PAGES.values():
        for token in backticked(text):
            if re.fullmatch(r"(bitewatch|tests|deploy|config_demo|[a-z]+)/[\w./-]*", token):
                at_home = (REPO / token).exists() or any((REPO / "bitewatch").glob(f"**/{token}"))
                assert at_home or token.startswith("lakes/"), token  # lakes/ lies in the reader's own folder


def test_the_examples_of_the_readme_are_accepted() -> None:
    settings, lake, rules = (tomllib.loads(block) for block in blocks(PAGES["README.md"], "toml"))
    declare(Config, settings, file="README.md")
    declare(Lake, {"id": "millrace", **lake}, file="README.md")
    book = merge(default_book(), rules, file="README.md")
    assert "bridge-shade" in book.ids
    assert "pressure-falling" not in book.ids


def test_the_commands_of_the_readme_run(tmp_path: Path) -> None:
    shutil.copytree(REPO / "config_demo", tmp_path / "config_demo")
    script = Path(sys.executable).with_name("bitewatch")
    start = [str(script)] if script.exists() else [sys.executable, "-c", "from bitewatch.cli import main; main()"]
    lines = [line for block in blocks(PAGES["README.md"], "console") for line in block.splitlines()]
    assert len(lines) >= 8
    printed = {}
    for line in lines:
        assert line.startswith("$ bitewatch "), line
        words = shlex.split(line.removeprefix("$ bitewatch "))
        ran = subprocess.run([*start, *words], cwd=tmp_path, capture_output=True, text=True, check=False, timeout=120)
        assert ran.returncode == 0, (line, ran.stderr)
        assert ran.stdout.strip(), line
        printed[line] = ran.stdout
    assert (tmp_path / "brief.html").stat().st_size > 10_000
    three = next(text for line, text in printed.items() if "thrennick umberfold skarrow" in line)
    (excerpt,) = blocks(PAGES["README.md"], "text")[:1]
    assert three.startswith(excerpt)
