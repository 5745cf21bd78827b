"""What was loaded, refused, checked and published."""

import dataframely as dy
import polars as pl

from models.tables.columns import count, day, flag, key, moment, one_of, share, words
from models.tables.records import TABLES as RECORD_KINDS


class Loads(dy.Schema):
    """A file's rows of one kind, and what became of each: nothing is lost."""

    load_id = key("load")
    source = words("name of the source map, or the kind where none was needed", nullable=False)
    file = words("file as found in the inbox", nullable=False)
    also_named = words("other files of the inbox that hold the same, byte by byte")
    kind = one_of(tuple(RECORD_KINDS), "record kind", nullable=True)
    loaded_at = moment("when it was read")
    content_digest = words("SHA-256 of the file", nullable=False)
    rows_read = count("rows read")
    accepted = count("rows that stand in the records")
    refused = count("rows refused, with a reason")
    duplicate = count("rows that repeat another")
    superseded = count("rows replaced by a later file")
    overruled = count("of these, rows replaced by a file that had arrived before and whose name sorts later")
    problem = words("why nothing could be read")

    @dy.rule()
    def rows_add_up(cls) -> pl.Expr:
        """Every row read is accepted, refused, duplicate or superseded."""
        return pl.col("rows_read") == pl.sum_horizontal("accepted", "refused", "duplicate", "superseded")


class RefusedRows(dy.Schema):
    """A row that was refused, with the first column that was wrong."""

    load_id = key("load")
    file = words("file", nullable=False)
    row_number = dy.Int64(primary_key=True, min=0, description="row in the file, the header being row 1")
    kind = one_of(tuple(RECORD_KINDS), "record kind", nullable=True)
    column_name = words("canonical column", nullable=False)
    value = words("what it held")
    reason = words("why it was refused and what to do", nullable=False)


class Checks(dy.Schema):
    """The result of one check of one table, in words."""

    layer = words("layer", nullable=False)
    table_name = key("table")
    check_name = key("check")
    column_name = words("column", nullable=False)
    passed = flag("whether it held")
    is_blocking = flag("whether a failure stops publishing")
    rows_checked = count("rows looked at")
    rows_failed = count("rows that broke it")
    figure = share("largest share that broke it: of the table, or of one load, site or file", nullable=True)
    threshold = share("largest share allowed", nullable=True)
    detail = words("what was found", nullable=False)
    means = words("what holds where the check passes", nullable=False)
    remedy = words("what to do where it does not", nullable=False)


class CheckHistory(dy.Schema):
    """A run in which the outcome or the figure of a check changed; the newest changes of each check are kept."""

    table_name = key("table")
    check_name = key("check")
    change = dy.Int64(primary_key=True, min=1, description="1 for the first result, then one more each change")
    checked_at = moment("when the check ran")
    passed = flag("whether it held")
    is_blocking = flag("whether a failure stopped publishing")
    figure = share("largest share that broke it", nullable=True)
    detail = words("what was found", nullable=False)


class Snapshots(dy.Schema):
    """What was published, from what, when."""

    snapshot_id = key("snapshot")
    published_at = moment("when")
    as_of = day("date the figures are true as of")
    settings_json = words("settings that made it", nullable=False)
    input_digest = words("SHA-256 over the loads it was made from", nullable=False)


TABLES: dict[str, type[dy.Schema]] = {
    "loads": Loads,
    "refused_rows": RefusedRows,
    "checks": Checks,
    "check_history": CheckHistory,
    "snapshots": Snapshots,
}
