"""The report as files: whole, offline, inert, complete."""

import re
import shutil
from collections.abc import Callable
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from dashboards import report
from dashboards.pages.comparing.selecting import scales_known
from dashboards.report import MARK, PAGES, write_report
from models.errors import NothingPublishedError, ReleakError, UnreadableFileError
from models.tables import LAYERS

TABLE_NAMES = [name for tables in LAYERS.values() for name in tables]
CAUTIONS = ("cold engine", "ignition off", "used oil", "manual wins", "statutory inspection", "licensed technicians")


class Elements(HTMLParser):
    """Every element of a page with its attributes, and the words inside marks."""

    def __init__(self, page: Path) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.marks: list[str] = []
        self._is_in_mark = False
        self.feed(page.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        self._is_in_mark = tag == "mark"

    def handle_endtag(self, tag: str) -> None:
        self._is_in_mark = False

    def handle_data(self, data: str) -> None:
        if self._is_in_mark:
            self.marks.append(data)

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.found if name == tag]


def pages_of(folder: Path) -> list[Path]:
    return [folder / f"{page.name}.html" for page in PAGES]


def text_of(page: Path) -> str:
    return re.sub(r"\s+", " ", page.read_text(encoding="utf-8"))


def test_every_page_stands_with_the_cautions_and_links_to_the_others(full_report: Path) -> None:
    for page in pages_of(full_report):
        said = text_of(page).lower()
        assert [caution for caution in CAUTIONS if caution not in said] == []
        targets = {link["href"] for link in Elements(page).of("a")}
        assert {other.name for other in pages_of(full_report)} <= targets


@pytest.mark.parametrize("report_fixture", ["full_report", "empty_report"])
def test_links_scripts_and_images_stay_inside_the_report(report_fixture: str, request: pytest.FixtureRequest) -> None:
    folder = request.getfixturevalue(report_fixture)
    for page in pages_of(folder):
        elements = Elements(page)
        addresses = [each.get("src") for each in elements.of("script") + elements.of("img")]
        addresses += [each.get("href") for each in elements.of("link") + elements.of("a")]
        local = [address.partition("#")[0] for address in addresses if address and not address.startswith("data:,")]
        assert [address for address in local if address and not (folder / address).is_file()] == []
    assert "url(" not in (folder / "assets" / "report.css").read_text(encoding="utf-8")


def test_the_plotting_library_stands_once(full_report: Path) -> None:
    assert [path.name for path in full_report.rglob("*") if path.stat().st_size > 3_000_000] == ["plotly.min.js"]


def test_every_published_table_is_a_csv_that_reads_back(full_report: Path, full_snapshot: Path) -> None:
    with duckdb.connect(full_snapshot, read_only=True) as connection:
        for name in TABLE_NAMES:
            file = full_report / "tables" / f"{name}.csv"
            rows = connection.sql(f"FROM {name}").pl()
            read = pl.read_csv(file, infer_schema=False)
            assert (read.height, read.columns) == (rows.height, rows.columns)
            assert f'href="tables/{name}.csv"' in text_of(full_report / "index.html")
    episodes = pl.read_csv(full_report / "tables" / "episodes.csv", infer_schema=False)
    leaked = episodes.filter(pl.col("status") == "re-leak")
    assert leaked["evidence_ids"][0].count(";") == 1
    assert episodes["repaired_at"][0].endswith("+00")


def test_words_that_a_spreadsheet_would_run_are_disarmed_in_the_csv(full_snapshot: Path, tmp_path: Path) -> None:
    hostile = tmp_path / "hostile.duckdb"
    shutil.copy(full_snapshot, hostile)
    words = {"=cmd|'/C calc'!A0": "'=cmd|'/C calc'!A0", "@SUM(1)": "'@SUM(1)", "-5": "-5", "-A1": "'-A1"}
    with duckdb.connect(hostile) as connection:
        notes = [row[0] for row in connection.execute("SELECT note_id FROM inspection_notes LIMIT 4").fetchall()]
        for note, said in zip(notes, words, strict=True):
            connection.execute("UPDATE inspection_notes SET text = ? WHERE note_id = ?", [said, note])
    write_report(hostile, tmp_path / "report")
    read = pl.read_csv(tmp_path / "report" / "tables" / "inspection_notes.csv", infer_schema=False)
    written = dict(read.select("note_id", "text").rows())
    assert [written[note] for note in notes] == list(words.values())


