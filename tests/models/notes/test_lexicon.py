"""Every entry of the lexicon can be met: read as a text, it is found as what it is listed for."""

from collections.abc import Iterator
from itertools import product

import pytest

from models.notes.content import NOTES, WORK, content_of
from models.notes.lexicon import DATE, END, NUMBER, YEAR, Lexicon, lexicons
from models.notes.tokens import tokenise

AS_WRITTEN = {NUMBER: "7", DATE: "02/05", YEAR: "2019", "/": "/"}
"""What a text has where a phrase has a stand-in."""
LEXICONS = {NOTES: lexicons().notes, WORK: lexicons().work}


def _meaning(text: str, lexicon: Lexicon) -> object:
    """Kind and value of the phrase that a whole text is, if any."""
    tree = lexicon.phrases
    for token in tokenise(text, lexicon):
        if token.word not in tree:
            return None
        tree = tree[token.word]
    return tree.get(END)


def _slots(phrase: str) -> list[list[str]]:
    """The words each slot of a phrase allows, '' where it may be left out; after the comment of `lexicon.toml`."""
    return [slot.removesuffix("?").split("|") + [""] * slot.endswith("?") for slot in phrase.split()]


def _unmet(phrase: str, meaning: tuple[str, str], lexicon: Lexicon) -> set[str]:
    """The words of a phrase that no text can bring to its meaning, whatever the other slots hold."""
    slots = _slots(phrase)
    met: list[set[str]] = [set() for _ in slots]
    for words in product(*slots):
        text = " ".join(AS_WRITTEN.get(word, word) for word in words if word).replace(" / ", "/")
        if _meaning(text, lexicon) == meaning:
            for seen, word in zip(met, words, strict=True):
                seen.add(word)
    return {word for slot, seen in zip(slots, met, strict=True) for word in set(slot) - seen}


def _terms(file: str) -> Iterator[tuple[tuple[str, str], str]]:
    """Meaning and phrase of every entry of a file."""
    for term in content_of(file)["terms"]:
        for phrase in term["phrases"]:
            yield (term["kind"], term.get("value", "")), phrase


def _words(text: str) -> list[str]:
    """The words a text is reduced to."""
    return [token.word for token in tokenise(text, LEXICONS[NOTES])]


@pytest.mark.parametrize("file", LEXICONS)
def test_every_word_of_every_phrase_can_be_met(file: str) -> None:
    unmet = {
        (*meaning, phrase): lost
        for meaning, phrase in _terms(file)
        if (lost := _unmet(phrase, meaning, LEXICONS[file]))
    }
    assert not unmet


def test_every_spelling_is_read_as_its_word() -> None:
    spellings = {other: word for word, others in content_of(NOTES)["words"].items() for other in [word, *others]}
    assert {other: _words(other) for other, word in spellings.items() if _words(other) != word.split()} == {}


def test_every_plain_word_is_plain_as_read() -> None:
    plain = LEXICONS[NOTES].plain_words
    assert {
        word: _words(word) for word in content_of(NOTES)["plain_words"].split() if not set(_words(word)) <= plain
    } == {}


@pytest.mark.parametrize("written", ["gear box seal leaking", "gear-box seal leaking", "gearbox seal leaking"])
def test_two_words_for_one_are_read_with_a_space_or_hyphen(written: str) -> None:
    assert _words(written)[:2] == ["gearbox", "seal"]
