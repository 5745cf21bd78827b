"""What is allowed in the data but surprising: most of it is shown, one is bad enough to stop a run.

Each surprise is a query that returns items (a load, a site, a whole table) with the rows looked at and those that are
out of the ordinary. The share of an item's rows is compared with a threshold of `models.settings.ChecksRules`.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import duckdb
import polars as pl

from models.notes.lexicon import END, Lexicon, PhraseTree, lexicons
from models.settings import ChecksRules, Settings
from models.tables import conform, layer_of
from models.tables.audit import Checks
from pipelines.validation.suites import FIGURE_PLACES, SHOWN_VALUES
from pipelines.warehouse import statement


@dataclass(frozen=True)
class Surprise:
    """Something that is rare in good data.

    Args:
        name: Short name in words joined by '_', unique within the table.
        table: The table it is shown with.
        column: The column it is shown with.
        threshold: Name of the setting that says how large a share is allowed.
        means: What holds where there is no surprise.
        remedy: What to do about one.
        is_blocking: Whether it stops the run.
        is_any_size: Whether an item counts however few rows it has.
        counts: What its rows are, in the plural.
    """

    name: str
    table: str
    column: str
    threshold: str
    means: str
    remedy: str
    is_blocking: bool = False
    is_any_size: bool = False
    counts: str = "rows"

    @property
    def query(self) -> str:
        """`pipelines/sql/checks_<name>.sql`: items with `rows_checked` and `rows_failed`.

        It may bind `$recent_days` and `$loads_compared`, and read `known_words`.
        """
        return statement(f"checks_{self.name}")


def surprises_of(table: str) -> list[Surprise]:
    """The surprises shown with one table."""
    return [surprise for surprise in SURPRISES if surprise.table == table]


def look(connection: duckdb.DuckDBPyConnection, surprises: list[Surprise], *, settings: Settings) -> pl.DataFrame:
    """Look for surprises in the working file.

    Args:
        connection: An open connection to it.
        surprises: What to look for.
        settings: The thresholds, and the words added to the lexicon.

    Returns:
        A `Checks` frame, one row a surprise.
    """
    connection.register("known_words", _known_words(lexicons(settings.lexicon).work))
    rows = [_looked(connection, surprise, settings.checks) for surprise in surprises]
    return conform(pl.DataFrame(rows, schema=Checks.create_empty().schema), Checks)


def _looked(connection: duckdb.DuckDBPyConnection, surprise: Surprise, rules: ChecksRules) -> dict[str, Any]:
    """One surprise's result: the items with the largest shares decide."""
    bound = {name: getattr(rules, name) for name in ("recent_days", "loads_compared") if f"${name}" in surprise.query}
    fewest = 1 if surprise.is_any_size else rules.min_rows
    items = (
        connection.sql(surprise.query, params=bound or None)
        .pl()
        .filter(pl.col("rows_checked") >= fewest)
        .with_columns(share=(pl.col("rows_failed") / pl.col("rows_checked")).round(FIGURE_PLACES))
        .sort(["share", "item"], descending=[True, False])
    )
    threshold = float(getattr(rules, surprise.threshold))
    beyond = items.filter(pl.col("share") > threshold)
    return {
        "layer": layer_of(surprise.table),
        "table_name": surprise.table,
        "check_name": surprise.name,
        "column_name": surprise.column,
        "passed": beyond.is_empty(),
        "is_blocking": surprise.is_blocking,
        "rows_checked": int(items["rows_checked"].sum()),
        "rows_failed": int(items["rows_failed"].sum()),
        "figure": items["share"].first() if items.height else None,
        "threshold": threshold,
        "detail": f"{_detail(items, beyond, counts=surprise.counts)} (up to {100 * threshold:g}% is usual)"
        if items.height
        else f"nothing to judge yet: it takes {fewest} {surprise.counts}",
        "means": surprise.means,
        "remedy": surprise.remedy + f" The limit is checks.{surprise.threshold} in settings.toml.",
    }


def _detail(items: pl.DataFrame, beyond: pl.DataFrame, *, counts: str) -> str:
    """What was found: the largest share, or each that is beyond the threshold."""
    shown = items.head(1) if beyond.is_empty() else beyond.head(SHOWN_VALUES)
    said = "; ".join(
        f"{row['share']:.1%} of {row['rows_checked']:,} {counts}" + (f": {row['item']}" if row["item"] else "")
        for row in shown.iter_rows(named=True)
    )
    return said + (f"; and {beyond.height - SHOWN_VALUES} more" if beyond.height > SHOWN_VALUES else "")


@lru_cache(maxsize=1)
def _known_words(lexicon: Lexicon) -> pl.DataFrame:
    """Every word the reader of notes and orders has a use for, in a frame of one column `word`."""
    spellings = {*lexicon.spellings, *lexicon.plain_words, *_phrase_words(lexicon.phrases)}
    return pl.DataFrame({"word": sorted({word for spelling in spellings for word in spelling.split()})})


def _phrase_words(tree: PhraseTree) -> Iterator[str]:
    """The words in a tree of phrases."""
    for word, rest in tree.items():
        if word != END:
            yield word
            yield from _phrase_words(rest)


