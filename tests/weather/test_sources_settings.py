"""The table [sources]: what it takes, and what it says when it does not."""

import subprocess
import sys
from pathlib import Path

import pytest

from bitewatch.declared import declare
from bitewatch.errors import ConfigRefused
from bitewatch.weather.sources import build_sources
from bitewatch.weather.sources.settings import SourcesSettings

CONTACT = {"contact": "mail@club.example"}
CSV = {"order": ["hourly-csv"], "hourly-csv": {"file": "{lake}.csv"}}


def test_sources_are_built_in_the_order_of_the_settings() -> None:
    table = CSV | CONTACT | {"order": ["hourly-csv", "open-meteo"]}
    sources = build_sources(declare(SourcesSettings, table, file="settings.toml"), Path())
    assert [source.name for source in sources] == ["hourly-csv", "open-meteo"]
    assert [source.is_file for source in sources] == [True, False]


def test_a_file_needs_no_contact() -> None:
    assert declare(SourcesSettings, CSV, file="settings.toml").contact == ""


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ({}, "contact: is required to ask open-meteo"),
        ({"contact": "  "}, 'contact = "  ": is required to ask open-meteo'),
        ({"contact": "mail\n@club.example"}, "contact ="),
        (CONTACT | {"order": ["open-metoe"]}, "order[1] = \"open-metoe\": must be one of 'open-meteo' or 'hourly-csv'"),
        (CONTACT | {"order": []}, "order: must name one source or more, each once"),
        (CONTACT | {"order": ["open-meteo"] * 2}, "order: must name one source or more, each once"),
        ({"order": ["hourly-csv"]}, "hourly-csv.file: is required because order names hourly-csv"),
        (CSV | {"hourly-csv": {"fiel": "x"}}, 'hourly-csv.fiel = "x": unknown key; did you mean file?'),
        (CONTACT | {"open-meteo": {"url": "ftp://x/"}}, 'open-meteo.url = "ftp://x/": must be an http or https'),
        (CONTACT | {"open-meteo": {"url": "https://a:b@x/"}}, "must be an http or https address without a password"),
        (CONTACT | {"open-meteo": {"model": "best_match"}}, 'open-meteo.model = "best_match": is a mix of models'),
        (CONTACT | {"open-meteo": {"forecast_days": 17}}, "open-meteo.forecast_days = 17: must be at most 16"),
        (CONTACT | {"open_meteo": {}}, "open_meteo: unknown key; did you mean open-meteo?"),
    ],
)
def test_what_is_wrong_is_named_as_it_was_written(table: dict[str, object], line: str) -> None:
    with pytest.raises(ConfigRefused) as refused:
        declare(SourcesSettings, table, file="settings.toml")
    assert any(line in str(fault) for fault in refused.value.faults), str(refused.value)


def test_settings_of_sources_are_read_without_loading_what_asks_them() -> None:
    heavy = "{'requests', 'urllib3', 'pandas', 'sqlalchemy'} & set(sys.modules)"
    script = f"import sys, bitewatch.weather.sources; print({heavy} or 'light')"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "light"
