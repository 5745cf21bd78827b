"""Take a figure apart for a page: heading, line below, data, and the sentence that says what it shows."""

import html
import json
from dataclasses import dataclass

import plotly.graph_objects as go
from markupsafe import Markup

from dashboards.figures.style import TEMPLATE


@dataclass(frozen=True)
class Drawing:
    """A figure as a page lays it out.

    Args:
        title: Heading.
        line: How to read it, in one line.
        says: What this figure says, in one sentence written from its numbers.
        height: In CSS pixels.
        data_json: Traces and layout, safe inside a script element.
    """

    title: str
    line: str
    says: str
    height: int
    data_json: Markup


def drawing(figure: go.Figure, *, says: str) -> Drawing:
    """Take a figure apart; the page's heading and line take the place of the drawn ones."""
    parts = figure.to_dict()
    layout = parts["layout"]
    del layout["template"]
    title = layout.pop("title")
    return Drawing(
        title=html.unescape(title["text"]),
        line=html.unescape(title["subtitle"]["text"]),
        says=says,
        height=layout["height"],
        data_json=script_safe(json.dumps({"data": parts["data"], "layout": layout}, allow_nan=False)),
    )


def template_json() -> Markup:
    """The look all figures of a page share, once."""
    return script_safe(json.dumps(TEMPLATE.to_plotly_json()))


def script_safe(json_text: str) -> Markup:
    """JSON that cannot close the script element it stands in: every `<`, `>` and `&` becomes its escape."""
    escaped = json_text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")
    return Markup(escaped)
