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
PHONE = (280.0, 300.0)
"""Width and height of the axes on a phone, in pixels: names clear of each other there are so on every wider page."""
LETTER_WIDTH, LINE_HEIGHT, DOT = 7.5, 18.0, 5.0
"""Of a name and of a dot's half, in pixels."""
SIDES = {"center": 0.5, "right": 0.0, "left": 1.0}
"""Plotly's words for where a name stands to its dot, with the share of the name that lies left of the dot."""


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
    top = max(float(ordered["ratio"].max()), *limits[1]["y"])
    return framed(
        [*limits, _sites(ordered, across=(expected[0], expected[-1]), top=top)],
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


def _sites(ordered: pl.DataFrame, *, across: tuple[float, float], top: float) -> Trace:
    """One dot a site; of many sites only those that stand out are named, the others answer to the pointer."""
    expected = ordered["expected"].to_numpy()
    low, high = funnel_limits(expected / ordered["funnel_dispersion"].to_numpy(), confidence=NAMED_BEYOND)
    ratio = ordered["ratio"].to_numpy()
    is_named = (ratio < low) | (ratio > high) | (ordered.height <= MAX_NAMED)
    names = [plain(site) for site in ordered["site"]]
    shown = [site if named else "" for site, named in zip(ordered["site"], is_named, strict=True)]
    dots = list(zip((expected - across[0]) / (across[1] - across[0]) * PHONE[0], ratio / top * PHONE[1], strict=True))
    return scatter(
        x=expected.tolist(),
        y=ratio.tolist(),
        mode="markers+text",
        name="site",
        text=[plain(name) for name in shown],
        textposition=_places(dots, shown),
        cliponaxis=False,
        marker={"color": FIRST, "size": 10},
        customdata=list(zip(names, ordered["observed"], strict=True)),
        hovertemplate="%{customdata[0]}: %{y:.2f}<br>%{customdata[1]} seen, %{x:.1f} expected<extra></extra>",
    )


Box = tuple[float, float, float, float]


def _places(dots: list[tuple[float, float]], names: list[str]) -> list[str]:
    """Where each name stands to its dot so that it is clear of the names before it, of all dots and of the edges."""
    taken: list[Box] = [(x - DOT, y - DOT, x + DOT, y + DOT) for x, y in dots]
    places = []
    for dot, name in zip(dots, names, strict=True):
        boxes = {f"{height} {side}": _box(dot, name, height, side) for height in ("top", "bottom") for side in SIDES}
        place = min(boxes, key=lambda place: _crowd(boxes[place], taken))
        places.append(place)
        if name:
            taken.append(boxes[place])
    return places


def _box(dot: tuple[float, float], name: str, height: str, side: str) -> Box:
    """What a name covers: left, bottom, right, top."""
    width = LETTER_WIDTH * len(name)
    left = dot[0] - SIDES[side] * width
    bottom = dot[1] + (DOT if height == "top" else -DOT - LINE_HEIGHT)
    return left, bottom, left + width, bottom + LINE_HEIGHT


def _crowd(box: Box, taken: list[Box]) -> float:
    """How much of a box is taken or lies beyond the axes, in square pixels."""
    left, bottom, right, top = box
    inside = max(0.0, min(right, PHONE[0]) - max(left, 0.0)) * max(0.0, top - max(bottom, 0.0))
    beyond = (right - left) * (top - bottom) - inside
    shared = (
        max(0.0, min(right, other[2]) - max(left, other[0])) * max(0.0, min(top, other[3]) - max(bottom, other[1]))
        for other in taken
    )
    return beyond + sum(shared)
