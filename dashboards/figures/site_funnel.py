"""Sites on a funnel: how far from expected a site may lie by luck alone."""

import numpy as np
import plotly.graph_objects as go
import polars as pl

from dashboards.figures.style import FIRST, QUIET_INK, THIRD, framed, plain, see_through
from models.statistics.funnel import funnel_limits

HEIGHT = 420
LEVELS = ((0.998, 0.10), (0.95, 0.16))
"""Level of the limits and how dark the area between them is, the widest first."""
LIMIT_POINTS = 120
MAX_NAMED = 8
NAMED_BEYOND = 0.95
NAME_PLACES = ("top center", "bottom left", "bottom right")
"""Taken by turns, so that neighbours' names do not touch."""


def site_funnel(sites: pl.DataFrame, *, title: str, line: str) -> go.Figure:
    """Draw each site's observed over expected re-leaks inside the 95% and 99.8% limits.

    Args:
        sites: Rows of `site_comparison` that have a ratio.
        title: What is shown.
        line: How to read it.
    """
    figure = framed(title, line, height=HEIGHT)
    ordered = sites.sort("expected", "site")
    expected = np.linspace(0.6 * ordered["expected"].min(), 1.1 * ordered["expected"].max(), LIMIT_POINTS)
    scatter = float(ordered["funnel_dispersion"].max())
    for level, opacity in LEVELS:
        for trace in _limits(expected, scatter=scatter, level=level, opacity=opacity):
            figure.add_trace(trace)
    figure.add_trace(_sites(ordered))
    figure.add_hline(y=1.0, line={"color": QUIET_INK, "width": 1, "dash": "dot"})
    figure.update_xaxes(title={"text": "re-leaks expected"})
    figure.update_yaxes(title={"text": "observed ÷ expected"}, rangemode="tozero")
    return figure


def _limits(expected: np.ndarray, *, scatter: float, level: float, opacity: float) -> list[go.Scatter]:
    """The area luck alone reaches, re-leaks coming in clumps as they do."""
    low, high = funnel_limits(expected / scatter, confidence=level)
    at = expected.tolist()
    edge = {"mode": "lines", "line": {"width": 1, "color": see_through(THIRD, 0.5)}, "hoverinfo": "skip"}
    area = {"fill": "tonexty", "fillcolor": see_through(THIRD, opacity)}
    return [
        go.Scatter(x=at, y=low.tolist(), showlegend=False, **edge),
        go.Scatter(x=at, y=high.tolist(), name=f"{100 * level:g}% limits", **area, **edge),
    ]


def _sites(ordered: pl.DataFrame) -> go.Scatter:
    """One dot a site; of many sites only those that stand out are named, the others answer to the pointer."""
    expected = ordered["expected"].to_numpy()
    low, high = funnel_limits(expected / ordered["funnel_dispersion"].to_numpy(), confidence=NAMED_BEYOND)
    ratio = ordered["ratio"].to_numpy()
    is_named = (ratio < low) | (ratio > high) | (ordered.height <= MAX_NAMED)
    names = [plain(site) for site in ordered["site"]]
    return go.Scatter(
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
