"""Text files, packed or not: their encoding, and their lines in bounded memory."""

import gzip
import io
import math
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from models.errors import UnreadableFileError
from models.records.canonical import NUL_SIGN
from pipelines.sources.maps import SourceMap

MAX_LINE_CHARACTERS = 16_000_000
"""A longer line is no line of a table (a table of 10,000 columns of 1,000 characters is shorter)."""
MAX_GZIP_RATIO = 100
"""Tables of text pack five- to thirtyfold (common practice); gzip ends at about 1,000-fold, which only a bomb nears."""
ALWAYS_UNPACKED = 4_000_000
"""Characters that cost little, however well they pack."""
UTF_8_MARK = b"\xef\xbb\xbf"
_BYTE_ORDER_MARKS = {UTF_8_MARK: "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}


def open_bytes(path: Path) -> IO[bytes]:
    """Open a file, unpacked where it is gzipped."""
    return gzip.open(path, "rb") if _is_packed(path) else path.open("rb")  # type: ignore[return-value]


def _is_packed(path: Path) -> bool:
    return path.suffix.lower() == ".gz"


def encoding_of(path: Path, declared: str | None) -> str:
    """Return a text file's encoding: by its byte order mark, or else the declared one, or else UTF-8.

    Raises:
        UnreadableFileError: It holds NUL bytes at its start, as UTF-16 without a byte order mark does.
    """
    with open_bytes(path) as raw:
        start = raw.read(4_096)
    marked = next((name for mark, name in _BYTE_ORDER_MARKS.items() if start.startswith(mark)), None)
    if declared is None and marked is None and start.count(b"\0") > len(start) // 4:
        remedy = "If it is UTF-16, set encoding to utf-16-le or utf-16-be in its source map."
        raise UnreadableFileError(path, "holds NUL bytes and is no plain text", remedy)
    return marked or declared or "utf-8"


def lines_in(path: Path, source_map: SourceMap) -> Iterator[str]:
    """Yield a file's lines, as `lines_of` does."""
    encoding = encoding_of(path, source_map.encoding)
    with open_bytes(path) as raw:
        yield from lines_of(raw, path, encoding)


def lines_of(raw: IO[bytes], path: Path, encoding: str) -> Iterator[str]:
    """Yield lines of bounded length; a NUL becomes a visible sign."""
    most = most_unpacked(path)
    with io.TextIOWrapper(raw, encoding=encoding, errors="replace", newline="") as text:
        characters = 0
        while line := text.readline(MAX_LINE_CHARACTERS):
            characters += len(line)
            if characters > most:
                raise packed_too_much(path)
            if len(line) >= MAX_LINE_CHARACTERS and not line.endswith(("\n", "\r")):
                raise line_too_long(path)
            yield line.replace("\0", NUL_SIGN) if "\0" in line else line


def line_too_long(path: Path) -> UnreadableFileError:
    """The error for a file with an endless line."""
    remedy = "Check that it is a table of text."
    return UnreadableFileError(path, f"has a line of over {MAX_LINE_CHARACTERS:,} characters", remedy)


def most_unpacked(path: Path) -> float:
    """Return how much text a file may hold."""
    return max(ALWAYS_UNPACKED, MAX_GZIP_RATIO * path.stat().st_size) if _is_packed(path) else math.inf


def packed_too_much(path: Path) -> UnreadableFileError:
    """The error for a file that unpacks to more than `most_unpacked`."""
    return UnreadableFileError(path, f"unpacks to over {MAX_GZIP_RATIO} times its size", "Check what made it.")
