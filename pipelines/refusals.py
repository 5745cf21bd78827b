"""Say in plain words what the operating system refused: room on the disk, the right to write, a sound file."""

import errno
import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from models.errors import ReleakError

LEAST_FREE_BYTES = 4 << 20
"""Less than this is a full disk: DuckDB grows its file by blocks of 256 KiB."""
NO_RIGHT = ("you have no right to it", "Have it granted")
REFUSALS = {
    errno.ENOSPC: ("the disk is full", "Free some space"),
    errno.EDQUOT: ("your share of the disk is used up", "Free some space"),
    errno.EFBIG: ("it may not grow further", "Have the limit on the size of files raised"),
    errno.EROFS: ("it lies on a disk that can only be read", "Have the disk mounted for writing"),
    errno.EIO: ("the disk did not take or give what it should", "Have it looked at"),
    errno.EACCES: NO_RIGHT,
    errno.EPERM: NO_RIGHT,
}
"""Error number to what is wrong, and what to do."""
SQLITE_REFUSALS = {
    "database or disk is full": errno.ENOSPC,
    "attempt to write a readonly database": errno.EROFS,
    "unable to open database file": errno.EACCES,
}
"""SQLite, in which Dagster keeps its records, has words of its own and names no file."""
QUOTED_PATH = re.compile(r'"(/[^"]+)"')


def refusal(error: BaseException, where: Path | None = None) -> ReleakError | None:
    """Find among the causes of an error one by which the operating system refused something.

    Args:
        error: Whatever was raised; DuckDB and SQLite have their own errors for what the system refuses them.
        where: The folder or file that was worked on, to be named where the error names none.

    Returns:
        One plain sentence that names the file and the remedy, as an error to raise; None where nothing was refused.
    """
    import duckdb

    kinds = (OSError, sqlite3.OperationalError, duckdb.OperationalError, duckdb.FatalException)
    for link in causes(error):
        if isinstance(link, kinds) and (number := _number(link) or _full(where)):
            what, remedy = REFUSALS[number]
            return ReleakError(
                f"{_file(link) or where or 'A file'}: {what}. {remedy} and try again; what is published keeps serving."
            )
    for link in _raised_from(error):
        if isinstance(link, OSError | duckdb.IOException | sqlite3.OperationalError):
            what = " ".join(str(getattr(link, "strerror", None) or link).split())
            return ReleakError(f"{_file(link) or where or 'A file'}: {what}. Check the path, the disk and your rights.")
    return None


def causes(error: BaseException) -> Iterator[BaseException]:
    """An error and all that led to it or was being dealt with, each once, the last to be raised first."""
    waiting, seen = [error], set[int]()
    while waiting:
        link = waiting.pop(0)
        if id(link) not in seen:
            seen.add(id(link))
            yield link
            waiting += [cause for cause in (link.__cause__, link.__context__) if cause is not None]


def _raised_from(error: BaseException) -> Iterator[BaseException]:
    """An error and what it was raised from, in so many words."""
    link: BaseException | None = error
    while link is not None:
        yield link
        link = link.__cause__


def _number(error: BaseException) -> int | None:
    """The number of the refusal that an error stands for, if it is one we know."""
    if isinstance(error, OSError):
        return error.errno if error.errno in REFUSALS else None
    by_words = {os.strerror(number): number for number in REFUSALS} | SQLITE_REFUSALS
    return next((number for words, number in by_words.items() if words in str(error)), None)


def _full(where: Path | None) -> int | None:
    """That the disk is full, where it is: some errors tell only that a file could not be written."""
    if where is None:
        return None
    disk = next(folder for folder in (where, *where.parents) if folder.exists())
    return errno.ENOSPC if shutil.disk_usage(disk).free < LEAST_FREE_BYTES else None


def _file(error: BaseException) -> str | None:
    """The file that an error names; of two, the one that was to be written."""
    if isinstance(error, OSError):
        named = error.filename2 or error.filename
        return os.fsdecode(named) if isinstance(named, str | bytes) else None
    found = QUOTED_PATH.search(str(error))
    return found[1] if found else None
