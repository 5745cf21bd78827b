"""Words to statements: what each note says of the cover joint, of other leaks, and how sure the reading is."""

from collections.abc import Iterator, Sequence

import polars as pl

from models.notes.added import NOTHING_ADDED, AddedLexicon
from models.notes.binding import bind
from models.notes.deciding import Reading, Statement, decide
from models.notes.hot_parts import mark_hot_parts
from models.notes.lexicon import Lexicon, lexicons
from models.notes.scope import mark_scopes
from models.notes.settling import settle
from models.notes.terms import find_terms
from models.notes.tokens import tokenise

COLUMNS: dict[str, pl.DataType] = {
    "component": pl.String(),
    "polarity": pl.String(),
    "position": pl.String(),
    "location": pl.String(),
    "leak_class": pl.String(),
    "symptoms": pl.String(),
    "hot_part": pl.String(),
    "span_start": pl.Int64(),
    "span_end": pl.Int64(),
    "span_text": pl.String(),
    "confidence": pl.Float64(),
}
"""Columns of a statement as `read_notes` returns them, after `text_index`."""

NOTHING_SAID = 0.9
"""Confidence that a text without any statement says nothing of a leak."""


LONGEST_PIECE = 4_000
"""Characters read at once; nobody writes so long a sentence, and reading takes more than twice as long for twice as
many."""


def read_text(text: str, words: Lexicon) -> list[Statement]:
    """The statements of one text, in its order; one of component `none` where it says nothing of a leak."""
    statements = [said for start, piece in _pieces(text) for said in _moved(_read_piece(piece, words), start)]
    return statements or [Statement("none", "uncertain", 0, 0, confidence=NOTHING_SAID)]


def _pieces(text: str) -> Iterator[tuple[int, str]]:
    """Cut a very long text after stops, each piece with its place."""
    start = 0
    while len(text) - start > LONGEST_PIECE:
        stops = [text.rfind(stop, start, start + LONGEST_PIECE) for stop in (". ", "\n", ";", " ")]
        end = next((stop + 1 for stop in stops if stop > start), start + LONGEST_PIECE)
        yield start, text[start:end]
        start = end
    yield start, text[start:]


def _moved(statements: list[Statement], by: int) -> list[Statement]:
    """Statements of a piece at their place in the whole text."""
    for said in statements:
        said.start, said.end = said.start + by, said.end + by
    return statements


def _read_piece(text: str, words: Lexicon) -> list[Statement]:
    """The statements of a text of ordinary length."""
    tokens = tokenise(text, words)
    terms = settle(find_terms(tokens, words), tokens, text)
    mark_scopes(terms, tokens, words.plain_words)
    statements = decide(Reading(text, tokens, terms), bind(terms))
    mark_hot_parts(statements, text, tokens, terms)
    return statements


def read_notes(texts: pl.Series | Sequence[str], *, added: AddedLexicon = NOTHING_ADDED) -> pl.DataFrame:
    """Read notes into statements.

    Args:
        texts: Notes or complaints, in any case and spelling; a null counts as empty.
        added: Words and rules beside those of the package.

    Returns:
        One row per statement, in the order of the texts and of their words; at least one per text. Columns
        `text_index` (UInt32, place of the text in `texts`), `component` (cover_gasket, plug_tube_seal,
        other_oil_leak, other_fluid, none), `polarity` (present, absent, resolved, uncertain), `position` (side words:
        left, right, both or ''), `location` (where on the cover, or place of another leak), `leak_class` (I, II, III
        or null), `symptoms` (';' between them), `hot_part` (part of the exhaust the oil is on or near, or
        ''), `span_start` and `span_end` (characters of the original text), `span_text` (those characters),
        `confidence` (0 to 1). Repeated texts are read once.
    """
    series = texts if isinstance(texts, pl.Series) else pl.Series(list(texts), dtype=pl.String)
    rows = pl.DataFrame({"text": series.cast(pl.String).fill_null("")}).with_row_index("text_index")
    distinct = rows["text"].unique(maintain_order=True)
    words = lexicons(added).notes
    read = [
        (text, number, *_row(text, said)) for text in distinct for number, said in enumerate(read_text(text, words))
    ]
    schema = {"text": pl.String(), "number": pl.UInt32(), **COLUMNS}
    statements = pl.DataFrame(read, schema=schema, orient="row")
    joined = rows.join(statements, on="text", how="inner").sort("text_index", "number")
    return joined.select("text_index", *COLUMNS)


def _row(text: str, said: Statement) -> tuple[object, ...]:
    """A statement as a row of `COLUMNS`."""
    return (
        said.component,
        said.polarity,
        said.position,
        said.location,
        said.leak_class,
        ";".join(said.symptoms),
        said.hot_part,
        said.start,
        said.end,
        text[said.start : said.end],
        said.confidence,
    )
