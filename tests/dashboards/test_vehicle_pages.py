"""The vehicles' pages from one report to the next: kept where nothing happened, everywhere as if written anew."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dashboards import vehicle_pages
from dashboards.report import MARK, PAGES, environment
from dashboards.snapshot import opened
from dashboards.stories import page_of
from dashboards.vehicle_pages import write_today, write_vehicle_pages

Tables = dict[str, list[dict[str, Any]]]
SHARED = {"pages": PAGES, "csv_names": ("vehicles",), "figure_template": "{}"}


class Written:
    """A folder with the pages of one snapshot, made with those of another at hand."""

    def __init__(self, folder: Path, snapshot: Path, *, last: "Written | None" = None) -> None:
        self.folder = folder
        folder.mkdir()
        old, seals = (last.folder, last.seals) if last else (folder / "none", {})
        with opened(snapshot) as published:
            template = environment().get_template("vehicle.html")
            self.seals = write_vehicle_pages(published, folder, template, shared=SHARED, last=old, seals=seals)

    @property
    def pages(self) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in self.folder.iterdir()}

    def written_since(self, last: "Written") -> set[str]:
        """The pages that are other files than those of the last report."""
        return {name for name in self.seals if not (self.folder / name).samefile(last.folder / name)}


@pytest.fixture
def first(full_snapshot: Path, tmp_path: Path) -> Written:
    return Written(tmp_path / "first", full_snapshot)


def test_only_the_page_of_a_vehicle_something_happened_to_is_written_anew(
    first: Written, tables: Tables, published_with: Callable[..., Path], tmp_path: Path
) -> None:
    noted, *notes = tables["inspection_notes"]
    *flags, due = tables["flags"]
    trend = {"vehicle_id": due["vehicle_id"], "engine_id": due["engine_id"], "engine_family": due["engine_family"]}
    oil = {"top_ups": 1, "km": 900.0, "litres": 0.9, "litres_per_1000km": 1.0, "others": 0, "reason": "too few to say"}
    snapshot = published_with(
        inspection_notes=[noted | {"text": noted["text"].replace("smell of oil", "stench of oil")}, *notes],
        flags=[*flags, due | {"reasons": "One more day has passed"}],
        oil_trends=[{**trend, **oil, "is_shifted": False}],
        snapshots=[row | {"snapshot_id": "the next"} for row in tables["snapshots"]],
    )
    assert noted["vehicle_id"] != due["vehicle_id"]
    night, anew = Written(tmp_path / "night", snapshot, last=first), Written(tmp_path / "anew", snapshot)
    assert night.written_since(first) == {page_of(noted["vehicle_id"])}
    assert (night.pages, night.seals) == (anew.pages, anew.seals)
    with opened(snapshot) as published:
        write_today(published, tmp_path, shared={"snapshot_id": published.snapshot_id})
    told = json.loads((tmp_path / "today.js").read_text(encoding="utf-8").partition("const today = ")[2].strip(";\n"))
    assert told["snapshot_id"] == "the next"
    assert told["vehicles"].keys() == night.seals.keys()
    standing = told["vehicles"][page_of(due["vehicle_id"])]
    assert standing["flags"][0]["says"].endswith(": One more day has passed")
    assert not standing["flags"][0]["is_urgent"]
    urgent = next(flag["vehicle_id"] for flag in flags if flag["rules"] == ["smell_or_drops"])
    assert told["vehicles"][page_of(urgent)]["flags"][0]["is_urgent"]
    assert standing["facts"] == [["Oil put in", "1.00 L/1,000 km; against the family too few to say"]]


def test_an_oil_figure_that_moves_below_what_is_told_leaves_its_page_alone(
    tables: Tables, published_with: Callable[..., Path], tmp_path: Path
) -> None:
    episode = tables["episodes"][0]
    shown = {name: episode[name] for name in ("episode_id", "vehicle_id", "engine_id", "repaired_on")}
    sides = {f"{side}_top_ups": 3 for side in ("before", "after")}
    ratio = {**shown, **sides, "ratio": 0.5, "low": 0.4, "high": 0.6, "reason": None}
    base = Written(tmp_path / "base", published_with(oil_ratios=[ratio]))
    changed = page_of(episode["vehicle_id"])
    for moved, written in ((0.6001, set()), (0.61, {changed})):
        (tmp_path / "changed.duckdb").unlink()
        snapshot = published_with(oil_ratios=[ratio | {"high": moved}])
        assert Written(tmp_path / f"to {moved}", snapshot, last=base).written_since(base) == written


def test_a_damaged_page_a_lost_one_and_one_made_by_other_code_are_written_anew(
    first: Written, full_snapshot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = first.pages
    torn, lost = sorted(whole)[:2]
    (first.folder / torn).write_bytes(whole[torn][:1000])
    (first.folder / lost).unlink()
    mended = Written(tmp_path / "mended", full_snapshot, last=first)
    assert mended.pages == whole
    monkeypatch.setattr(vehicle_pages, "LIBRARIES", ("jinja2",))
    assert Written(tmp_path / "other code", full_snapshot, last=mended).written_since(mended) == set(whole)


def test_the_page_of_a_vehicle_nobody_tells_of_any_more_is_gone(
    first: Written, tables: Tables, published_with: Callable[..., Path], tmp_path: Path
) -> None:
    gone = tables["flags"][0]["vehicle_id"]
    others = {
        name: [row for row in tables[name] if row["vehicle_id"] != gone]
        for name in ("flags", "episodes", "leaks_out_of_sight")
    }
    night = Written(tmp_path / "night", published_with(**others), last=first)
    assert set(first.pages) - set(night.pages) == {page_of(gone)}


def test_a_report_holds_the_seals_of_its_pages(full_report: Path) -> None:
    seals = json.loads((full_report / MARK).read_text(encoding="utf-8"))
    assert seals.keys() == {path.name for path in full_report.glob("vehicle-*.html")}
