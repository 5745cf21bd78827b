"""Take a figure apart for a page: heading, line below, data, and the sentence that says what it shows."""

import html
import json
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from dashboards.figures.style import TEMPLATE, Figure

DIGITS = 6
"""Digits of a drawn number: finer than a pixel, and a third of the weight of all of them."""


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


def drawing(figure: Figure, *, says: str) -> Drawing:
    """Take a figure apart; the page's heading and line take the place of the drawn ones."""
    layout = dict(figure["layout"])
    title = layout.pop("title")
    shown = _rounded({"data": figure["data"], "layout": layout})
    return Drawing(
        title=html.unescape(title["text"]),
        line=html.unescape(title["subtitle"]["text"]),
        says=says,
        height=layout["height"],
        data_json=script_safe(json.dumps(shown, allow_nan=False, separators=(",", ":"))),
    )


def _rounded(part: Any) -> Any:
    """A part of a figure with its numbers to `DIGITS` digits."""
    if isinstance(part, dict):
        return {name: _rounded(value) for name, value in part.items()}
    if isinstance(part, list | tuple):
        return [_rounded(value) for value in part]
    return _short(part) if isinstance(part, float) else part


def _short(number: float) -> float:
    """A number to `DIGITS` digits, without a point where it is whole."""
    short = float(f"{number:.{DIGITS}g}")
    return int(short) if short.is_integer() else short


def template_json() -> Markup:
    """The look all figures of a page share, once."""
    return script_safe(json.dumps(TEMPLATE))


def script_safe(json_text: str) -> Markup:
    """JSON that cannot close the script element it stands in: every `<`, `>` and `&` becomes its escape."""
    escaped = json_text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")
    return Markup(escaped)
