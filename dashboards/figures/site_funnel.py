"""Sites on a funnel: how far from expected a site may lie by luck alone."""

import numpy as np
import polars as pl

from dashboards.figures.style import FIRST, QUIET_INK, THIRD, Figure, Trace, framed, level, plain, scatter, see_through
from models.statistics.funnel import funnel_limits

HEIGHT = 420
LEVELS = ((0.998, 0.10), (0.95, 0.16))
"""Level of the limits and how dark the area between them is, the widest first."""
LIMIT_POINTS = 120
MAX_NAMED = 8
NAMED_BEYOND = 0.95
NAME_PLACES = ("top center", "bottom left", "bottom right")
"""Taken by turns, so that neighbours' names do not touch."""


def site_funnel(sites: pl.DataFrame, *, title: str, line: str) -> Figure:
    """Draw each site's observed over expected re-leaks inside the 95% and 99.8% limits.

    Args:
        sites: Rows of `site_comparison` that have a ratio.
        title: What is shown.
        line: How to read it.
    """
    ordered = sites.sort("expected", "site")
    expected = np.linspace(0.6 * ordered["expected"].min(), 1.1 * ordered["expected"].max(), LIMIT_POINTS)
    dispersion = float(ordered["funnel_dispersion"].max())
    limits = [
        trace
        for confidence, opacity in LEVELS
        for trace in _limits(expected, dispersion=dispersion, confidence=confidence, opacity=opacity)
    ]
    return framed(
        [*limits, _sites(ordered)],
        title=title,
        line=line,
        height=HEIGHT,
        xaxis={"title": {"text": "re-leaks expected"}},
        yaxis={"title": {"text": "observed ÷ expected"}, "rangemode": "tozero"},
        shapes=[level(1.0, color=QUIET_INK, width=1, dash="dot")],
    )


def _limits(expected: np.ndarray, *, dispersion: float, confidence: float, opacity: float) -> list[Trace]:
    """The area luck alone reaches, re-leaks coming in clumps as they do."""
    low, high = funnel_limits(expected / dispersion, confidence=confidence)
    at = expected.tolist()
    edge = {"mode": "lines", "line": {"width": 1, "color": see_through(THIRD, 0.5)}, "hoverinfo": "skip"}
    area = {"fill": "tonexty", "fillcolor": see_through(THIRD, opacity)}
    return [
        scatter(x=at, y=low.tolist(), showlegend=False, **edge),
        scatter(x=at, y=high.tolist(), name=f"{100 * confidence:g}% limits", **area, **edge),
    ]


def _sites(ordered: pl.DataFrame) -> Trace:
    """One dot a site; of many sites only those that stand out are named, the others answer to the pointer."""
    expected = ordered["expected"].to_numpy()
    low, high = funnel_limits(expected / ordered["funnel_dispersion"].to_numpy(), confidence=NAMED_BEYOND)
    ratio = ordered["ratio"].to_numpy()
    is_named = (ratio < low) | (ratio > high) | (ordered.height <= MAX_NAMED)
    names = [plain(site) for site in ordered["site"]]
    return scatter(
        x=expected.tolist(),
        y=ratio.tolist(),
        mode="markers+text",
        name="site",
        text=[name if named else "" for name, named in zip(names, is_named, strict=True)],
        textposition=[NAME_PLACES[number % len(NAME_PLACES)] for number in range(ordered.height)],
        cliponaxis=False,
        marker={"color": FIRST, "size": 10},
        customdata=list(zip(names, ordered["observed"], strict=True)),
        hovertemplate="%{customdata[0]}: %{y:.2f}<br>%{customdata[1]} seen, %{x:.1f} expected<extra></extra>",
    )
