"""The one look of all figures: colours a colour-blind reader can tell apart, system fonts, room for long labels.

A figure is a plain dictionary in Plotly's schema, `data` and `layout`, as Plotly itself takes one: a report holds some
thousands, and checking each attribute of each against the schema took ten times as long as drawing them. The tests do.
"""

import html
import textwrap
from collections.abc import Iterable
from typing import Any

INK, QUIET_INK, RULE_LINE, PAPER = "#1d2429", "#4d5a61", "#d8d5cb", "rgba(0,0,0,0)"
FIRST, SECOND, THIRD, WARNING = "#14557b", "#b35900", "#5b6b73", "#a3241b"
SERIES_COLOURS = (FIRST, SECOND, THIRD)
SERIES_SYMBOLS = ("circle", "diamond", "square-open")
METHOD_COLOURS = {
    "retightened": "#b35900",
    "external_sealant": "#a3357a",
    "gasket": "#2b83ba",
    "gasket_and_seals": "#00796b",
    "gasket_seals_bolts": "#1d2429",
    "cover_replaced": "#7a6000",
    "unstated": "#6d6d6d",
}
METHOD_DASHES = {
    "retightened": "dash",
    "external_sealant": "dot",
    "gasket": "solid",
    "gasket_and_seals": "longdash",
    "gasket_seals_bolts": "solid",
    "cover_replaced": "dashdot",
    "unstated": "longdashdot",
}
"""A line is told apart by its dash as well as its colour."""
LINE_COLOURS = (FIRST, SECOND, "#00796b", "#a3357a", THIRD, "#7a6000")
LINE_DASHES = ("solid", "dash", "dot", "longdash", "dashdot", "longdashdot")
"""For lines of names that have no colour of their own."""

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Liberation Sans', sans-serif"
LABEL_WIDTH = 18

TEMPLATE = {
    "layout": {
        "font": {"family": FONT, "size": 13, "color": INK},
        "paper_bgcolor": PAPER,
        "plot_bgcolor": PAPER,
        "margin": {"l": 8, "r": 14, "t": 36, "b": 8},
        "hoverlabel": {"font": {"family": FONT, "size": 13}, "align": "left"},
        "legend": {"orientation": "h", "x": 0, "xanchor": "left", "y": 1.0, "yanchor": "bottom"},
        "xaxis": {
            "automargin": True,
            "gridcolor": RULE_LINE,
            "linecolor": QUIET_INK,
            "zeroline": False,
            "fixedrange": True,
        },
        "yaxis": {
            "automargin": True,
            "gridcolor": RULE_LINE,
            "linecolor": QUIET_INK,
            "zeroline": False,
            "fixedrange": True,
        },
    }
}

Figure = dict[str, Any]
Trace = dict[str, Any]


def framed(traces: Iterable[Trace], *, title: str, line: str, height: int, **layout: Any) -> Figure:
    """A figure of traces, with its title, the line that says how to read it, and what else its layout has."""
    titled = {"text": plain(title), "subtitle": {"text": plain(line)}}
    return {"data": list(traces), "layout": {"height": height, "title": titled, **layout}}


def scatter(**attributes: Any) -> Trace:
    """Points, a line or words."""
    return {"type": "scatter", **attributes}


def level(at: float, **line: Any) -> dict[str, Any]:
    """A line across the figure at a value of the y axis."""
    return {"type": "line", "xref": "x domain", "x0": 0, "x1": 1, "yref": "y", "y0": at, "y1": at, "line": line}


def plain(words: str) -> str:
    """Words as Plotly must be given them so that a `<` in a name is shown and never read as markup."""
    return html.escape(words, quote=False)


def wrapped(label: str) -> str:
    """A label broken into lines short enough for a phone."""
    return "<br>".join(plain(line) for line in textwrap.wrap(label, LABEL_WIDTH)) or plain(label)


def see_through(colour: str, opacity: float) -> str:
    """A `#rrggbb` colour made translucent, for bands."""
    red, green, blue = (int(colour[start : start + 2], 16) for start in (1, 3, 5))
    return f"rgba({red},{green},{blue},{opacity})"
