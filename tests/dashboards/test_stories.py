"""A vehicle's story, in the terminal and on its page."""

from html import unescape
from pathlib import Path
from typing import Any

import pytest

from dashboards.snapshot import opened
from dashboards.stories import as_text, page_of, story_of
from models.errors import UsageError

Tables = dict[str, list[dict[str, Any]]]


@pytest.fixture
def releaked(tables: Tables) -> dict[str, Any]:
    """An episode that ended in a re-leak."""
    return next(episode for episode in tables["episodes"] if episode["status"] == "re-leak")


def test_a_story_tells_every_repair_and_end_and_marks_the_words_that_were_read(
    full_snapshot: Path, tables: Tables, releaked: dict[str, Any]
) -> None:
    vehicle = releaked["vehicle_id"]
    with opened(full_snapshot) as snapshot:
        story = story_of(snapshot, vehicle)
        text = "\n".join(as_text(story))
    own = [episode for episode in tables["episodes"] if episode["vehicle_id"] == vehicle]
    assert [event.says[0] for event in story.events if event.what == "end"] == [
        episode["story"] for episode in sorted(own, key=lambda each: (each["ended_on"], each["repaired_at"]))
    ]
    assert list(story.events) == sorted(story.events, key=lambda event: event.on)
    read = [row["span_text"] for row in tables["evidence"] if row["origin_id"] == f"N-{releaked['order_id']}"]
    assert [f"«{words}»" in text for words in read] == [True, True]
    assert f"{len(own)}, {sum(episode['status'] == 're-leak' for episode in own)} leaked again" in text


def test_notes_without_a_statement_are_left_out(full_snapshot: Path, tables: Tables) -> None:
    with opened(full_snapshot) as snapshot:
        story = story_of(snapshot, tables["vehicles"][0]["vehicle_id"])
    notes = [event for event in story.events if event.what == "note"]
    assert all(any(piece.polarity for piece in text.pieces) for event in notes for text in event.texts)


def test_an_unknown_vehicle_is_answered_with_the_nearest_names(full_snapshot: Path) -> None:
    with opened(full_snapshot) as snapshot, pytest.raises(UsageError, match=r"no vehicle 'V0001'.*V001"):
        story_of(snapshot, "V0001")


def test_every_vehicle_that_is_linked_to_has_its_page_and_hostile_words_stay_words(
    full_report: Path, releaked: dict[str, Any]
) -> None:
    raw = (full_report / page_of(releaked["vehicle_id"])).read_text(encoding="utf-8")
    assert "<script>window.wasRun" not in raw
    assert "<script>window.wasRun" in unescape(raw)
    assert "before it is driven again" in raw
    for page in ("planning", "comebacks"):
        linked = (full_report / f"{page}.html").read_text(encoding="utf-8").split('<a href="vehicle-')[1:]
        targets = {f"vehicle-{rest.partition(chr(34))[0]}" for rest in linked}
        assert targets
        assert [target for target in targets if not (full_report / target).is_file()] == []


@pytest.mark.parametrize("name", ["../../etc/passwd", "V 1", "v/1", "", "Ω", "x" * 300, 'a"b'])
def test_no_vehicle_number_leads_out_of_the_folder_or_to_another_vehicles_page(name: str) -> None:
    page = page_of(name)
    assert Path(page).name == page
    assert len(page) < 100
    assert page != page_of(name.replace("/", "_").replace(" ", "_") + "-")
    assert page_of("V-001") == "vehicle-V-001.html"
