"""Texts with the words marked that were read as statements about a leak."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from dashboards.wording import COMPONENT_WORDS, POLARITY_WORDS

OPENS, CLOSES = "«", "»"
"""Around marked words where a text has no other marks than its characters."""


@dataclass(frozen=True)
class Piece:
    """A stretch of a note; `polarity` names the mark it carries, empty for none."""

    text: str
    polarity: str = ""
    meaning: str = ""


def marked_pieces(text: str, statements: Iterable[dict[str, Any]]) -> tuple[Piece, ...]:
    """Cut a text at its statements' spans, so that exactly the words that decided are marked.

    A statement whose words are not found where its span says is put behind the text, in its own words, and nothing in
    the text is marked for it. Where spans overlap, the one that starts first is marked.
    """
    pieces, strays, at = [], [], 0
    for statement in sorted(statements, key=lambda each: (each["span_start"], each["span_end"])):
        start, end = statement["span_start"], statement["span_end"]
        piece = Piece(statement["span_text"], statement["polarity"], _meaning(statement))
        if text[start:end] != statement["span_text"]:
            strays.append(piece)
        elif start >= at and piece.text:
            pieces += [Piece(text[at:start]), piece]
            at = end
    pieces.append(Piece(text[at:]))
    return tuple(piece for piece in (*pieces, *strays) if piece.text)


def marked_text(pieces: Iterable[Piece]) -> str:
    """The pieces as one text, with marks around the words that were read."""
    return "".join(f"{OPENS}{piece.text}{CLOSES}" if piece.polarity else piece.text for piece in pieces)


def _meaning(statement: dict[str, Any]) -> str:
    """What a marked stretch was read as."""
    leak_class = f", class {statement['leak_class']}" if statement["leak_class"] else ""
    return f"{COMPONENT_WORDS[statement['component']]}: {POLARITY_WORDS[statement['polarity']]}{leak_class}"