SURPRISES = (
    Surprise(
        "load_volume",
        "loads",
        "rows_read",
        "volume_change_share",
        "The newest file of each source brings about as many rows as its last ones.",
        "Ask the workshop whether the export is whole. A file of corrections may be small: then nothing is to be done.",
    ),
    Surprise(
        "rows_refused",
        "loads",
        "refused",
        "refused_share_warns",
        "Of the last files of each source few rows are refused; rows waiting for their vehicle do not count.",
        "Look at the refused rows by reason on this page, and mend the export or the source map.",
    ),
    Surprise(
        "most_rows_refused",
        "loads",
        "refused",
        "refused_share_blocks",
        "The newest file of each source is readable for the greater part; rows waiting for their vehicle do not count.",
        "See refused_rows for the reasons. Mend the source map, or put a corrected file into the inbox: it is judged "
        "then.",
        is_blocking=True,
    ),
    Surprise(
        "files_unreadable",
        "loads",
        "problem",
        "unreadable_files_share",
        "Every file in the inbox can be read.",
        "The list of files says what is wrong with each. The others are loaded; mend it or take it out of the inbox.",
        is_any_size=True,
        counts="files",
    ),
    Surprise(
        "late_corrections",
        "loads",
        "overruled",
        "late_corrections_share",
        "No file that arrives later is overruled by one that was there before.",
        "Of two files that contradict each other the one whose name sorts later stands. If the later one is right, put "
        "it into the inbox under a name that sorts after the other, such as the other's with '_corrected' at its end.",
        is_any_size=True,
    ),
    Surprise(
        "early_months",
        "loads",
        "loaded_at",
        "early_month_share",
        "The days of the month in a file are spread from the 1st to the 31st.",
        "Days up to the 12th alone mean that day and month are swapped: correct the date order in the source map.",
    ),
    Surprise(
        "one_day",
        "loads",
        "loaded_at",
        "one_day_share",
        "No single day holds a large part of a file's rows.",
        "A system fills in a day where none was noted, often that of a migration. Have the true dates exported.",
    ),
    Surprise(
        "rows_held",
        "refused_rows",
        "value",
        "held_share",
        "Every order, top-up, note, reading and fitment names a vehicle that is known, and every job card an order.",
        "Put the vehicles or orders they name into the inbox; the rows are released by themselves. Many at once mean "
        "that vehicles were renumbered.",
        is_any_size=True,
    ),
    Surprise(
        "families_unknown",
        "vehicles",
        "engine_family",
        "families_unknown_share",
        "Every vehicle's engine family has its row of reference.",
        "Add the family to the engine families' file: until then its engines count as having a single cover.",
        is_any_size=True,
        counts="vehicles",
    ),
    Surprise(
        "before_service",
        "vehicles",
        "in_service_on",
        "before_service_share",
        "Few records of a vehicle are older than its first day in service.",
        "Correct the first days in the register, or look for vehicle numbers that were given out twice.",
    ),
    Surprise(
        "new_codes",
        "work_orders",
        "job_code",
        "new_values_share",
        "Recent orders carry the sites, job codes and status words that were in use before.",
        "Where one was renamed, translate it in the source map's values, so that before and after count together.",
        counts="orders",
    ),
    Surprise(
        "quiet_site",
        "work_orders",
        "site",
        "quiet_site_share",
        "Every site with vehicles in service sends about as many orders as in the year before.",
        "Ask the site whether its export still runs: no orders look like no leaks.",
        counts="orders",
    ),
    Surprise(
        "completed_early",
        "work_orders",
        "completed_on",
        "completed_early_share",
        "Few orders are completed before they were opened.",
        "See whether the two columns, or day and month, are swapped in the source map.",
        counts="orders",
    ),
    Surprise(
        "unwatched_vehicles",
        "inspection_notes",
        "vehicle_id",
        "unwatched_vehicles_share",
        "Most vehicles with orders also have notes or top-ups.",
        "Add the inspection notes or the oil log of the site: without them its repairs cannot be judged.",
        counts="vehicles",
    ),
    Surprise(
        "new_words",
        "inspection_notes",
        "text",
        "new_words_share",
        "The newest notes are written in words that earlier notes or the lexicon hold.",
        "Read some of the new notes: 'releak statements' shows what is understood of them; teach the lexicon the rest.",
        counts="words",
    ),
    Surprise(
        "unknown_words",
        "inspection_notes",
        "text",
        "unknown_words_share",
        "The lexicon knows a good part of each source's words.",
        "Notes in another language are not understood and count as saying nothing: map another column, or teach the "
        "lexicon.",
        counts="words",
    ),
    Surprise(
        "odometer_missing",
        "odometer_curve",
        "odometer_km",
        "odometer_missing_share",
        "Most orders, top-ups and notes of each source carry an odometer.",
        "Map the odometer's column where the export has one, or add the fuel pump's or the telematics' readings.",
    ),
    Surprise(
        "readings_set_aside",
        "odometer_curve",
        "is_used",
        "readings_set_aside_share",
        "Few odometer readings contradict the others.",
        "See the column 'use' of odometer_curve: 'other units' asks for the unit in the source map, 'too fast' for the "
        "right column.",
        counts="readings",
    ),
    Surprise(
        "unstated_methods",
        "cover_work",
        "repair_method",
        "unstated_methods_share",
        "Most cover repairs say what was renewed.",
        "Ask the site to write gasket, seals and bolts into the work done or the parts, or to return job cards.",
        counts="repairs",
    ),
)
"""Every surprise, in the order of the tables they are shown with."""
