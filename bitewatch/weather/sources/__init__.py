"""Sources of weather: one file a provider, and the one politeness they share."""

from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import SecretStr

from bitewatch.weather.sources.base import Source
from bitewatch.weather.sources.settings import SourcesSettings

if TYPE_CHECKING:
    from bitewatch.weather.sources.http import PoliteClient

__all__ = ["build_sources"]


def build_sources(
    settings: SourcesSettings, folder: Path, *, client: "PoliteClient | None" = None, api_key: SecretStr | None = None
) -> tuple[Source, ...]:
    """The sources of the settings, in the order in which they are asked.

    Parameters
    ----------
    settings : SourcesSettings
        The table ``[sources]``.
    folder : Path
        The config folder, from which files are seen.
    client : PoliteClient, optional
        What asks; by default one that gives the contact of the settings.
    api_key : SecretStr, optional
        The key of a customer of Open-Meteo.
    """
    return tuple(_build(name, settings, folder, client, api_key) for name in settings.order)


def _build(
    name: str, settings: SourcesSettings, folder: Path, client: "PoliteClient | None", api_key: SecretStr | None
) -> Source:
    if name == "hourly-csv":
        from bitewatch.weather.sources.hourly_csv import HourlyCsv

        assert settings.hourly_csv is not None  # the settings refuse themselves otherwise
        return HourlyCsv(folder, settings.hourly_csv.file)
    from bitewatch.weather.sources.http import PoliteClient, identification
    from bitewatch.weather.sources.open_meteo import OpenMeteo

    return OpenMeteo(settings.open_meteo, client or PoliteClient(identification(settings.contact)), api_key)