def test_hostile_words_are_shown_and_never_markup(full_report: Path) -> None:
    for page in pages_of(full_report):
        raw = page.read_text(encoding="utf-8")
        assert "<script>window.wasRun" not in raw
        assert "<img" not in raw
        assert "<b>Moor" not in raw
    assert "&lt;script&gt;window.wasRun" in text_of(full_report / "comebacks.html")
    assert "&lt;script&gt;window.wasRun" in text_of(full_report / "data.html")


def test_marked_words_are_the_evidence_words(full_report: Path, tables: dict[str, list[dict[str, Any]]]) -> None:
    came_back = {
        evidence for episode in tables["episodes"] if episode["comeback"] for evidence in episode["evidence_ids"]
    }
    expected = sorted(row["span_text"] for row in tables["evidence"] if row["evidence_id"] in came_back)
    legend = ["wet", "dry", "suspect"]
    assert sorted(Elements(full_report / "comebacks.html").marks) == sorted(expected + legend)


def test_an_empty_snapshot_says_so_in_sentences(empty_report: Path) -> None:
    said = {page.stem: text_of(page) for page in pages_of(empty_report)}
    assert "No repair has come back." in said["comebacks"]
    assert "No cover is due for a look." in said["planning"]
    assert "No cover is known to smell of burning oil" in said["planning"]
    assert "No vehicle with a leaking cover has gone without a record" in said["planning"]
    assert "No row was refused." in said["data"]
    assert "No site has a repair yet." in said["comparing"]
    assert "too few to say" in said["index"]


def test_urgent_flags_carry_the_caution_beside_them(full_report: Path, empty_report: Path) -> None:
    urgent = text_of(full_report / "planning.html").partition('id="urgent"')[2].partition("</section>")[0]
    assert "before it is driven again" in urgent
    assert "V000" in urgent
    assert "V003" not in urgent
    assert "before it is driven again, on a cold engine" not in text_of(empty_report / "planning.html")


def test_leaks_of_vehicles_out_of_sight_are_listed_the_dangerous_first(full_report: Path) -> None:
    lost = text_of(full_report / "planning.html").partition("Find out where these are")[2]
    assert lost.index("V057") < lost.index("find out where the vehicle is") < lost.index("V054")


def test_technicians_are_hidden_until_agreed(
    full_report: Path, published_with: Callable[..., Path], tables: dict[str, list[dict[str, Any]]], tmp_path: Path
) -> None:
    assert "tech-" not in text_of(full_report / "comebacks.html")
    shown = tables["snapshots"][0] | {"settings_json": '{"fleet": {"show_technicians": true}}'}
    agreed = write_report(published_with(snapshots=[shown]), tmp_path / "report").parent
    assert "Technician (pseudonym)" in text_of(agreed / "comebacks.html")


def test_a_long_list_is_cut_and_says_where_the_rest_is(
    published_with: Callable[..., Path], tables: dict[str, list[dict[str, Any]]], tmp_path: Path
) -> None:
    many = [tables["refused_rows"][0] | {"row_number": number} for number in range(1_500)]
    folder = write_report(published_with(refused_rows=many), tmp_path / "report").parent
    assert "Showing the first 1,000 of 1,500" in text_of(folder / "data.html")
    assert len(pl.read_csv(folder / "tables" / "refused_rows.csv")) == 1_500


@pytest.mark.parametrize(("problem", "replaced"), [(None, 37), ("breaks off or is damaged", 0)])
def test_refused_rows_of_a_file_replaced_since_are_told_from_those_to_mend(
    published_with: Callable[..., Path],
    tables: dict[str, list[dict[str, Any]]],
    tmp_path: Path,
    problem: str | None,
    replaced: int,
) -> None:
    came, *others = tables["loads"]
    again = came | {"load_id": "load-9", "loaded_at": came["loaded_at"] + timedelta(hours=1), "problem": problem}
    refused = [row | {"reason": "is no day", "column_name": "opened_at"} for row in tables["refused_rows"][:37]]
    snapshot = published_with(loads=[came, again, *others], refused_rows=refused)
    page = text_of(write_report(snapshot, tmp_path / "report").parent / "data.html")
    assert page.count("is no day (replaced since)") == replaced
    counts = re.search(r"is no day</t[hd]>(.*?)</tr>", page)
    assert counts
    assert re.findall(r">(\d+)<", counts[1]) == ["37", str(replaced), "1"]


