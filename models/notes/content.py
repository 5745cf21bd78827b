"""The files of words that come with the package, as parsed."""

import re
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

NOTES, WORK = "lexicon.toml", "work.toml"
"""The words of notes; the words of work done on a cover joint, in the spellings of the notes'."""


@cache
def content_of(file: str) -> dict[str, Any]:
    """A parsed file of the package."""
    return tomllib.loads((files("models.notes") / file).read_text(encoding="utf-8"))


@cache
def phrase_words() -> frozenset[str]:
    """Every word that a phrase of either file uses."""
    phrases = [phrase for file in (NOTES, WORK) for term in content_of(file)["terms"] for phrase in term["phrases"]]
    return frozenset(word for phrase in phrases for word in re.split(r"[\s|?]+", phrase) if word)
