"""Pieces of delimited text that leave no doubt, read at once by Polars.

Whatever is unusual in a piece (a ragged or blank row, a quotation mark out of place, bytes that are no text) is left to
the reader that goes row by row. Both give the same rows; a property test holds them to it.
"""

import re
from collections.abc import Iterator
from typing import IO

import numpy as np
import polars as pl

PIECE_BYTES = 4 << 20
ASCII_ENCODINGS = ("utf-8", "cp1252", "iso8859-1", "iso8859-15", "ascii")
"""Encodings in which delimiters, quotation marks and line ends are one byte that means nothing else."""


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


def without_quoted(piece: bytes, delimiter: str) -> bytes:
    """Take out each quoted cell that fills its cell whole; a quotation mark that remains is out of place."""
    if b'"' not in piece:
        return piece
    mark = re.escape(delimiter.encode())
    quoted = rb'"[^"]*+(?:""[^"]*+)*+"'
    return re.sub(rb"(?:(?<=[\n" + mark + rb"])|\A)" + quoted + rb"(?=\r?\n|" + mark + rb")", b"", piece)


def text_columns(piece: bytes, bare: bytes, *, delimiter: str, width: int, encoding: str) -> pl.DataFrame | None:
    """Read a piece as text columns; None where anything in it is unusual.

    Args:
        piece: Whole rows.
        bare: The same without its quoted cells.
        delimiter: One ASCII character.
        width: Cells of the header.
        encoding: One of `ASCII_ENCODINGS`.
    """
    if b"\0" in piece or bare.count(b"\r\n") != piece.count(b"\r") or not _is_even(bare, delimiter, width):
        return None
    try:
        text = piece if encoding == "utf-8" else piece.decode(encoding).encode()
        return pl.read_csv(
            text.replace(b"\r\n", b"\n"),
            has_header=False,
            new_columns=[str(place) for place in range(width)],
            separator=delimiter,
            infer_schema=False,
            empty_string_is_null=False,
        )
    except (UnicodeError, pl.exceptions.PolarsError):
        return None


def _is_even(bare: bytes, delimiter: str, width: int) -> bool:
    """Say whether each line holds as many delimiters as the header."""
    text = np.frombuffer(bare, np.uint8)
    line_ends = np.flatnonzero(text == ord("\n"))
    found = np.flatnonzero(text == ord(delimiter))
    if len(found) != len(line_ends) * (width - 1):
        return False
    return bool((np.diff(np.searchsorted(found, line_ends), prepend=0) == width - 1).all())
