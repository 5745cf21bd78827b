"""Cut a text into words, numbers and stops, each with its place in the original."""

import re
from typing import NamedTuple

from models.notes.lexicon import DATE, NUMBER, YEAR, Lexicon

STOP = "<stop>"
"""Ends a sentence."""
PAUSE = "<pause>"
"""Ends a clause: comma, colon, bracket, dash."""
DOUBT = "<doubt>"
"""A question mark before a word: what follows is a guess."""
QUESTION = "<question>"
"""A question mark after words: what stands before is a guess."""

_SAME_LENGTH = str.maketrans(
    {
        "’": "'",
        "‘": "'",
        "`": "'",
        "–": "-",
        "—": "-",
        "−": "-",
        "\u00a0": " ",
        "\t": " ",
        "\r": "\n",
        "“": '"',
        "”": '"',
    }
)
"""Typographic forms to plain ones, one character for one, so that places in the text stay true."""

_TOKEN = re.compile(
    r"(?P<word>[a-z](?:/[a-z]+)+(?![a-z])|[a-z](?:\.[a-z])+\b\.?|(?:w/)|[a-z]+(?:'[a-z]+)?)"
    r"|(?P<number>\#?\d+(?:[.,/:]\d+)*(?:st|nd|rd|th)?(?![a-z0-9])|\#?\d+)"
    r"|(?P<stop>\.{2,}|[.;!\n|]+)"
    r"|(?P<question>\?+)"
    r"|(?P<pause>,|:|[()\[\]\"*=>]|(?<=\s)-+|-+(?=\s)|(?<=\s)/(?=\s))"
    r"|(?P<sign>[&+@/])"
)

_SIDE_ASIDE = re.compile(r"\(((?:left|right|[lr]/?h|[lr]hs|[lr]/hand)(?: bank| side| hand| hand side)?)\)")
"""A side in brackets, which belongs to what stands before it."""

_GOES_ON = frozenset(
    {
        "and",
        "or",
        "of",
        "the",
        "to",
        "from",
        "at",
        "on",
        "in",
        "by",
        "with",
        "for",
        "a",
        "an",
        "no",
        "not",
        "/",
        "last",
        "next",
        "since",
        "until",
        "during",
        "early",
        "late",
    }
)
"""Words that do not end a sentence."""
# fmt: off
_NAMES_OF_TIMES = frozenset({
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november",
    "december", "jan", "feb", "mar", "apr", "jun", "jul", "aug", "sep", "sept", "oct", "nov", "dec", "monday",
    "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday", "easter", "christmas", "mot", "pmi",
})
# fmt: on
"""Words written with a capital in the middle of a sentence."""
_DATE = re.compile(r"\d{1,2}/\d{1,2}(/\d{2,4})?|\d{1,2}/\d{4}|\d{1,2}\.\d{1,2}\.\d{2,4}|\d{4}/\d{1,2}/\d{1,2}")
_CLASS_WORDS = frozenset({"class", "cl", "grade"})
_CLASSES = {"1": "i", "2": "ii", "3": "iii"}
_COUNTED = frozenset({PAUSE, "leak", "weep", "seep", "drip"})
"""What stands before a nought that means none: "leaks 0", "leaks: 0"."""
_YEAR = re.compile(r"(19|20)\d\d")


class Token(NamedTuple):
    """A word of the lexicon (or a number or stop) and where it stands: `text[start:end]`."""

    word: str
    start: int
    end: int


def tokenise(text: str, lexicon: Lexicon) -> list[Token]:
    """Cut a text into tokens in the words of the lexicon.

    Case is ignored, but a capital in the middle of lower-case words counts as a pause: sentences are often written in a
    row without stops.
    """
    plain = _SIDE_ASIDE.sub(r" \1 ", _without_unticked(lowered(text)))
    tokens: list[Token] = []
    end_before = 0
    for match in _TOKEN.finditer(plain):
        kind, start, end = match.lastgroup, match.start(), match.end()
        if kind == "word":
            if text[start].isupper() and _starts_sentence(text, start, end, end_before, tokens):
                tokens.append(Token(PAUSE, start, start))
            _add_word(tokens, plain, start, end, lexicon)
        elif kind == "number":
            tokens.append(Token(_number(match.group(), tokens), start, end))
        elif kind == "sign":
            tokens.append(Token({"&": "and", "+": "and", "@": "at"}.get(match.group(), "/"), start, end))
        elif kind == "question":
            tokens.append(Token(_doubt(plain, start, end), start, end))
        elif kind == "pause":
            tokens.append(Token(PAUSE, start, end))
        elif not _is_shortening(plain, tokens, start, end, lexicon.shortened):
            tokens.append(Token(STOP, start, end))
        end_before = end
    return tokens


