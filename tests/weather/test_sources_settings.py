"""The table [sources]: what it takes, and what it says when it does not."""

import subprocess
import sys
from pathlib import Path

import pytest
from pydantic import SecretStr

from bitewatch.declared import declare
from bitewatch.errors import ConfigRefused
from bitewatch.weather.sources import build_sources
from bitewatch.weather.sources.settings import SourcesSettings

CONTACT = {"contact": "mail@club.example"}
CSV = {"order": ["hourly-csv"], "hourly-csv": {"file": "{lake}.csv"}}


def settings(table: dict[str, object]) -> SourcesSettings:
    return declare(SourcesSettings, table, file="bitewatch.toml")


ALL = CSV | CONTACT | {"order": ["nws", "hourly-csv", "open-meteo", "met-norway"], "stations": ["nws", "hourly-csv"]}


def test_sources_are_built_in_the_order_of_the_settings() -> None:
    sources = build_sources(settings(ALL), Path())
    assert list(sources.forecasts) == list(sources.order) == list(sources.asked_for) == ALL["order"]
    assert [source.name for source in sources.forecasts.values()] == ALL["order"]
    assert [source.is_file for source in sources.forecasts.values()] == [False, True, False, False]
    assert [source.name for source in sources.stations] == ["nws-stations", "hourly-csv"]
    assert sources.forbidden == {}


def test_what_a_lake_names_is_built_beside_what_the_settings_name() -> None:
    sources = build_sources(settings(CONTACT), Path(), also=["met-norway", "open-meteo", "met-norway"])
    assert sources.order == ("open-meteo",)
    assert set(sources.forecasts) == {"open-meteo", "met-norway"}


@pytest.mark.parametrize(
    ("table", "name", "line"),
    [
        (CSV, "met-norway", "bitewatch.toml: sources.contact: is required because a lake names met-norway"),
        (CONTACT, "hourly-csv", "bitewatch.toml: sources.hourly-csv.file: is required because a lake names hourly-csv"),
    ],
)
def test_what_a_lake_names_without_its_settings_is_refused(table: dict[str, object], name: str, line: str) -> None:
    with pytest.raises(ConfigRefused) as refused:
        build_sources(settings(table), Path(), also=[name])
    assert str(refused.value) == line


def test_where_money_is_earned_the_source_that_forbids_it_is_left_out() -> None:
    sources = build_sources(settings(ALL), Path(), commercial=True)
    assert list(sources.forecasts) == list(sources.order) == ["nws", "hourly-csv", "met-norway"]
    assert list(sources.asked_for) == ALL["order"]
    assert sources.forbidden == {"open-meteo": "open-meteo is for non-commercial use without a customer key"}


def test_a_customers_key_or_a_server_of_ones_own_lets_money_be_earned() -> None:
    with_key = build_sources(settings(CONTACT), Path(), commercial=True, api_key=SecretStr("k"))
    own = settings(CONTACT | {"open-meteo": {"url": "http://127.0.0.1:8080/v1/forecast"}})
    for sources in (with_key, build_sources(own, Path(), commercial=True)):
        assert sources.order == ("open-meteo",)
        assert sources.forbidden == {}


def test_gauges_are_asked_of_the_provider_or_of_a_server_of_ones_own() -> None:
    assert settings(CONTACT).usgs.url == "https://api.waterdata.usgs.gov/ogcapi"
    assert (
        settings(CONTACT | {"usgs": {"url": "http://127.0.0.1:8080/ogcapi/"}}).usgs.url
        == "http://127.0.0.1:8080/ogcapi"
    )


def test_a_file_needs_no_contact() -> None:
    assert declare(SourcesSettings, CSV, file="settings.toml").contact == ""


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ({}, "contact: is required to ask open-meteo"),
        ({"contact": "  "}, 'contact = "  ": is required to ask open-meteo'),
        ({"contact": "mail\n@club.example"}, "contact ="),
        (CONTACT | {"order": ["open-metoe"]}, "order[1] = \"open-metoe\": must be one of 'open-meteo', 'met-norway'"),
        (CONTACT | {"order": []}, "order: must name one source or more, each once"),
        (CONTACT | {"order": ["open-meteo"] * 2}, "order: must name one source or more, each once"),
        ({"order": ["hourly-csv"]}, "hourly-csv.file: is required because order or stations names hourly-csv"),
        (CSV | {"stations": ["nws"]}, "contact: is required to ask nws"),
        (CONTACT | {"stations": ["hourly-csv"]}, "hourly-csv.file: is required because order or stations names"),
        (CONTACT | {"met-norway": {"url": "https://x/?a=1"}}, 'met-norway.url = "https://x/?a=1": must be an http'),
        (CSV | {"hourly-csv": {"fiel": "x"}}, 'hourly-csv.fiel = "x": unknown key; did you mean file?'),
        (CONTACT | {"open-meteo": {"url": "ftp://x/"}}, 'open-meteo.url = "ftp://x/": must be an http or https'),
        (CONTACT | {"open-meteo": {"url": "https://a:b@x/"}}, "must be an http or https address without a password"),
        (CONTACT | {"open-meteo": {"model": "best_match"}}, 'open-meteo.model = "best_match": is a mix of models'),
        (CONTACT | {"open-meteo": {"forecast_days": 17}}, "open-meteo.forecast_days = 17: must be at most 16"),
        (CONTACT | {"open_meteo": {}}, "open_meteo: unknown key; did you mean open-meteo?"),
        (CONTACT | {"usgs": {"url": "api.waterdata.usgs.gov"}}, 'usgs.url = "api.waterdata.usgs.gov": must be an http'),
        (CONTACT | {"usgs": {"key": "x"}}, 'usgs.key = "x": unknown key'),
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
