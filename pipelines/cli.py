"""The command: `releak`. It parses words and prints answers; the work is done elsewhere and loaded only when needed."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.errors import ReleakError, UsageError

if TYPE_CHECKING:
    import polars as pl

DEFAULT_HOME = Path("releak-home")
FORMATS = ("table", "csv", "json")

_home = click.option(
    "--home",
    type=click.Path(path_type=Path, file_okay=False),
    default=DEFAULT_HOME,
    show_default=True,
    help="Folder with inbox/, settings.toml and what runs make.",
)


class _Day(click.ParamType):
    """A calendar day written as YYYY-MM-DD."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Parse the day, or say how one is written."""
        try:
            return datetime.strptime(value, "%Y-%m-%d").date() if isinstance(value, str) else value  # noqa: DTZ007
        except ValueError:
            self.fail(f"{value!r} is not a day; write it as YYYY-MM-DD, like 2026-06-30", param, ctx)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="releak")
def cli() -> None:
    """Find out which rocker-cover gasket repairs leaked again, how soon, and which vehicles to look at next.

    Put a fleet's exports (work orders, oil top-ups, inspection notes, vehicles) into HOME/inbox, then:

    \b
      releak run --home HOME         read them, compute, publish, write the pages
      releak query "FROM episodes"   ask the published tables anything
      releak demo                    see it all on an invented fleet first
    """


@cli.command()
@click.option(
    "--home",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo"),
    show_default=True,
    help="Folder to build the demo in.",
)
def demo(home: Path) -> None:
    """Build everything from the invented sample fleet and print where the pages are.

    \b
    Example:
      releak demo --home demo
    """
    from pipelines.demo import lay_out

    lay_out(home)
    _refresh(home, None, None)


@cli.command()
@_home
@click.option(
    "--sources",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File with the source maps  [default: HOME/sources.toml]",
)
@click.option("--as-of", type=_Day(), help="Day the figures are true as of  [default: the settings', else today]")
def run(home: Path, sources: Path | None, as_of: Any) -> None:
    """Take the inbox through every layer, publish a snapshot and write the pages.

    Reading the same files twice changes nothing. While it runs, queries and pages show the last snapshot.

    \b
    Example:
      releak run --home fleet --as-of 2026-06-30
    """
    _refresh(home, sources, as_of)


@cli.command()
@click.argument("sql")
@_home
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
def query(sql: str, home: Path, form: str) -> None:
    """Ask the published snapshot a question in SQL (DuckDB's).

    \b
    Examples:
      releak query "SHOW TABLES" --home demo
      releak query "SELECT * FROM flags ORDER BY priority LIMIT 10" --home demo --format csv
    """
    import duckdb

    from pipelines.home import Home
    from pipelines.publishing import read_published

    try:
        answer = read_published(Home(home), sql)
    except duckdb.Error as error:
        raise UsageError(f"The query cannot be answered: {_one_line(error)}") from error
    _print_frame(answer, form)


@cli.command()
@click.argument("measure")
@_home
@click.option("--family", "engine_family", help="Engine family  [default: all]")
@click.option("--method", "repair_method", help="Repair method  [default: all]")
@click.option("--site", help="Site of the repair  [default: all]")
@click.option("--step", help="Job step, for step_effects")
@click.option("--level", help="What the job card says of it: skipped, or not recorded")
@click.option("--scale", "time_scale", help="What time is counted in  [default: days]")
@click.option("--horizon", type=float, help="Where it stops counting  [default: the middle one published]")
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
def explain(measure: str, *, home: Path, horizon: float | None, form: str, **chosen: str | None) -> None:
    """Say how a published figure is figured and list the episodes behind it, with what each adds to it.

    MEASURE is a table of figures, such as recurrence, or one of its columns, such as recurrence.rate. As CSV only the
    episodes are written.

    \b
    Examples:
      releak explain recurrence --method gasket --horizon 180 --home demo
      releak explain site_comparison --site Sarnholt --home demo --format csv
    """
    from dashboards.explaining import explain as find
    from pipelines.home import Home

    found = find(Home(home).snapshot(), measure, horizon=horizon, **chosen)
    if form == "csv":
        _print_frame(found.episodes, form)
    elif form == "json":
        _print_json({"words": found.words, "figure": found.figure, "episodes": found.episodes.to_dicts()})
    else:
        _print_sections(found.words | {"The figure": _lines(found.figure)})
        _print_frame(found.episodes, form)