_TICKED, _UNTICKED = re.compile(r"\[\s*[xy]\s*\]"), re.compile(r"\[\s*\]")
_AFTER_BOX, _BEFORE_BOX = re.compile(r"\[\s*\][^\[\n;|]*"), re.compile(r"[a-z']+\s*\[\s*\]")


def _without_unticked(plain: str) -> str:
    """Blank the answers of a form that were not ticked: "dry [x] weep [ ]", "[x] dry [ ] weep"."""
    if "[" not in plain or not _TICKED.search(plain) or not _UNTICKED.search(plain):
        return plain
    answer = _BEFORE_BOX if plain.rstrip().endswith("]") else _AFTER_BOX
    return answer.sub(lambda found: " " * len(found.group()), plain)


def lowered(text: str) -> str:
    """The text in lower case and plain punctuation, character for character."""
    plain = text.translate(_SAME_LENGTH).lower()
    if len(plain) == len(text):
        return plain
    return "".join(low if len(low := letter.lower()) == 1 else letter for letter in text.translate(_SAME_LENGTH))


def _answers_no(plain: str, start: int, end: int, before: list[Token]) -> bool:
    """Whether a letter n alone after a colon or question mark says no: "leaking: N"."""
    is_alone = plain[start:end] == "n" and plain[end : end + 1] in ("", ".", ",", ";", "\n", "|")
    return is_alone and bool(before) and before[-1].word in (PAUSE, QUESTION, STOP)


def _add_word(tokens: list[Token], plain: str, start: int, end: int, lexicon: Lexicon) -> None:
    """Add the lexicon's words for `plain[start:end]`, or for it and the token right before it where two are one."""
    words = None
    if tokens and start - tokens[-1].end == 1:
        words = lexicon.spellings.get(plain[tokens[-1].start : end].replace("-", " "))
    if words is not None:
        start = tokens.pop().start
    else:
        words = ("no",) if _answers_no(plain, start, end, tokens) else _words(plain[start:end], lexicon)
    tokens += [Token(word, start, end) for word in words]


def _words(spelling: str, lexicon: Lexicon) -> tuple[str, ...]:
    """The lexicon's words for one spelling, dotted or slashed abbreviations included."""
    if "." in spelling:
        spelling = "/".join(spelling.strip(".").split("."))
    known = lexicon.spellings.get(spelling)
    if known is None and "/" in spelling and spelling not in lexicon.phrases:
        return tuple(word for part in spelling.split("/") for word in ("/", *lexicon.words_of(part)) if part)[1:]
    return known or lexicon.words_of(spelling)


def _starts_sentence(text: str, start: int, end: int, end_before: int, tokens: list[Token]) -> bool:
    """Whether a capitalised word follows lower-case words with nothing but spaces between."""
    if (
        end - start < 2
        or text[tokens[-1].start if tokens else 0].isupper()
        or not text[start + 1].islower()
        or end_before < 2
        or tokens[-1].word in _GOES_ON
        or text[start:end].lower() in _NAMES_OF_TIMES
    ):
        return False
    return text[end_before - 2 : end_before].islower() and text[end_before:start].isspace()


def _number(digits: str, before: list[Token]) -> str:
    """Whether digits are a leak class, a date, a year or any other number."""
    if before and before[-1].word in _CLASS_WORDS and digits in _CLASSES:
        return _CLASSES[digits]
    if digits == "0" and before and before[-1].word in _COUNTED:
        return "no"
    if _DATE.fullmatch(digits):
        return DATE
    return YEAR if _YEAR.fullmatch(digits) else NUMBER


def _doubt(plain: str, start: int, end: int) -> str:
    """Whether a question mark opens a guess ("?rocker cover", "? rocker cover") or closes one."""
    before, after = plain[:start].rstrip(" "), plain[end:].lstrip(" ")
    is_first = not before or before[-1] in ".;,:-(\n|"
    opens = after[:1].isalnum() and (is_first or (plain[end].isalnum() and not plain[start - 1].isalnum()))
    return DOUBT if opens else QUESTION


def _goes_on(rest: str) -> bool:
    """Whether a sentence goes on after a full stop."""
    following = rest.lstrip()[:1]
    return following.isalnum() or following in tuple(",;:/-(?&+")


def _is_shortening(plain: str, tokens: list[Token], start: int, end: int, shortened: frozenset[str]) -> bool:
    """Whether a full stop belongs to a shortened word or a number, not to the end of a sentence."""
    if end - start != 1 or plain[start] != "." or not tokens:
        return False
    last = tokens[-1]
    return last.end == start and plain[last.start : last.end] in shortened and _goes_on(plain[end:])
