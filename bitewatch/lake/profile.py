"""A lake as its owner declares it: place, clarity, depth, weeds, species, spots. Only name and place are required."""

import functools
import unicodedata
from datetime import date, time
from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, Field, StringConstraints, field_validator, model_validator

from bitewatch.declared import Declared, Number, wrong
from bitewatch.units import c_from_f, f_from_c

ID_PATTERN = r"^[a-z0-9][a-z0-9-]{0,63}$"
COLDEST_C, HOTTEST_C = -0.5, 40.0  #: beyond it no lake that fish live in [own]
LEAST_SECCHI_M = 0.05  #: under it the water is mud, or the unit is wrong [own]
ROCK_COVER = 0.125  #: weed cover under which a lake is fished as rock: where the rule for rock lakes is half on [own]


class Species(StrEnum):
    """The fish that are forecast, each on its own."""

    CRAPPIE = "crappie"
    BLUEGILL = "bluegill"


class SpotKind(StrEnum):
    """What a spot is."""

    POINT = "point"
    SUNKEN_ISLAND = "sunken-island"
    INSIDE_TURN = "inside-turn"
    SHARP_BREAK = "sharp-break"
    HARD_BOTTOM = "hard-bottom"
    ROCK = "rock"
    SHALLOW_COVER = "shallow-cover"


class Clarity(StrEnum):
    """How clear the water is, where no disk was lowered."""

    CLEAR = "clear"
    STAINED = "stained"
    DARK = "dark"


def _one_visible_line(text: str) -> str:
    # marks that turn text around would let one name disguise the line that it stands in
    turns = ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")
    hidden = any(
        unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") or unicodedata.bidirectional(sign) in turns
        for sign in text
    )
    if hidden or text != text.strip():
        raise ValueError("must be one line without control characters and without blanks around it")
    return text


ShownName = Annotated[str, AfterValidator(_one_visible_line)]  #: stands in sentences, subjects and pages


#: the code of an area, whatever its authority makes of codes; a name in its place would match nothing, in silence
ZoneCode = Annotated[str, StringConstraints(min_length=1, max_length=40, pattern=r"^[A-Za-z0-9._:-]*$")]


class Spot(Declared):
    """A named place on a lake."""

    name: ShownName = Field(min_length=1, max_length=80, description="the name you know the spot by")
    kind: SpotKind = Field(description="what the spot is")
    latitude: Number | None = Field(None, ge=-90, le=90, description="degrees north")
    longitude: Number | None = Field(None, ge=-180, le=180, description="degrees east; west is negative")
    depth_m: Number | None = Field(None, gt=0, le=60, description="depth of the bottom there, in m or ft")
    open_water_bearing_deg: Number | None = Field(
        None, ge=0, le=360, description="compass bearing from the spot to its open water, degrees"
    )

    @model_validator(mode="after")
    def _place_is_whole(self) -> Self:
        if (self.latitude is None) != (self.longitude is None):
            raise wrong(
                "latitude" if self.longitude is None else "longitude", "give latitude and longitude, or neither"
            )
        return self


class DepthProfile(Declared):
    """What a probe showed on its way down, on one day."""

    on: date = Field(description="the day of the profile, YYYY-MM-DD without quotes")
    depth_m: tuple[Number, ...] = Field(min_length=2, description="depths from the surface down, in m or ft")
    oxygen_mgl: tuple[Number, ...] = Field((), description="dissolved oxygen at each depth, in mg/L")
    water_temp_c: tuple[Number, ...] = Field((), description="temperature at each depth, in degC or degF")

    @field_validator("on", mode="before")
    @classmethod
    def _is_a_day(cls, value: object) -> object:
        return _whole_day(value)

    @model_validator(mode="after")
    def _goes_down(self) -> Self:
        if any(deeper <= depth for depth, deeper in pairwise(self.depth_m)) or self.depth_m[0] < 0:
            raise wrong("depth_m", "must be depths of 0 or more, each deeper than the one before")
        for name, limits in (("oxygen_mgl", (0.0, 25.0)), ("water_temp_c", (-0.5, 40.0))):
            values = getattr(self, name)
            if values and len(values) != len(self.depth_m):
                raise wrong(name, "must have one value for each depth")
            if any(not limits[0] <= value <= limits[1] for value in values):
                raise wrong(name, f"must lie between {limits[0]:g} and {limits[1]:g}")
        if not self.oxygen_mgl and not self.water_temp_c:
            raise wrong("oxygen_mgl", "give oxygen_mgl, water_temp_c or water_temp_f, or leave the profile out")
        return self


