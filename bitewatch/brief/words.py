"""Numbers and code words as a reader sees them: in the units they chose, and no finer than they are known."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from bitewatch.lake.profile import Lake, SpotKind
from bitewatch.position.engine import Position
from bitewatch.units import M_PER_FT, MS_PER_MPH, UnitSystem, f_from_c

POSITION_WORDS = {
    (Position.HIGH, False): "high over the weeds",
    (Position.EDGE, False): "off the edge",
    (Position.TIGHT, False): "in the weeds",
    (Position.HIGH, True): "high over the rock",
    (Position.EDGE, True): "off the rock",
    (Position.TIGHT, True): "on the rock",
}
SPOT_WORDS = {
    SpotKind.POINT: "point",
    SpotKind.SUNKEN_ISLAND: "sunken island",
    SpotKind.INSIDE_TURN: "inside turn",
    SpotKind.SHARP_BREAK: "sharp break",
    SpotKind.HARD_BOTTOM: "hard bottom beside weeds",
    SpotKind.ROCK: "rock",
    SpotKind.SHALLOW_COVER: "shallow cover",
}
STRENGTH_WORDS = ((0.22, "weak"), (0.6, "moderate"), (0.95, "strong"))  #: classes of the detector's score


@dataclass(frozen=True, slots=True)
class Words:
    """How one reader is spoken to."""

    units: UnitSystem
    zone: ZoneInfo

    @property
    def _us(self) -> bool:
        return self.units is UnitSystem.US

    def depths(self, top_m: float, bottom_m: float) -> str:
        """A band of depths, to the foot or the half metre."""
        if self._us:
            top, bottom = round(top_m / M_PER_FT), round(bottom_m / M_PER_FT)
            if bottom == 0:
                return "just under the surface"
            return f"{bottom} ft" if top == bottom else f"{top}-{bottom} ft"
        top_half, bottom_half = round(2 * top_m) / 2, round(2 * bottom_m) / 2
        if bottom_half == 0:
            return "just under the surface"
        return f"{bottom_half:g} m" if top_half == bottom_half else f"{top_half:g}-{bottom_half:g} m"

    def depth(self, depth_m: float) -> str:
        """One depth."""
        return self.depths(depth_m, depth_m)

    def temperature(self, temp_c: float) -> str:
        """A temperature, to the degree."""
        return f"{round(f_from_c(temp_c))} °F" if self._us else f"{round(temp_c)} °C"

    def degrees(self, change_c: float) -> str:
        """A difference of temperatures, to the degree; less than one as it is known."""
        change = 1.8 * change_c if self._us else change_c
        return f"{round(change)} °{'F' if self._us else 'C'}" if change >= 0.95 else "under a degree"

    def wind(self, speed_ms: float) -> str:
        """A wind speed."""
        return f"{round(speed_ms / MS_PER_MPH)} mph" if self._us else f"{round(speed_ms)} m/s"

    def winds(self, low_ms: float, high_ms: float) -> str:
        """A range of wind speeds."""
        low, high = self.wind(low_ms), self.wind(high_ms)
        return high if low == high else f"{low.split()[0]}-{high}"

    def wave(self, height_m: float) -> str:
        """A wave height."""
        if self._us:
            feet = round(2 * height_m / M_PER_FT) / 2
            return f"about {feet:g} ft" if feet else "under half a foot"
        return f"about {height_m:.1f} m" if height_m >= 0.05 else "under 0.1 m"

    def clock(self, instant: datetime) -> str:
        """An instant by the lake's clock, to the minute."""
        local = instant.astimezone(self.zone)
        if self._us:
            return f"{local.hour % 12 or 12}:{local:%M} {'AM' if local.hour < 12 else 'PM'}"
        return f"{local:%H:%M}"

    def hour(self, instant: datetime) -> str:
        """An instant that is known to the hour or so."""
        local = instant.astimezone(self.zone)
        if self._us:
            return f"about {local.hour % 12 or 12} {'AM' if local.hour < 12 else 'PM'}"
        return f"about {local:%H}:00"

    def hours_between(self, earliest: datetime, latest: datetime, *, day: bool = True) -> str:
        """A range of hours, widened to whole ones; with the day, or the days where it goes over midnight.

        A range within an hour is one hour.
        """
        first, last = earliest.astimezone(self.zone), latest.astimezone(self.zone)
        first = first.replace(minute=0, second=0, microsecond=0)
        if last != last.replace(minute=0, second=0, microsecond=0):
            last = last.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
        if first == last:
            return self.moment(first) if day else self.hour(first)
        if first.date() != last.date():
            return f"between {self.moment(first)} and {self.moment(last)}"
        begin, end = self.hour(first), self.hour(last).removeprefix("about ")
        if begin[-2:] == end[-2:] and self._us:
            begin = begin[:-3]
        return f"{self.day(first.date())} between {begin} and {end}" if day else f"between {begin} and {end}"

    def span(self, start: datetime, end: datetime) -> str:
        """From one clock time to another."""
        first, second = self.clock(start), self.clock(end)
        if self._us and first[-2:] == second[-2:]:
            first = first[:-3]
        return f"{first}-{second}"

    def day(self, day: date) -> str:
        """A day, short."""
        return f"{day:%a %b} {day.day}" if self._us else f"{day:%a} {day.day} {day:%b}"

    def moment(self, instant: datetime) -> str:
        """A day and an hour."""
        return f"{self.day(instant.astimezone(self.zone).date())} {self.hour(instant)}"


def position_words(position: Position, lake: Lake) -> str:
    """What a reader reads for a position on this lake."""
    return POSITION_WORDS[position, lake.is_rock]


def technique_words(text: str, lake: Lake) -> str:
    """The words of a technique, with the tops named as this lake has them."""
    return text.replace("{tops}", "the top of the rock" if lake.is_rock else "the weed tops")


def chance(probability: float) -> str:
    """A probability in tenths: it is not known any finer.

    >>> chance(0.523)
    '5 in 10'
    """
    return f"{min(9, max(1, round(10 * probability)))} in 10"


def strength_words(strength: float) -> str:
    """What to call a front of this strength."""
    return [word for least, word in STRENGTH_WORDS if strength >= least][-1] if strength >= 0.22 else "faint"


def compass(degrees: float) -> str:
    """The nearest of eight compass points.

    >>> compass(292.5), compass(359)
    ('W', 'N')
    """
    return ("N", "NE", "E", "SE", "S", "SW", "W", "NW")[round(degrees / 45) % 8]


def sentence(text: str) -> str:
    """With a capital at the start and a full stop at the end."""
    text = text.strip()
    if not text:
        return text
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


def listed(items: list[str]) -> str:
    """Items in a row, with an "and" before the last."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""
