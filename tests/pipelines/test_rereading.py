"""What added words change over a file's notes and a home's, as the command tells it."""

import json
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner, Result

from models.errors import UsageError
from pipelines.cli import cli
from pipelines.home import Home
from pipelines.rereading import added_words, marked, reread_file, tell

LEXICON = '[[terms]]\nkind = "leak"\nphrases = ["minging"]\n'
NOTES = (
    'text\n"rocker cover minging, to be watched"\nsump dry\nROCKER COVER dry\n"rocker cover minging, to be watched"\n'
)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    (tmp_path / "lexicon.toml").write_text(LEXICON, encoding="utf-8")
    (tmp_path / "notes.csv").write_text(NOTES, encoding="utf-8")
    return Home(tmp_path)


def test_equal_notes_are_told_once_with_the_words_marked(home: Home) -> None:
    found = reread_file(home.path / "notes.csv", "text", added_words(home))
    said = list(tell(found, width=80))
    assert said[0] == "2 of 4 texts are read differently with the added words."
    assert said[2] == "row 1, text and 1 more with the same words"
    assert sum("minging" in line for line in said) == 2, "once before, once after"
    assert any(line.startswith("  after   «rocker cover minging»") for line in said)
    assert any(line.strip().startswith("= cover_gasket present") for line in said)


def test_a_home_that_adds_nothing_is_told_where_words_go(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"lexicon\.toml does not exist"):
        added_words(Home(tmp_path))


def _releak(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words], catch_exceptions=False)


def test_the_command_tells_lists_and_counts(home: Home) -> None:
    asked = ("lexicon", "--home", home.path, "--file", home.path / "notes.csv")
    told = _releak(*asked)
    assert told.exit_code == 0
    assert "2 of 4 texts" in told.output
    assert _releak(*asked, "--format", "csv").output.count("\n") == 5
    answer = json.loads(_releak(*asked, "--format", "json").output)
    assert {row["record_id"] for row in answer["texts"]} == {"1", "4"}
    assert {"component": "cover_gasket", "polarity": "present", "before": 0, "after": 2} in answer["counts"]


def test_statements_are_read_with_the_added_words(home: Home) -> None:
    plain = _releak("statements", home.path / "notes.csv", "--home", home.path / "none").output
    taught = _releak("statements", home.path / "notes.csv", "--home", home.path).output
    assert plain.count("cover_gasket,present") == 0
    assert taught.count("cover_gasket,present") == 2


@pytest.mark.parametrize(
    ("spans", "expected"),
    [
        ([], "oil at the cover"),
        ([(0, 3), (7, 16)], "«oil» at «the cover»"),
        ([(7, 16), (0, 3), (0, 10)], "«oil» at «the cover»"),
        ([(5, 5)], "oil at the cover"),
    ],
)
def test_marks_stand_around_words_and_never_inside_each_other(spans: list[tuple[int, int]], expected: str) -> None:
    text = "oil at\nthe cover"
    same = {"component": "cover_gasket", "polarity": "present", "leak_class": None}
    read = [same | {"span_start": start, "span_end": end, "span_text": text[start:end]} for start, end in spans]
    schema = {**dict.fromkeys(same, pl.String), "span_start": pl.Int64, "span_end": pl.Int64, "span_text": pl.String}
    assert marked(text, pl.DataFrame(read, schema=schema)) == expected
