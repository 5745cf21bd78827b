"""Tables as a page lays them out: words already, each cell with its column's heading."""

from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Column:
    """A column of a page's table.

    Args:
        heading: What it holds, with its unit.
        shape: `number` is set to the right, figures under each other; `code` is never broken.
    """

    heading: str
    shape: str = ""


@dataclass(frozen=True)
class Brief:
    """A cell that says the first thing and opens to say the rest.

    Args:
        first: Always shown.
        rest: Shown when opened, and in print.
    """

    first: str
    rest: str


@dataclass(frozen=True)
class Link:
    """A cell that leads to another page.

    Args:
        words: What it shows.
        href: The page; without one the words stand alone.
    """

    words: str
    href: str = ""


@dataclass(frozen=True)
class Row:
    """A row of a page's table.

    Args:
        cells: Words, one a column; the first names the row.
        keys: What the page's selects can pick it by: select name to value.
        is_marked: Set apart: it needs somebody's eye.
    """

    cells: tuple[str | Brief | Link, ...]
    keys: dict[str, str] = field(default_factory=dict)
    is_marked: bool = False


@dataclass(frozen=True)
class Table:
    """A table with its caption, and the sentence that stands in its place when it is empty.

    Args:
        caption: What a row is.
        columns: In order.
        rows: As many as the page shows.
        empty: Said when there is no row.
        row_count: How many rows there are in all; more than shown sends the reader to the CSV.
        csv: Name of the published table that holds them all.
    """

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    empty: str = "Nothing to show."
    row_count: int = 0
    csv: str = ""

    @property
    def is_cut(self) -> bool:
        """Whether there are more rows than the page shows."""
        return self.row_count > len(self.rows)


def columns(*headings: str, numbers: Sequence[str] = (), codes: Sequence[str] = ()) -> tuple[Column, ...]:
    """Columns from their headings; those in `numbers` hold figures, those in `codes` names that must not be broken."""
    shapes = dict.fromkeys(numbers, "number") | dict.fromkeys(codes, "code")
    return tuple(Column(heading, shapes.get(heading, "")) for heading in headings)
