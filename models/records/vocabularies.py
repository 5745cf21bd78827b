"""Cells that hold one of a few words: yes and no, leak classes, cover positions, bolt layouts."""

from collections.abc import Callable

import polars as pl

from models.records.quantities import BLANK_WORDS

YES_WORDS = ("yes", "y", "true", "t", "1", "1.0")
NO_WORDS = ("no", "n", "false", "f", "0", "0.0")
"""Yes and no as exports and spreadsheets write them (common practice)."""

_LEAK_CLASS_WORDS = {"i": "I", "1": "I", "ii": "II", "2": "II", "iii": "III", "3": "III"}
_LEAK_CLASS_NOISE = r"^(?:leak\s*)?(?:class|cl\.?)\s*|\.0$"
_COVER_POSITION_WORDS = {"only": "only", "single": "only", "left": "left", "right": "right"}
_COVER_POSITIONS_WORDS = {
    "only": "only",
    "single": "only",
    "1": "only",
    "1.0": "only",
    "2": "left;right",
    "2.0": "left;right",
    "left;right": "left;right",
    "right;left": "left;right",
}
_POINT = r"[+-]?\d+(?:\.\d+)?,[+-]?\d+(?:\.\d+)?"


def yes_no(text: pl.Series) -> pl.DataFrame:
    """Read `value` (Boolean) and `fault` from yes and no words; null and blank words are missing."""
    words = {word: True for word in YES_WORDS} | {word: False for word in NO_WORDS}
    return _looked_up(text.str.to_lowercase(), words, "is neither yes nor no: write yes or no", pl.Boolean())


def leak_classes(text: pl.Series) -> pl.DataFrame:
    """Read `value` (I, II or III) and `fault` from 'II', '2', 'class II'; null and blank words are missing."""
    bare = text.str.to_lowercase().str.replace_all(_LEAK_CLASS_NOISE, "")
    return _looked_up(bare, _LEAK_CLASS_WORDS, "is not a leak class: write I, II or III", pl.String())


def cover_position(text: pl.Series) -> pl.DataFrame:
    """Read `value` (only, left or right) and `fault`; null is missing."""
    reason = "is not a cover position: write only, left or right"
    return _looked_up(text.str.to_lowercase(), _COVER_POSITION_WORDS, reason, pl.String())


def cover_positions(text: pl.Series) -> pl.DataFrame:
    """Read `value` ('only' or 'left;right') and `fault` from names or the number of covers; null is missing."""
    joined = text.str.to_lowercase().str.replace_all(r"\s*[;,/+&\s]\s*", ";")
    reason = "does not name the covers: write only or left;right"
    return _looked_up(joined, _COVER_POSITIONS_WORDS, reason, pl.String())


def bolt_layout(text: pl.Series) -> pl.DataFrame:
    """Read `value` ('x,y;x,y;...' in mm, without blanks) and `fault`; null is missing."""
    is_layout = pl.col("bare").str.contains(rf"^{_POINT}(?:;{_POINT})*$")
    bare = text.str.replace_all(r"\s", "").str.strip_chars(";").to_frame("bare")
    return bare.select(
        value=pl.when(is_layout).then("bare"),
        fault=pl.when(~is_layout).then(pl.lit("is not a bolt layout: write 'x,y;x,y;...' in mm")),
    )


def _looked_up(
    text: pl.Series, words: dict[str, str] | dict[str, bool], reason: str, dtype: pl.DataType
) -> pl.DataFrame:
    """Read each cell by a table of words."""
    present = pl.when(~pl.col("text").is_in(BLANK_WORDS)).then("text")
    return (
        text.to_frame("text")
        .select(text=present)
        .with_columns(value=pl.col("text").replace_strict(words, default=None, return_dtype=dtype))
        .select("value", fault=pl.when(pl.col("text").is_not_null() & pl.col("value").is_null()).then(pl.lit(reason)))
    )


VOCABULARIES: dict[str, Callable[[pl.Series], pl.DataFrame]] = {
    "leak_class": leak_classes,
    "cover_position": cover_position,
    "cover_positions": cover_positions,
    "layout": bolt_layout,
}
"""Canonical column to the reader of its words."""
