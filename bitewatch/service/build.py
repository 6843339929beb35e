"""Puts sources, feeds and the one polite way to ask them together, as the settings say."""

import time
from collections.abc import Callable
from datetime import timedelta

from bitewatch.service.gauges import Gauges
from bitewatch.service.lake_water import LakeWaters
from bitewatch.service.official import Official
from bitewatch.service.outside import Outside
from bitewatch.service.past_days import PastDays
from bitewatch.service.refresh import Refresher
from bitewatch.service.weather_now import WeatherNow
from bitewatch.settings import Settings
from bitewatch.store.database import Store
from bitewatch.weather.sources import build_sources
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.http import PoliteClient
from bitewatch.weather.sources.open_meteo import is_provider
from bitewatch.weather.sources.quota import LIMITS, Limits, open_meteo_customer, usgs_with_key
from bitewatch.weather.sources.usgs import Usgs


def build_outside(
    settings: Settings, store: Store, client: PoliteClient, *, sleep: Callable[[float], None] = time.sleep,
    monotonic: Callable[[], float] = time.monotonic,
) -> Outside:  # fmt: skip
    """Everything that asks the world outside.

    Parameters
    ----------
    client
        What asks over HTTP, with the contact of the settings.
    sleep, monotonic
        How to wait a moment between two questions to one host, and how to tell how long ago the last one was.
    """
    config = settings.config
    sources = build_sources(
        config.sources, settings.folder, api_key=settings.open_meteo_api_key, commercial=config.deployment.commercial,
        also=[
            *(name for lake in settings.lakes.values() for name in lake.sources),
            *(name for name in config.warnings.feeds if name == "nws"),
        ],
    )  # fmt: skip
    asker = Asker(store, client, limits=_limits(settings), sleep=sleep, monotonic=monotonic)
    refresher = Refresher(
        store, sources, asker, second_opinion=config.sources.second_opinion,
        shortest=timedelta(minutes=config.service.refresh_minutes),
    )  # fmt: skip
    waters = LakeWaters(settings, store)
    past = PastDays(store, refresher, waters, asker, normal_years=config.water.normal_years)
    return Outside(
        settings=settings, store=store, refresher=refresher, weather_now=WeatherNow(store, refresher),
        official=Official(store, asker, config.warnings, config.sources.nws), waters=waters, past_days=past,
        gauges=Gauges(store, Usgs(config.sources.usgs, api_key=settings.usgs_api_key), asker),
    )  # fmt: skip


def _limits(settings: Settings) -> dict[str, Limits]:
    """What each source may be asked: a customer has a quota of their own, and a server of one's own none."""
    limits = dict(LIMITS)
    if not is_provider(settings.config.sources.open_meteo.url):
        limits["open-meteo"] = Limits()
    elif settings.open_meteo_api_key is not None:
        limits["open-meteo"] = open_meteo_customer()
    if settings.usgs_api_key is not None:
        limits["usgs"] = usgs_with_key()
    return limits
