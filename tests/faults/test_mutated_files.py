"""A slice of the corpus of mutated files goes from the inbox to typed records without a fault; all of it by hand."""

import importlib.util
import sys
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("mutated_files", Path(__file__).with_name("mutated_files.py"))
assert _spec is not None
assert _spec.loader is not None
corpus = importlib.util.module_from_spec(_spec)
sys.modules[_spec.name] = corpus
_spec.loader.exec_module(corpus)

FILES_TAKEN = 160
GROUPS = 8


@pytest.mark.parametrize("group", range(GROUPS))
def test_mutated_files_are_read_or_answered_and_nothing_is_lost(tmp_path: Path, group: int) -> None:
    usual = [number for number in range(1_000) if corpus.MUTATIONS[number % len(corpus.MUTATIONS)] in corpus.USUAL]
    faults = {}
    for number in usual[group : FILES_TAKEN * 2 : 2 * GROUPS]:
        file = corpus.mutated_file(number, seed=2)
        if fault := corpus.verdict(file, tmp_path / str(number)):
            faults[number, file.mutation] = fault
    assert not faults
