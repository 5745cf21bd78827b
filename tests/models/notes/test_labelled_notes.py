"""The reader against notes labelled by hand; README.md beside them says how."""

import csv
from collections import Counter
from pathlib import Path

import pytest

from models.notes import read_notes

Label = tuple[str, str]
Floors = dict[Label, tuple[float, float]]
LABELLED, FRESH = "labelled_notes.csv", "fresh_notes.csv"
BLIND, LATER_BLIND, THIRD_BLIND = "blind_notes.csv", "later_blind_notes.csv", "third_blind_notes.csv"

FLOORS: dict[tuple[str, str], Floors] = {
    (LABELLED, "tuning"): {
        ("cover_gasket", "present"): (0.98, 0.98),
        ("cover_gasket", "absent"): (0.98, 0.98),
        ("cover_gasket", "resolved"): (0.95, 0.95),
        ("cover_gasket", "uncertain"): (0.95, 0.95),
        ("plug_tube_seal", "present"): (0.95, 0.95),
        ("other_oil_leak", "present"): (0.95, 0.95),
        ("other_fluid", "present"): (0.95, 0.95),
    },
    (LABELLED, "untouched"): {
        ("cover_gasket", "present"): (0.95, 0.95),
        ("cover_gasket", "absent"): (0.95, 0.90),
        ("cover_gasket", "uncertain"): (0.90, 0.90),
        ("other_oil_leak", "present"): (0.90, 0.90),
        ("other_fluid", "present"): (0.85, 0.90),
    },
    (FRESH, "tuning"): {
        ("cover_gasket", "present"): (0.97, 0.97),
        ("cover_gasket", "absent"): (0.97, 0.97),
        ("cover_gasket", "resolved"): (0.97, 0.93),
        ("cover_gasket", "uncertain"): (0.95, 0.95),
        ("plug_tube_seal", "present"): (0.95, 0.95),
        ("other_oil_leak", "present"): (0.95, 0.95),
        ("other_fluid", "present"): (0.95, 0.95),
    },
    (FRESH, "untouched"): {
        ("cover_gasket", "present"): (0.95, 0.94),
        ("cover_gasket", "absent"): (0.95, 0.90),
        ("cover_gasket", "uncertain"): (0.84, 0.88),
        ("other_oil_leak", "present"): (0.92, 0.95),
        ("other_fluid", "present"): (0.95, 0.95),
    },
    (FRESH, "later"): {
        ("cover_gasket", "present"): (0.92, 0.98),
        ("cover_gasket", "absent"): (0.98, 0.87),
        ("cover_gasket", "uncertain"): (0.86, 0.86),
        ("other_oil_leak", "present"): (0.95, 0.95),
        ("other_fluid", "present"): (0.88, 0.95),
    },
    (BLIND, "tuning"): {
        ("cover_gasket", "present"): (0.97, 0.97),
        ("cover_gasket", "absent"): (0.97, 0.97),
        ("cover_gasket", "resolved"): (0.95, 0.90),
        ("cover_gasket", "uncertain"): (0.85, 0.90),
        ("other_oil_leak", "present"): (0.95, 0.95),
    },
    (BLIND, "retired"): {
        ("cover_gasket", "present"): (0.97, 0.97),
        ("cover_gasket", "absent"): (0.97, 0.95),
        ("cover_gasket", "resolved"): (0.95, 0.95),
        ("cover_gasket", "uncertain"): (0.85, 0.90),
        ("other_oil_leak", "present"): (0.95, 0.93),
    },
    (LATER_BLIND, "retired"): {
        ("cover_gasket", "present"): (0.95, 0.91),
        ("cover_gasket", "absent"): (0.95, 0.95),
        ("cover_gasket", "resolved"): (0.95, 0.95),
        ("cover_gasket", "uncertain"): (0.85, 0.90),
        ("other_oil_leak", "present"): (0.72, 0.93),
    },
    (THIRD_BLIND, "untouched"): {
        ("cover_gasket", "present"): (0.97, 0.91),
        ("cover_gasket", "absent"): (0.97, 0.91),
        ("cover_gasket", "resolved"): (0.95, 0.97),
        ("cover_gasket", "uncertain"): (0.97, 0.97),
        ("other_oil_leak", "present"): (0.85, 0.82),
        ("other_fluid", "present"): (0.97, 0.90),
    },
}
"""Least precision and recall, note by note, of what the reader reaches."""


def _rows(file: str) -> list[dict[str, str]]:
    with Path(__file__).with_name(file).open(encoding="utf-8", newline="") as rows:
        return list(csv.DictReader(rows))


def _labelled(file: str, half: str) -> list[tuple[str, set[Label]]]:
    return [(row["text"], _labels(row["statements"])) for row in _rows(file) if row["half"] == half]


def _labels(statements: str) -> set[Label]:
    if statements == "none":
        return set()
    return {(component, polarity) for component, polarity in (said.split() for said in statements.split("; "))}


def _scores(file: str, half: str) -> dict[Label, tuple[float, float]]:
    notes = _labelled(file, half)
    read = read_notes([text for text, _ in notes])
    right, found, wanted = Counter[Label](), Counter[Label](), Counter[Label]()
    for index, (_, labels) in enumerate(notes):
        mine = read.filter((read["text_index"] == index) & (read["component"] != "none"))
        got = set(mine.select("component", "polarity").iter_rows())
        right.update(got & labels)
        found.update(got)
        wanted.update(labels)
    return {label: (right[label] / max(1, found[label]), right[label] / wanted[label]) for label in wanted}


@pytest.mark.parametrize(("file", "half"), FLOORS)
def test_statements_are_as_labelled(file: str, half: str) -> None:
    scores = _scores(file, half)
    short = {
        label: scores[label]
        for label, (precision, recall) in FLOORS[file, half].items()
        if scores[label][0] < precision or scores[label][1] < recall
    }
    assert not short, f"precision and recall below their floors: {short}"


def test_halves_are_large_and_hard_enough() -> None:
    for file, half in FLOORS:
        hard = [row["is_hard"] == "yes" for row in _rows(file) if row["half"] == half]
        assert len(hard) >= 150
        assert sum(hard) / len(hard) >= 0.40


def test_no_note_is_labelled_twice() -> None:
    texts = [row["text"] for file in (LABELLED, FRESH, BLIND, LATER_BLIND, THIRD_BLIND) for row in _rows(file)]
    assert len(texts) == len(set(texts))
