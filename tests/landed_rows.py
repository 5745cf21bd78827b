"""Rows written by hand in a test, as they land."""

from collections.abc import Sequence

import polars as pl

from models.records.landed import LISTED_SCHEMA, LandedRows, laid_out


def landed_rows(cells: Sequence[Sequence[str | None]], *, width: int) -> LandedRows:
    """Number rows from 2 on, below a header of so many columns."""
    listed = pl.DataFrame({"row_number": range(2, len(cells) + 2), "cells": list(map(list, cells))}, LISTED_SCHEMA)
    return laid_out(listed, width=width)
