"""The folder a fleet's Releak lives in, and the lock that keeps two runs out of it at once."""

import fcntl
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from models.errors import NothingPublishedError, ReleakError, WarehouseBusyError

LEXICON = "lexicon.toml"
"""The file of added words, beside the settings."""


@dataclass(frozen=True)
class Home:
    """Where everything of one fleet stands.

    Args:
        path: The home folder.
        sources: The file with the source maps; `sources.toml` in the home unless another is named.
    """

    path: Path
    sources: Path | None = None

    @property
    def inbox(self) -> Path:
        """Exports wait here; nothing is ever moved or deleted."""
        return self.path / "inbox"

    @property
    def warehouse(self) -> Path:
        """The working DuckDB file; only a run opens it."""
        return self.path / "warehouse" / "releak.duckdb"

    @property
    def published(self) -> Path:
        """Snapshots, and the pointer to the current one."""
        return self.path / "published"

    @property
    def pointer(self) -> Path:
        """A link to the current snapshot, replaced in one step."""
        return self.published / "releak.duckdb"

    @property
    def report(self) -> Path:
        """The pages."""
        return self.path / "report"

    @property
    def settings_file(self) -> Path:
        """The thresholds a person changed."""
        return self.path / "settings.toml"

    @property
    def lexicon_file(self) -> Path:
        """The words a person added."""
        return self.path / LEXICON

    @property
    def sources_file(self) -> Path:
        """The source maps."""
        return self.sources or self.path / "sources.toml"

    @property
    def dagster(self) -> Path:
        """Dagster's own records of the runs."""
        return self.path / "warehouse" / "dagster"

    def prepare(self) -> None:
        """Make the folders, and see that a run may read and write what it will come to only at its end.

        Raises:
            ReleakError: The home cannot be written, or the inbox not read.
        """
        written = (self.path, self.warehouse.parent, self.published, self.dagster)
        try:
            for folder in (self.inbox, *written):
                folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _no_home(error.filename or self.path, error.strerror) from error
        if not os.access(self.inbox, os.R_OK | os.X_OK):
            raise ReleakError(f"{self.inbox} cannot be read. Grant the right to read it to whoever runs Releak.")
        for path in (*written, self.warehouse):
            if path.exists() and not os.access(path, os.W_OK):
                raise _no_home(path, "it cannot be written to")

    def snapshot(self) -> Path:
        """Return the file of the current snapshot, the link resolved so that a new one cannot swap it underfoot.

        Raises:
            NothingPublishedError: No run has published yet.
        """
        if not self.pointer.exists():
            raise NothingPublishedError(
                f"{self.path} has no published snapshot. Put exports into {self.inbox} and start 'releak run --home "
                f"{self.path}'."
            )
        return self.pointer.resolve()

    def check_free(self) -> None:
        """Find out early whether a run could start, before anything slow is loaded.

        Raises:
            ReleakError: The home cannot be written, or another process holds it.
        """
        with self.writing():
            pass

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the home for writing; the operating system lets go when the process ends, however it ends.

        Raises:
            WarehouseBusyError: Another process holds it.
        """
        self.prepare()
        with (self.warehouse.parent / "run.lock").open("a+", encoding="utf-8") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                raise WarehouseBusyError(_busy_message(self.path, lock.name)) from error
            with suppress(OSError):  # on a full disk a run goes as far as it gets, unnamed
                _say_who(lock.fileno())
            yield


def _say_who(lock: int) -> None:
    """Write into an open file who holds the home."""
    who = {"pid": os.getpid(), "since": datetime.now(UTC).isoformat(timespec="seconds")}
    os.truncate(lock, 0)
    os.write(lock, json.dumps(who).encode())


def _no_home(path: object, fault: str | None) -> ReleakError:
    """Say why a folder is not fit for a home."""
    return ReleakError(f"{path}: {fault}. Choose a home you may write, with --home DIR.")


def _busy_message(home: Path, lock_file: str) -> str:
    """Say who holds the home."""
    try:
        holder = json.loads(Path(lock_file).read_text(encoding="utf-8"))
        who = f"process {holder['pid']} has been writing since {holder['since']}"
    except (ValueError, KeyError):
        who = "another process is writing"
    return f"{home}: {who}. Wait until it ends; the last published snapshot can be read meanwhile."
