"""The depth strip: three days of this lake's water column, shaded by how likely the fish are at each depth."""

import io
import textwrap
from dataclasses import dataclass
from datetime import datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from bitewatch.brief import front_lines
from bitewatch.brief.facts import window_times
from bitewatch.brief.lake_day import LakeDay
from bitewatch.brief.words import Words
from bitewatch.lake.local_time import datetime_to_np, local_instant
from bitewatch.presentation.depths import column, fish_band
from bitewatch.presentation.plan import POSITIONS
from bitewatch.weather.following import KnownFront

HOURS = 72
LAYERS = 60  #: rows of depth in the shading
SHADE = "#0072B2"  #: Okabe and Ito's blue; their set can be told apart by colour-blind readers
TITLE_WIDTH = 55  #: characters of a line above the picture
BAIT, FRONT, WEEDS = "#D55E00", "#000000", "#009E73"


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthStrip:
    """What the picture shows, as plain data; hours from the first midnight of the lake's clock."""

    lake: str
    title: str
    alt: str
    unit: str
    per_m: float  #: units of depth a metre
    hour: NDArray[np.float64]  #: shape (H,)
    depth: NDArray[np.float64]  #: shape (L,), middles of the layers, in the unit shown
    likely: NDArray[np.float64]  #: shape (L, H): chance a unit of depth
    tops: float
    foot: float
    foot_name: str
    tops_name: str
    nights: tuple[tuple[float, float], ...]
    trips: tuple[tuple[float, float], ...]
    fronts: tuple[tuple[float, float, float], ...]  #: earliest, onset, latest
    baits: tuple[tuple[float, float, float, float], ...]  #: start, end, top, bottom
    days: tuple[tuple[float, str], ...]  #: middle of each day and its name


def depth_strip(lake_day: LakeDay, words: Words) -> DepthStrip:
    """The picture's data for the main species of a lake.

    Raises
    ------
    ValueError
        If there is no outlook to draw.
    """
    outlook = lake_day.outlook
    if outlook is None:
        raise ValueError("there is nothing to draw without an outlook")
    zone = lake_day.lake.zone_info
    midnight = local_instant(lake_day.day, time(0), zone) or lake_day.start
    in_feet = words.depth(3.0).endswith("ft")
    per_m = 1 / 0.3048 if in_feet else 1.0

    def hours_from(instant: datetime) -> float:
        return (instant - midnight).total_seconds() / 3600

    offset = (outlook.hourly.time - datetime_to_np(midnight)) / np.timedelta64(3600, "s")
    shown = np.flatnonzero((offset >= 0) & (offset < HOURS))
    hour = offset[shown].astype(float)
    plan = outlook.plans[lake_day.main_species]
    at = column(lake_day.lake, lake_day.depths, plan[0].spot)  # the column of the place where the trip starts
    deepest = max(at.bottom_m, *(window.main.bait.bottom_m for window in plan))
    edges = np.linspace(0.0, deepest, LAYERS + 1)
    middle = (edges[1:] + edges[:-1]) / 2
    chance = outlook.calls[lake_day.main_species].probability[..., shown].mean(axis=1)  # (3, H)
    likely = np.zeros((LAYERS, shown.size))
    for position, of_position in zip(POSITIONS, chance, strict=True):
        band = fish_band(position, at)
        inside = (middle >= band.top_m) & (middle <= band.bottom_m)
        likely += np.outer(inside, of_position) / ((band.bottom_m - band.top_m) * per_m)
    trips, days = [], []
    for ahead in range(3):
        day = lake_day.day + timedelta(days=ahead)
        start, end = lake_day.trip_hours.instants(day, zone)
        trips.append((hours_from(start), hours_from(end)))
        noon = local_instant(day, time(12), zone)
        if noon:
            days.append((hours_from(noon), words.day(day)))
    baits = []
    for window in plan:
        start, end = window_times(lake_day, outlook, window)
        baits.append(
            (hours_from(start), hours_from(end), window.main.bait.top_m * per_m, window.main.bait.bottom_m * per_m)
        )
    fronts = []
    for front in _fronts_shown(lake_day, midnight):
        at_once = front.observed_onset is not None
        passes = front_lines.onset(front)
        ends = (passes, passes) if at_once else (front.earliest, front.latest)
        fronts.append((hours_from(ends[0]), hours_from(passes), hours_from(ends[1])))
    rock = lake_day.lake.is_rock
    return DepthStrip(
        lake=lake_day.lake.name, title=f"{lake_day.main_species.value} by depth",
        alt=_alt(lake_day, words, midnight), unit="ft" if in_feet else "m", per_m=per_m, hour=hour,
        depth=middle * per_m,
        likely=likely, tops=at.tops_m * per_m, foot=deepest * per_m,
        foot_name="foot of the rock" if rock else "foot of the weed edge",
        tops_name="half-way up" if rock else "weed tops",
        nights=_nights(outlook.sun.elevation_deg, shown, hour), trips=tuple(trips), fronts=tuple(fronts),
        baits=tuple(baits), days=tuple(days),
    )  # fmt: skip


