"""Puts together what each room declares; the only reader of the config folder, the environment and secrets."""

import difflib
import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Self, get_args

from pydantic import Field, SecretStr, StrictBool, field_validator, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from bitewatch.declared import Declared, Number, Whole, declare, read_toml, wrong
from bitewatch.delivery.settings import SmtpSettings, WebhookSettings
from bitewatch.errors import ConfigRefused, Fault, Refused
from bitewatch.lake.outline import Outline, read_outline
from bitewatch.lake.profile import Lake
from bitewatch.position.rulebook import RuleBook, default_book, merge
from bitewatch.presentation.trip import TripHours
from bitewatch.units import UnitSystem
from bitewatch.water.settings import WaterSettings
from bitewatch.weather.settings import ArchiveSettings, WarningsSettings
from bitewatch.weather.sources.settings import SourceName, SourcesSettings

PREFIX = "BITEWATCH_"
Secret = Literal["smtp_password", "open_meteo_api_key", "usgs_api_key"]
OUTLINE_OFF = 2.0  #: an outline so many times larger or smaller than the lake is that of another water [own]
TEST_PREFIXES = ("BITEWATCH_TEST_", "BITEWATCH_REQUIRE_")  #: read by the tests of this project only


class Environment(BaseSettings):
    """What the environment may say. Secrets live here or in files that only you can read, never in the config."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, extra="ignore", frozen=True, env_ignore_empty=True)

    config: Path | None = Field(None, description="the config folder")
    data: Path | None = Field(None, description="the data folder")
    smtp_password: SecretStr | None = Field(None, description="password for the mail relay")
    smtp_password_file: Path | None = Field(None, description="a file of mode 0600 that holds it")
    open_meteo_api_key: SecretStr | None = Field(None, description="customer key for open-meteo")
    open_meteo_api_key_file: Path | None = Field(None, description="a file of mode 0600 that holds it")
    usgs_api_key: SecretStr | None = Field(None, description="free key for usgs, which lets one ask more often")
    usgs_api_key_file: Path | None = Field(None, description="a file of mode 0600 that holds it")

    def secret(self, name: Secret) -> SecretStr | None:
        """A secret, from its variable or from its file.

        Raises
        ------
        ConfigRefused
            If both are set, or the file cannot be read, can be read by others or is empty.
        """
        direct: SecretStr | None = getattr(self, name)
        file: Path | None = getattr(self, f"{name}_file")
        variable = f"{PREFIX}{name}_file".upper()
        if direct is not None and file is not None:
            raise _fault("environment", variable, "", f"give {variable.removesuffix('_FILE')} or {variable}, not both")
        if file is None:
            return direct
        try:
            mode = file.stat().st_mode
            text = file.read_text("utf-8").strip()
        except OSError as error:
            raise _fault("environment", variable, "", f"the file cannot be read: {error.strerror}") from error
        except UnicodeDecodeError as error:
            raise _fault("environment", variable, "", "the file is not UTF-8 text") from error
        if mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise _fault("environment", variable, "", "the file can be read by others; chmod 600 it")
        if not text:
            raise _fault("environment", variable, "", "the file is empty")
        return SecretStr(text)


def _hours(text: str) -> str:
    try:
        TripHours.parse(text)
    except Refused as error:
        raise ValueError(str(error)) from error
    return text


class BoatSettings(Declared):
    """What the boat can take. No public limit for small open boats was found: set your own."""

    max_wave_m: Number = Field(0.3, gt=0, le=5, description="highest waves you fish in, in m or ft")
    max_wind_ms: Number = Field(8.0, gt=0, le=40, description="strongest wind you fish in, in m/s, mph or kt")


class StoreSettings(Declared):
    """Where the data is kept."""

    folder: str | None = Field(
        None, min_length=1, description="the data folder; --data and BITEWATCH_DATA go before it"
    )


class ServiceSettings(Declared):
    """How the service runs."""

    tick_seconds: Whole = Field(30, ge=1, le=300, description="how often it looks at what is due, in seconds")
    refresh_minutes: Whole = Field(60, ge=15, le=360, description="how often weather is asked for anew, in minutes")


class TurnSettings(Declared):
    """When a message that a call has turned may go out."""

    quiet_hours: str = Field("21:00-04:00", description="no such message then, as 21:00-04:00; empty for none")
    most_a_day: Whole = Field(3, ge=0, le=20, description="how many such messages a day at most")

    @field_validator("quiet_hours")
    @classmethod
    def _are_hours(cls, text: str) -> str:
        try:
            return _hours(text) if text else text
        except ValueError as error:
            raise ValueError("must be hours of the wall clock") from error


class DeploymentSettings(Declared):
    """What this installation is used for."""

    commercial: StrictBool = Field(
        False, description="true if money is made with it: sources that forbid that are then asked only with a key"
    )


class Config(Declared):
    """bitewatch.toml."""

    units: UnitSystem = Field(UnitSystem.US, description="how numbers are shown")
    trip_hours: str = Field("05:30-11:00", description="launch to haul-out, such as 05:30-11:00")
    boat: BoatSettings = BoatSettings()
    # an empty table is checked like any other, and says what it lacks
    sources: SourcesSettings = Field(default_factory=dict, description="a [sources] table")  # type: ignore[assignment]
    smtp: SmtpSettings | None = Field(None, description="a [smtp] table with host and sender")
    webhook: WebhookSettings = WebhookSettings()
    store: StoreSettings = StoreSettings()
    service: ServiceSettings = ServiceSettings()

    warnings: WarningsSettings = WarningsSettings()
    archive: ArchiveSettings = ArchiveSettings()
    turns: TurnSettings = TurnSettings()
    deployment: DeploymentSettings = DeploymentSettings()
    water: WaterSettings = WaterSettings()

    @field_validator("trip_hours")
    @classmethod
    def _are_trip_hours(cls, text: str) -> str:
        return _hours(text)

    @model_validator(mode="after")
    def _feeds_know_who_asks(self) -> Self:
        if self.warnings.feeds and not self.sources.contact.strip():
            right = (
                "is required to read official warnings: an e-mail or web address at which their authority reaches you"
            )
            raise wrong("sources.contact", right)
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that was declared, checked together."""

    folder: Path
    data: Path
    config: Config
    lakes: Mapping[str, Lake]
    outlines: Mapping[str, Outline]  #: lake -> its shore, where a file tells it
    book: RuleBook
    smtp_password: SecretStr | None
    open_meteo_api_key: SecretStr | None
    usgs_api_key: SecretStr | None

    def lake(self, lake_id: str) -> Lake:
        """A lake by its id.

        Raises
        ------
        Refused
            If there is none; says which there are.
        """
        if lake_id in self.lakes:
            return self.lakes[lake_id]
        near = difflib.get_close_matches(lake_id, self.lakes, n=1)
        hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(self.lakes) or 'none yet'}"
        raise Refused(f'no lake "{lake_id}" in {self.folder / "lakes"}; {hint}')

    def book_for(self, lake: Lake) -> RuleBook:
        """The rule book of a lake, without the rules that are off there."""
        return self.book.without(rule for rule in lake.rules_off if rule in self.book.ids)


