"""The words of the trade, read once from `lexicon.toml`: spellings to words, and phrases of words to terms."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import product
from typing import Any

from models.notes.spelling import Speller

NUMBER = "<n>"
"""Stands for a number in a phrase."""
YEAR = "<year>"
"""Stands for a year of four digits."""
DATE = "<date>"
"""Stands for a date in digits: 02/05, 3.11.2024."""

MIN_PLURAL_LETTERS = 4
"""Shorter words ending in s are seldom plurals."""
END = ""
"""The key of a phrase's meaning in the tree of phrases; no word is empty."""

PhraseTree = dict[str, Any]
"""Word to the tree of what may follow it; under `END` the (kind, value) of the phrase that ends there."""


@dataclass(frozen=True)
class Lexicon:
    """Spellings and phrases, ready to look up.

    Attributes:
        spellings: Every way a word is written to the word or words it stands for.
        phrases: Tree of phrases.
        plain_words: Small words that qualify nothing.
        shortened: Shortened words after which a full stop does not end the sentence.
        speller: Finds the word behind a misspelling.
    """

    spellings: dict[str, tuple[str, ...]]
    phrases: PhraseTree
    plain_words: frozenset[str]
    shortened: frozenset[str]
    speller: Speller

    def words_of(self, spelling: str) -> tuple[str, ...]:
        """The word or words a spelling stands for: itself where nothing is known of it."""
        known = self.spellings.get(spelling)
        if known is None:
            corrected = self.speller.correct(spelling)
            known = self.spellings.get(corrected, (corrected,))
        return known


@cache
def lexicon() -> Lexicon:
    """The words of notes, which come with the package."""
    return compile_lexicon(_content("lexicon.toml"))


@cache
def work_lexicon() -> Lexicon:
    """The words of work done on a cover joint, in the spellings of `lexicon`."""
    return compile_lexicon(_content("lexicon.toml") | _content("work.toml"))


def _content(file: str) -> dict[str, Any]:
    """A parsed file of the package."""
    return tomllib.loads((files("models.notes") / file).read_text(encoding="utf-8"))


def compile_lexicon(content: dict[str, Any]) -> Lexicon:
    """Make the lookups from a file parsed as `lexicon.toml` describes it."""
    plain_words = frozenset(content["plain_words"].split())
    spellings = _spellings(content["words"])
    variants = [
        ((term["kind"], term.get("value", "")), words)
        for term in content["terms"]
        for phrase in term["phrases"]
        for words in _variants(phrase, spellings)
    ]
    known = {word for _, words in variants for word in words} | set(spellings) | plain_words
    spellings = _plurals(known, kept=content["keep_plural"].split()) | spellings
    phrases: PhraseTree = {}
    for meaning, words in variants:
        _plant(phrases, [singular for word in words for singular in spellings.get(word, (word,))], meaning)
    known |= set(content["not_misspelt"].split())
    speller = Speller(content["misspelt"].split(), known)
    return Lexicon(spellings, phrases, plain_words, frozenset(content["shortened"].split()), speller)


def _spellings(words: dict[str, list[str]]) -> dict[str, tuple[str, ...]]:
    """Each spelling, and each word itself, to the words it stands for."""
    table: dict[str, tuple[str, ...]] = {word: (word,) for word in words if " " not in word}
    for word, others in words.items():
        table.update({other: tuple(word.split()) for other in others})
    return table


def _plurals(known: set[str], *, kept: list[str]) -> dict[str, tuple[str, ...]]:
    """The known words that are plurals of known words, to their singulars."""
    return {
        word: (word[:-1],)
        for word in known
        if len(word) >= MIN_PLURAL_LETTERS and word[-1] == "s" != word[-2] and word[:-1] in known and word not in kept
    }


def _variants(phrase: str, spellings: dict[str, tuple[str, ...]]) -> list[list[str]]:
    """Every run of words a phrase allows, in the words the text is reduced to."""
    slots = [_choices(slot) for slot in phrase.split()]
    return [
        [word for choice in choices if choice for word in spellings.get(choice, (choice,))]
        for choices in product(*slots)
    ]


def _choices(slot: str) -> list[str]:
    """The words one slot allows; an empty one where it may be left out."""
    words = slot.removesuffix("?").split("|")
    return [*words, ""] if slot.endswith("?") else words


def _plant(tree: PhraseTree, words: list[str], meaning: tuple[str, str]) -> None:
    """Add a phrase to the tree; the first meaning given to a phrase stands."""
    for word in words:
        tree = tree.setdefault(word, {})
    tree.setdefault(END, meaning)