def _fronts_shown(lake_day: LakeDay, midnight: datetime) -> list[KnownFront]:
    """The cold fronts of which some of the range lies in the picture."""
    end = midnight + timedelta(hours=HOURS)
    return [front for front in front_lines.cold(lake_day) if front.latest >= midnight and front.earliest < end]


def _alt(lake_day: LakeDay, words: Words, midnight: datetime) -> str:
    """What the picture says, for whoever does not see it."""
    assert lake_day.outlook is not None
    told = [
        f"{words.span(*window_times(lake_day, lake_day.outlook, window))} bait "
        f"{words.depths(window.main.bait.top_m, window.main.bait.bottom_m)} down"
        for window in lake_day.outlook.plans[lake_day.main_species]
    ]
    told += [f"cold front {front_lines.when(front, words)}" for front in _fronts_shown(lake_day, midnight)]
    return f"Water column of {lake_day.lake.name} over three days: {'; '.join(told)}."


def _nights(
    elevation_deg: NDArray[np.float64], shown: NDArray[np.intp], hour: NDArray[np.float64]
) -> tuple[tuple[float, float], ...]:
    """Runs of hours with the sun below the horizon."""
    dark = np.concatenate([[False], elevation_deg[shown] < 0.0, [False]])
    turns = np.flatnonzero(dark[1:] != dark[:-1])
    return tuple(
        (float(hour[first]) - 0.5, float(hour[last - 1]) + 0.5)
        for first, last in zip(turns[::2], turns[1::2], strict=True)
    )


def _drawable(strip: DepthStrip) -> str:
    """The title, less a lake's name that the one font of the picture has no signs for."""
    from matplotlib.font_manager import findfont, get_font

    font = get_font(findfont("DejaVu Sans"))
    whole = f"{strip.lake}: {strip.title}"
    return whole if all(font.get_char_index(ord(sign)) for sign in whole) else strip.title


def draw_depth_strip(strip: DepthStrip) -> bytes:
    """The picture, as PNG: 780 pixels wide, for a screen of half that at two pixels a point."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # no screen is ever asked for
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    with mpl.rc_context({"font.size": 9, "font.family": "DejaVu Sans"}):
        figure = Figure(figsize=(3.9, 2.9), dpi=200, layout="constrained", facecolor="white")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        shades = LinearSegmentedColormap.from_list("likely", ["#ffffff", SHADE])
        axes.pcolormesh(strip.hour, strip.depth, strip.likely, cmap=shades, shading="nearest", vmin=0, rasterized=True)
        for start, end in strip.nights:
            axes.axvspan(start, end, color="#555555", alpha=0.22, linewidth=0)
        for start, end in strip.trips:
            axes.plot([start, end], [0, 0], color="black", linewidth=5, solid_capstyle="butt", clip_on=False)
        axes.axhline(strip.tops, color=WEEDS, linewidth=1.2, linestyle=(0, (4, 2)))
        axes.text(71, strip.tops, strip.tops_name, color="#00553f", fontsize=7.5, va="bottom", ha="right")
        for start, end, top, bottom in strip.baits:
            axes.fill_between([start, end], top, bottom, facecolor="none", edgecolor=BAIT, linewidth=1.8, hatch="////")
        for earliest, onset, latest in strip.fronts:
            axes.axvspan(earliest, latest, color=FRONT, alpha=0.22, linewidth=0)
            axes.vlines([earliest, latest], 0, strip.foot, color=FRONT, linewidth=0.6, linestyle=(0, (1, 2)))
            axes.axvline(onset, color=FRONT, linewidth=1.3)
            axes.text(latest, strip.foot * 0.03, "front", fontsize=7.5, va="top", ha="left", clip_on=True)
        axes.set_ylim(strip.foot, 0)
        axes.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=7))
        axes.set_xlim(0, HOURS)
        axes.set_xticks([place for place, _ in strip.days], [name for _, name in strip.days])
        axes.set_xticks([0, 24, 48, 72], minor=True)
        axes.tick_params(axis="x", which="major", length=0)
        axes.tick_params(axis="x", which="minor", length=8)
        axes.set_ylabel(f"{strip.unit} down, to the {strip.foot_name}", fontsize=8)
        title = _drawable(strip)
        axes.set_title(textwrap.fill(title, TITLE_WIDTH), fontsize=9, loc="left", pad=9, parse_math=False)
        axes.set_xlabel("hatched: the bait; darker: likelier; black bar: trip; grey: night", fontsize=7)
        out = io.BytesIO()
        figure.savefig(out, format="png")
    return out.getvalue()