@pytest.mark.parametrize(
    ("problem", "headings"),
    [("breaks off", ["File", "Problem", "Kind"]), (None, ["File", "Kind", "Source map"])],
)
def test_what_is_wrong_with_a_file_stands_beside_its_name(
    published_with: Callable[..., Path],
    tables: dict[str, list[dict[str, Any]]],
    tmp_path: Path,
    problem: str | None,
    headings: list[str],
) -> None:
    first, *others = (load | {"problem": None} for load in tables["loads"])
    snapshot = published_with(loads=[first | {"problem": problem}, *others])
    page = text_of(write_report(snapshot, tmp_path / "report").parent / "data.html")
    assert re.findall(r'<th scope="col"[^>]*>(.*?)</th>', page)[:3] == headings


def test_the_data_page_says_that_rows_are_missing(
    published_with: Callable[..., Path], tables: dict[str, list[dict[str, Any]]], tmp_path: Path, full_report: Path
) -> None:
    assert "Every row is accounted for: 6,310 read = 6,259 accepted + 41 refused" in text_of(full_report / "data.html")
    snapshot = published_with()
    with duckdb.connect(snapshot) as connection:
        connection.execute("UPDATE loads SET accepted = accepted - 1 WHERE load_id = 'load-1'")
    folder = write_report(snapshot, tmp_path / "report").parent
    assert "Rows are missing" in text_of(folder / "data.html")


def test_shares_of_comebacks_are_those_published(
    published_with: Callable[..., Path], tables: dict[str, list[dict[str, Any]]], tmp_path: Path
) -> None:
    figures = {"rate": 0.777, "low": 0.666, "high": 0.888, "reason": None}
    rows = [row | figures if row["attribute_value"] == "Quay" else row for row in tables["comeback_shares"]]
    folder = write_report(published_with(comeback_shares=rows), tmp_path / "report").parent
    common = text_of(folder / "comebacks.html").partition('id="common"')[2].partition('id="list"')[0]
    assert re.search(r"Came back more often: [^.;]*Quay", common)
    assert "78% (67% to 89%)" in common


def test_what_new_bolts_spare_is_what_is_published(
    published_with: Callable[..., Path], tables: dict[str, list[dict[str, Any]]], tmp_path: Path
) -> None:
    """0.10 (0.04 to 0.16) of repairs, as counted, at the 900 an unplanned leak is set to cost by default."""
    counted = {"spared": 0.10, "low": 0.04, "high": 0.16, "rate_without": 0.3, "rate_with": 0.2, "reason": None}
    money = {"worth": 77.0, "worth_low": 66.0, "worth_high": 88.0, "cost": 11.0, "cost_low": 11.0, "cost_high": 11.0}
    left = {"left_over": 66.0, "left_over_low": 55.0, "left_over_high": 77.0, "reason": None, "cost_reason": None}
    ratio = {"hazard_ratio": 0.5, "low": 0.3, "high": 0.9}
    changed = {
        "bolt_comparison": [row | counted for row in tables["bolt_comparison"]],
        "bolt_worth": [row | ratio | money | left for row in tables["bolt_worth"]],
    }
    folder = write_report(published_with(**changed), tmp_path / "report").parent
    said = text_of(folder / "comparing.html").partition('id="bolts"')[2].partition("</section>")[0]
    assert "Yes: on like engines, repairs with new bolts leak again 0.50 (0.30 to 0.90) times as often" in said
    assert "66 (55 to 77) EUR left over" in said
    assert "90 (36 to 144)" in said


