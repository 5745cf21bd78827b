"""What a note's statements carry beside component and polarity, and what holds of every text."""

import csv
import string
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.notes import read_notes
from models.notes.reader import LONGEST_PIECE
from models.tables.ledger import COMPONENTS, POLARITIES
from models.tables.records import LEAK_CLASSES

# fmt: off
TRADE_WORDS = [
    "rocker", "cover", "gasket", "leaking", "dry", "no", "not", "sump", "oil", "weeping", "lh", "rh", "found",
    "checked", ",", ".", ";", "but", "and", "or", "from", "at", "on", "possible", "done", "in", "March", "since",
    "replaced", "coolant", "plug", "wells", "?", "smell", "of", "burning", "drips", "#3", "cyl",
]
# fmt: on


def _first(text: str) -> dict[str, object]:
    return read_notes([text]).row(0, named=True)


@pytest.mark.parametrize(
    ("text", "position"),
    [
        ("LH rocker cover leaking", "left"),
        ("rocker cover leaking on the right bank", "right"),
        ("both V/C gaskets weeping", "both"),
        ("L/H and R/H valve covers leaking", "both"),
        ("rocker cover leaking O/S", ""),
        ("rocker cover leaking", ""),
    ],
)
def test_side_words_are_kept_and_kerb_sides_are_no_bank(text: str, position: str) -> None:
    assert _first(text)["position"] == position


def test_each_bank_has_its_own_polarity() -> None:
    read = read_notes(["Rocker covers: LH dry, RH weeping at rear"])
    assert dict(read.select("position", "polarity").iter_rows()) == {"left": "absent", "right": "present"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("r/cover leak fixed back in May, no further leak", {"": "resolved"}),
        ("rocker gasket repaired back in May, now dry", {"": "resolved"}),
        ("v/c gasket re-gasketed in May and dry", {"": "resolved"}),
        ("cam cover only re-gasketed two visits ago and is leaking", {"": "present"}),
        ("recheck rocker cover for leaks", {"": "uncertain"}),
        ("rocker cover weeping, recheck at next service", {"": "present"}),
        ("leak from valve cover gask.?", {"": "uncertain"}),
        ("sump leaking, rocker cover gasket as well", {"": "present"}),
        ("rocker cover gasket: leaking near the filler cap", {"": "present"}),
        ("rocker cover dry, leaking near the filler cap", {"": "absent"}),
        ("rocker cover just weeping", {"": "present"}),
        ("cam cover shows no leaks / took a litre of oil since last check", {"": "absent"}),
        ("no leaks at either rocker cover", {"both": "absent"}),
        ("neither rocker cover leaking", {"both": "absent"}),
        ("oil leak, either rocker cover or cam seal", {"": "uncertain"}),
        ("LH rocker cover weeping, RH rocker cover leak cured in May, dry", {"left": "present", "right": "resolved"}),
        ("LH cam cover no leaks, RH cam cover done in May, dry since", {"left": "absent", "right": "resolved"}),
        ("comeback: cam cover (LH) leaking / RH cam cover dry since May", {"left": "present", "right": "resolved"}),
        ("leak traced to cam cover LH - cam cover gasket (RH) dry", {"left": "present", "right": "absent"}),
        ("leak is left cam cover - R/H cam cover repaired in May, still dry", {"left": "present", "right": "resolved"}),
        ("L/H v/c dry, recheck v/c seal (right bank) for leaks", {"left": "absent", "right": "uncertain"}),
        ("tyre advise replace, RH cam cover only done in May and is leaking", {"right": "present"}),
        ("advisory: rocker cover dripping oil inlet side - no defects", {"": "present"}),
        ("LH cam cover wet, drops forming by the half moon plug", {"left": "present"}),
        ("tyre worn - leak confirmed at rocker cover", {"": "present"}),
    ],
)
def test_what_is_said_of_one_cover_or_time_is_not_said_of_another(text: str, said: dict[str, str]) -> None:
    covers = read_notes([text]).filter(component="cover_gasket")
    assert dict(covers.select("position", "polarity").iter_rows()) == said


