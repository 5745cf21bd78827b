"""One vehicle: its story in a figure and day by day."""

from typing import Any

import polars as pl

from dashboards.drawing import Drawing, drawing
from dashboards.figures.vehicle_timeline import vehicle_timeline
from dashboards.stories import Story
from dashboards.wording import counted, day_words
from models.tables.ledger import JOINT_COMPONENTS

WHAT_WORDS = {
    "repair": "repair",
    "order": "order",
    "note": "note",
    "top-up": "oil",
    "end": "end of a watch",
    "engine": "engine",
}
"""What kind of event it is, in words."""


def contents(story: Story) -> dict[str, Any]:
    """Lay one story out."""
    return {"story": story, "what_words": WHAT_WORDS, "timeline": _timeline(story)}


def _timeline(story: Story) -> Drawing | None:
    """The vehicle's figure; none where there is nothing to draw."""
    evidence = story.records["evidence"]
    looks = evidence.filter(pl.col("component").is_in(JOINT_COMPONENTS))
    episodes, segments = story.records["episodes"], story.records["oil_segments"]
    if looks.is_empty() and episodes.is_empty() and segments.is_empty():
        return None
    figure = vehicle_timeline(
        episodes,
        looks,
        segments,
        title=f"{story.vehicle_id} through time",
        line="Square: repair; the bar runs as long as it was watched, red where it leaked again. Circles: looks. "
        "Below: oil put in, as a rate between two fills.",
    )
    return drawing(figure, says=_says(episodes, looks))


def _says(episodes: pl.DataFrame, looks: pl.DataFrame) -> str:
    """How many repairs held, and what was seen last."""
    releaks = episodes.filter(pl.col("status") == "re-leak").height
    said = f"{counted(episodes.height, 'cover repair')}, {releaks} of which leaked again"
    wet = looks.filter(pl.col("polarity") == "present").sort("noted_on")
    dry = looks.filter(pl.col("polarity").is_in(["absent", "resolved"])).sort("noted_on")
    last = [
        f"last seen {word} on {day_words(seen['noted_on'][-1])}"
        for word, seen in (("wet", wet), ("dry", dry))
        if seen.height
    ]
    return "; ".join([said, *last]) + "."
