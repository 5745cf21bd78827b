"""One vehicle: its story in a figure and day by day."""

from typing import Any

from dashboards.drawing import Drawing, drawing
from dashboards.figures.vehicle_timeline import vehicle_timeline
from dashboards.stories import Rows, Story, releaks
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
    said = [statement for statement in story.records["evidence"] if statement["component"] in JOINT_COMPONENTS]
    looks = sorted(said, key=lambda look: (look["noted_on"], look["span_text"]))
    episodes, segments = story.records["episodes"], story.records["oil_segments"]
    if not (looks or episodes or segments):
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


def _says(episodes: Rows, looks: Rows) -> str:
    """How many repairs held, and what was seen last."""
    said = f"{counted(len(episodes), 'cover repair')}, {releaks(episodes)} of which leaked again"
    wet = [look["noted_on"] for look in looks if look["polarity"] == "present"]
    dry = [look["noted_on"] for look in looks if look["polarity"] in ("absent", "resolved")]
    last = [f"last seen {word} on {day_words(seen[-1])}" for word, seen in (("wet", wet), ("dry", dry)) if seen]
    return "; ".join([said, *last]) + "."