def test_changed_settings_are_marked(full_report: Path) -> None:
    page = full_report / "data.html"
    marked = re.findall(r'<tr class="marked">\s*<th[^>]*>([^<]*)</th>', page.read_text(encoding="utf-8"))
    assert "plan.bay_hours_per_week" in marked
    assert "episodes.comeback_days" not in marked


def test_a_report_is_replaced_whole_and_nothing_is_left_beside_it(empty_snapshot: Path, tmp_path: Path) -> None:
    out = tmp_path / "report"
    write_report(empty_snapshot, out)
    (out / "stale.html").write_text("old")
    (tmp_path / ".report.building-killed").mkdir()
    assert write_report(empty_snapshot, out) == out / "index.html"
    assert [path.name for path in tmp_path.iterdir()] == ["report"]
    assert not (out / "stale.html").exists()


def test_a_failed_report_leaves_the_old_one(
    empty_snapshot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "report"
    write_report(empty_snapshot, out)
    before = (out / "index.html").read_bytes()

    def fail(*_: object) -> None:
        raise RuntimeError

    monkeypatch.setattr(report, "_write_tables", fail)
    with pytest.raises(RuntimeError):
        write_report(empty_snapshot, out)
    assert (out / "index.html").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


def test_a_folder_that_is_no_report_is_never_replaced(empty_snapshot: Path, tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("keep me")
    with pytest.raises(ReleakError, match="is not a report"):
        write_report(empty_snapshot, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["letters.txt"]
    assert not (tmp_path / MARK).exists()


def test_what_is_no_snapshot_is_named(tmp_path: Path, published_with: Callable[..., Path]) -> None:
    with pytest.raises(NothingPublishedError, match="nothing has been published"):
        write_report(tmp_path / "none.duckdb", tmp_path / "report")
    (tmp_path / "words.duckdb").write_text("not a database, but long enough to be looked at " * 200)
    with pytest.raises(UnreadableFileError, match=r"words\.duckdb cannot be opened"):
        write_report(tmp_path / "words.duckdb", tmp_path / "report")
    older = published_with()
    with duckdb.connect(older) as connection:
        connection.execute("DROP TABLE parts")
    with pytest.raises(ReleakError, match="another version"):
        write_report(older, tmp_path / "report")
    assert not (tmp_path / "report").exists()


def test_the_control_charts_say_what_they_count(full_report: Path) -> None:
    html = (full_report / "comparing.html").read_text(encoding="utf-8")
    assert "Only comebacks count here: re-leaks within 90 days or 5,000 km of the repair" in html


def test_engine_hours_are_offered_where_they_are_known_and_said_how_well(full_report: Path) -> None:
    html = (full_report / "comparing.html").read_text(encoding="utf-8")
    assert '<option value="hours">engine hours</option>' in html
    assert "Engine hours: known of 210 of 420 repairs" in html
    assert "off by 20 hours" in html


def test_a_time_scale_without_repairs_is_not_offered() -> None:
    groups = pl.DataFrame({"time_scale": ["hours", "km", "days"], "n": [0, 3, 4]})
    assert scales_known(groups) == ["days", "km"]


@pytest.mark.parametrize(
    ("page", "alone"), [("comparing", "repairs_by_age"), ("comebacks", "comeback_shares"), ("planning", "plan")]
)
def test_every_figure_leads_to_its_numbers(full_report: Path, page: str, alone: str) -> None:
    html = (full_report / f"{page}.html").read_text(encoding="utf-8")
    told = [re.findall(r"tables/(\w+)\.csv", words) for words in re.findall(r"Every number of it.*?</p>", html)]
    assert any(alone in names for names in told)
    for choices in html.split('<div class="choices"')[1:]:
        assert "Every number of it" in choices.partition("</section>")[0]
    assert all((full_report / "tables" / f"{name}.csv").exists() for names in told for name in names)


def test_sites_are_compared_on_every_scale_that_is_known(full_report: Path) -> None:
    html = (full_report / "comparing.html").read_text(encoding="utf-8")
    sites = html[html.index('<h2 id="sites">') :]
    assert re.findall(r'class="choice" data-time_scale="(\w+)"', sites) == ["days", "km", "hours"] * 2
    assert "Crude rate per 100,000 km" in sites
    assert "Crude rate per 1,000 engine hours" in sites