@pytest.mark.parametrize(
    ("text", "components"),
    [
        ("oil getting into plug well 4, no leak at front main seal", {"plug_tube_seal", "other_oil_leak"}),
        ("LH cam cover dry, oil getting into RH plug wells", {"cover_gasket", "plug_tube_seal"}),
        ("oil from rocker cover gasket running into plug wells", {"cover_gasket"}),
    ],
)
def test_oil_in_a_plug_well_leaks_there_unless_a_cover_is_its_source(text: str, components: set[str]) -> None:
    assert set(read_notes([text])["component"]) == components


# Grading: US Army TM 10-4510-209-13&P WP 0015 (I wetness, II drops that hold, III drops that fall).
@pytest.mark.parametrize(
    ("text", "leak_class"),
    [
        ("rocker cover damp at rear", "I"),
        ("rocker cover weeping, not dripping so no repair yet", "I"),
        ("drops forming on rocker cover but not falling", "II"),
        ("rocker cover dripping on exhaust", "III"),
        ("rocker cover leak, class 2", "II"),
        ("Valve cover gasket leak cl. III", "III"),
        ("rocker cover leaking", None),
        ("rocker cover dry", None),
    ],
)
def test_leak_class_follows_the_words(text: str, leak_class: str | None) -> None:
    assert _first(text)["leak_class"] == leak_class


@pytest.mark.parametrize(
    ("text", "symptoms"),
    [
        ("Smell of burning oil, rocker cover leaking onto manifold", "burning_smell"),
        ("misfire, oil in plug wells", "misfire"),
        ("smoke from under the bonnet", "smoke"),
        ("oil on coils", "oil_on_coils"),
        ("topped up oil again", "low_oil"),
    ],
)
def test_symptoms_go_with_the_statement(text: str, symptoms: str) -> None:
    assert _first(text)["symptoms"] == symptoms


def test_location_is_in_the_words_of_the_note() -> None:
    read = read_notes(
        ["Oil Leak at #1 AND #3 rocker box area", "Sump plug weeping", "oil leak at the Fooble flange", "oil leak"]
    )
    assert read["location"].to_list() == ["#1 AND #3", "Sump plug", "the Fooble flange", ""]


def test_what_oil_drips_on_does_not_leak() -> None:
    read = read_notes(["leak from oil feed pipe onto rocker cover", "rocker cover weeping, dripping on gearbox"])
    assert read.select("text_index", "component", "polarity").rows() == [
        (0, "other_oil_leak", "present"),
        (1, "cover_gasket", "present"),
    ]


@pytest.mark.parametrize(
    ("text", "hot_parts"),
    [
        ("found v/c leaking RH bank, dripping on exhaust", ["exhaust"]),
        ("Oil on exhaust manifold from rocker cover above", ["exhaust manifold"]),
        ("smell of burning oil, found oil dripping from rocker cover on to manifold", ["manifold"]),
        ("Smoke from engine bay - oil leaking from v/c onto exhaust", ["exhaust"]),
        ("CUST STATES OIL SMELL. FOUND RT VALVE COVER GASKET LEAKING ONTO EXHAUST. R&R GASKET.", ["EXHAUST"]),
        ("oil over exhaust from leaking valve cover", ["exhaust"]),
        ("RCKR CVR GASKT LEAKNG BADLY OIL ON EXHAUST FIRE RISK", ["EXHAUST"]),
        ("exh mani covered in oil from rocker cover", ["exh mani"]),
        ("rocker cover weeping just above the down pipe", ["down pipe"]),
        ("rocker cover leaking, dripping on turbo oil feed pipe", ["turbo"]),
        ("rocker cover leaking on exhaust side", [""]),
        ("rocker cover leaking onto inlet manifold", [""]),
        ("rocker cover leaking but not reaching exhaust", [""]),
        ("rocker cover leaking, no oil on the exhaust", [""]),
        ("rocker cover leaking, could not get in with heat shield on", [""]),
        ("renewed gasket on exhaust, rocker cover leaking", [""]),
        ("LH rocker cover leaking onto exhaust, RH weeping", ["exhaust", ""]),
        ("rocker cover weeping, turbo drain dripping on exhaust", ["", "exhaust"]),
        ("turbo drain and rocker cover both leaking onto exhaust", ["exhaust", "exhaust"]),
        ("rocker cover dry, no oil on exhaust", [""]),
    ],
)
def test_oil_on_a_hot_part_goes_with_the_leak_it_comes_from(text: str, hot_parts: list[str]) -> None:
    assert read_notes([text])["hot_part"].to_list() == hot_parts


