"""Read the settings file of a home into typed, checked settings."""

import os
import tomllib
from pathlib import Path

from pydantic import ValidationError

from models.errors import SettingsError, UnreadableFileError
from models.settings import Settings


def read_settings(path: Path) -> Settings:
    """Read `settings.toml`; what it leaves out keeps its default, and without the file all do.

    Raises:
        UnreadableFileError: The file is there and cannot be read.
        SettingsError: It is not TOML, or a key or value is not allowed; names file, key and what is.
    """
    if not os.path.lexists(path):
        return Settings()
    try:
        return Settings.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(path, "the file", str(error), "TOML text in UTF-8") from error
    except OSError as error:
        remedy = "See that it is a file which whoever runs Releak may read."
        raise UnreadableFileError(path, f"cannot be read ({error.strerror})", remedy) from error
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise SettingsError(path, key, first["input"], _allowed(first["type"], first["msg"], key)) from error


def _allowed(kind: str, message: str, key: str) -> str:
    """Say what a setting may be, in words."""
    if kind != "extra_forbidden":
        return message.removeprefix("Value error, ").removeprefix("Input should be ")
    section = key.rpartition(".")[0]
    fields = Settings.model_fields[section].annotation.model_fields if section else Settings.model_fields
    return "one of " + ", ".join(fields)
