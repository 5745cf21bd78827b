"""What a home publishes, read in one go."""

from collections.abc import Mapping

import duckdb
import polars as pl

from dashboards.snapshot import PUBLISHED_TABLES
from pipelines.home import Home
from pipelines.publishing import read_published

PUBLISHED = {table: f"FROM {table}" for table in PUBLISHED_TABLES}
"""Every published table, and the query that reads it whole."""


def answers(home: Home, queries: Mapping[str, str]) -> dict[str, pl.DataFrame]:
    """What the current snapshot answers to each query; it is opened once, which takes longer than most questions.

    Raises:
        NothingPublishedError: No run has published yet.
    """
    with duckdb.connect(home.snapshot(), read_only=True):
        return {name: read_published(home, query) for name, query in queries.items()}
