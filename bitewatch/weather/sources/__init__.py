"""Sources of weather: one file a provider, and the one politeness they share."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bitewatch.errors import ConfigRefused, Fault
from bitewatch.weather.sources.settings import SourcesSettings

if TYPE_CHECKING:
    from pydantic import SecretStr

    from bitewatch.weather.sources.base import Source

__all__ = ["Sources", "build_sources"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Every source that may be asked, by name, and why others may not."""

    asked_for: tuple[str, ...]  #: by the settings, for lakes that do not name their own, the first one first
    forecasts: Mapping[str, "Source"]
    stations: tuple["Source", ...]
    forbidden: Mapping[str, str]  #: name -> why, in words

    @property
    def order(self) -> tuple[str, ...]:
        """Those asked for that may be asked."""
        return tuple(name for name in self.asked_for if name in self.forecasts)


def build_sources(
    settings: SourcesSettings,
    folder: Path,
    *,
    api_key: "SecretStr | None" = None,
    commercial: bool = False,
    also: Iterable[str] = (),
) -> Sources:
    """The sources of the settings, in the order in which they are asked, and those that lakes name beside them.

    Parameters
    ----------
    settings : SourcesSettings
        The table ``[sources]``.
    folder : Path
        The config folder, from which files are seen.
    api_key : SecretStr, optional
        The key of a customer of Open-Meteo.
    commercial : bool
        True if money is made with it: sources whose terms forbid that are left out.
    also : iterable of str
        Names that lakes give in place of those of the settings.

    Raises
    ------
    ConfigRefused
        If what a lake names lacks the settings that it needs.
    """
    named = tuple(dict.fromkeys((*settings.order, *sorted(set(also)))))
    _check(named, settings)
    built = {name: _forecast(name, settings, folder, api_key) for name in named}
    forbidden = {
        name: f"{name} is for non-commercial use without a customer key"
        for name, source in built.items()
        if commercial and not source.commercial_ok
    }
    return Sources(
        asked_for=settings.order,
        forecasts={name: source for name, source in built.items() if name not in forbidden},
        stations=tuple(_station(name, settings, folder) for name in settings.stations),
        forbidden=forbidden,
    )


def _check(named: Iterable[str], settings: SourcesSettings) -> None:
    """The settings have checked what they name themselves; this is for what only a lake names."""
    for name in named:
        lacks = {
            "contact": name != "hourly-csv" and not settings.contact.strip(),
            "hourly-csv.file": name == "hourly-csv" and settings.hourly_csv is None,
        }
        for key, is_lacking in lacks.items():
            if is_lacking:
                right = f"is required because a lake names {name}"
                raise ConfigRefused([Fault(file="bitewatch.toml", key=f"sources.{key}", value="", right=right)])


def _forecast(name: str, settings: SourcesSettings, folder: Path, api_key: "SecretStr | None") -> "Source":
    if name == "open-meteo":
        from bitewatch.weather.sources.open_meteo import OpenMeteo

        return OpenMeteo(settings.open_meteo, api_key=api_key)
    if name == "met-norway":
        from bitewatch.weather.sources.met_norway import MetNorway

        return MetNorway(settings.met_norway)
    if name == "nws":
        from bitewatch.weather.sources.nws import Nws

        return Nws(settings.nws)
    return _file(settings, folder)


def _station(name: str, settings: SourcesSettings, folder: Path) -> "Source":
    if name == "nws":
        from bitewatch.weather.sources.nws_stations import NwsStations

        return NwsStations(settings.nws)
    return _file(settings, folder)


def _file(settings: SourcesSettings, folder: Path) -> "Source":
    from bitewatch.weather.sources.hourly_csv import HourlyCsv

    assert settings.hourly_csv is not None  # the settings refuse themselves otherwise
    return HourlyCsv(folder, settings.hourly_csv.file)
