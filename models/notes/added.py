"""Words and rules that a person adds to the lexicon, in the form of `lexicon.toml` and `work.toml`."""

import re
from typing import Annotated, Any, ClassVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo, field_validator

from models.notes.content import NOTES, WORK, content_of, phrase_words

MAX_VARIANTS = 1_000
"""Runs of words one phrase may stand for; more is a phrase that should be several."""
_WORD = re.compile(r"[a-z]+('[a-z]+)?|[a-z](/[a-z]+)+|<n>|<year>|<date>|/")
"""What a text is cut into; anything else never stands in one."""


def _as_words(text: str) -> str:
    """Let only words pass that a text can be cut into, in lower case."""
    lowered = text.lower()
    for word in lowered.split():
        if not _WORD.fullmatch(word):
            raise ValueError(f"words of letters parted by spaces, and {word!r} is none: 're seal', not 're-seal'")
    return lowered


def _as_phrase(phrase: str) -> str:
    """Let only phrases pass that stand for some words, and for not too many runs of them."""
    lowered = phrase.lower()
    slots = lowered.split()
    _as_words(" ".join(word for slot in slots for word in slot.removesuffix("?").split("|")))
    if all(slot.endswith("?") for slot in slots):
        raise ValueError("a phrase with a word that may not be left out")
    variants = 1
    for slot in slots:
        variants *= slot.count("|") + 1 + slot.endswith("?")
    if variants > MAX_VARIANTS:
        raise ValueError(f"a phrase for at most {MAX_VARIANTS:,} runs of words; part it into several")
    return lowered


Words = Annotated[str, AfterValidator(_as_words)]
Phrase = Annotated[str, AfterValidator(_as_phrase)]


class _Strict(BaseModel):
    """Frozen, and strict about keys: a misspelt key must not pass unseen."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class _Term(_Strict):
    """Phrases and what they mean to the rules: a kind that the rules know, in one of its shades."""

    file: ClassVar[str]
    kind: str
    value: str = Field(default="", validate_default=True)
    phrases: Annotated[tuple[Phrase, ...], Field(min_length=1)]

    def __str__(self) -> str:
        """The term as a person reads it."""
        return f"{' '.join(filter(None, (self.kind, self.value)))}: {', '.join(self.phrases)}"

    @field_validator("kind")
    @classmethod
    def _is_known(cls, kind: str) -> str:
        """Let only kinds pass that the rules know."""
        known = sorted({term["kind"] for term in content_of(cls.file)["terms"]})
        if kind not in known:
            raise ValueError(f"one of {', '.join(known)}")
        return kind

    @field_validator("value")
    @classmethod
    def _is_shade_of_its_kind(cls, value: str, info: ValidationInfo) -> str:
        """Let only shades pass that the kind comes in."""
        kind = info.data.get("kind")
        terms = content_of(cls.file)["terms"]
        known = sorted({term.get("value", "") for term in terms if term["kind"] == kind})
        if kind is not None and value not in known:
            raise ValueError(f"for {kind} one of {', '.join(repr(shade) for shade in known)}")
        return value


class NoteTerm(_Term):
    """A phrase of notes and complaints; kinds and shades are those of `lexicon.toml`."""

    file: ClassVar[str] = NOTES


class WorkTerm(_Term):
    """A phrase of the work done; kinds and shades are those of `work.toml`."""

    file: ClassVar[str] = WORK


def _added(default: Any, *, unit: str, reason: str) -> Any:
    """Declare one list of the added words, described like a threshold."""
    return Field(default, description=reason, json_schema_extra={"unit": unit})


class AddedLexicon(_Strict):
    """What a person adds to the lexicon that comes with the package.

    An added phrase wins over the same phrase of the package; given kind `plain`, it says nothing any more.
    """

    terms: tuple[NoteTerm, ...] = _added((), unit="phrases", reason="what phrases of notes mean")
    work_terms: tuple[WorkTerm, ...] = _added((), unit="phrases", reason="what phrases of the work done mean")
    words: dict[Words, tuple[Words, ...]] = _added({}, unit="spellings", reason="other ways a word is written")
    plain_words: Words = _added("", unit="words", reason="words that say nothing about whose cover a cover is")
    misspelt: Words = _added("", unit="words", reason="words also found when misspelt")
    not_misspelt: Words = _added("", unit="words", reason="real words close to those")
    keep_plural: Words = _added("", unit="words", reason="plurals that are not read as their singular")
    shortened: Words = _added("", unit="words", reason="words after which a full stop does not end the sentence")

    @field_validator("words")
    @classmethod
    def _are_in_phrases(cls, words: dict[str, tuple[str, ...]], info: ValidationInfo) -> dict[str, tuple[str, ...]]:
        """Let spellings stand only for words that some phrase uses: the others would never be looked for."""
        own = [*info.data.get("terms", ()), *info.data.get("work_terms", ())]
        used = phrase_words() | {
            word for term in own for phrase in term.phrases for word in re.split(r"[\s|?]+", phrase)
        }
        lost = sorted({word for key in words for word in key.split()} - used)
        if lost:
            raise ValueError(f"spellings of words that a phrase uses, and none uses {', '.join(map(repr, lost))}")
        return words


NOTHING_ADDED = AddedLexicon()
"""The lexicon as it comes with the package."""
