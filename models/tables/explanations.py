"""How each published figure is figured, in words: read once from `explanations.toml`."""

import tomllib
from functools import cache
from importlib.resources import files

from pydantic import BaseModel, ConfigDict


class Explanation(BaseModel):
    """What a reader of one measure needs to know.

    Attributes:
        figure: Column that a row of the table is published for.
        adds_to: Column that the shares of the episodes behind a row add up to.
        adds: What such a share is.
        says: Definition in plain words.
        formula: How it is computed.
        source: Where the method is published.
        checked: What it is held against outside the project.
        settings: Thresholds it depends on, as `section.name`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    figure: str
    adds_to: str
    adds: str
    says: str
    formula: str
    source: str
    checked: str
    settings: tuple[str, ...]


@cache
def explanations() -> dict[str, Explanation]:
    """Measure to its explanation."""
    written = files("models.tables").joinpath("explanations.toml").read_text(encoding="utf-8")
    return {measure: Explanation.model_validate(words) for measure, words in tomllib.loads(written).items()}
