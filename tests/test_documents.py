"""The two documents say what is in the tree, and the tree has nothing they hide."""

import re
from pathlib import Path

import click
import pytest

from models.tables import LAYERS
from models.tables.records import OPTIONAL_INPUT, REQUIRED_INPUT
from pipelines.cli import cli
from pipelines.sources import SourceMap

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pipelines", "models", "dashboards", "tests", "sample_data", "benchmarks"}
TOOL_FILES = {".gitattributes", "pyproject.toml", "requirements.lock", "Makefile", ".ci", ".gitignore", ".git"}
MADE_FILES = {"demo", "build", "releak.egg-info"}


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_every_path_a_document_names_exists(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    linked = re.findall(r"\]\((?!http)([^)#]+)", text)
    quoted = re.findall(r"`((?:models|pipelines|dashboards|tests|benchmarks|sample_data)/[\w./-]*)`", text)
    assert linked or quoted
    missing = [name for name in {*linked, *quoted} if not (ROOT / name).exists()]
    assert missing == []


def test_the_readme_names_every_command_and_no_other() -> None:
    named = set(re.findall(r"^\| `releak (\w+)", DOCUMENTS[0].read_text(encoding="utf-8"), flags=re.MULTILINE))
    assert named == set(cli.commands)


def test_the_readme_lists_every_column_of_every_kind_and_every_key_of_a_source_map() -> None:
    text = DOCUMENTS[0].read_text(encoding="utf-8")
    for kind, required in REQUIRED_INPUT.items():
        assert f"| `{kind}` | {', '.join(required)} | {', '.join(OPTIONAL_INPUT[kind])} |" in text
    unnamed = [key for key in SourceMap.model_fields if f"`{key}`" not in text]
    assert unnamed == ["format"], "the format follows from the file's name"


@pytest.mark.parametrize("name", sorted(cli.commands))
def test_every_command_has_an_example_in_its_help(name: str) -> None:
    help_text = cli.commands[name].get_help(click.Context(cli.commands[name], info_name=f"releak {name}"))
    assert f"releak {name}" in help_text.split("Example", 1)[1]


def test_every_make_target_a_document_names_exists() -> None:
    targets = set(re.findall(r"^(\w+):", (ROOT / "Makefile").read_text(encoding="utf-8"), flags=re.MULTILINE))
    named = {target for path in DOCUMENTS for target in re.findall(r"make (\w+)  ", path.read_text(encoding="utf-8"))}
    assert named
    assert named <= targets


def test_the_top_level_holds_the_rooms_and_what_tools_need() -> None:
    found = {path.name for path in ROOT.iterdir() if not path.name.endswith(("_cache", ".venv")) or path.is_file()}
    assert found - MADE_FILES - TOOL_FILES - {".hypothesis"} == TOP_LEVEL


def test_every_table_and_column_says_what_it_is() -> None:
    for tables in LAYERS.values():
        for table, schema in tables.items():
            assert schema.__doc__, table
            undescribed = [
                name
                for name, column in schema.columns().items()
                if not (column.description or (column.metadata or {}).get("unit"))
            ]
            assert undescribed == [], table
