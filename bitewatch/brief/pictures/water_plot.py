"""A season of water: the surface temperature with its spread and the readings, and below it the layers by depth."""

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bitewatch.units import M_PER_FT, UnitSystem, f_from_c

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]

#: Okabe and Ito's set, the dark ones for words; dashes and marks say it too
WATER, BAND, READING, PLAIN, LINE, BED = "#0072B2", "#B5D9F0", "#C24E00", "#444444", "#888888", "#00664A"
FORMATS = ("png", "svg", "pdf")
MONTHLY = 45  #: days from which on the months are enough as ticks
SMALL = 7.5  #: size of words within a panel, in points


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Some days on end that have a name, such as those of spawning."""

    first: np.datetime64
    last: np.datetime64
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterPlot:
    """What is drawn, of one season. Arrays of shape (D,), NaN where not known."""

    day: Times
    surface_c: Floats  #: as it was known on each day
    sd_c: Floats
    model_c: Floats  #: without any reading
    normal_c: Floats  #: mean of the seasons before; all NaN where they are not known
    mixed_m: Floats
    thermocline_m: Floats
    thermocline_low_m: Floats
    thermocline_high_m: Floats
    reading_at: Times  #: shape (N,)
    reading_c: Floats
    reading_used: NDArray[np.bool_]
    front_at: Times  #: cold fronts, shape (F,)
    weed_edge_m: float
    max_depth_m: float | None
    forecast_from: np.datetime64 | None  #: None where all of it is past
    spans: tuple[Span, ...] = ()
    edge_words: str = "weed edge"  #: "foot of the rock" on a rock lake


def draw_water(plot: WaterPlot, *, title: str, units: UnitSystem, form: str = "png") -> bytes:
    """The picture, as PNG, SVG or PDF; the same plot gives the same bytes."""
    import matplotlib as mpl

    with mpl.rc_context({"font.size": 9, "font.family": "DejaVu Sans", "svg.hashsalt": "bitewatch"}):
        out = io.BytesIO()
        plain = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[form]
        water_figure(plot, title=title, units=units).savefig(out, format=form, metadata=plain)
    return out.getvalue()


def water_figure(plot: WaterPlot, *, title: str, units: UnitSystem) -> "Figure":
    """The same before it is written."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # no screen is ever asked for
    from matplotlib.dates import ConciseDateFormatter, DayLocator, MonthLocator
    from matplotlib.figure import Figure

    us = units is UnitSystem.US
    # as wide as the other pictures, so that its words are as large on a phone
    figure = Figure(figsize=(5.2, 6.6), dpi=150, layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=[3, 2])
    figure.suptitle(title, fontsize=10, x=0.02, ha="left", parse_math=False)
    if plot.day.size:
        below.set_xlim(plot.day[0] - np.timedelta64(2, "D"), plot.day[-1] + np.timedelta64(2, "D"))
    _draw_temperature(above, plot, us)
    _draw_depths(below, plot, us)
    for panel in (above, below):
        panel.spines[["top", "right"]].set_visible(False)
        panel.grid(axis="y", color="#DDDDDD", linewidth=0.6)
        panel.set_axisbelow(True)
    few = DayLocator(interval=plot.day.size // 6 + 1)  # type: ignore[no-untyped-call]
    locator = MonthLocator() if plot.day.size > MONTHLY else few  # type: ignore[no-untyped-call]
    below.xaxis.set_major_locator(locator)
    below.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    return figure


def _draw_temperature(panel: "Axes", plot: WaterPlot, us: bool) -> None:
    def shown(temp_c: Floats) -> Floats:
        return f_from_c(temp_c) if us else temp_c

    day, middle = _x(plot.day), shown(plot.surface_c)
    low, high = shown(plot.surface_c - plot.sd_c), shown(plot.surface_c + plot.sd_c)
    panel.fill_between(day, low, high, color=BAND, linewidth=0, label="likely range (two times in three)")
    lone = "D" if day.size == 1 else ""  # a line of one day is no line, and a band is none
    if lone:
        panel.vlines(day, low, high, color=BAND, linewidth=8)
    panel.plot(day, middle, color=WATER, linewidth=1.6, marker=lone, label="surface, with the readings so far")
    panel.plot(day, shown(plot.model_c), color=PLAIN, linewidth=0.9, linestyle="--", label="without readings")
    if np.isfinite(plot.normal_c).any():
        panel.plot(day, shown(plot.normal_c), color=PLAIN, linewidth=1.2, linestyle=":", label="normal of past seasons")
    for used, name, mark in (
        (plot.reading_used, "readings", {"marker": "o", "markeredgecolor": "white", "markeredgewidth": 0.5}),
        # hollow with a cross: told from the others without their colour
        (~plot.reading_used, "readings not used", {"marker": "$\u2297$", "markeredgewidth": 0.2}),
    ):
        if used.any():
            panel.plot(
                _x(plot.reading_at[used]), shown(plot.reading_c[used]), linestyle="none", color=READING,
                markersize=4.8 if mark["marker"] == "o" else 7.5, label=name, **mark,  # type: ignore[arg-type]
            )  # fmt: skip
    panel.margins(y=0.04)
    floor, top = panel.get_ylim()
    step = (top - floor) / 18.0
    top = _draw_spans(panel, plot.spans, top, step)
    _draw_fronts(panel, plot.front_at, top + 0.8 * step)
    panel.set_ylim(floor, top + (1.6 * step if plot.front_at.size else 0.0))
    if plot.forecast_from is not None:
        panel.axvline(_at(plot.forecast_from), color="black", linewidth=0.8)
        _say(panel, "forecast →", _at(plot.forecast_from), 0.02, "black", va="bottom", height="axes")
    panel.set_ylabel(f"surface, {'°F' if us else '°C'}")
    panel.legend(
        loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, fontsize=SMALL, frameon=False, borderaxespad=0.2,
        handlelength=2.4, columnspacing=1.2,
    )  # fmt: skip


def _draw_spans(panel: "Axes", spans: tuple[Span, ...], top: float, step: float) -> float:
    """Bars over the curves, each named; the height above them."""
    left, right = panel.get_xlim()
    for span in spans:
        first, last = max(_at(span.first), left), min(_at(span.last) + 1.0, right)
        if first >= last:
            continue
        panel.plot([first, last], [top, top], color=BED, linewidth=2.2, marker="|", markersize=6, solid_capstyle="butt")
        _say(panel, span.words, first, top + 0.15 * step, BED, va="bottom")
        top += 1.7 * step
    return top


def _draw_fronts(panel: "Axes", front_at: Times, top: float) -> None:
    fronts = _x(front_at)
    for front in fronts:
        panel.axvline(front, color=LINE, linewidth=0.7, linestyle="-.", zorder=0.5)
    panel.plot(fronts, np.full(fronts.size, top), "v", color=PLAIN, markersize=5)
    if fronts.size:
        words = "cold front" if fronts.size == 1 else "cold fronts"
        _say(panel, words, fronts[-1], top, PLAIN, va="center", off=(6, 0))


def _draw_depths(panel: "Axes", plot: WaterPlot, us: bool) -> None:
    scale = M_PER_FT if us else 1.0
    day, edge = _x(plot.day), plot.weed_edge_m / scale
    layered = np.isfinite(plot.thermocline_m)
    mixed = np.isfinite(plot.mixed_m)
    most = edge
    if layered.any():
        low, high = plot.thermocline_low_m / scale, plot.thermocline_high_m / scale
        panel.fill_between(day, low, high, color=BAND, linewidth=0)
        lone = "D" if day.size == 1 else ""
        if lone:
            panel.vlines(day, low, high, color=BAND, linewidth=8)
        panel.plot(day, plot.thermocline_m / scale, color=WATER, linewidth=1.4, marker=lone)
        panel.plot(day, plot.mixed_m / scale, color=READING, linestyle="--", linewidth=1.2, marker=lone)
        most = max(edge, float(np.nanmax([high, plot.mixed_m / scale])))
        # where the season begins the lines are level and apart: there is room for their names
        for words, depth, color, usual in (
            ("thermocline, usual range", plot.thermocline_m, WATER, "top"),
            ("foot of the mixed layer", plot.mixed_m, READING, "bottom"),
        ):
            known = np.isfinite(depth)
            if not known.any():
                continue
            first = int(known.argmax())
            where = depth[first] / scale
            towards = edge - where if usual == "top" else where - edge
            other = {"top": "bottom", "bottom": "top"}[usual]
            # on the other side of its line where the weed edge runs through the name
            _say(panel, words, day[first], where, color, va=other if 0 <= towards < 0.1 * most else usual, off=(3, 4))
    else:
        words = "too shallow to layer: mixed to the bottom" if mixed.any() else "layers: not known"
        panel.text(0.5, 0.9, words, transform=panel.transAxes, fontsize=8, ha="center", color=PLAIN)
    panel.axhline(edge, color=BED, linewidth=1.2, linestyle=":")
    panel.annotate(
        plot.edge_words, (1.0, edge), xycoords=("axes fraction", "data"), xytext=(-2, 3), textcoords="offset points",
        fontsize=SMALL, color=BED, ha="right", va="bottom", path_effects=_halo(),
    )  # fmt: skip
    bottom = 1.1 * most if plot.max_depth_m is None else min(1.1 * most, plot.max_depth_m / scale)
    panel.set_ylim(max(bottom, 1.02 * edge), 0)
    panel.set_ylabel(f"depth, {'ft' if us else 'm'}")


def _say(
    panel: "Axes", words: str, x: float, y: float, color: str, *, va: str, off: tuple[float, float] = (2, 2),
    height: str = "data",
) -> None:  # fmt: skip
    """Words beside a place, to its right, or to its left where there is no room; ``off`` in points."""
    first, last = panel.get_xlim()
    near = x > first + 0.7 * (last - first)
    upward = {"bottom": off[1], "top": -off[1], "center": 0.0}[va]
    said = panel.annotate(
        words, (x, y), xycoords=("data", "data" if height == "data" else "axes fraction"), annotation_clip=True,
        xytext=(-off[0] if near else off[0], upward), textcoords="offset points", fontsize=SMALL, color=color,
        ha="right" if near else "left", va=va, parse_math=False, path_effects=_halo(),
    )  # fmt: skip
    said.set_in_layout(False)  # words do not push the panels about


def _halo() -> list[Any]:
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=2.0, foreground="white")]  # words stay readable where they cross a line


def _x(times: Times) -> Floats:
    """Places on the axis of time, by number: arrays without a date in them stand there too."""
    from matplotlib.dates import date2num

    return np.asarray(date2num(times), np.float64)  # type: ignore[no-untyped-call]


def _at(time: np.datetime64) -> float:
    from matplotlib.dates import date2num

    return float(date2num(time))  # type: ignore[no-untyped-call]