class Lake(Declared):
    """A water with its profile. What is left out widens the doubt, and the brief says so."""

    id: str = Field(pattern=ID_PATTERN, description="the file's name: small letters, digits and hyphens, at most 64")
    name: ShownName = Field(min_length=1, max_length=80, description="the name readers know")
    latitude: Number = Field(ge=-90, le=90, description="degrees north")
    longitude: Number = Field(ge=-180, le=180, description="degrees east; west is negative")
    zone: str = Field("", description="an IANA time zone such as America/New_York; found from the place if left out")
    elevation_m: Number | None = Field(None, ge=-430, le=6500, description="of the water above the sea, in m or ft")
    area_km2: Number | None = Field(None, gt=0, le=100_000, description="in km2, ha or acres")
    mean_depth_m: Number | None = Field(None, gt=0, le=800, description="in m or ft")
    max_depth_m: Number | None = Field(None, gt=0, le=1700, description="in m or ft")
    secchi_m: Number | None = Field(None, gt=0, le=45, description="how deep a white disk is seen, in m or ft")
    clarity: Clarity | None = Field(None, description="in place of secchi_m, where no disk was lowered")
    trophic_state: Number | None = Field(
        None, ge=0, le=100, description="Carlson's index from the Secchi depth, in place of secchi_m"
    )
    weed_edge_m: Number | None = Field(None, gt=0, le=20, description="depth where the weeds end, in m or ft")
    weed_tops_m: Number | None = Field(None, ge=0, le=20, description="depth of the weed tops, in m or ft")
    weed_cover: Number | None = Field(None, ge=0, le=1, description="share of the flats that carry weeds, 0 to 1")
    water_temp_c: Number | None = Field(
        None, description="a surface reading; write water_temp_c for degC or water_temp_f for degF"
    )
    water_temp_on: date | None = Field(None, description="the day of that reading, YYYY-MM-DD without quotes")
    water_temp_at: time | None = Field(None, description="the hour of that reading, HH:MM:SS without quotes")
    water_temp_depth_m: Number | None = Field(None, ge=0, le=60, description="how deep the thermometer was, in m or ft")
    ice_out: date | None = Field(None, description="the day on which the ice went out this year, YYYY-MM-DD")
    profile: tuple[DepthProfile, ...] = Field((), description="[[profile]] tables of a probe, each with its day")
    gauge: str | None = Field(
        None, pattern=r"^USGS-[0-9]{8,15}$", description='a public gauge of water temperature, such as "USGS-01234567"'
    )
    gauge_series: str | None = Field(
        None, pattern=r"^[0-9a-f]{32}$", description="which series of that gauge, where it has several"
    )
    outline: str | None = Field(
        None, max_length=200, description="a GeoJSON file of the lake's shore, seen from the config folder"
    )
    species: tuple[Species, ...] = Field(
        tuple(Species), min_length=1, description='such as ["crappie", "bluegill"], the one you fish for most first'
    )
    rules_off: tuple[str, ...] = Field((), description="ids of rules that do not hold on this lake")
    sources: tuple[str, ...] = Field(
        (), description="the sources of weather for this lake, the first one first, in place of those of bitewatch.toml"
    )
    warning_zones: tuple[ZoneCode, ...] = Field(
        (), description='codes of the areas whose official warnings hold here, such as ["MNZ025"]'
    )
    spot: tuple[Spot, ...] = Field((), description="[[spot]] tables, your favourite first")

    @field_validator("zone")
    @classmethod
    def _zone_exists(cls, zone: str) -> str:
        if zone and zone not in _zones():
            raise ValueError("is not a known time zone")
        return zone

    @field_validator("water_temp_on", "ice_out", mode="before")
    @classmethod
    def _is_a_day(cls, value: object) -> object:
        return _whole_day(value)

    @field_validator("water_temp_at", mode="before")
    @classmethod
    def _is_an_hour(cls, value: object) -> object:
        if value is not None and type(value) is not time:
            raise ValueError("must be an hour such as 15:00:00")
        return value

    @field_validator("species", mode="after")
    @classmethod
    def _once_each(cls, species: tuple[Species, ...]) -> tuple[Species, ...]:
        if len(set(species)) != len(species):
            raise ValueError("names a species twice")
        return species

    @field_validator("sources", mode="after")
    @classmethod
    def _each_source_once(cls, sources: tuple[str, ...]) -> tuple[str, ...]:
        if len(set(sources)) != len(sources):
            raise ValueError("names a source twice")
        return sources

    @model_validator(mode="after")
    def _is_possible(self) -> Self:
        deepest = self.max_depth_m
        if self.mean_depth_m and deepest and self.mean_depth_m > deepest:
            raise wrong("mean_depth_m", "must not be more than the greatest depth of the lake")
        if self.weed_edge_m and deepest and self.weed_edge_m > deepest:
            raise wrong("weed_edge_m", "must not be more than the greatest depth of the lake")
        if self.secchi_m and self.secchi_m < LEAST_SECCHI_M:
            raise wrong("secchi_m", f"must be {100 * LEAST_SECCHI_M:g} cm or more; is the unit right?")
        if self.secchi_m and deepest and self.secchi_m > deepest:
            raise wrong(
                "secchi_m", "must not be more than the greatest depth; a disk seen on the bottom has that depth"
            )
        if self.weed_tops_m is not None:
            floor = self.weed_edge_m or deepest
            if floor and self.weed_tops_m >= floor:
                raise wrong("weed_tops_m", "must be less than the depth where the weeds end")
        for spot in self.spot:
            if spot.depth_m and deepest and spot.depth_m > deepest:
                raise wrong("max_depth_m", f"must be at least the depth of the spot {spot.name}")
        names = [spot.name for spot in self.spot]
        for name in names:
            if names.count(name) > 1:
                raise wrong("spot", f"two spots have the name {name}; give each its own")
        if self.ice_out is not None and (self.ice_out.month - (6 if self.latitude < 0 else 0)) % 12 not in range(1, 7):
            raise wrong("ice_out", "must be a day from January to June, in the south from July to December")
        if self.water_temp_c is not None and not COLDEST_C <= self.water_temp_c <= HOTTEST_C:
            raise wrong("water_temp_c", _asked(self.water_temp_c))
        for name in ("water_temp_on", "water_temp_at", "water_temp_depth_m"):
            if getattr(self, name) is not None and self.water_temp_c is None:
                raise wrong(name, "needs water_temp_c or water_temp_f beside it")
        if self.water_temp_at is not None and self.water_temp_on is None:
            raise wrong("water_temp_at", "needs water_temp_on beside it")
        told = [name for name in ("secchi_m", "clarity", "trophic_state") if getattr(self, name) is not None]
        if len(told) > 1:
            raise wrong(told[1], f"give one of secchi_m, clarity and trophic_state; {told[0]} stands there already")
        if self.gauge_series is not None and self.gauge is None:
            raise wrong("gauge_series", "needs gauge beside it")
        return self

    @property
    def is_rock(self) -> bool:
        """True if hardly any weeds are declared: positions are then told relative to rock."""
        return self.weed_cover is not None and self.weed_cover < ROCK_COVER

    @property
    def zone_name(self) -> str:
        """The declared zone, else the one its place lies in."""
        return self.zone or zone_at(self.latitude, self.longitude)

    @property
    def zone_info(self) -> ZoneInfo:
        """The zone in which this lake's days and hours are told."""
        return ZoneInfo(self.zone_name)


def _asked(temp_c: float) -> str:
    """What to ask of a temperature that no lake has, with the unit that would make sense."""
    if temp_c > HOTTEST_C:
        in_f = c_from_f(temp_c)
        hint = f"; read in degF it is {in_f:.1f} degC: write water_temp_f" if COLDEST_C <= in_f <= HOTTEST_C else ""
        return f"is hotter than any lake{hint}"
    in_c = f_from_c(temp_c)
    hint = "; was it read in degC? write water_temp_c" if COLDEST_C <= in_c <= HOTTEST_C else ""
    return f"is colder than open water{hint}"


def _whole_day(value: object) -> object:
    if value is not None and type(value) is not date:
        raise ValueError("must be a day")
    return value


@functools.cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


@functools.cache
def zone_at(latitude: float, longitude: float) -> str:
    """The IANA time zone of a place.

    >>> zone_at(41.3, -74.2)
    'America/New_York'
    """
    from tzfpy import get_tz  # it loads every border of the world: only where it is needed

    return get_tz(longitude, latitude) or "UTC"
