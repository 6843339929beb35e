"""Which sources are asked, in which order, and how: the table ``[sources]`` of the settings."""

from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, StrictBool, field_validator, model_validator
from pydantic_core import PydanticCustomError

from bitewatch.declared import Declared, Whole

SourceName = Literal["open-meteo", "met-norway", "nws", "hourly-csv"]
StationName = Literal["nws", "hourly-csv"]
OPEN_METEO_URL = "https://api.open-meteo.com/v1/forecast"
MET_NORWAY_URL = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
NWS_URL = "https://api.weather.gov"
USGS_URL = "https://api.waterdata.usgs.gov/ogcapi"


def _plain_address(url: str) -> str:
    parts = urlsplit(url)
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.username or parts.query:
        raise ValueError("must be an http or https address without a password and without a question mark")
    return url.rstrip("/")


Address = Annotated[str, AfterValidator(_plain_address)]


class HourlyCsvSettings(Declared):
    """Files of hours on this machine: ``[sources.hourly-csv]``."""

    file: str = Field(
        min_length=1, max_length=100,
        description="the path of a CSV file, seen from the config folder; {lake} stands for the id of a lake",
    )  # fmt: skip


class OpenMeteoSettings(Declared):
    """The forecast of Open-Meteo, or of a server of one's own that speaks like it: ``[sources.open-meteo]``."""

    url: Address = Field(default=OPEN_METEO_URL, description="the address of the forecast, http or https")
    model: str = Field(
        default="ecmwf_ifs", max_length=40, pattern=r"^[a-z0-9_]+$", description="the id of one weather model"
    )
    forecast_days: Whole = Field(default=7, ge=1, le=16, description="days ahead that are asked for")

    @field_validator("model")
    @classmethod
    def _one_model(cls, model: str) -> str:
        if model == "best_match":
            raise ValueError(
                "is a mix of models that changes silently, and a change looks like a front; name one model"
            )
        return model


class MetNorwaySettings(Declared):
    """The forecast of MET Norway, or of a proxy of one's own: ``[sources.met-norway]``."""

    url: Address = Field(default=MET_NORWAY_URL, description="the address of the forecast, http or https")


class NwsSettings(Declared):
    """The US National Weather Service, or a proxy of one's own: ``[sources.nws]``."""

    url: Address = Field(default=NWS_URL, description="the address of the service, http or https")


class UsgsSettings(Declared):
    """Water temperature of public gauges from the US Geological Survey, or a proxy of one's own: ``[sources.usgs]``."""

    url: Address = Field(default=USGS_URL, description="the address of the service without its version, http or https")


class SourcesSettings(Declared):
    """The sources, in the order in which they are asked; the next is asked when the one before fails."""

    order: tuple[SourceName, ...] = Field(
        default=("open-meteo",), description="the sources to ask, the first one first"
    )
    stations: tuple[StationName, ...] = Field(
        default=(), description='where measured hours come from: "nws" for airports of the United States, "hourly-csv"'
    )
    second_opinion: StrictBool = Field(
        default=True,
        description="false to ask the second source only when the first fails; true compares when they see fronts",
    )
    contact: str = Field(
        default="", max_length=200, pattern=r"^[ -~]*$",
        description="an e-mail or web address at which providers reach whoever runs this, in ASCII",
    )  # fmt: skip
    hourly_csv: HourlyCsvSettings | None = Field(
        default=None, alias="hourly-csv", description="a table with the key file"
    )
    open_meteo: OpenMeteoSettings = Field(
        default=OpenMeteoSettings(), alias="open-meteo", description="a table of settings for Open-Meteo"
    )
    met_norway: MetNorwaySettings = Field(
        default=MetNorwaySettings(), alias="met-norway", description="a table of settings for MET Norway"
    )
    nws: NwsSettings = Field(default=NwsSettings(), description="a table of settings for the National Weather Service")
    usgs: UsgsSettings = Field(
        default=UsgsSettings(), description="a table of settings for the US Geological Survey, whose gauges lakes name"
    )

    @model_validator(mode="after")
    def _what_is_asked_can_be_asked(self) -> Self:
        if not self.order or len(set(self.order)) != len(self.order):
            raise PydanticCustomError("order", "must name one source or more, each once", {"key": "order"})
        if len(set(self.stations)) != len(self.stations):
            raise PydanticCustomError("stations", "must name each source once", {"key": "stations"})
        asked = [name for name in (*self.order, *self.stations) if name != "hourly-csv"]
        if asked and not self.contact.strip():
            raise PydanticCustomError(
                "no_contact",
                f"is required to ask {asked[0]}: an e-mail or web address at which its operators reach you; "
                'without one, name "hourly-csv" alone in order and stations',
                {"key": "contact"},
            )
        if "hourly-csv" in (*self.order, *self.stations) and self.hourly_csv is None:
            raise PydanticCustomError(
                "no_file",
                "is required because order or stations names hourly-csv: the path of a CSV file",
                {"key": "hourly-csv.file"},
            )
        return self
