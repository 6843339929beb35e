"""The picture of a season of water: what stands in it, whatever is missing."""

import io
import re
import struct

import numpy as np
import pytest
from matplotlib.dates import date2num, num2date
from matplotlib.image import imread
from matplotlib.text import Text

from bitewatch.brief.pictures.water_plot import Span, WaterPlot, draw_water, water_figure
from bitewatch.units import UnitSystem

US, METRIC = UnitSystem.US, UnitSystem.METRIC
FIRST = np.datetime64("2026-04-01")
NO_TIMES, NO_VALUES = np.zeros(0, "datetime64[s]"), np.zeros(0)


def season(days: int = 214, **changed) -> WaterPlot:
    """An invented season, in which everything is known."""
    n = np.arange(days)
    surface = 5.0 + 20.0 * np.sin(np.pi * n / 214)
    thermocline = 5.0 + 0.02 * n
    return WaterPlot(
        **{
            "day": FIRST + n, "surface_c": surface, "sd_c": np.full(days, 0.9), "model_c": surface - 0.6,
            "normal_c": surface - 1.5, "mixed_m": thermocline - 1.5, "thermocline_m": thermocline,
            "thermocline_low_m": thermocline - 1.35, "thermocline_high_m": thermocline + 1.35,
            "reading_at": np.array(["2026-05-03T12", "2026-06-20T07", "2026-08-01T16"], "datetime64[s]"),
            "reading_c": np.array([15.0, 24.0, 12.0]), "reading_used": np.array([True, True, False]),
            "front_at": np.array(["2026-05-20T07", "2026-07-21T03"], "datetime64[s]"), "weed_edge_m": 4.0,
            "max_depth_m": 14.0, "forecast_from": np.datetime64("2026-08-10T12:00:00"),
        }
        | changed
    )  # fmt: skip


def blank(days: int = 214) -> np.ndarray:
    return np.full(days, np.nan)


def bare(days: int = 214, **changed) -> WaterPlot:
    """The same without readings, fronts and forecast."""
    return season(
        days, reading_at=NO_TIMES, reading_c=NO_VALUES, reading_used=np.zeros(0, bool), front_at=NO_TIMES,
        forecast_from=None, **changed,
    )  # fmt: skip


def no_layers(mixed_m: np.ndarray) -> dict[str, np.ndarray]:
    return {
        "mixed_m": mixed_m, "thermocline_m": blank(), "thermocline_low_m": blank(), "thermocline_high_m": blank()
    }  # fmt: skip


def said(plot: WaterPlot, units: UnitSystem = US) -> set[str]:
    """All words that stand in the picture but for those of its scales, which are not known before it is drawn."""
    return {text.get_text() for text in water_figure(plot, title="a lake", units=units).findobj(Text)} - {""}


def lines(plot: WaterPlot, units: UnitSystem = US, panel: int = 0) -> dict[str, object]:
    return {line.get_label(): line for line in water_figure(plot, title="t", units=units).axes[panel].get_lines()}


SHOWN = {
    "all": season(),
    "no readings, fronts, forecast": bare(),
    "no normal": season(normal_c=blank()),
    "too shallow": season(**no_layers(np.full(214, 3.0)), max_depth_m=3.0, weed_edge_m=2.0),
    "layers unknown": season(**no_layers(blank()), max_depth_m=None),
    "thermocline alone": season(mixed_m=blank()),
    "water unknown": season(surface_c=blank(), sd_c=blank(), model_c=blank(), normal_c=blank()),
    "gaps": season(surface_c=np.where(np.arange(214) % 3 == 0, np.nan, 20.0)),
    "one day": bare(1),
    "no day": bare(0),
    "a week": season(7),  # of which readings and fronts are no part
}


@pytest.mark.parametrize("plot", SHOWN.values(), ids=SHOWN.keys())
def test_it_draws_whatever_is_missing(plot):
    png = draw_water(plot, title="a$lake_with^signs", units=US)
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", png[16:24]) == (780, 990)
    ink = (np.asarray(imread(io.BytesIO(png)))[..., :3].min(axis=-1) < 0.8).mean()
    assert 0.005 < ink < 0.5
    assert "nan" not in " ".join(said(plot)).lower()


