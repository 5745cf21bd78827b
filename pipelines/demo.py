"""Lay out the sample fleet as a home of its own."""

import shutil
from pathlib import Path

from models.errors import ReleakError, UsageError

SAMPLE = Path(__file__).resolve().parent.parent / "sample_data"
BESIDE_THE_INBOX = ("sources.toml", "settings.toml")


def lay_out(home: Path) -> None:
    """Copy the sample exports, source maps and settings into a home; what runs made there stays.

    Raises:
        UsageError: The folder holds something that is not a demo.
        ReleakError: The sample is not beside this installation, or the folder cannot be written.
    """
    if not SAMPLE.is_dir():
        raise ReleakError(f"{SAMPLE} is missing. Run the demo from a clone of the repository: 'make demo'.")
    inbox = home / "inbox"
    foreign = {file.name for file in inbox.glob("*")} - {file.name for file in (SAMPLE / "inbox").iterdir()}
    if foreign:
        raise UsageError(f"{inbox} holds {min(foreign)}, which is not the demo's. Name another folder with --home DIR.")
    try:
        inbox.mkdir(parents=True, exist_ok=True)
        for file in (SAMPLE / "inbox").iterdir():
            shutil.copy2(file, inbox)
        for name in BESIDE_THE_INBOX:
            shutil.copy2(SAMPLE / name, home)
    except OSError as error:
        where = error.filename2 or error.filename or home
        raise ReleakError(
            f"{where}: {error.strerror}. Name a folder you may write, with room in it, with --home DIR."
        ) from error
