"""Where the weather of a brief comes from, how old it is, and who must be named for it."""

from collections.abc import Iterable, Sequence

from bitewatch.brief.lake_day import Freshness, LakeDay
from bitewatch.brief.words import Words
from bitewatch.units import UnitSystem

BETWEEN_LINES = " · "  #: what stands between the attribution lines of several sources


def age_words(lake_day: LakeDay) -> str:
    """How old the forecast is, where it is so old that a reader must know; else empty."""
    weather = lake_day.weather
    if weather is None or weather.freshness is Freshness.FRESH:
        return ""
    hours = (lake_day.now - weather.retrieved_at).total_seconds() / 3600
    return f"the forecast is {round(hours)} hours old" if round(hours) > 1 else "the forecast is out of date"


def switch_words(lake_day: LakeDay) -> str:
    """That the weather comes from another source than this reader was told from before; else empty."""
    weather = lake_day.weather
    if weather is None or not weather.switched_from:
        return ""
    return f"Weather now from {weather.source}, in place of {weather.switched_from}"


def attributions(lake_days: Iterable[LakeDay]) -> tuple[str, ...]:
    """The lines that the sources ask to be shown, each once."""
    lines = [
        line.strip()
        for lake_day in lake_days
        if lake_day.weather
        for line in lake_day.weather.attribution.split(BETWEEN_LINES)
    ]
    return tuple(dict.fromkeys(line for line in lines if line))


def source_lines(lake_days: Sequence[LakeDay], units: UnitSystem) -> tuple[str, ...]:
    """One line for the weather of each lake, then whom to name for it."""
    lines = []
    for lake_day in lake_days:
        weather = lake_day.weather
        if weather is None:
            continue
        words = Words(units, lake_day.lake.zone_info)
        if weather.is_file:
            lines.append(f"Weather for {lake_day.lake.name}: {weather.source}, a file of hours.")
        else:
            received = words.clock(weather.retrieved_at)
            if weather.retrieved_at.astimezone(words.zone).date() != lake_day.now.astimezone(words.zone).date():
                received = f"{words.day(weather.retrieved_at.astimezone(words.zone).date())} {received}"
            lines.append(f"Weather for {lake_day.lake.name}: {weather.source}, {weather.model}, received {received}.")
    return tuple(dict.fromkeys([*lines, *attributions(lake_days)]))
