"""Write a page for each told vehicle, keeping those of the last report whose vehicles nothing happened to.

What passing days and the rest of the fleet change is not in these pages: it stands in one file beside them, and the
script fills it in when a page is opened. So a page follows from its vehicle's own rows and the code alone.
"""

import json
import os
import shutil
from dataclasses import asdict
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any

import jinja2

import dashboards
import models
from dashboards.pages import vehicle
from dashboards.snapshot import Snapshot
from dashboards.standings import standings
from dashboards.stories import page_of, stories, story_records

TODAY = "today.js"
"""The file of what the script fills in, among the assets."""
QUESTION = "What was done to its covers, what did people see, and did it stay dry?"
CODE_SUFFIXES = (".py", ".toml", ".html")
LIBRARIES = ("jinja2", "plotly", "polars")
"""What pages and digests are made with, besides our own code."""


def write_vehicle_pages(
    published: Snapshot,
    building: Path,
    template: jinja2.Template,
    *,
    shared: dict[str, Any],
    last: Path,
    seals: dict[str, str],
) -> dict[str, str]:
    """Write the pages into the folder of a report that is being built.

    Args:
        published: The snapshot.
        building: The new report's folder.
        template: Of one vehicle's page.
        shared: What every page is given that no passing day changes.
        last: The report's folder as it stands.
        seals: What this function returned for that report.

    Returns:
        The seal of each page by its file name: a digest of what it was made from and of what is in it.
    """
    made_from = {page_of(each): (each, digest) for each, digest in _digests(published).items()}
    kept = {
        file: seals[file]
        for file, (_, digest) in made_from.items()
        if file in seals and (last / file).is_file() and _seal(digest, (last / file).read_bytes()) == seals[file]
    }
    for file in kept:
        _let_stand(last / file, building / file)
    written = {}
    for story in stories(published, [each for file, (each, _) in made_from.items() if file not in kept]):
        file = page_of(story.vehicle_id)
        page = {"name": file, "title": story.vehicle_id, "question": QUESTION}
        html = template.render(page=page, **shared, **vehicle.contents(story)).encode()
        (building / file).write_bytes(html)
        written[file] = _seal(made_from[file][1], html)
    return kept | written


def write_today(published: Snapshot, assets: Path, *, shared: dict[str, Any]) -> None:
    """Write what the script fills into the vehicles' pages: whose figures, and how each told vehicle stands."""
    told = standings(published, sorted(published.told_vehicles))
    vehicles = {page_of(vehicle_id): asdict(standing) for vehicle_id, standing in told.items()}
    words = json.dumps({**shared, "vehicles": vehicles}, indent=0)
    (assets / TODAY).write_text(f'"use strict";\nconst today = {words};\n', encoding="utf-8")


def _let_stand(last: Path, new: Path) -> None:
    """Put a page of the last report into the new one too."""
    try:
        os.link(last, new)
    except OSError:  # a file system without hard links
        shutil.copyfile(last, new)


def _seal(made_from: str, page: bytes) -> str:
    return sha256(made_from.encode() + page).hexdigest()


def _digests(published: Snapshot) -> dict[str, str]:
    """Tell for each told vehicle by a digest what its page is made from: its rows, in whatever order, and the code."""
    code, vehicles = _code_digest(), sorted(published.told_vehicles)
    told = {vehicle_id: [code] for vehicle_id in vehicles}
    for name, rows in story_records(published, vehicles).items():
        hashed = rows.select("vehicle_id", row=rows.hash_rows()).sort("vehicle_id", "row")
        for vehicle_id, hashes in hashed.group_by("vehicle_id", maintain_order=True).agg("row").iter_rows():
            told[vehicle_id].append(f"{name} {hashes}")
    return {vehicle_id: sha256("\n".join(parts).encode()).hexdigest() for vehicle_id, parts in told.items()}


def _code_digest() -> str:
    """Digest every source file that has a say in a page."""
    rooms = [Path(path) for room in (dashboards, models) for path in room.__path__]
    files = sorted(path for room in rooms for path in room.rglob("*") if path.suffix in CODE_SUFFIXES)
    parts = [f"{name} {version(name)}".encode() for name in LIBRARIES] + [path.read_bytes() for path in files]
    return sha256(b"\n".join(parts)).hexdigest()
