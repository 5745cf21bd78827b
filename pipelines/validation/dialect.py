"""A read-only SQLAlchemy dialect through which Great Expectations can query DuckDB.

With the stock dialect Great Expectations closes a connection before it fetches, and the rollback that follows drops
DuckDB's pending result. Nothing is written through this one, so there is nothing to commit or roll back.
"""

import duckdb
import duckdb_engine
from sqlalchemy.dialects import registry

from pipelines.warehouse import CONFIG

NAME = "duckdb_readonly"


class ReadOnlyDialect(duckdb_engine.Dialect):
    """DuckDB in one transaction a connection, which can only read."""

    supports_statement_cache = False

    def connect(self, database: str, **_: object) -> duckdb_engine.ConnectionWrapper:
        """Open the file as the run has it open: DuckDB lets a process open a file in one way only."""
        connection = duckdb.connect(database, config=CONFIG)
        connection.execute("BEGIN TRANSACTION READ ONLY")
        return duckdb_engine.ConnectionWrapper(connection)

    def do_begin(self, connection: object) -> None:
        """Begin nothing."""

    def do_commit(self, connection: object) -> None:
        """Commit nothing."""

    def do_rollback(self, connection: object) -> None:
        """Keep the pending result."""


def register() -> None:
    """Make `duckdb_readonly://` known to SQLAlchemy."""
    registry.register(NAME, __name__, ReadOnlyDialect.__name__)
