"""A soak as a picture: samples, the likeliest curve, the end as it was known at each moment, and when the soak ended.

matplotlib is imported here only, when a figure is asked for. The same soak gives the same bytes.
"""

from __future__ import annotations

import re
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np

from benchd.report.why import title
from benchd.running.soak_again import SoakAgain
from benchd.running.states import Ending

#: So many samples and moments are drawn.
POINTS = 900
#: The curve is drawn beyond the end of the soak by this part of it.
AHEAD = 0.35
#: Dark enough in grey, told apart by form as well: samples are dots, the curve a line, the end a band.
SAMPLE, CURVE, END, MARK = "#8a8f98", "#0b3c5d", "#d98e04", "#7a1f1f"
_SIZE = re.compile(r'width="[\d.]+pt" height="[\d.]+pt"')
STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "benchd",
    "font.size": 12,
    "axes.spines.top": False,
    "axes.spines.right": False,
}


def draw_soak(soak: SoakAgain, file: Path) -> None:
    """Write the picture of a soak as SVG. Raises `OSError` where it cannot be written."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(7.2, 7.2), layout="constrained")
        rise, width = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
        _draw_rise(rise, soak)
        _draw_width(width, soak)
        figure.suptitle(title(soak), fontsize=12, x=0.01, ha="left", wrap=True)
        # Below, where it hides nothing.
        figure.legend(*rise.get_legend_handles_labels(), loc="outside lower left", ncols=2, frameon=False, fontsize=10)
        drawn = StringIO()
        figure.savefig(drawn, format="svg", metadata={"Date": None, "Creator": "benchd"})
    # As wide as the page that shows it: its viewBox says how high it is then.
    file.write_text(_SIZE.sub('width="100%"', drawn.getvalue(), count=1), encoding="utf-8")


def _draw_rise(axes: Any, soak: SoakAgain) -> None:
    minutes = (soak.t_s - soak.begun_s) / 60
    some = slice(None, None, max(1, len(minutes) // POINTS))
    axes.plot(
        minutes[some], soak.own_k[some], ".", ms=3, color=SAMPLE, label="samples, air and watts taken off", zorder=1
    )
    known = np.array([one.is_known for one in soak.seen])
    final = np.array([one.final_k for one in soak.seen])
    half = np.array([one.half_width_k for one in soak.seen])
    low, high = _span(soak)
    band = known & (half < (high - low))
    if band.any():
        label = "its end, as it looked then"
        axes.fill_between(minutes, final - half, final + half, where=band, color=END, alpha=0.35, lw=0, label=label)
    last = minutes[-1]
    ahead = np.linspace(0, last * (1 + AHEAD), 600)
    curve = soak.curve_k(soak.begun_s + 60 * ahead)
    if curve is not None:
        axes.plot(ahead, curve, "-", lw=1.8, color=CURVE, label="likeliest curve", zorder=3)
    if known[-1]:
        end = "its end" if soak.seen[-1].state in ("predicted", "settled") else "its end so far, not proven"
        axes.errorbar(
            [last * (1 + AHEAD)], [final[-1]], yerr=[half[-1]], fmt="s", ms=5, capsize=4, color=MARK, label=end
        )
    axes.axvline(last, color=MARK, lw=1.2, ls="--")
    word = (soak.point.ended_by or "").replace("_", " ")
    axes.annotate(
        f"{word}\n{last:.1f} min",
        (last, 0.04),
        xycoords=("data", "axes fraction"),
        color=MARK,
        xytext=(5, 0),
        textcoords="offset points",
    )
    limit_k = soak.limit_k
    if limit_k is not None and low < limit_k < high:
        axes.axhline(limit_k, color=MARK, lw=1.2, ls=":")
        words = f"limit of the die, {soak.limit_c:g} degC"
        axes.annotate(words, (0.01, limit_k), xycoords=("axes fraction", "data"), va="bottom", color=MARK)
    aside = [(t_s - soak.begun_s) / 60 for t_s, _ in soak.account.rejected] if soak.account else []
    if aside:
        foot = axes.get_xaxis_transform()
        axes.plot(aside, [0.015] * len(aside), "|", ms=9, color=MARK, transform=foot, label="something set aside")
    account = soak.account
    if account is not None and account.since_s > soak.begun_s + 1:
        axes.axvspan(0, (account.since_s - soak.begun_s) / 60, color=SAMPLE, alpha=0.18, lw=0, label="not used")
    # There is room behind the end, for its words too.
    axes.set_xlim(-0.02 * last, 1.03 * (1 + AHEAD) * max(last, 0.01))
    axes.set_ylim(low, high)
    axes.set_ylabel("rise over ambient [K]")


def _draw_width(axes: Any, soak: SoakAgain) -> None:
    from matplotlib.ticker import LogLocator

    minutes = (soak.t_s - soak.begun_s) / 60
    half = np.array([one.half_width_k if one.is_known else np.nan for one in soak.seen])
    axes.plot(minutes, half, color=CURVE, lw=1.5)
    within = soak.rule.within_k
    axes.axhline(within, color=MARK, lw=1, ls=":")
    asked = "asked" if soak.asked.equilibrium.for_min is None else "if it were asked"
    axes.annotate(
        f"{within:g} K {asked}", (1, within), xycoords=("axes fraction", "data"), ha="right", va="bottom", color=MARK
    )
    axes.axvline(minutes[-1], color=MARK, lw=1.2, ls="--")
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    axes.yaxis.set_minor_formatter("")
    if not np.isfinite(half).any():
        axes.annotate("nothing was known yet", (0.02, 0.7), xycoords="axes fraction")
    axes.set_ylabel("half width [K]")
    axes.set_xlabel("time since the soak began [min]")


def _span(soak: SoakAgain) -> tuple[float, float]:
    """From where to where the rise is drawn [K]: all of its samples but the farthest out, and its end."""
    values = soak.own_k[~np.isnan(soak.own_k)]
    last = soak.seen[-1]
    ends = [last.final_k - last.half_width_k, last.final_k + last.half_width_k] if last.is_known else []
    low, high = np.quantile(values, [0.002, 0.998]) if values.size else (0.0, 1.0)
    if soak.point.ended_by == Ending.OVER_LIMIT and soak.limit_k is not None:
        ends.append(soak.limit_k)
    low, high = min([low, *ends]), max([high, *ends])
    room = max(0.06 * (high - low), 0.2)
    return float(low - room), float(high + room)
