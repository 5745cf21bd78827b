"""Lines of JSON objects that name the same things in the same order, read at once by Polars.

Whatever is unusual in a line (another order of names, a nested value, an escaped character beyond the plain ones) is
left to the reader that goes line by line. Both give the same cells; a property test holds them to it.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

MAX_NAMES = 60
"""Lines of longer objects are read one by one: their pattern would grow past what a search engine holds."""
_NAMES_PER_STEP = 5
"""So many values at a time; beyond about eight the search engine falls back to a method tenfold slower (measured)."""

_BLANKS = r"[ \t]*"
_PLAIN = r'[^"\\\x00-\x1f]'
_ESCAPES = {r"\"": '"', r"\\": "\\", r"\/": "/", r"\b": "\b", r"\f": "\f", r"\n": "\n", r"\r": "\r", r"\t": "\t"}
_TEXT = rf'"((?:{_PLAIN}|\\["\\/bfnrt])*)"'
_NUMBER = r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?"
_VALUE = f"(?:{_TEXT}|({_NUMBER}|true|false)|null)"
"""The grammar of RFC 8259 without `\\u`, arrays and objects."""
_COMMA = f"{_BLANKS},{_BLANKS}"
_END = rf"{_BLANKS}\}}{_BLANKS}$"
_NOT_AS_WRITTEN = re.compile(r'["\\\x00-\x1f]')


@dataclass(frozen=True)
class Layout:
    """The order in which some lines name their values."""

    names: tuple[str, ...]

    def fits(self, lines: pl.Series) -> pl.Series:
        """Say of each line whether it is an object of this layout and of plain values."""
        return lines.str.contains(f"^{_COMMA.join(self._pairs())}{_END}")

    def cells(self, lines: pl.Series) -> pl.DataFrame:
        """Return the values of lines that fit as text, numbers as written; null where a value is null.

        Returns:
            A column per name, called "0", "1" and so on.
        """
        columns: list[pl.Series] = []
        rest = lines
        for step in self._steps():
            found = rest.str.extract_groups(step).struct.unnest()
            groups = found.get_columns()
            rest = groups.pop() if len(groups) % 2 else rest
            columns += [_value(text, literal) for text, literal in zip(groups[::2], groups[1::2], strict=True)]
        return pl.DataFrame([column.alias(str(place)) for place, column in enumerate(columns)])

    def _pairs(self) -> list[str]:
        """Return a pattern for each name with its value, the first with what opens the object."""
        pairs = [f'"{pl.escape_regex(name)}"{_BLANKS}:{_BLANKS}{_VALUE}' for name in self.names]
        return [rf"{_BLANKS}\{{{_BLANKS}{pairs[0]}", *pairs[1:]]

    def _steps(self) -> Iterator[str]:
        """Yield patterns that follow each other, all but the last with what is left of the line as its last group."""
        pairs = self._pairs()
        for first in range(0, len(pairs), _NAMES_PER_STEP):
            step = _COMMA.join(pairs[first : first + _NAMES_PER_STEP])
            is_last = first + _NAMES_PER_STEP >= len(pairs)
            yield f"^{step}{_END if is_last else f'{_COMMA}(.*)$'}"


def layout_of(row: dict[str, Any]) -> Layout | None:
    """Return the layout of a parsed line; None where none can be told."""
    names = tuple(row)
    if not 0 < len(names) <= MAX_NAMES or any(_NOT_AS_WRITTEN.search(name) for name in names):
        return None
    return Layout(names)


def flat(row: dict[str, Any]) -> dict[str, Any]:
    """Name what stands in an inner object by its path, like meter.value; an object stays whole where that is taken.

    Raises:
        RecursionError: Objects nest more deeply than the interpreter goes.
    """
    found = {name: value for name, value in row.items() if not (value and isinstance(value, dict))}
    for name, value in row.items():
        if name not in found:
            inner = {f"{name}.{part}": cell for part, cell in flat(value).items()}
            found |= {name: value} if (found.keys() | row.keys()) & inner.keys() else inner
    return found


def unlike(lines: pl.Series, layouts: Sequence[Layout]) -> pl.Series:
    """Return the lines that fit no layout."""
    for layout in layouts:
        lines = lines.filter(~layout.fits(lines))
    return lines


def _value(text: pl.Series, literal: pl.Series) -> pl.Series:
    """Take the text, its escaped characters as they are meant, or else the number or word."""
    if text.str.contains("\\", literal=True).any():
        text = text.str.replace_many(list(_ESCAPES), list(_ESCAPES.values()))
    return text.zip_with(text.is_not_null(), literal)
