"""Which word of the lexicon a misspelt word was meant to be."""

from collections.abc import Collection

from rapidfuzz import process
from rapidfuzz.distance import OSA

MIN_LETTERS = 5
"""Shorter words have too many neighbours to guess from."""
LONG_LETTERS = 9
"""Words this long may be off by two letters; shorter ones by one."""


class Speller:
    """Corrects misspelt words, remembering each it has seen.

    Args:
        targets: The words a misspelling may stand for.
        known: Words that are never a misspelling: all the lexicon's words and real words close to the targets.
    """

    def __init__(self, targets: Collection[str], known: Collection[str]) -> None:
        self._targets = sorted(targets)
        self._known = frozenset(known) | frozenset(targets)
        self._seen: dict[str, str] = {}

    def correct(self, word: str) -> str:
        """The singular or the target a word was meant to be, or the word itself."""
        if word in self._known or len(word) < MIN_LETTERS - 1:
            return word
        if word not in self._seen:
            self._seen[word] = self._meant(word)
        return self._seen[word]

    def _meant(self, word: str) -> str:
        """A known singular, else the closest target with the same first letter within the letters allowed."""
        if word.endswith("s") and word[:-1] in self._known:
            return word[:-1]
        if len(word) < MIN_LETTERS:
            return word
        allowed = 2 if len(word) >= LONG_LETTERS else 1
        near = process.extract(word, self._targets, scorer=OSA.distance, score_cutoff=allowed, limit=5)
        return next((target for target, _, _ in near if target[0] == word[0]), word)
