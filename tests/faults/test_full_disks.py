"""A disk that fills up at any moment of a run: one plain sentence, the old snapshot answers, and a rerun mends it."""

import os
import random
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipelines.home import Home
from tests.faults import runs

FULL_DISKS = int(os.environ.get("RELEAK_FULL_DISKS", "1"))
"""How many runs find a full disk; more with the environment variable, by hand."""
SEED = 20260630
AMPLE_BYTES = 1 << 30
DISKS = ("", "warehouse", "published")
"""What lies on a disk of its own, as a path in the home."""
SURELY_TOO_LITTLE = 0.8
"""A run needs at least this share of the room that what it makes takes up, the inbox included."""


def _mount(folder: Path, size: int, *options: str) -> None:
    words = ["mount", "-t", "tmpfs", "-o", ",".join([f"size={size}", *options]), "tmpfs", str(folder)]
    subprocess.run(words, check=True, capture_output=True)


@contextmanager
def _disk_for(folder: Path) -> Iterator[Path]:
    """Put a folder's content on a disk of its own, which is ample at first."""
    content = folder.with_name(f"{folder.name} before")
    folder.rename(content)
    folder.mkdir()
    try:
        _mount(folder, AMPLE_BYTES)
    except (OSError, subprocess.CalledProcessError) as error:
        pytest.skip(f"only who may mount can fill a disk: {error}")
    try:
        shutil.copytree(content, folder, symlinks=True, dirs_exist_ok=True)
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


def _used_bytes(folder: Path) -> int:
    disk = os.statvfs(folder)
    return (disk.f_blocks - disk.f_bfree) * disk.f_frsize


@contextmanager
def _room(folder: Path, free: int) -> Iterator[None]:
    """Leave so much room on a disk, for a time."""
    _mount(folder, _used_bytes(folder) + free, "remount")
    yield
    _mount(folder, AMPLE_BYTES, "remount")


@pytest.mark.timeout(7_200)
def test_a_disk_that_fills_up_stops_a_run_with_one_sentence_and_loses_nothing() -> None:
    chance = random.Random(SEED)
    with runs.scratch_folder() as folder:
        home = runs.lay_out_fleet(folder / "fleet")
        runs.finish(home)
        expected = runs.published(home)
        made = {disk: _bytes_below(home.path / disk) for disk in DISKS}
        shutil.rmtree(home.warehouse.parent)
        for number in range(FULL_DISKS):
            disk = DISKS[number % len(DISKS)]
            free = int(chance.uniform(0, SURELY_TOO_LITTLE) * made[disk])
            _fill_up(runs.copy_of(home, folder / str(number)), disk, free, expected)


def _bytes_below(folder: Path) -> int:
    return sum(file.lstat().st_size for file in folder.rglob("*"))


def _fill_up(home: Home, own_disk: str, free: int, expected: runs.Tables) -> None:
    """Build a home anew from its inbox with too little room on a disk for all that it makes, then with enough."""
    home.prepare()
    with _disk_for(home.path / own_disk) as disk:
        with _room(disk, free):
            code, said = runs.command("run", "--home", home.path, "--as-of", str(runs.AS_OF))
            assert runs.differing(runs.published(home), expected) == [], "the last snapshot answers"
        assert (code, said.count("\n")) == (1, 1), f"{own_disk} with {free} bytes free: {said}"
        assert said.startswith(f"releak: {home.path}"), said
        assert "the disk is full. Free some space" in said
        runs.finish(home)
        assert runs.differing(runs.published(home), expected) == []
