"""The words that decided are marked, exactly they, wherever they stand."""

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from dashboards.marking import marked_pieces


def statement(text: str, start: int, end: int, **changes: Any) -> dict[str, Any]:
    whole = {
        "span_start": start,
        "span_end": end,
        "span_text": text[start:end],
        "polarity": "present",
        "component": "cover_gasket",
        "leak_class": None,
    }
    return whole | changes


@st.composite
def marked_texts(draw: st.DrawFn) -> tuple[str, list[dict[str, Any]]]:
    text = draw(st.text(min_size=1, max_size=60))
    cuts = st.integers(0, len(text))
    spans = draw(st.lists(st.tuples(cuts, cuts).map(sorted), max_size=4))
    return text, [statement(text, start, end) for start, end in spans]


@given(marked_texts())
def test_no_character_is_lost_or_doubled_and_marks_are_spans(case: tuple[str, list[dict[str, Any]]]) -> None:
    text, statements = case
    pieces = marked_pieces(text, statements)
    assert "".join(piece.text for piece in pieces) == text
    assert {piece.text for piece in pieces if piece.polarity} <= {each["span_text"] for each in statements}


def test_spans_in_any_order_are_marked_in_the_order_of_the_text() -> None:
    text = "No drops. Ölfilm at cover 🛢 rear"
    pieces = marked_pieces(text, [statement(text, 10, 25), statement(text, 0, 8, polarity="absent")])
    assert [(piece.text, piece.polarity) for piece in pieces] == [
        ("No drops", "absent"),
        (". ", ""),
        ("Ölfilm at cover", "present"),
        (" 🛢 rear", ""),
    ]
    assert pieces[2].meaning == "cover gasket: wet"


def test_words_that_are_not_where_they_are_said_to_be_mark_nothing_in_the_text() -> None:
    text = "valve cover wet"
    pieces = marked_pieces(text, [statement(text, 0, 5, span_text="rocker", leak_class="II")])
    assert [(piece.text, piece.polarity) for piece in pieces] == [("valve cover wet", ""), ("rocker", "present")]
    assert pieces[1].meaning == "cover gasket: wet, class II"