def read_environment() -> Environment:
    """The environment, with misspelt variables refused.

    Raises
    ------
    ConfigRefused
        One fault for each BITEWATCH variable that is not known.
    """
    known = {f"{PREFIX}{name}".upper() for name in Environment.model_fields}
    faults = []
    for name in sorted(os.environ):
        if name.startswith(PREFIX) and name not in known and not name.startswith(TEST_PREFIXES):
            near = difflib.get_close_matches(name, known, n=1)
            right = f"did you mean {near[0]}?" if near else f"known are {', '.join(sorted(known))}"
            faults.append(Fault(file="environment", key=name, value="", right=f"unknown variable; {right}"))
    if faults:
        raise ConfigRefused(faults)
    return Environment()


def load_settings(config: Path | None, data: Path | None) -> Settings:
    """Everything declared in the config folder, the environment and its secret files.

    Parameters
    ----------
    config, data : Path or None
        As given on the command line; else BITEWATCH_CONFIG and BITEWATCH_DATA, else what the platform has for such.

    Raises
    ------
    ConfigRefused
        With every fault of every file, one a line.
    """
    from platformdirs import user_config_path, user_data_path

    environment = read_environment()
    folder = (config or environment.config or user_config_path("bitewatch")).expanduser().absolute()
    if not (folder / "bitewatch.toml").is_file():
        right = "no such file; a config folder holds bitewatch.toml and lakes/*.toml; name it with --config"
        raise ConfigRefused([Fault(file=str(folder / "bitewatch.toml"), key="", value="", right=right)])
    faults: list[Fault] = []
    declared: Config | None = None
    try:
        declared = declare(
            Config, read_toml(folder / "bitewatch.toml", shown_as="bitewatch.toml"), file="bitewatch.toml"
        )
    except ConfigRefused as error:
        faults += error.faults
    book = every = default_book()
    try:
        if (folder / "rules.toml").exists():
            table = read_toml(folder / "rules.toml", shown_as="rules.toml")
            book = merge(default_book(), table, file="rules.toml")
            every = merge(default_book(), {**table, "off": []}, file="rules.toml")  # a lake may name one that is off
    except ConfigRefused as error:
        faults += error.faults
    lakes: dict[str, Lake] = {}
    outlines: dict[str, Outline] = {}
    for path in sorted((folder / "lakes").glob("*.toml")):
        try:
            lake = read_lake(path)
            every.without(lake.rules_off, file=f"lakes/{path.name}", key="rules_off")
            if declared is not None:
                _check_sources(lake, declared, file=f"lakes/{path.name}")
                _check_gauge(lake, declared, file=f"lakes/{path.name}")
            lakes[lake.id] = lake
            if lake.outline is not None:
                outlines[lake.id] = outline = _read_outline(lake, folder, file=f"lakes/{path.name}")
                if lake.area_km2 is None:
                    lakes[lake.id] = lake.model_copy(update={"area_km2": outline.area_km2})
        except ConfigRefused as error:
            faults += error.faults
    secrets: dict[Secret, SecretStr | None] = {}
    for name in get_args(Secret):
        try:
            secrets[name] = environment.secret(name)
        except ConfigRefused as error:
            faults += error.faults
    if faults or declared is None:
        raise ConfigRefused(faults)
    if declared.store.folder:
        kept = (folder / Path(declared.store.folder).expanduser()).absolute()
    else:
        kept = user_data_path("bitewatch")
    return Settings(
        folder=folder, data=(data or environment.data or kept).expanduser().absolute(), config=declared, lakes=lakes,
        outlines=outlines, book=book, smtp_password=secrets["smtp_password"],
        open_meteo_api_key=secrets["open_meteo_api_key"], usgs_api_key=secrets["usgs_api_key"],
    )  # fmt: skip


