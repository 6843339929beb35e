"""What the settings make of sources and quotas: whom one may ask, and how much."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest
from pydantic import SecretStr
from sqlalchemy import insert

from bitewatch.errors import SourceUnavailable
from bitewatch.presentation.trip import TripHours
from bitewatch.service.build import build_outside
from bitewatch.service.outside import Outside
from bitewatch.settings import DeploymentSettings
from bitewatch.weather.settings import WarningsSettings
from bitewatch.weather.sources.http import Answer, PoliteClient
from bitewatch.weather.sources.quota import WINDOWS, window_start
from bitewatch.weather.sources.settings import HourlyCsvSettings, OpenMeteoSettings, SourcesSettings
from bitewatch.weather.tables import spent

if TYPE_CHECKING:
    from bitewatch.weather.sources.base import Question
    from tests.service.conftest import Bench

NOW = datetime(2026, 7, 20, 8, 0, tzinfo=UTC)
OWN_SERVER = OpenMeteoSettings(url="http://127.0.0.1:9/v1/forecast")
KEY = SecretStr("a-customer-key")


class Offline(PoliteClient):
    """A client that writes down which hosts it would have asked, and reaches none."""

    def __init__(self) -> None:
        super().__init__("bitewatch (mail@club.example)", backoff_factor=0)
        self.hosts: set[str | None] = set()

    def ask(self, question: "Question", **given: Any) -> Answer:
        assert given["now"]
        self.hosts.add(urlsplit(question.url).hostname)
        raise SourceUnavailable("offline for the test")


def built(
    bench: "Bench", *order: str, key: SecretStr | None = None, commercial: bool = False,
    open_meteo: OpenMeteoSettings | None = None, **more: Any,
) -> tuple[Outside, Offline]:  # fmt: skip
    sources = SourcesSettings.model_validate(
        {
            "order": order, "contact": "mail@club.example", "open-meteo": open_meteo or OpenMeteoSettings(),
            "hourly-csv": HourlyCsvSettings(file="weather/invented-hours.csv"), **more,
        }
    )  # fmt: skip
    deployment = DeploymentSettings(commercial=commercial)
    config = bench.settings.config.model_copy(update={"sources": sources, "deployment": deployment})
    bench.settings = replace(bench.settings, config=config, open_meteo_api_key=key)
    client = Offline()
    return build_outside(bench.settings, bench.store, client, sleep=lambda _: None), client


def spend(bench: "Bench", weight: float, *windows: str) -> None:
    """Write down that so much was asked of Open-Meteo in these windows."""
    rows = [
        {"source": "open-meteo", "window": one, "began_at": window_start(one, NOW), "weight": weight}
        for one in WINDOWS if one in windows
    ]  # fmt: skip
    with bench.store.write() as connection:
        connection.execute(insert(spent), rows)


def why_none(bench: "Bench", outside: Outside) -> str:
    lake = bench.settings.lake("thrennick")
    outside.refresher.refresh([lake], NOW)
    (why,) = outside.weather_now.weather(lake, NOW).failures
    return why


@pytest.mark.parametrize(
    ("weight", "windows", "until"),
    [(8000, ("day", "month"), "2026-07-21 00:00"), (240_000, ("month",), "2026-08-01 00:00")],
)
def test_a_free_quota_that_is_used_up_is_not_asked_past(
    bench: "Bench", weight: float, windows: tuple[str, ...], until: str
) -> None:
    spend(bench, weight, *windows)
    outside, client = built(bench, "open-meteo")
    assert why_none(bench, outside) == f"open-meteo: its quota is used up until {until} UTC"
    assert client.hosts == set()


def test_below_the_free_quota_it_is_asked(bench: "Bench") -> None:
    spend(bench, 7900, "day", "month")
    outside, client = built(bench, "open-meteo")
    assert "offline" in why_none(bench, outside)
    assert client.hosts == {"api.open-meteo.com"}


def test_a_server_of_ones_own_has_no_quota(bench: "Bench") -> None:
    spend(bench, 5_000_000, *WINDOWS)
    outside, client = built(bench, "open-meteo", open_meteo=OWN_SERVER)
    assert "offline" in why_none(bench, outside)
    assert client.hosts == {"127.0.0.1"}


def test_a_customer_has_a_quota_a_month_and_none_within_it(bench: "Bench") -> None:
    spend(bench, 700_000, *WINDOWS)
    outside, client = built(bench, "open-meteo", key=KEY)
    assert "offline" in why_none(bench, outside)
    assert "customer-api.open-meteo.com" in client.hosts


def test_a_customers_month_that_is_used_up_is_not_asked_past(bench: "Bench") -> None:
    spend(bench, 800_000, "month")
    outside, client = built(bench, "open-meteo", key=KEY)
    assert why_none(bench, outside) == "open-meteo: its quota is used up until 2026-08-01 00:00 UTC"
    assert client.hosts == set()


def test_who_earns_money_without_a_key_does_not_ask_open_meteo_and_is_told(bench: "Bench") -> None:
    outside, client = built(bench, "open-meteo", "hourly-csv", commercial=True)
    lake = bench.settings.lake("thrennick")
    outside.refresh([lake], NOW)
    seen = outside.weather_now.weather(lake, NOW)
    assert seen.failures == ("open-meteo is for non-commercial use without a customer key",)
    assert seen.seen is not None
    assert seen.seen.source == "hourly-csv"
    assert client.hosts == set()


def test_with_nothing_else_to_ask_the_brief_says_why_there_is_no_call(bench: "Bench") -> None:
    outside, client = built(bench, "open-meteo", commercial=True)
    lake = bench.settings.lake("thrennick")
    outside.refresh([lake], NOW)
    day = outside.lake_day(lake, NOW.date(), TripHours.parse("05:30-11:00"), reader="terminal", now=NOW)
    assert day.no_call == "no weather: open-meteo is for non-commercial use without a customer key"
    assert client.hosts == set()


@pytest.mark.parametrize(
    ("commercial", "key", "open_meteo", "may"),
    [
        (False, None, None, True), (True, None, None, False), (True, KEY, None, True), (True, None, OWN_SERVER, True),
    ],
)  # fmt: skip
def test_a_key_or_a_server_of_ones_own_lets_one_earn_money(
    bench: "Bench", commercial: bool, key: SecretStr | None, open_meteo: OpenMeteoSettings | None, may: bool
) -> None:
    outside, _ = built(bench, "open-meteo", "met-norway", commercial=commercial, key=key, open_meteo=open_meteo)
    sources = outside.refresher.sources
    assert ("open-meteo" in sources.forecasts) is may
    assert ("open-meteo" in sources.forbidden) is not may
    assert sources.order == (("open-meteo", "met-norway") if may else ("met-norway",))


def test_what_only_a_lake_names_is_built_and_asked_for_that_lake_alone(bench: "Bench") -> None:
    changed = bench.settings.lake("skarrow").model_copy(update={"sources": ("met-norway", "hourly-csv")})
    bench.settings = replace(bench.settings, lakes={**bench.settings.lakes, "skarrow": changed})
    outside, client = built(bench, "hourly-csv")
    outside.refresh([bench.settings.lake("thrennick")], NOW)
    assert client.hosts == set()
    outside.refresh([changed], NOW)
    assert client.hosts == {"api.met.no"}
    assert [source.name for source in outside.refresher.order(changed)] == ["met-norway", "hourly-csv"]


def test_warnings_of_the_nws_need_its_areas_but_not_its_hours(bench: "Bench") -> None:
    config = bench.settings.config.model_copy(update={"warnings": WarningsSettings(feeds=("nws",))})
    bench.settings = replace(bench.settings, config=config)
    outside, client = built(bench, "hourly-csv")
    lake = bench.settings.lake("thrennick")
    assert "nws" in outside.refresher.sources.forecasts
    assert [source.name for source in outside.refresher.order(lake)] == ["hourly-csv"]
    outside.refresh([lake], NOW)
    assert client.hosts == {"api.weather.gov"}


def test_no_cell_is_asked_sooner_than_the_settings_allow(bench: "Bench") -> None:
    service = bench.settings.config.service.model_copy(update={"refresh_minutes": 240})
    bench.settings = replace(bench.settings, config=bench.settings.config.model_copy(update={"service": service}))
    outside, _ = built(bench, "hourly-csv")
    said = bench.sources[0]
    outside.refresher.sources = replace(outside.refresher.sources, asked_for=("said",), forecasts={"said": said})
    lake = bench.settings.lake("thrennick")
    answered = [
        minutes for minutes in range(0, 480, 30)
        if outside.refresher.refresh([lake], NOW + timedelta(minutes=minutes))
    ]  # fmt: skip
    assert len(answered) == 2  # in eight hours, of a source that is worth asking every hour
    assert answered[1] - answered[0] >= 240