@pytest.mark.parametrize(("form", "head"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF-")])
def test_the_same_season_draws_the_same_bytes_in_each_format(form, head):
    first, again = (draw_water(season(), title="a lake", units=US, form=form) for _ in range(2))
    assert first.startswith(head)
    assert first == again
    assert not re.search(rb"CreationDate|<dc:date>", first)  # no clock is in it


def test_everything_is_named():
    spans = (Span(first=FIRST + 30, last=FIRST + 50, words="crappie spawning"),)
    names = {
        "a lake", "surface, °F", "depth, ft", "surface, with the readings so far", "likely range (two times in three)",
        "without readings", "normal of past seasons", "readings", "readings not used", "cold fronts", "forecast →",
        "crappie spawning", "thermocline, usual range", "foot of the mixed layer", "weed edge",
    }  # fmt: skip
    assert names <= said(season(spans=spans))
    assert {"surface, °C", "depth, m"} <= said(season(), METRIC)
    assert "foot of the rock" in said(season(edge_words="foot of the rock"))


def test_months_stand_below_a_season_and_days_below_a_week():
    for days, ticks in ((214, ["Apr", "Jun", "Oct"]), (7, ["03", "05"])):
        figure = water_figure(bare(days), title="t", units=US)
        figure.draw_without_rendering()
        assert set(ticks) <= {label.get_text() for label in figure.axes[1].get_xticklabels()}


def test_what_is_missing_is_not_named():
    words = said(bare(normal_c=blank()))
    named = {"readings", "readings not used", "cold front", "cold fronts", "forecast →", "normal of past seasons"}
    assert not named & words
    assert "readings not used" not in said(season(reading_used=np.ones(3, bool)))
    assert "cold front" in said(season(front_at=np.array(["2026-07-21T03"], "datetime64[s]")))


def test_a_lake_without_layers_says_why():
    assert "too shallow to layer: mixed to the bottom" in said(SHOWN["too shallow"])
    assert "layers: not known" in said(SHOWN["layers unknown"])
    for name in ("too shallow", "layers unknown"):
        assert "thermocline, usual range" not in said(SHOWN[name])


def test_curves_are_in_the_readers_units():
    us, metric = (lines(season(), units)["surface, with the readings so far"].get_ydata() for units in (US, METRIC))
    np.testing.assert_allclose(us[[0, 107]], [41.0, 77.0])  # 5 and 25 degC
    np.testing.assert_allclose(metric[[0, 107]], [5.0, 25.0])
    feet, metres = (water_figure(season(), title="t", units=units).axes[1].get_lines() for units in (US, METRIC))
    np.testing.assert_allclose(feet[0].get_ydata()[0], 5.0 / 0.3048)
    np.testing.assert_allclose(metres[0].get_ydata()[0], 5.0)


def test_the_band_is_one_spread_to_either_side():
    (band,) = water_figure(season(), title="t", units=METRIC).axes[0].collections
    height = band.get_paths()[0].get_extents()
    assert (height.y0, height.y1) == pytest.approx((5.0 - 0.9, 25.0 + 0.9))


def test_readings_stand_at_their_hour_and_unused_ones_have_a_mark_of_their_own():
    found = lines(season(), METRIC)
    used, unused = found["readings"], found["readings not used"]
    np.testing.assert_allclose(used.get_ydata(), [15.0, 24.0])
    assert num2date(used.get_xdata()[1]).strftime("%m-%dT%H:%M") == "06-20T07:00"
    np.testing.assert_allclose(unused.get_ydata(), [12.0])
    assert used.get_marker() != unused.get_marker()


def test_curves_differ_by_more_than_colour():
    found = lines(season())
    names = ("surface, with the readings so far", "without readings", "normal of past seasons")
    assert len({found[name].get_linestyle() for name in names}) == 3
    thermocline, mixed, edge = (
        line.get_linestyle() for line in water_figure(season(), title="t", units=US).axes[1].get_lines()[:3]
    )
    assert len({thermocline, mixed, edge}) == 3


def test_depth_goes_down_to_the_bottom_of_the_lake_and_no_farther():
    for deepest, foot in ((14.0, None), (8.0, 8.0)):
        bottom, surface = water_figure(season(max_depth_m=deepest), title="t", units=METRIC).axes[1].get_ylim()
        assert surface == 0
        assert bottom == pytest.approx(foot or 1.1 * (5.0 + 0.02 * 213 + 1.35))


def test_spans_lie_above_the_curves_and_below_the_fronts():
    spans = (
        Span(first=FIRST + 30, last=FIRST + 50, words="crappie spawning"),
        Span(first=FIRST + 45, last=FIRST + 75, words="bluegill spawning"),
        Span(first=FIRST - 60, last=FIRST - 30, words="long before"),
    )
    panel = water_figure(season(spans=spans), title="t", units=METRIC).axes[0]
    bars = [line for line in panel.get_lines() if line.get_marker() == "|"]
    assert [bar.get_xdata()[0] for bar in bars] == [date2num(FIRST + 30), date2num(FIRST + 45)]
    assert [bar.get_xdata()[1] for bar in bars] == [date2num(FIRST + 51), date2num(FIRST + 76)]  # the last day is whole
    (fronts,) = (line for line in panel.get_lines() if line.get_marker() == "v")
    heights = [bar.get_ydata()[0] for bar in bars]
    assert 25.9 < heights[0] < heights[1] < fronts.get_ydata()[0] < panel.get_ylim()[1]
    assert "long before" not in said(season(spans=spans))


@pytest.mark.parametrize(("edge_m", "turned"), [(6.0, "thermocline, usual range"), (2.9, "foot of the mixed layer")])
def test_names_keep_off_the_weed_edge(edge_m, turned):
    def sides(plot):
        texts = water_figure(plot, title="t", units=METRIC).axes[1].texts
        return {text.get_text(): text.get_va() for text in texts}

    usual, moved = sides(season(weed_edge_m=1.0)), sides(season(weed_edge_m=edge_m))
    assert {name for name in usual if usual[name] != moved[name]} == {turned}


def test_words_keep_inside_the_picture():
    for place in ("2026-04-02T00", "2026-07-01T00", "2026-10-30T00"):
        at = np.datetime64(place).astype("datetime64[s]")
        figure = water_figure(season(front_at=np.array([at]), forecast_from=at), title="t", units=US)
        figure.draw_without_rendering()
        panel = figure.axes[0]
        inside = panel.get_window_extent()
        for text in panel.texts:
            box = text.get_window_extent()
            assert inside.x0 <= box.x0 < box.x1 <= inside.x1, (place, text.get_text())