@cli.command()
@click.argument("vehicle")
@_home
def story(vehicle: str, home: Path) -> None:
    """Tell a vehicle's story: repairs, notes with the words that were read, oil, and how each repair ended.

    \b
    Example:
      releak story U-000108 --home demo
    """
    from dashboards.snapshot import opened
    from dashboards.stories import as_text, story_of
    from pipelines.home import Home

    with opened(Home(home).snapshot()) as snapshot:
        for line in as_text(story_of(snapshot, vehicle)):
            click.echo(line)


@cli.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--column", default="text", show_default=True, help="Column that holds the notes.")
@_home
def statements(file: Path, column: str, home: Path) -> None:
    """Read the notes in any CSV and write the leak statements found in them, as CSV, to standard output.

    A row of output is one statement: the note's row (the first below the header is 1), what leaks, whether it does,
    where, how badly, and the characters that say so. Words added in HOME/lexicon.toml are read too.

    \b
    Example:
      releak statements notes.csv --column finding > statements.csv
    """
    from pipelines.home import Home
    from pipelines.settings import read_lexicon
    from pipelines.statements import statements as read

    _print_frame(read(file, column, added=read_lexicon(Home(home).lexicon_file)), "csv")


@cli.command()
@_home
@click.option("--file", type=click.Path(path_type=Path), help="CSV of notes to read  [default: the published records]")
@click.option("--column", default="text", show_default=True, help="Column of FILE that holds the notes.")
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
def lexicon(home: Path, file: Path | None, column: str, form: str) -> None:
    """Show which notes and orders read differently with the words that HOME/lexicon.toml adds, and how.

    Each text is shown before and after, with the words that were read marked. The next run reads with the added words.

    \b
    Examples:
      releak lexicon --home fleet
      releak lexicon --home fleet --file notes.csv --column finding
    """
    from pipelines.home import Home
    from pipelines.rereading import added_words, reread_file, reread_home, tell

    added = added_words(Home(home))
    with _bar("Reading") as advance:
        found = reread_file(file, column, added) if file else reread_home(Home(home), added, advance)
    if form == "csv":
        _print_frame(found.changed, form)
    elif form == "json":
        frames = {"texts": found.changed, "counts": found.counts, "orders": found.orders}
        _print_json({name: frame.to_dicts() for name, frame in frames.items()})
    else:
        click.echo("\n".join(tell(found, width=_width())))
        click.echo()
        _print_frame(found.counts, form)


@cli.command("map")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="New file  [default: standard output]")
@click.option("--sheet", help="Sheet of a workbook  [default: the one whose header is known best]")
def draft(file: Path, out: Path | None, sheet: str | None) -> None:
    """Draft a source map for an export that none describes yet, from its names and its first rows.

    Each guess says why and how sure it is; what only a person can know is listed at the end. No file is overwritten.

    \b
    Example:
      releak map exports/orders_2026.csv --out draft.toml
    """
    from pipelines.sources.drafting import as_toml, draft_map, write_new

    text = as_toml(draft_map(file, sheet=sheet))
    if out is None:
        click.echo(text, nl=False)
    else:
        write_new(out, text)
        click.echo(out)


