"""Tables as a page lays them out: words already, each cell with its column's heading."""

from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Column:
    """A column of a page's table.

    Args:
        heading: What it holds, with its unit.
        is_number: Set to the right, figures under each other.
    """

    heading: str
    is_number: bool = False


@dataclass(frozen=True)
class Row:
    """A row of a page's table.

    Args:
        cells: Words, one a column; the first names the row.
        keys: What the page's selects can pick it by: select name to value.
        is_marked: Set apart: it needs somebody's eye.
    """

    cells: tuple[str, ...]
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


def columns(*headings: str, numbers: Sequence[str] = ()) -> tuple[Column, ...]:
    """Columns from their headings; those in `numbers` hold figures."""
    return tuple(Column(heading, heading in numbers) for heading in headings)
