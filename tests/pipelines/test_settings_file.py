from pathlib import Path

import pytest
from pydantic import BaseModel

from models.errors import SettingsError
from models.settings import Settings
from pipelines.settings import read_lexicon, read_settings


def _write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "settings.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_without_a_file_every_threshold_has_its_default(tmp_path: Path) -> None:
    assert read_settings(tmp_path / "settings.toml") == Settings()


def test_a_file_changes_what_it_names_and_nothing_else(tmp_path: Path) -> None:
    read = read_settings(_write(tmp_path, "[episodes]\ncomeback_days = 60\n"))
    assert read.episodes.comeback_days == 60
    assert read.flags == Settings().flags


@pytest.mark.parametrize(
    ("text", "key", "allowed"),
    [
        ("[episodes]\ncomback_days = 60\n", "episodes.comback_days", "one of comeback_days"),
        ("[episode]\n", "episode", "one of fleet, odometer"),
        ("[episodes]\ncomeback_days = 0\n", "episodes.comeback_days", "greater than or equal to 1"),
        ("[episodes]\ncomeback_days = 'soon'\n", "episodes.comeback_days", "integer"),
        ("[fleet]\nzone = 'Nowhere/X'\n", "fleet.zone", "tz database"),
        ("[measures]\nhorizons_days = [-5]\n", "measures.horizons_days.0", "greater than 0"),
        ("[episodes\n", "the file", "TOML"),
        ("[lexicon]\n", "lexicon", "in lexicon.toml"),
    ],
)
def test_a_wrong_key_or_value_is_named_with_what_is_allowed(tmp_path: Path, text: str, key: str, allowed: str) -> None:
    path = _write(tmp_path, text)
    with pytest.raises(SettingsError) as error:
        read_settings(path)
    assert error.value.key == key
    assert allowed in str(error.value)
    assert str(path) in str(error.value)


def test_the_lexicon_beside_the_settings_is_read_with_them(tmp_path: Path) -> None:
    (tmp_path / "lexicon.toml").write_text('[[terms]]\nkind = "leak"\nphrases = ["Minging"]\n', encoding="utf-8")
    (term,) = read_settings(tmp_path / "settings.toml").lexicon.terms
    assert (term.kind, term.value, term.phrases) == ("leak", "", ("minging",))


@pytest.mark.parametrize(
    ("text", "key", "allowed"),
    [
        ("word = {}\n", "word", "one of terms, work_terms, words"),
        ('[[terms]]\nkinds = "leak"\nkind = "leak"\nphrases = ["x"]\n', "terms.0.kinds", "one of kind, value, phrases"),
        ('[[terms]]\nkind = "leek"\nphrases = ["minging"]\n', "terms.0.kind", "hedge, history"),
        ('[[terms]]\nkind = "leak"\nvalue = "IV"\nphrases = ["x"]\n', "terms.0.value", "for leak one of '', 'I', 'II'"),
        ('[[terms]]\nkind = "symptom"\nphrases = ["x"]\n', "terms.0.value", "'burning_smell'"),
        ('[[terms]]\nkind = "leak"\n', "terms.0.phrases", "given"),
        ('[[terms]]\nkind = "leak"\nphrases = []\n', "terms.0.phrases", "at least 1 item"),
        ('[[terms]]\nkind = "leak"\nphrases = ["bone-dry"]\n', "terms.0.phrases.0", "'bone-dry' is none"),
        ('[[terms]]\nkind = "leak"\nphrases = ["oil? film?"]\n', "terms.0.phrases.0", "may not be left out"),
        ('[[terms]]\nkind = "leak"\nphrases = ["' + "a|b|c|d|e|f " * 4 + '"]\n', "terms.0.phrases.0", "at most 1,000"),
        ('[[work_terms]]\nkind = "leak"\nphrases = ["x"]\n', "work_terms.0.kind", "object"),
        ('[words]\nrockr = ["rkkr"]\n', "words", "none uses 'rockr'"),
        ("terms = 3\n", "terms", "tuple"),
    ],
)
def test_a_wrong_key_or_value_of_the_lexicon_is_named_with_what_is_allowed(
    tmp_path: Path, text: str, key: str, allowed: str
) -> None:
    path = tmp_path / "lexicon.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as error:
        read_lexicon(path)
    assert error.value.key == key
    assert allowed in str(error.value)
    assert str(path) in str(error.value)


def test_every_threshold_has_a_unit_and_a_reason() -> None:
    for name, section in Settings.model_fields.items():
        if not (isinstance(section.annotation, type) and issubclass(section.annotation, BaseModel)):
            continue
        for key, field in section.annotation.model_fields.items():
            extra = field.json_schema_extra
            assert isinstance(extra, dict), (name, key)
            assert extra["unit"], (name, key)
            assert field.description, (name, key)