@cli.command()
@click.option("--vehicles", type=click.IntRange(1, 10_000_000), default=400, show_default=True)
@click.option("--years", type=click.FloatRange(0.1, 30), default=5.0, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder to write.")
def simulate(vehicles: int, years: float, seed: int, out: Path) -> None:
    """Draw an invented fleet with known truth and write it as four sites would export it.

    OUT gets inbox/, sources.toml and settings.toml, so it is a home to run, and truth/, which no run reads.

    \b
    Example:
      releak simulate --vehicles 2000 --years 5 --seed 7 --out fleet
    """
    from pipelines.simulating import simulate as write

    with _bar("Simulating") as advance:
        write(out, vehicles=vehicles, years=years, seed=seed, progress=advance)
    click.echo(out)


@cli.command()
@_home
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder  [default: HOME/report]")
def report(home: Path, out: Path | None) -> None:
    """Write the pages anew from the published snapshot and print where they are.

    \b
    Example:
      releak report --home demo --out /srv/pages
    """
    from dashboards.report import write_report
    from pipelines.home import Home

    where = Home(home)
    click.echo(write_report(where.snapshot(), out or where.report))


def main() -> None:
    """Run the command; errors are one plain sentence on standard error, with exit code 1 (data) or 2 (words).

    With RELEAK_TRACEBACK set, an error nobody foresaw is shown with its traceback.
    """
    try:
        sys.exit(cli.main(standalone_mode=False))
    except ReleakError as error:
        _fail(str(error), error.exit_code)
    except click.Abort:
        _fail("Stopped; the last published snapshot keeps serving.", 1)
    except click.ClickException as error:
        said = error.format_message().rstrip(".")
        _fail(f"{said}{'' if said.endswith('?') else '.'} See '{_command(error)} --help'.", UsageError.exit_code)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except Exception as error:
        from pipelines.refusals import refusal

        if refused := refusal(error):
            _fail(str(refused), refused.exit_code)
        if os.environ.get("RELEAK_TRACEBACK"):
            raise
        what = f"{type(error).__name__}: {_one_line(error)}"
        _fail(
            f"Unforeseen, and a fault of Releak: {what}. Nothing new was published; RELEAK_TRACEBACK=1 shows more.", 1
        )


def _command(error: click.ClickException) -> str:
    """The command whose words were off."""
    context = getattr(error, "ctx", None)
    return context.command_path if context else "releak"


def _fail(message: str, code: int) -> None:
    """Say what went wrong and leave."""
    click.echo(f"releak: {message}", err=True)
    sys.exit(code)


def _refresh(home: Path, sources: Path | None, as_of: Any) -> None:
    """Run the graph with a progress bar and print where the pages are."""
    from pipelines.home import Home
    from pipelines.publishing import left_out_of
    from pipelines.refreshing import refresh

    where = Home(home.absolute(), sources and sources.absolute())
    with _bar("Starting") as advance:
        done = refresh(where, as_of=as_of, on_step=advance)
    for left_out in left_out_of(where):
        click.echo(f"releak: {left_out}", err=True)
    click.echo(done.report)


@contextmanager
def _bar(title: str) -> Iterator[Callable[[str, int], None]]:
    """Show a progress bar on standard error; call what it yields with the step that starts and the number of steps."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:<28}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    console = Console(file=sys.stderr)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task(title, total=None, completed=-1)

        def advance(step: str, total: int) -> None:
            progress.update(task, description=step, total=total, advance=1)

        yield advance


def _print_frame(frame: "pl.DataFrame", form: str) -> None:
    """Print a frame as a table, CSV or JSON; lists are written as JSON in CSV, which has none."""
    import polars as pl

    if form == "json":
        click.echo(frame.write_json())
    elif form == "csv":
        lists = [name for name, dtype in frame.schema.items() if dtype.is_nested()]
        flat = frame.with_columns(pl.col(lists).map_elements(_as_json, return_dtype=pl.String)) if lists else frame
        click.echo(flat.write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ"), nl=False)
    else:
        _print_table(frame)


def _print_table(frame: "pl.DataFrame") -> None:
    """Print a row a line where the terminal is wide enough, else a value a line, row by row."""
    import polars as pl

    unwrapped = 10_000
    with pl.Config(
        tbl_rows=-1, tbl_cols=-1, tbl_width_chars=unwrapped, fmt_str_lengths=60, tbl_hide_dataframe_shape=True
    ):
        table = str(frame)
    if frame.is_empty() or len(table.partition("\n")[0]) <= _width():
        click.echo(table)
        return
    longest = max(map(len, frame.columns))
    for number, row in enumerate(frame.iter_rows(named=True), start=1):
        click.echo(f"-- row {number} of {frame.height}")
        for name, value in row.items():
            click.echo(f"{name:<{longest}}  {'' if value is None else value}")


def _width() -> int:
    """Characters a line of the terminal holds."""
    import shutil

    return shutil.get_terminal_size((120, 24)).columns


def _print_sections(sections: dict[str, str]) -> None:
    """Print texts under their headings, wrapped to 100 characters."""
    import textwrap

    for heading, text in sections.items():
        click.echo(heading)
        for line in text.splitlines():
            click.echo(textwrap.fill(line, 100, initial_indent="  ", subsequent_indent="    "))
        click.echo()


def _lines(row: dict[str, Any]) -> str:
    """A row with a value a line, leaving out what is empty."""
    return "\n".join(f"{name} = {value}" for name, value in row.items() if value is not None)


def _print_json(value: Any) -> None:
    """Print a value as JSON; days as they are written."""
    import json

    click.echo(json.dumps(value, default=str))


def _as_json(value: Any) -> str:
    """A nested value as JSON."""
    import json

    return json.dumps(list(value) if not isinstance(value, dict) else value, default=str)


def _one_line(error: Exception) -> str:
    """An error's message without its line breaks."""
    return " ".join(str(error).split())
