"""Every error a person can meet, in one family.

    ReleakError                 something the person can act on; exit code 1
    ├── UsageError              the words of the command were off; exit code 2
    ├── UnreadableFileError     a file that cannot be opened or is not what its name says
    ├── SourceMapError          a source map with a wrong key or value
    ├── SettingsError           a settings file with a wrong key or value
    ├── WarehouseBusyError      another run is writing
    ├── NothingPublishedError   there is no snapshot to read yet
    └── CheckFailedError        a blocking check failed; the last snapshot keeps serving

Each is raised where the fact is known. Its message is one plain sentence that names the file, the row or the key,
what was found, and what to do about it.
"""

from pathlib import Path


class ReleakError(Exception):
    """Something went wrong that the person at the command can act on."""

    exit_code = 1


class UsageError(ReleakError):
    """The words of the command were off."""

    exit_code = 2


class UnreadableFileError(ReleakError):
    """A file cannot be opened, or is not what its name says.

    Args:
        file: The file as the person named it.
        fault: What is wrong with it, as a clause: "is empty", "is not a workbook".
        remedy: What to do, as a sentence.
    """

    def __init__(self, file: Path | str, fault: str, remedy: str) -> None:
        super().__init__(f"{file} {fault}. {remedy}")
        self.file, self.fault, self.remedy = str(file), fault, remedy


class _KeyedFileError(ReleakError):
    """A wrong key or value in a file that a person wrote."""

    def __init__(self, file: Path | str, key: str, found: object, allowed: str) -> None:
        super().__init__(f"{file}: {key} is {found!r}; it must be {allowed}.")
        self.file, self.key, self.found, self.allowed = str(file), key, found, allowed


class SourceMapError(_KeyedFileError):
    """A source map has a wrong key or value."""


class SettingsError(_KeyedFileError):
    """The settings file has a wrong key or value."""


class WarehouseBusyError(ReleakError):
    """Another run holds the warehouse."""


class NothingPublishedError(ReleakError):
    """There is no published snapshot to read yet."""


class CheckFailedError(ReleakError):
    """A blocking check failed, so nothing new was published."""
