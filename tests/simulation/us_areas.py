"""Invented areas of a real country: grid cells, zones and stations, each a function of place alone."""

import math
from dataclasses import dataclass

SOUTH, WEST = 20.0, -130.0  #: where cells are counted from
STEP_DEG = 0.025  #: between the middles of cells, some 2.5 km
BOX = (24.0, 50.0, -126.0, -66.0)  #: south, north, west, east of what is served
STATION_EVERY_DEG = 0.5
STATION_COLUMNS = 120
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A station that does not exist."""

    name: str
    latitude: float
    longitude: float
    elevation_m: float


def covered(latitude: float, longitude: float) -> bool:
    south, north, west, east = BOX
    return south <= latitude < north and west <= longitude < east


def zones_at(latitude: float, longitude: float) -> tuple[str, str, str]:
    """Codes of the forecast zone, the county and the fire weather zone: squares of one degree."""
    row, column = math.floor(latitude - BOX[0]), math.floor(longitude - BOX[2])
    letter, number = LETTERS[row // 10], row % 10 * 60 + column + 1
    return f"X{letter}Z{number:03d}", f"X{letter}C{number:03d}", f"Y{letter}Z{number:03d}"


def time_zone(longitude: float) -> str:
    bounds = ((-85.0, "New_York"), (-101.0, "Chicago"), (-114.0, "Denver"))
    return "America/" + next((name for west, name in bounds if longitude >= west), "Los_Angeles")


def station(name: str) -> Station | None:
    """The station of a name, if there is one."""
    number = 0
    for letter in name[1:]:
        number = number * 26 + LETTERS.index(letter)
    row, column = divmod(number, STATION_COLUMNS)
    latitude = BOX[0] + 0.25 + row * STATION_EVERY_DEG
    if name[0] != "K" or not covered(latitude, BOX[2]):
        return None
    longitude = BOX[2] + 0.25 + column * STATION_EVERY_DEG
    return Station(name=name, latitude=latitude, longitude=longitude, elevation_m=280.0 + row)


def stations_near(latitude: float, longitude: float, count: int = 5) -> list[Station]:
    """The nearest stations, the nearest first."""
    row = (latitude - BOX[0] - 0.25) / STATION_EVERY_DEG
    column = (longitude - BOX[2] - 0.25) / STATION_EVERY_DEG
    squeeze = math.cos(math.radians(latitude))
    around = [(round(row) + dr, round(column) + dc) for dr in range(-2, 3) for dc in range(-2, 3)]
    around.sort(key=lambda at: math.hypot(at[0] - row, (at[1] - column) * squeeze))
    found = (station(_name(r, c)) for r, c in around if r >= 0 and 0 <= c < STATION_COLUMNS)
    return [one for one in found if one is not None][:count]


def _name(row: int, column: int) -> str:
    number = row * STATION_COLUMNS + column
    return "K" + LETTERS[number // 676 % 26] + LETTERS[number // 26 % 26] + LETTERS[number % 26]
