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
    for level, opacity in LEVELS:
        for trace in _limits(expected, level=level, opacity=opacity):
            figure.add_trace(trace)
    figure.add_trace(_sites(ordered))
    figure.add_hline(y=1.0, line={"color": QUIET_INK, "width": 1, "dash": "dot"})
    figure.update_xaxes(title={"text": "re-leaks expected"})
    figure.update_yaxes(title={"text": "observed ÷ expected"}, rangemode="tozero")
    return figure


def _limits(expected: np.ndarray, *, level: float, opacity: float) -> list[go.Scatter]:
    """The area luck alone reaches."""
    low, high = funnel_limits(expected, confidence=level)
    at = expected.tolist()
    edge = {"mode": "lines", "line": {"width": 1, "color": see_through(THIRD, 0.5)}, "hoverinfo": "skip"}
    area = {"fill": "tonexty", "fillcolor": see_through(THIRD, opacity)}
    return [
        go.Scatter(x=at, y=low.tolist(), showlegend=False, **edge),
        go.Scatter(x=at, y=high.tolist(), name=f"{100 * level:g}% limits", **area, **edge),
    ]


def _sites(ordered: pl.DataFrame) -> go.Scatter:
    """One named dot a site, the names above and below by turns so that neighbours do not touch."""
    above_and_below = ("top center", "bottom center")
    return go.Scatter(
        x=ordered["expected"].to_list(),
        y=ordered["ratio"].to_list(),
        mode="markers+text",
        name="site",
        text=[plain(site) for site in ordered["site"]],
        textposition=[above_and_below[number % 2] for number in range(ordered.height)],
        cliponaxis=False,
        marker={"color": FIRST, "size": 10},
        customdata=ordered.select("observed", "expected").rows(),
        hovertemplate="%{text}: %{y:.2f}<br>%{customdata[0]} seen, %{customdata[1]:.1f} expected<extra></extra>",
    )
