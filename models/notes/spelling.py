"""Which word of the lexicon a misspelt word was meant to be."""

from collections.abc import Collection

from rapidfuzz import process
from rapidfuzz.distance import OSA

MIN_LETTERS = 5
"""Shorter words have too many neighbours to guess from."""
LONG_LETTERS = 8
"""Words this long may be off by two letters; shorter ones by one."""


class Speller:
    """Corrects misspelt words, remembering each it has seen.

    Args:
        targets: The words a misspelling may stand for.
        vocabulary: Words that are never a misspelling: all the lexicon's words and ordinary words close to them.
    """

    def __init__(self, targets: Collection[str], vocabulary: Collection[str]) -> None:
        self._targets = sorted(word for word in targets if len(word) >= MIN_LETTERS and word.isalpha())
        self._vocabulary = frozenset(vocabulary)
        self._seen: dict[str, str] = {}

    def correct(self, word: str) -> str:
        """The target a word was meant to be, or the word itself."""
        if len(word) < MIN_LETTERS or word in self._vocabulary:
            return word
        if word not in self._seen:
            self._seen[word] = self._nearest(word)
        return self._seen[word]

    def _nearest(self, word: str) -> str:
        """The closest target with the same first letter, within the letters allowed; the first of equals."""
        allowed = 2 if len(word) >= LONG_LETTERS else 1
        near = process.extract(word, self._targets, scorer=OSA.distance, score_cutoff=allowed, limit=5)
        return next((target for target, _, _ in near if target[0] == word[0]), word)
