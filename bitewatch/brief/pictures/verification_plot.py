"""How well fronts were foretold, by days of lead: what came of them, and how far off the hour was."""

import io
from collections.abc import Sequence

from bitewatch.weather.verification import LeadDay

HIT, MISS, FALSE, ERROR = (
    "#0072B2",
    "#F0E442",
    "#D55E00",
    "#000000",
)  #: Okabe and Ito's set; hatches say it without colour


def draw_verification(table: Sequence[LeadDay], title: str) -> bytes:
    """The picture, as PNG: counts above, the error of the hour with its range below."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # no screen is ever asked for
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    leads = [row.lead_days for row in table]
    with mpl.rc_context({"font.size": 9, "font.family": "DejaVu Sans", "hatch.linewidth": 0.6}):
        figure = Figure(figsize=(5.2, 5.0), dpi=150, layout="constrained", facecolor="white")
        FigureCanvasAgg(figure)
        counts, errors = figure.subplots(2, 1, sharex=True)
        under = [0] * len(leads)
        for name, color, hatch, heights in (
            ("came as foretold", HIT, "", [row.hits for row in table]),
            ("came, not foretold", MISS, "////", [row.misses for row in table]),
            ("foretold, did not come", FALSE, "....", [row.false_alarms for row in table]),
        ):
            counts.bar(leads, heights, 0.7, under, color=color, hatch=hatch, edgecolor="black", lw=0.6, label=name)
            under = [low + height for low, height in zip(under, heights, strict=True)]
        counts.set_ylabel("fronts")
        counts.set_ylim(0, 1.45 * max(*under, 1))  # room for the legend
        counts.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=6))
        counts.legend(loc="upper right", fontsize=8, frameon=False)
        counts.set_title(title, fontsize=9, loc="left", parse_math=False)
        errors.axhline(0, color="#555555", linewidth=0.8)
        for row in table:
            if row.error_h is not None:
                errors.plot([row.lead_days] * 2, [row.error_low_h, row.error_high_h], color=ERROR, linewidth=1.4)
                errors.plot([row.lead_days], [row.error_h], "o", color=ERROR, markersize=5)
        errors.set_ylim(-9.5, 9.5)
        errors.set_yticks(range(-9, 10, 3))
        errors.set_ylabel("hours foretold too late (+)\nor too early (-)")
        errors.set_xlabel("days ahead; dot: half of the hits lie below; line: four hits of five", fontsize=8)
        errors.set_xticks(leads)
        errors.set_xlim(min(leads) - 0.6, max(leads) + 0.6)
        out = io.BytesIO()
        figure.savefig(out, format="png")
    return out.getvalue()
