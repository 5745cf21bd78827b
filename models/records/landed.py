"""Rows as they landed: text, a column for each place of their file's header.

A row with another number of cells than the header is none of its table's rows; it is kept as a list of its cells.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

import polars as pl

LISTED_SCHEMA = {"row_number": pl.Int64(), "cells": pl.List(pl.String())}


def _no_whole_rows() -> pl.DataFrame:
    return pl.DataFrame(schema={"row_number": pl.Int64()})


def _no_ragged_rows() -> pl.DataFrame:
    return pl.DataFrame(schema=LISTED_SCHEMA)


@dataclass(frozen=True)
class LandedRows:
    """Some rows of one file.

    Args:
        whole: `row_number` (Int64) and, as text, the cells at each place of the header in columns called "0", "1" and
            so on; a place where none of the rows holds anything may have no column.
        ragged: `row_number` (Int64) and `cells` (List of String) of rows with another number of cells.
    """

    whole: pl.DataFrame = field(default_factory=_no_whole_rows)
    ragged: pl.DataFrame = field(default_factory=_no_ragged_rows)

    @property
    def height(self) -> int:
        """The number of rows."""
        return self.whole.height + self.ragged.height

    def only(self, row_numbers: pl.Series) -> "LandedRows":
        """Return the rows of these numbers."""
        chosen = pl.col("row_number").is_in(row_numbers.implode())
        return LandedRows(self.whole.filter(chosen), self.ragged.filter(chosen))

    def listed(self, *, width: int) -> pl.DataFrame:
        """Return `row_number` and `cells` (List of String) of every row, in the order of their numbers.

        Args:
            width: Columns of the header.
        """
        if not width:
            return self.ragged
        places = [
            pl.col(place) if place in self.whole.columns else pl.lit(None, pl.String)
            for place in map(str, range(width))
        ]
        whole = self.whole.select("row_number", cells=pl.concat_list(places))
        return pl.concat([whole, self.ragged]).sort("row_number")


def laid_out(listed: pl.DataFrame, *, width: int) -> LandedRows:
    """Lay rows out by place.

    Args:
        listed: `row_number` and `cells` (List of String).
        width: Columns of the header.
    """
    is_whole = (pl.col("cells").list.len() == width).fill_null(False)
    places = {str(place): pl.col("cells").list.get(place) for place in range(width)}
    whole = listed.filter(is_whole).select("row_number", **places)
    return LandedRows(whole, listed.filter(~is_whole))


def joined(parts: Iterable[LandedRows]) -> LandedRows:
    """Put rows of one file, or of files with the same header, below each other."""
    every = [LandedRows(), *parts]
    return LandedRows(
        pl.concat([rows.whole for rows in every], how="diagonal"),
        pl.concat([rows.ragged for rows in every], how="diagonal"),
    )
