"""The words of the trade, ready to look up: spellings to words, and phrases of words to terms."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Any, NamedTuple

from models.notes.added import NOTHING_ADDED, AddedLexicon, NoteTerm, WorkTerm
from models.notes.content import NOTES, WORK, content_of
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


COMPILED = 4
"""Lexicons kept ready: the package's and those of the homes at work."""


@dataclass(frozen=True, eq=False)
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


class Lexicons(NamedTuple):
    """The words of notes, and those of work done on a cover joint."""

    notes: Lexicon
    work: Lexicon


def lexicons(added: AddedLexicon = NOTHING_ADDED) -> Lexicons:
    """The words that come with the package and those that a person adds."""
    return _compiled(added.model_dump_json())


@lru_cache(maxsize=COMPILED)
def _compiled(added_json: str) -> Lexicons:
    """Compile each distinct lexicon once; what is added is named by its JSON, which can be hashed."""
    added = AddedLexicon.model_validate_json(added_json)
    notes = _compile(content_of(NOTES), added, added.terms)
    return Lexicons(notes, _compile(content_of(NOTES) | content_of(WORK), added, added.work_terms))


def _compile(content: dict[str, Any], added: AddedLexicon, added_terms: Sequence[NoteTerm | WorkTerm]) -> Lexicon:
    """Make the lookups from a file parsed as `lexicon.toml` describes it, and what is added to it."""
    plain_words = frozenset(f"{content['plain_words']} {added.plain_words}".split())
    spellings = _spellings(content["words"])
    spellings |= _added_spellings(added, spellings)
    terms = [term.model_dump() for term in added_terms] + content["terms"]
    variants = [
        ((term["kind"], term.get("value", "")), words)
        for term in terms
        for phrase in term["phrases"]
        for words in _variants(phrase, spellings)
    ]
    known = {word for _, words in variants for word in words} | set(spellings) | plain_words
    spellings = _plurals(known, kept=f"{content['keep_plural']} {added.keep_plural}".split()) | spellings
    phrases: PhraseTree = {}
    for meaning, words in variants:
        _plant(phrases, [singular for word in words for singular in spellings.get(word, (word,))], meaning)
    known |= set(f"{content['not_misspelt']} {added.not_misspelt}".split())
    speller = Speller(f"{content['misspelt']} {added.misspelt}".split(), known)
    shortened = frozenset(f"{content['shortened']} {added.shortened}".split())
    return Lexicon(spellings, phrases, plain_words, shortened, speller)


def _added_spellings(added: AddedLexicon, spellings: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
    """Each added spelling to the words it stands for."""
    return {
        other: tuple(singular for word in words.split() for singular in spellings.get(word, (word,)))
        for words, others in added.words.items()
        for other in others
    }


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