def test_spans_are_of_the_original_text() -> None:
    text = "İ — ROCKER’S OK.\r\nTHE ROCKER COVER\tIS LEAKING…"
    said = _first(text)
    assert said["span_text"] == text[said["span_start"] : said["span_end"]] == "ROCKER COVER\tIS LEAKING"


def test_every_text_has_a_row_and_repeated_texts_read_alike() -> None:
    read = read_notes(pl.Series(["rocker cover dry", "", None, "rocker cover dry"]))
    assert read["text_index"].to_list() == [0, 1, 2, 3]
    assert read["component"].to_list() == ["cover_gasket", "none", "none", "cover_gasket"]
    assert read.schema["text_index"] == pl.UInt32
    assert read_notes([]).is_empty()


_anything = st.text(max_size=80) | st.lists(st.sampled_from(TRADE_WORDS), max_size=16).map(" ".join)


@settings(max_examples=300, deadline=None)
@given(st.lists(_anything, max_size=4))
def test_any_text_gives_rows_within_the_contract(texts: list[str]) -> None:
    read = read_notes(texts)
    assert set(read["text_index"]) == set(range(len(texts)))
    assert read["component"].is_in(COMPONENTS).all()
    assert read["polarity"].is_in(POLARITIES).all()
    assert read["leak_class"].drop_nulls().is_in(LEAK_CLASSES).all()
    assert read["confidence"].is_between(0, 1).all()
    for row in read.iter_rows(named=True):
        text = texts[row["text_index"]]
        assert text[row["span_start"] : row["span_end"]] == row["span_text"]
        assert row["location"] in text
        assert row["hot_part"] in text


@settings(max_examples=100, deadline=None)
@given(st.lists(st.sampled_from(TRADE_WORDS), max_size=12).map(" ".join))
def test_capitals_do_not_change_what_is_said(text: str) -> None:
    columns = ["component", "polarity", "position", "span_start", "span_end"]
    assert read_notes([text.lower()]).select(columns).equals(read_notes([text.upper()]).select(columns))


@pytest.mark.parametrize(
    "typing_error", ["rocker covr leaking", "roker cover leaking", "rocker cover laeking", "rocker gaskit leaking"]
)
def test_a_letter_wrong_is_read_through(typing_error: str) -> None:
    said = _first(typing_error)
    assert (said["component"], said["polarity"]) == ("cover_gasket", "present")


@pytest.mark.parametrize(
    "text", ["locker cover leading", "rocket basket loading", "tapped cover off", "rover cover value"]
)
def test_real_words_a_letter_away_are_not_corrected(text: str) -> None:
    assert _first(text)["component"] == "none"


def test_a_last_word_cut_off_by_the_field_is_completed() -> None:
    for end in range(1, len("cover") + 1):
        assert _first("OIL LEAK ROCKER " + "COVER"[:end])["component"] == "cover_gasket"


def test_orders_of_another_trade_bring_no_invented_cover_leaks(excavator_orders: Path) -> None:
    with excavator_orders.open(encoding="utf-8", errors="replace", newline="") as file:
        texts = sorted({row["OriginalShorttext"] for row in csv.DictReader(file)})
    read = read_notes(texts).filter(pl.col("component").is_in(["cover_gasket", "plug_tube_seal"]))
    says_leak = read.filter(pl.col("polarity") != "uncertain")
    assert sorted(texts[index] for index in says_leak["text_index"]) == [
        "OIL LEAK AT #1 AND #3 ROCKER BOX AREA",
        "OIL LEAKS FROM #1 AND #5 ROCKER COVER, C",
    ]
    assert says_leak["polarity"].to_list() == ["present", "present"]
    assert all(set(symptoms) <= set(string.ascii_lowercase + "_;") for symptoms in read["symptoms"])


def test_a_very_long_note_is_read_piece_by_piece_with_every_span_in_place() -> None:
    sentence = "Tyres worn, lights ok. Oil leaking from rocker cover. "
    text = sentence * 4_000
    read = read_notes([text])
    assert set(read.select("component", "polarity").rows()) == {("cover_gasket", "present")}
    assert read["span_end"].max() > len(text) - LONGEST_PIECE
    assert all(text[row["span_start"] : row["span_end"]] == row["span_text"] for row in read.iter_rows(named=True))
