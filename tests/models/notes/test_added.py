"""Words and rules added to the lexicon, and what they change."""

import polars as pl
import pytest

from models.notes import NOTHING_ADDED, AddedLexicon, read_notes
from models.notes.rereading import changed_orders, count_readings, read_twice


def _added(**parts: object) -> AddedLexicon:
    return AddedLexicon.model_validate(parts)


def _said(text: str, added: AddedLexicon) -> list[tuple[str, str, str]]:
    return read_notes([text], added=added).select("component", "polarity", "span_text").rows()


def test_nothing_added_reads_as_the_package_does() -> None:
    texts = ["rocker cover leaking", "minging round the r/c", ""]
    assert read_notes(texts, added=NOTHING_ADDED).equals(read_notes(texts))


@pytest.mark.parametrize(
    ("added", "text", "before", "after"),
    [
        (
            {"terms": [{"kind": "leak", "phrases": ["minging"]}]},
            "rocker cover minging",
            ("cover_gasket", "uncertain"),
            ("cover_gasket", "present"),
        ),
        (
            {"words": {"leak": ["zzlk"]}},
            "rocker cover zzlk",
            ("cover_gasket", "uncertain"),
            ("cover_gasket", "present"),
        ),
        (
            {"terms": [{"kind": "plain", "phrases": ["sweat"]}]},
            "rocker cover sweating",
            ("cover_gasket", "present"),
            ("cover_gasket", "uncertain"),
        ),
        (
            {"terms": [{"kind": "hedge", "phrases": ["methinks"]}]},
            "methinks rocker cover leaking",
            ("cover_gasket", "present"),
            ("cover_gasket", "uncertain"),
        ),
        (
            {"terms": [{"kind": "mention", "value": "cover_gasket", "phrases": ["top|upper hat"]}]},
            "leaking at top hat",
            ("other_oil_leak", "present"),
            ("cover_gasket", "present"),
        ),
    ],
)
def test_an_added_word_or_rule_changes_the_reading(
    added: dict[str, object], text: str, before: tuple[str, str], after: tuple[str, str]
) -> None:
    """What it says before is what the reader that comes with the package makes of it."""
    assert [said[:2] for said in _said(text, NOTHING_ADDED)] == [before]
    assert [said[:2] for said in _said(text, _added(**added))] == [after]


def test_an_added_spelling_may_stand_for_an_added_word() -> None:
    added = _added(words={"minge": ["mng"]}, terms=[{"kind": "leak", "phrases": ["minge"]}])
    assert _said("rocker cover mng", added) == [("cover_gasket", "present", "rocker cover mng")]


def test_lexicons_do_not_mix() -> None:
    added = _added(terms=[{"kind": "leak", "phrases": ["minging"]}])
    assert _said("rocker cover minging", added) != _said("rocker cover minging", NOTHING_ADDED)
    assert _said("rocker cover minging", added) != _said("rocker cover minging", _added(shortened="xx"))


def test_only_texts_that_say_something_else_are_changed() -> None:
    texts = pl.Series(["rocker cover minging", "sump leaking", "rocker cover minging", "sump leaking, cover minging"])
    read = read_twice(texts, _added(terms=[{"kind": "leak", "phrases": ["minging"]}]))
    assert read.filter("is_changed")["text_index"].unique().sort().to_list() == [0, 2, 3]
    counts = {
        (component, polarity): (before, after) for component, polarity, before, after in count_readings(read).rows()
    }
    assert counts["cover_gasket", "uncertain"] == (2, 0)
    assert counts["cover_gasket", "present"] == (0, 3)
    assert counts["other_oil_leak", "present"] == (2, 2)


def _orders(*work_done: str) -> pl.DataFrame:
    return (
        pl.DataFrame({"work_done": work_done})
        .with_row_index("order_id")
        .select(
            pl.col("order_id").cast(pl.String),
            pl.col("work_done"),
            vehicle_id=pl.lit("V"),
            engine_family=pl.lit("F"),
            cover_positions=pl.lit("only"),
            complaint=pl.lit("oil leak rocker cover"),
            parts=pl.lit(""),
            job_code=pl.lit(""),
            status=pl.lit("closed"),
            opened_on=pl.date(2026, 1, 1),
            completed_on=pl.date(2026, 1, 1),
        )
    )


def test_added_words_of_work_change_the_method() -> None:
    families = pl.DataFrame(
        [("F", None, None, None)],
        schema={name: pl.String for name in ("engine_family", "gasket_part", "seal_part", "bolt_part")},
        orient="row",
    )
    added = _added(work_terms=[{"kind": "action", "value": "renew", "phrases": ["bunged in"]}])
    changed = changed_orders(_orders("rocker cover gasket bunged in", "rocker cover gasket renewed"), families, added)
    assert changed.select("order_id", "reading", "work", "repair_method").rows() == [
        ("0", "before", "none", None),
        ("0", "after", "repair", "gasket"),
    ]
