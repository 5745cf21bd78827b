"""Cells that hold one of a few words."""

import polars as pl
import pytest

from models.records.vocabularies import VOCABULARIES, yes_no


@pytest.mark.parametrize("word", ["yes", "Y", "TRUE", "1", "t", "1.0"])
def test_yes(word: str) -> None:
    assert yes_no(pl.Series([word])).row(0) == (True, None)


@pytest.mark.parametrize("word", ["no", "N", "False", "0", "f"])
def test_no(word: str) -> None:
    assert yes_no(pl.Series([word])).row(0) == (False, None)


@pytest.mark.parametrize(
    ("column", "text", "expected"),
    [
        ("leak_class", "class II", "II"),
        ("leak_class", "Class 3", "III"),
        ("leak_class", "1", "I"),
        ("leak_class", "2.0", "II"),
        ("leak_class", "iii", "III"),
        ("leak_class", "none", None),
        ("cover_position", "Left", "left"),
        ("cover_positions", "only", "only"),
        ("cover_positions", "1", "only"),
        ("cover_positions", "2", "left;right"),
        ("cover_positions", "left, right", "left;right"),
        ("cover_positions", "Right/Left", "left;right"),
        ("cover_positions", "left;right", "left;right"),
        ("layout", "0,0; 10.5,-3 ;20,0", "0,0;10.5,-3;20,0"),
    ],
)
def test_words_become_canonical(column: str, text: str, expected: str | None) -> None:
    assert VOCABULARIES[column](pl.Series([text])).row(0) == (expected, None)


@pytest.mark.parametrize(
    ("column", "text"),
    [
        ("leak_class", "IV"),
        ("leak_class", "0"),
        ("cover_position", "nearside"),
        ("cover_positions", "3"),
        ("layout", "0;10;20"),
        ("layout", "0,0;10"),
    ],
)
def test_other_words_are_a_fault(column: str, text: str) -> None:
    value, fault = VOCABULARIES[column](pl.Series([text])).row(0)
    assert value is None
    assert ":" in fault


def test_neither_yes_nor_no_is_a_fault() -> None:
    assert yes_no(pl.Series(["maybe"])).row(0) == (None, "is neither yes nor no: write yes or no")
