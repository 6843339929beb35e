"""A season of water: the surface temperature with its spread and the readings, and below it the layers by depth."""

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bitewatch.units import M_PER_FT, UnitSystem, f_from_c

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

WATER, BAND, MODEL, NORMAL, READING = "#0072B2", "#9CC9E8", "#555555", "#555555", "#D55E00"
WARM, DEEP, EDGE, FRONT = "#E69F00", "#0072B2", "#009E73", "#777777"  #: Okabe and Ito's set; dashes say it too


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterPlot:
    """What is drawn, of one season. Arrays of shape (D,), NaN where not known."""

    day: NDArray[np.datetime64]
    surface_c: Floats  #: as it was known on each day
    sd_c: Floats
    model_c: Floats  #: without any reading
    normal_c: Floats  #: mean of the seasons before; all NaN where they are not known
    mixed_m: Floats
    thermocline_m: Floats
    thermocline_low_m: Floats
    thermocline_high_m: Floats
    reading_at: NDArray[np.datetime64]  #: shape (N,)
    reading_c: Floats
    reading_used: NDArray[np.bool_]
    front_at: NDArray[np.datetime64]  #: cold fronts, shape (F,)
    weed_edge_m: float
    max_depth_m: float | None
    forecast_from: np.datetime64 | None  #: None where all of it is past


FORMATS = ("png", "svg", "pdf")


def draw_water(plot: WaterPlot, *, title: str, units: UnitSystem, form: str = "png") -> bytes:
    """The picture, as PNG, SVG or PDF."""
    import matplotlib as mpl

    with mpl.rc_context({"font.size": 9, "font.family": "DejaVu Sans", "svg.hashsalt": "bitewatch"}):
        out = io.BytesIO()
        plain = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[form]
        water_figure(plot, title=title, units=units).savefig(out, format=form, metadata=plain)
    return out.getvalue()


def water_figure(plot: WaterPlot, *, title: str, units: UnitSystem) -> "Figure":
    """The same before it is written."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # no screen is ever asked for
    from matplotlib.dates import ConciseDateFormatter, MonthLocator
    from matplotlib.figure import Figure

    us = units is UnitSystem.US
    figure = Figure(figsize=(6.0, 6.4), dpi=150, layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    warm, deep = figure.subplots(2, 1, sharex=True, height_ratios=[3, 2])
    figure.suptitle(title, fontsize=10, x=0.02, ha="left", parse_math=False)
    _draw_temperature(warm, plot, us)
    _draw_depths(deep, plot, us)
    for panel in (warm, deep):
        panel.spines[["top", "right"]].set_visible(False)
        panel.grid(axis="y", color="#DDDDDD", linewidth=0.6)
        panel.set_axisbelow(True)
    if plot.day.size > 45:  # fewer days choose their own ticks
        deep.xaxis.set_major_locator(MonthLocator())  # type: ignore[no-untyped-call]
    form = ConciseDateFormatter(deep.xaxis.get_major_locator())  # type: ignore[no-untyped-call]
    deep.xaxis.set_major_formatter(form)
    return figure


def _draw_temperature(panel, plot: WaterPlot, us: bool) -> None:  # type: ignore[no-untyped-def]
    def shown(temp_c: Floats) -> Floats:
        return f_from_c(temp_c) if us else temp_c

    low, high = shown(plot.surface_c - plot.sd_c), shown(plot.surface_c + plot.sd_c)
    panel.fill_between(plot.day, low, high, color=BAND, linewidth=0, label="likely range (two times in three)")
    panel.plot(plot.day, shown(plot.surface_c), color=WATER, linewidth=1.6, label="surface, with the readings so far")
    panel.plot(plot.day, shown(plot.model_c), color=MODEL, linewidth=0.9, linestyle="--", label="without readings")
    if np.isfinite(plot.normal_c).any():
        panel.plot(plot.day, shown(plot.normal_c), color=NORMAL, linewidth=1.1, linestyle=":", label="normal")
    used = plot.reading_used
    if used.any():
        panel.plot(
            plot.reading_at[used], shown(plot.reading_c[used]), "o", color=READING, markersize=4.5,
            markeredgecolor="white", markeredgewidth=0.5, label="readings",
        )  # fmt: skip
    if (~used).any():
        panel.plot(
            plot.reading_at[~used], shown(plot.reading_c[~used]), "x", color=READING, markersize=5,
            label="readings not used",
        )  # fmt: skip
    top = panel.get_ylim()[1]
    for n, front in enumerate(plot.front_at):
        panel.axvline(front, color=FRONT, linewidth=0.8, linestyle="-.", label="cold front" if n == 0 else None)
    if plot.forecast_from is not None:
        panel.axvline(plot.forecast_from, color="black", linewidth=0.8)
        panel.text(plot.forecast_from, top, " forecast", fontsize=7.5, va="top")
    panel.set_ylabel(f"surface, {'°F' if us else '°C'}")
    panel.legend(loc="lower center", fontsize=7.5, frameon=False, ncols=2)
    floor, top = panel.get_ylim()
    panel.set_ylim(floor - 0.22 * (top - floor), top)  # room for the legend


def _draw_depths(panel, plot: WaterPlot, us: bool) -> None:  # type: ignore[no-untyped-def]
    scale = M_PER_FT if us else 1.0
    layered = bool(np.isfinite(plot.thermocline_m).any())
    if layered:
        panel.fill_between(
            plot.day, plot.thermocline_low_m / scale, plot.thermocline_high_m / scale, color=BAND, linewidth=0
        )
        panel.plot(plot.day, plot.thermocline_m / scale, color=DEEP, linewidth=1.4)
        panel.plot(plot.day, plot.mixed_m / scale, color=WARM, linewidth=1.2, linestyle="--")
        middle = plot.day.size // 2
        for values, words, color in (
            (plot.thermocline_m, "thermocline, usual range", DEEP), (plot.mixed_m, "foot of the mixed layer", WARM)
        ):  # fmt: skip
            panel.annotate(
                words, (plot.day[middle], values[middle] / scale), xytext=(0, 3), textcoords="offset points",
                fontsize=7.5, color=color, ha="center", va="bottom",
            )  # fmt: skip
    else:
        panel.text(0.5, 0.85, "layers: too shallow, or not known", transform=panel.transAxes, fontsize=8, ha="center")
    panel.axhline(plot.weed_edge_m / scale, color=EDGE, linewidth=1.2, linestyle=":")
    panel.annotate(
        "weed edge", (1.0, plot.weed_edge_m / scale), xycoords=("axes fraction", "data"), xytext=(-2, 3),
        textcoords="offset points", fontsize=7.5, color=EDGE, ha="right", va="bottom",
    )  # fmt: skip
    most = max(plot.weed_edge_m, float(np.nanmax(plot.thermocline_high_m)) if layered else 0.0) / scale
    bottom = 1.1 * most if plot.max_depth_m is None else min(1.1 * most, plot.max_depth_m / scale)
    panel.set_ylim(max(bottom, 1.02 * plot.weed_edge_m / scale), 0)
    panel.set_ylabel(f"depth, {'ft' if us else 'm'}")
