"""The reader against notes labelled by hand; README.md beside them says how."""

import csv
from collections import Counter
from pathlib import Path

import pytest

from models.notes import read_notes

Label = tuple[str, str]
LABELLED = Path(__file__).with_name("labelled_notes.csv")

FLOORS: dict[str, dict[Label, tuple[float, float]]] = {
    "tuning": {
        ("cover_gasket", "present"): (0.98, 0.98),
        ("cover_gasket", "absent"): (0.98, 0.98),
        ("cover_gasket", "resolved"): (0.95, 0.95),
        ("cover_gasket", "uncertain"): (0.95, 0.95),
        ("plug_tube_seal", "present"): (0.95, 0.95),
        ("other_oil_leak", "present"): (0.95, 0.95),
        ("other_fluid", "present"): (0.95, 0.95),
    },
    "untouched": {
        ("cover_gasket", "present"): (0.95, 0.95),
        ("cover_gasket", "absent"): (0.95, 0.90),
        ("cover_gasket", "uncertain"): (0.90, 0.90),
        ("other_oil_leak", "present"): (0.90, 0.90),
        ("other_fluid", "present"): (0.85, 0.90),
    },
}
"""Least precision and recall, note by note, of what the reader reaches."""


def _labelled(half: str) -> list[tuple[str, set[Label]]]:
    with LABELLED.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["half"] == half]
    return [(row["text"], _labels(row["statements"])) for row in rows]


def _labels(statements: str) -> set[Label]:
    if statements == "none":
        return set()
    return {(component, polarity) for component, polarity in (said.split() for said in statements.split("; "))}


def _scores(half: str) -> dict[Label, tuple[float, float]]:
    notes = _labelled(half)
    read = read_notes([text for text, _ in notes])
    right, found, wanted = Counter[Label](), Counter[Label](), Counter[Label]()
    for index, (_, labels) in enumerate(notes):
        mine = read.filter((read["text_index"] == index) & (read["component"] != "none"))
        got = set(mine.select("component", "polarity").iter_rows())
        right.update(got & labels)
        found.update(got)
        wanted.update(labels)
    return {label: (right[label] / max(1, found[label]), right[label] / wanted[label]) for label in wanted}


@pytest.mark.parametrize("half", ["tuning", "untouched"])
def test_statements_are_as_labelled(half: str) -> None:
    scores = _scores(half)
    short = {
        label: scores[label]
        for label, (precision, recall) in FLOORS[half].items()
        if scores[label][0] < precision or scores[label][1] < recall
    }
    assert not short, f"precision and recall below their floors: {short}"


def test_halves_are_large_and_hard_enough() -> None:
    with LABELLED.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    texts = [row["text"] for row in rows]
    assert len(texts) == len(set(texts))
    for half in FLOORS:
        hard = [row["is_hard"] == "yes" for row in rows if row["half"] == half]
        assert len(hard) >= 150
        assert sum(hard) / len(hard) >= 0.5
