"""The command's words: exit codes, and errors as one plain sentence on standard error."""

import subprocess
import sys
from pathlib import Path
from time import perf_counter

import pytest

RELEAK = Path(sys.executable).with_name("releak")


def _releak(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([RELEAK, *words], capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["query"], 2, "Missing argument 'SQL'"),
        (["qury", "x"], 2, "No such command"),
        (["run", "--hom", "fleet"], 2, "'--home'? See 'releak run --help'."),
        (["run", "--as-of", "30/06/2026"], 2, "YYYY-MM-DD"),
        (["query", "FROM episodes", "--home", "{tmp}/none"], 1, "no published snapshot"),
        (["report", "--home", "{tmp}/none"], 1, "no published snapshot"),
        (["run", "--home", "{tmp}/file"], 2, "is a file"),
        (["run", "--home", "{tmp}/empty"], 1, "is empty"),
        (["run", "--home", "{tmp}/empty", "--sources", "{tmp}/none.toml"], 1, "none.toml"),
        (["statements", "{tmp}/none.csv"], 1, "none.csv"),
        (["statements", "{tmp}/notes.csv", "--column", "words"], 2, "text"),
        (["lexicon", "--home", "{tmp}/mine"], 2, "lexicon.toml does not exist"),
        (["demo", "--home", "{tmp}/mine"], 2, "not the demo's"),
    ],
)
def test_an_error_is_one_sentence_on_standard_error(tmp_path: Path, words: list[str], code: int, says: str) -> None:
    (tmp_path / "file").write_text("not a folder")
    (tmp_path / "notes.csv").write_text("text\ndry\n")
    (tmp_path / "mine" / "inbox").mkdir(parents=True)
    (tmp_path / "mine" / "inbox" / "ours.csv").write_text("x\n1\n")
    done = _releak(*(word.format(tmp=tmp_path) for word in words))
    assert (done.returncode, done.stdout) == (code, "")
    assert says in done.stderr
    assert done.stderr.startswith("releak: ")
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr


def test_help_loads_nothing_heavy() -> None:
    modules = "import sys; from pipelines.cli import cli; print(sorted({name.split('.')[0] for name in sys.modules}))"
    loaded = subprocess.run([sys.executable, "-c", modules], capture_output=True, text=True, check=True).stdout
    heavy = {"dagster", "great_expectations", "polars", "duckdb", "plotly", "pandas", "numpy", "scipy"}
    assert not heavy & set(eval(loaded))
    started = perf_counter()
    assert "Usage: releak" in _releak("--help").stdout
    assert perf_counter() - started < 30, "it hangs"
