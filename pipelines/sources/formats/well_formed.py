"""Pieces of delimited text that leave no doubt, read at once by Polars.

Whatever is unusual in a piece (a ragged or blank row, a quotation mark out of place, bytes that are no text) is left to
the reader that goes row by row. Both give the same rows; a property test holds them to it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO

import numpy as np
import numpy.typing as npt
import polars as pl

PIECE_BYTES = 4 << 20
ASCII_ENCODINGS = ("utf-8", "cp1252", "iso8859-1", "iso8859-15", "ascii")
"""Encodings in which delimiters, quotation marks and line ends are one byte that means nothing else."""
_QUOTE, _LINE_FEED, _RETURN = b'"\n\r'


def pieces(raw: IO[bytes]) -> Iterator[bytes]:
    """Cut text into pieces that end where a row does, as long as quotation marks come in pairs.

    Text after the last line end, and rows too long for a piece with all that was read of them, come last.
    """
    rest = b""
    while len(rest) <= PIECE_BYTES and (more := raw.read(PIECE_BYTES)):
        whole = rest + more
        cut = _end_of_a_row(whole)
        if cut:
            yield whole[:cut]
        rest = whole[cut:]
    if rest:
        yield rest


def _end_of_a_row(text: bytes) -> int:
    """Return the place after the last line end with an even number of quotation marks before it; 0 where none is."""
    cut = text.rfind(b"\n") + 1
    marks = text.count(b'"', 0, cut)
    while cut and marks % 2:
        last = text.rfind(b"\n", 0, cut - 1) + 1
        marks -= text.count(b'"', last, cut)
        cut = last
    return cut


@dataclass(frozen=True)
class Outline:
    """Where text is divided, outside quoted cells.

    Args:
        delimiters: Places of delimiters.
        line_ends: Places of line feeds.
        returns: How many carriage returns there are.
        returns_before_line_ends: How many of them stand right before a line feed.
    """

    delimiters: npt.NDArray[np.intp]
    line_ends: npt.NDArray[np.intp]
    returns: int
    returns_before_line_ends: int


def outline(piece: bytes, delimiter: str) -> Outline | None:
    """Find where text is divided; None where a quoted cell does not fill its cell whole, or does not end."""
    text = np.frombuffer(piece, np.uint8)
    marks = np.flatnonzero((text == _QUOTE) | (text == ord(delimiter)) | (text == _LINE_FEED) | (text == _RETURN))
    kinds = text[marks]
    is_quote = kinds == _QUOTE
    if is_quote.any():
        if not _are_in_place(text, marks[is_quote], ord(delimiter)):
            return None
        is_outside = (np.cumsum(is_quote, dtype=np.uint8) % 2 == 0) & ~is_quote  # overflow keeps even even
        marks, kinds = marks[is_outside], kinds[is_outside]
    line_ends = marks[kinds == _LINE_FEED]
    return Outline(
        delimiters=marks[kinds == ord(delimiter)],
        line_ends=line_ends,
        returns=int((kinds == _RETURN).sum()),
        returns_before_line_ends=int((text[line_ends[line_ends > 0] - 1] == _RETURN).sum()),
    )


def _are_in_place(text: npt.NDArray[np.uint8], quotes: npt.NDArray[np.intp], delimiter: int) -> bool:
    """Say whether quotation marks open at the start of a cell, close at its end, and are doubled in between."""
    if len(quotes) % 2 or quotes[-1] + 1 == len(text):
        return False
    opening, closing = quotes[::2], quotes[1::2]
    before = text[opening - 1]
    before[opening == 0] = _LINE_FEED
    after = text[closing + 1]
    ends_line = text[np.minimum(closing + 2, len(text) - 1)] == _LINE_FEED
    opens = (before == delimiter) | (before == _LINE_FEED) | (before == _QUOTE)
    closes = (after == delimiter) | (after == _LINE_FEED) | (after == _QUOTE) | ((after == _RETURN) & ends_line)
    return bool(opens.all() and closes.all())


def text_columns(piece: bytes, divided: Outline, *, delimiter: str, width: int, encoding: str) -> pl.DataFrame | None:
    """Read a piece as text columns; None where anything in it is unusual.

    Args:
        piece: Whole rows.
        divided: Its outline.
        delimiter: One ASCII character.
        width: Cells of the header.
        encoding: One of `ASCII_ENCODINGS`.
    """
    is_plain = b"\0" not in piece and divided.returns_before_line_ends == piece.count(b"\r")
    if not is_plain or not _is_even(divided, width):
        return None
    try:
        text = piece if encoding == "utf-8" or piece.isascii() else piece.decode(encoding).encode()
        return pl.read_csv(
            text.replace(b"\r\n", b"\n") if divided.returns_before_line_ends else text,
            has_header=False,
            new_columns=[str(place) for place in range(width)],
            separator=delimiter,
            infer_schema=False,
            empty_string_is_null=False,
        )
    except (UnicodeError, pl.exceptions.PolarsError):
        return None


def _is_even(divided: Outline, width: int) -> bool:
    """Say whether each line holds as many delimiters as the header."""
    found, line_ends = divided.delimiters, divided.line_ends
    if len(found) != len(line_ends) * (width - 1):
        return False
    return bool((np.diff(np.searchsorted(found, line_ends), prepend=0) == width - 1).all())
