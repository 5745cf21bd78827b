"""Read what a person wrote in a home, its thresholds and its words, into typed, checked settings."""

import os
import tomllib
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from models.errors import SettingsError, UnreadableFileError
from models.notes import AddedLexicon
from models.settings import Settings
from pipelines.home import LEXICON

_Model = TypeVar("_Model", bound=BaseModel)


def read_settings(path: Path) -> Settings:
    """Read `settings.toml` and the `lexicon.toml` beside it.

    What they leave out keeps its default, and without the files all do.

    Raises:
        UnreadableFileError: A file is there and cannot be read.
        SettingsError: It is not TOML, or a key or value is not allowed; names file, key and what is.
    """
    content = _content(path)
    if "lexicon" in content:
        raise SettingsError(path, "lexicon", content["lexicon"], f"in {LEXICON}, a file of its own beside this one")
    settings = _checked(path, content, Settings)
    return settings.model_copy(update={"lexicon": read_lexicon(path.with_name(LEXICON))})


def read_lexicon(path: Path) -> AddedLexicon:
    """Read the words and rules that a person adds; without the file there are none.

    Raises:
        UnreadableFileError: The file is there and cannot be read.
        SettingsError: It is not TOML, or a key or value is not allowed; names file, key and what is.
    """
    return _checked(path, _content(path), AddedLexicon)


def _content(path: Path) -> dict[str, Any]:
    """The parsed file; nothing where there is none."""
    if not os.path.lexists(path):
        return {}
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(path, "the file", str(error), "TOML text in UTF-8") from error
    except OSError as error:
        remedy = "See that it is a file which whoever runs Releak may read."
        raise UnreadableFileError(path, f"cannot be read ({error.strerror})", remedy) from error


def _checked(path: Path, content: dict[str, Any], model: type[_Model]) -> _Model:
    """The content as a model allows it."""
    try:
        return model.model_validate(content)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        allowed = _allowed(first["type"], first["msg"], model, first["loc"])
        raise SettingsError(path, key, first["input"], allowed) from error


def _allowed(kind: str, message: str, model: type[BaseModel], place: tuple[int | str, ...]) -> str:
    """Say what a setting may be, in words."""
    if kind == "missing":
        return "given"
    if kind != "extra_forbidden":
        return message.removeprefix("Value error, ").removeprefix("Input should be ")
    for part in place[:-1]:
        if isinstance(part, str):
            annotation: Any = model.model_fields[part].annotation
            model = next(iter(get_args(annotation)), annotation)
    return "one of " + ", ".join(model.model_fields)
