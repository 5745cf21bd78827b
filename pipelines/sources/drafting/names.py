"""How far a header names a canonical column, by the words of the trade in `words.toml`."""

import re
import tomllib
import unicodedata
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from typing import Any

from rapidfuzz import fuzz, process

from models.records.quantities import KILOMETRES_PER, LITRES_PER

EXACT = 1.0
"""The header is the canonical name, or words that hardly mean anything else."""
OFTEN = 0.8
"""The header is words that often mean it."""
NEARLY = 0.98
"""Factor for a header that is such words but for its unit."""
SPELT_ALIKE = 0.7
HOLDS_A_PHRASE, HOLDS_A_WORD = 0.62, 0.5
_LEAST_LIKENESS = 86
"""Likeness, of 100, from which a header counts as misspelt or inflected."""
_LEAST_LETTERS = 5
"""Shorter words are alike by chance."""

_NUMBER_WORDS = {"no", "nr", "num", "numero", "nummer", "number", "numbers", "#"}
_GLUED_NUMBER = re.compile(r"([a-z]{3,})(?:nummer|nr)\b")
"""As in German and Dutch: Fahrzeugnummer, Auftragsnr."""
_SPELT_OUT = {"#": " no ", "№": " no ", "€": " eur ", "$": " usd ", "£": " gbp ", "n°": " no ", "nº": " no "}


@cache
def words() -> dict[str, Any]:
    """Return the words of headers, kinds, units and cells."""
    text = files("pipelines.sources.drafting").joinpath("words.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def normal(header: str) -> str:
    """Return a header in small letters without accents, signs and camel case; every word for number is `no`."""
    lower = re.sub(r"(?<=[a-z]{2})(?=[A-Z])", " ", header).casefold()
    for sign, word in _SPELT_OUT.items():
        lower = lower.replace(sign, word)
    plain = "".join(c for c in unicodedata.normalize("NFKD", lower) if not unicodedata.combining(c))
    parts = re.findall(r"[a-z0-9]+|[^\W\d_]+", _GLUED_NUMBER.sub(r"\1 no", plain))
    spelt_out = words()["abbreviations"]
    return " ".join("no" if part in _NUMBER_WORDS else spelt_out.get(part, part) for part in parts)


def name_score(header: str, column: str) -> float:
    """Return how far a header names a canonical column, from 0 (not at all) to 1 (it can hardly mean anything else)."""
    name = normal(header)
    says, may_say = _phrases(column)
    bare, short = _without_units(name), _without_fillers(name)
    return max(
        _score(name, says, may_say),
        NEARLY * _score(bare, says, may_say),
        min(NEARLY * _score(short, says, may_say), OFTEN) if short != name else 0.0,
        OFTEN if not bare and column in UNITS_FOUND and UNITS_FOUND[column](header) else 0.0,
    )


def knows(header: str) -> bool:
    """Whether a header is among the words of any canonical column, with or without its unit."""
    name = normal(header)
    return bool(name) and (name in _every_phrase() or _without_units(name) in _every_phrase())


def odometer_units(header: str) -> tuple[str, ...]:
    """Return the units that a header says distances are in: more than one where it names both."""
    return tuple(unit for unit in KILOMETRES_PER if _mentions(header, words()["units"]["odometer"][unit]))


def volume_units(header: str) -> tuple[str, ...]:
    """Return the units that a header says volumes are in: more than one where a quart, say, may be either system's."""
    table = words()["units"]
    systems = [name for name, spelt in table["systems"].items() if _mentions(header, spelt)] or ["US", "imp"]
    named = [unit for unit, spelt in table["volume"].items() if _mentions(header, spelt)]
    spelt_out = [[unit] if unit in LITRES_PER else [f"{system} {unit}" for system in systems] for unit in named]
    return tuple(unit for units in spelt_out for unit in units)


UNITS_FOUND: dict[str, Callable[[str], tuple[str, ...]]] = {"odometer": odometer_units, "volume": volume_units}
"""Canonical column to what finds its units in a header."""


def kinds_named(text: str) -> set[str]:
    """Return the kinds of record that words of a file's name, a sheet or a title mention."""
    found = set(normal(text).split())
    return {kind for kind, spelt in words()["kinds"].items() if found & set(spelt)}


def _mentions(header: str, spelt: list[str]) -> bool:
    return bool(set(normal(header).split()) & set(spelt))


@cache
def _phrases(column: str) -> tuple[frozenset[str], frozenset[str]]:
    entry = words()["headers"][column]
    return frozenset(map(normal, (*entry["says"], column))), frozenset(map(normal, entry["may_say"]))


@cache
def _every_phrase() -> frozenset[str]:
    return frozenset().union(*(part for column in words()["headers"] for part in _phrases(column)))


@cache
def _unit_words() -> frozenset[str]:
    table = words()["units"]
    groups = [*table["odometer"].values(), *table["volume"].values(), *table["systems"].values()]
    return frozenset(map(normal, [*table["other"]["words"], *(word for group in groups for word in group)]))


def _without_units(name: str) -> str:
    return " ".join(word for word in name.split() if word not in _unit_words())


def _without_fillers(name: str) -> str:
    return " ".join(word for word in name.split() if word not in words()["fillers"]["words"])


def _score(name: str, says: frozenset[str], may_say: frozenset[str]) -> float:
    if name in says:
        return EXACT
    if name in may_say:
        return OFTEN
    if len(name) < _LEAST_LETTERS:
        return 0.0
    if alike := process.extractOne(name, says, scorer=fuzz.token_sort_ratio, score_cutoff=_LEAST_LIKENESS):
        return SPELT_ALIKE * alike[1] / 100
    held = [len(phrase.split()) for phrase in says if set(phrase.split()) < set(name.split())]
    return 0.0 if not held else HOLDS_A_PHRASE if max(held) > 1 else HOLDS_A_WORD
