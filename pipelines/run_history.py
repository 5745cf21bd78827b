"""Dagster's record of a run's events, its SQLite files kept open while the run lasts.

The stock storage opens and closes a file for each of a run's thousand reads and writes of events, and each closing
flushes it to disk: that takes longer than most steps. The files are the same, so `dagster dev` reads them as ever.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa
from dagster._core.storage.event_log.sqlite.sqlite_event_log import SQLITE_BUSY_TIMEOUT_SECONDS, SqliteEventLogStorage
from sqlalchemy.engine import Connection, Engine


class OpenEventLog(SqliteEventLogStorage):
    """Dagster's event log, its files left open."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        self._engines: dict[str, Engine] = {}
        super().__init__(*arguments, **named)

    @classmethod
    def from_config_value(cls, inst_data: Any, config_value: Any) -> "OpenEventLog":
        """Make it as Dagster asks."""
        return cls(inst_data=inst_data, **config_value)

    def dispose(self) -> None:
        """Close every file."""
        super().dispose()
        for engine in self._engines.values():
            engine.dispose()

    @contextmanager
    def _connect(self, shard: str) -> Iterator[Connection]:
        """Hand out the connection to a file, in a transaction."""
        with self._db_lock:
            if shard not in self._engines:
                self._engines[shard] = self._opened(shard)
            with self._engines[shard].begin() as connection:
                yield connection

    def _opened(self, shard: str) -> Engine:
        """Open a file; of what it is told, a power cut can lose the last, and leaves none of it half written."""
        address, patience = self.conn_string_for_shard(shard), {"timeout": SQLITE_BUSY_TIMEOUT_SECONDS}
        self._initdb(sa.create_engine(address, poolclass=sa.NullPool, connect_args=patience))
        engine = sa.create_engine(address, connect_args=patience)
        sa.event.listen(engine, "connect", lambda raw, _: raw.execute("PRAGMA synchronous = NORMAL"))
        return engine
