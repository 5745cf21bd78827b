"""One vehicle through time: repairs, looks, how long each repair was watched, and the oil it took."""

from datetime import date
from typing import Any

from dashboards.figures.style import FIRST, INK, SECOND, THIRD, WARNING, Figure, Trace, framed, plain, scatter
from dashboards.wording import COVER_WORDS, day_words, decimal, method_words

HEIGHT = 360
LOOKS = {
    "present": ("wet look", "circle", WARNING),
    "absent": ("dry look", "circle-open", FIRST),
    "resolved": ("said to be cured", "circle-open", THIRD),
    "uncertain": ("suspect", "diamond-open", SECOND),
}
ENDS = {"re-leak": WARNING, "competing": THIRD, "censored": FIRST}
OIL_SHARE = 0.32
"""Share of the height that the oil takes."""


def vehicle_timeline(
    episodes: list[dict[str, Any]],
    looks: list[dict[str, Any]],
    segments: list[dict[str, Any]],
    *,
    title: str,
    line: str,
) -> Figure:
    """Draw one vehicle.

    Args:
        episodes: Rows of its `Episodes`, in the order of the repairs.
        looks: `noted_on`, `cover_position`, `polarity` and `span_text` of statements about its covers, in that order.
        segments: Rows of its `OilSegments`, in the order of their starts.
        title: What is shown.
        line: How to read it.
    """
    traces = [_watched(episode) for episode in episodes]
    for polarity, (name, symbol, colour) in LOOKS.items():
        seen = [look for look in looks if look["polarity"] == polarity]
        if seen:
            traces.append(_looks(seen, name=name, symbol=symbol, colour=colour))
    return framed(
        [*traces, *_repairs(episodes), _oil(segments)],
        title=title,
        line=line,
        height=HEIGHT,
        yaxis={"domain": [OIL_SHARE + 0.06, 1.0], "type": "category", "title": {"text": "cover"}},
        yaxis2={
            "domain": [0.0, OIL_SHARE],
            "anchor": "x",
            "rangemode": "tozero",
            "title": {"text": "L/1,000 km"},
            "automargin": True,
        },
        xaxis={"type": "date", "anchor": "y2"},
    )


def _watched(episode: dict[str, Any]) -> Trace:
    """How long a repair was watched, with its end."""
    cover = COVER_WORDS[str(episode["cover_position"])]
    colour = ENDS[str(episode["status"])]
    return scatter(
        x=[str(episode["repaired_on"]), str(episode["ended_on"])],
        y=[cover, cover],
        mode="lines+markers",
        line={"color": colour, "width": 5},
        marker={"symbol": "line-ns-open", "size": [0, 14], "color": colour},
        hovertemplate=f"{_told(episode)}<extra></extra>",
        showlegend=False,
    )


def _repairs(episodes: list[dict[str, Any]]) -> list[Trace]:
    """The repairs themselves, open and over the looks, so that neither hides the other."""
    if not episodes:
        return []
    return [
        scatter(
            x=[str(episode["repaired_on"]) for episode in episodes],
            y=[COVER_WORDS[str(episode["cover_position"])] for episode in episodes],
            mode="markers",
            name="repair",
            marker={"symbol": "square-open", "size": 17, "color": INK, "line": {"width": 3}},
            customdata=[_told(episode) for episode in episodes],
            hovertemplate="%{customdata}<extra></extra>",
        )
    ]


def _told(episode: dict[str, Any]) -> str:
    """A repair and what became of it, for who points at it."""
    watched = f"repaired {_day(episode['repaired_on'])}, watched to {_day(episode['ended_on'])}"
    return f"{watched}<br>{method_words(str(episode['repair_method']))}<br>{plain(str(episode['end_reason']))}"


def _looks(seen: list[dict[str, Any]], *, name: str, symbol: str, colour: str) -> Trace:
    """Statements of one polarity."""
    return scatter(
        x=[str(look["noted_on"]) for look in seen],
        y=[COVER_WORDS[look["cover_position"]] for look in seen],
        mode="markers",
        name=name,
        marker={"symbol": symbol, "size": 11, "color": colour, "line": {"width": 2, "color": colour}},
        customdata=[plain(look["span_text"]) for look in seen],
        hovertemplate=f"{name} %{{x|%-d %b %Y}}: %{{customdata}}<extra></extra>",
    )


def _oil(segments: list[dict[str, Any]]) -> Trace:
    """Oil put in between two fills, as a rate that holds from the one to the other."""
    days: list[str | None] = []
    rates: list[float | None] = []
    for row in segments:
        days += [str(row["started_on"]), str(row["ended_on"]), None]
        rates += [row["litres_per_1000km"]] * 2 + [None]
    return scatter(
        x=days,
        y=rates,
        yaxis="y2",
        mode="lines",
        name="oil put in",
        line={"color": SECOND, "width": 2},
        text=[None if rate is None else decimal(rate, 2) for rate in rates],
        hovertemplate="%{text} L/1,000 km<extra></extra>",
    )


def _day(day: object) -> str:
    return day_words(day) if isinstance(day, date) else ""
