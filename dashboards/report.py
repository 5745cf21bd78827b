"""Write the report: offline pages, one style sheet, one script, the plotting library once, and every table as CSV."""

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import jinja2

from dashboards.drawing import template_json
from dashboards.pages import comebacks, comparing, data, index, planning
from dashboards.snapshot import PUBLISHED_TABLES, Snapshot, opened
from dashboards.vehicle_pages import write_today, write_vehicle_pages
from dashboards.wording import day_words, whole
from models.errors import ReleakError

MARK = "releak-report"
"""A file in every report, by which a folder is known to be one and may be replaced; it holds the seals of the vehicles'
pages."""


@dataclass(frozen=True)
class Page:
    """A page of the report.

    Args:
        name: Its file without the ending, and its template's.
        title: In the menu.
        question: What a reader brings to it.
        contents: Reads a snapshot and lays out what the template shows.
    """

    name: str
    title: str
    question: str
    contents: Callable[[Snapshot], dict[str, Any]]


PAGES = (
    Page("index", "Overview", "How do the fleet's covers stand?", index.contents),
    Page(
        "planning",
        "Planning",
        "What do I bring in over the coming weeks, and what will it cost in bays, parts and days off the road?",
        planning.contents,
    ),
    Page(
        "comparing",
        "Comparing",
        "Does a new bolt set pay for itself? Is one site's work really worse, or are its engines harder?",
        comparing.contents,
    ),
    Page(
        "comebacks",
        "Comebacks",
        "Which of our jobs came back, and what do they have in common?",
        comebacks.contents,
    ),
    Page("data", "Data", "What was loaded, what was refused and why?", data.contents),
)


def write_report(snapshot: Path, out: Path) -> Path:
    """Write the whole report beside `out`, then put it in its place, so that nobody ever sees half of one.

    Args:
        snapshot: A published DuckDB file; opened read-only.
        out: The report's folder; made, or replaced where it already holds a report.

    Returns:
        The first page.

    Raises:
        NothingPublishedError: There is no snapshot.
        UnreadableFileError: The snapshot is not a DuckDB file.
        ReleakError: Another version published it, or `out` holds something else than a report.
    """
    _refuse_foreign_folder(out)
    with opened(snapshot) as published, _replacing(out) as building, ThreadPoolExecutor(max_workers=1) as beside:
        _copy_assets(building / "assets")
        tables = beside.submit(_write_tables, published, building / "tables")
        templates, today, always = environment(), _today(published), _always()
        for page in PAGES:
            html = templates.get_template(f"{page.name}.html").render(
                page=page, **today, **always, **page.contents(published)
            )
            (building / f"{page.name}.html").write_text(html, encoding="utf-8")
        write_today(published, building / "assets", shared=today)
        seals = write_vehicle_pages(
            published,
            building,
            templates.get_template("vehicle.html"),
            shared=always,
            last=out,
            seals=_seals(out),
        )
        (building / MARK).write_text(json.dumps(seals, indent=0), encoding="utf-8")
        tables.result()
    return out / "index.html"


def _seals(out: Path) -> dict[str, str]:
    """The seals of the vehicles' pages of a report; none where it does not tell them."""
    try:
        seals: dict[str, str] = json.loads((out / MARK).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return seals


def _refuse_foreign_folder(out: Path) -> None:
    """Never replace what is not a report."""
    is_free = not out.exists() or (out.is_dir() and not any(out.iterdir()))
    if not is_free and not (out / MARK).exists():
        raise ReleakError(f"{out} exists and is not a report. Name a new or an empty folder for the pages.")


@contextmanager
def _replacing(out: Path) -> Iterator[Path]:
    """Yield a folder to build in; it takes the place of `out` when all went well, and is gone when not."""
    out.parent.mkdir(parents=True, exist_ok=True)
    for left_over in out.parent.glob(f".{out.name}.building-*"):
        shutil.rmtree(left_over, ignore_errors=True)
    building = Path(tempfile.mkdtemp(prefix=f".{out.name}.building-", dir=out.parent))
    try:
        building.chmod(0o755)
        yield building
        _swap(building, out)
    except OSError as error:
        error.filename = error.filename or str(out)
        raise
    finally:
        shutil.rmtree(building, ignore_errors=True)


def _swap(building: Path, out: Path) -> None:
    """Put the new folder where the old one stands, which is put back if that fails; renames, no copying."""
    if not out.exists():
        os.replace(building, out)
        return
    retired = building.with_name(f"{building.name}-old")
    os.replace(out, retired)
    try:
        os.replace(building, out)
    except OSError:
        os.replace(retired, out)
        raise
    shutil.rmtree(retired, ignore_errors=True)


def _copy_assets(assets: Path) -> None:
    """Put the style sheet, the script and the plotting library beside the pages."""
    assets.mkdir()
    for name in ("report.css", "report.js"):
        with as_file(files("dashboards").joinpath("static", name)) as source:
            shutil.copyfile(source, assets / name)
    with as_file(files("plotly").joinpath("package_data", "plotly.min.js")) as library:
        shutil.copyfile(library, assets / "plotly.min.js")


def _write_tables(published: Snapshot, tables: Path) -> None:
    """Write every published table as CSV."""
    tables.mkdir()
    for name in PUBLISHED_TABLES:
        published.write_csv(name, tables / f"{name}.csv")


def environment() -> jinja2.Environment:
    """Templates that escape whatever they are given; a name they do not know is an error, never a blank."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("dashboards"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["whole"] = whole
    environment.filters["day"] = day_words
    return environment


def _today(published: Snapshot) -> dict[str, Any]:
    """Whose figures, true as of when: what every page says, and the script fills into the vehicles'."""
    return {
        "as_of": day_words(published.as_of),
        "snapshot_id": published.snapshot_id,
        "published_at": f"{published.published_at:%Y-%m-%d %H:%M} UTC",
        "input_digest": published.input_digest,
        "confidence": f"{100 * published.settings.measures.confidence:g}%",
    }


def _always() -> dict[str, Any]:
    """What every page is given that no passing day changes."""
    return {"pages": PAGES, "csv_names": PUBLISHED_TABLES, "figure_template": template_json()}