def read_lake(path: Path, *, shown_as: str = "", lake_id: str = "") -> Lake:
    """One lake from its file.

    Parameters
    ----------
    shown_as
        What the file is called in faults; that it lies among the lakes if left out.
    lake_id
        Its id, where that is not the name of the file.

    Raises
    ------
    ConfigRefused
        With every fault of the file.
    """
    shown_as = shown_as or f"lakes/{path.name}"
    table = read_toml(path, shown_as=shown_as)
    if lake_id:
        return declare(Lake, {"id": lake_id} | table, file=shown_as)
    if table.setdefault("id", path.stem) != path.stem:
        value = f'"{table["id"]}"'
        raise _fault(shown_as, "id", value, f'must be the file\'s name, "{path.stem}"; or leave it out')
    return declare(Lake, table, file=shown_as)


def _check_gauge(lake: Lake, config: Config, *, file: str) -> None:
    if lake.gauge is not None and not config.sources.contact.strip():
        raise _fault(file, "gauge", f'"{lake.gauge}"', "needs sources.contact in bitewatch.toml")


def _read_outline(lake: Lake, folder: Path, *, file: str) -> Outline:
    assert lake.outline is not None
    value = f'"{lake.outline}"'
    try:
        text = (folder / lake.outline).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8"
        raise _fault(file, "outline", value, f"the file cannot be read: {why}") from error
    try:
        outline = read_outline(text, latitude=lake.latitude, longitude=lake.longitude)
    except Refused as error:
        raise _fault(file, "outline", value, str(error)) from error
    drawn, told = outline.area_km2, lake.area_km2
    if told is not None and max(drawn / told, told / drawn) > OUTLINE_OFF:
        raise _fault(file, "outline", value, f"has {drawn:.3g} km2 of water, the lake {told:.3g}; is it of this lake?")
    return outline


def _check_sources(lake: Lake, config: Config, *, file: str) -> None:
    """A lake's own sources must be known, and set up where they need it."""
    for name in lake.sources:
        if name not in get_args(SourceName):
            raise _fault(file, "sources", f'"{name}"', f"is no source; there are {', '.join(get_args(SourceName))}")
        if name == "hourly-csv" and config.sources.hourly_csv is None:
            raise _fault(file, "sources", f'"{name}"', "needs sources.hourly-csv.file in bitewatch.toml")
        if name != "hourly-csv" and not config.sources.contact.strip():
            raise _fault(file, "sources", f'"{name}"', "needs sources.contact in bitewatch.toml")


def _fault(file: str, key: str, value: str, right: str) -> ConfigRefused:
    return ConfigRefused([Fault(file=file, key=key, value=value, right=right)])
