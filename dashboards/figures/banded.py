"""A curve with its interval as a pale band, tied together in the legend."""

import polars as pl

from dashboards.figures.style import Trace, plain, scatter, see_through

BAND_OPACITY = 0.10


def banded_curve(
    points: pl.DataFrame, *, name: str, group: str, colour: str, dash: str, hover: str, shape: str = "hv"
) -> list[Trace]:
    """Draw one curve over its band.

    Args:
        points: `x`, `value`, `low`, `high` (null where not known) and `watched`, shown beside the pointer; sorted.
        name: In the legend.
        group: What the page's selects can draw alone.
        colour: As `#rrggbb`.
        dash: Of the line.
        hover: What the pointer shows.
        shape: `hv` for steps, `linear`.
    """
    banded = points.drop_nulls(["low", "high"])
    shared = {"legendgroup": group, "line": {"width": 0, "shape": shape}, "mode": "lines"}
    quiet = {"showlegend": False, "hoverinfo": "skip"}
    return [
        scatter(x=banded["x"].to_list(), y=banded["low"].to_list(), **shared, **quiet),
        scatter(
            x=banded["x"].to_list(),
            y=banded["high"].to_list(),
            fill="tonexty",
            fillcolor=see_through(colour, BAND_OPACITY),
            **shared,
            **quiet,
        ),
        scatter(
            x=points["x"].to_list(),
            y=points["value"].to_list(),
            mode="lines",
            name=plain(name),
            legendgroup=group,
            line={"color": colour, "width": 2.2, "shape": shape, "dash": dash},
            customdata=points["watched"].to_list(),
            hovertemplate=hover,
        ),
    ]
