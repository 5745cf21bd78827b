"""How many repairs come back within the comeback window, by what was done, on what and where."""

import polars as pl

from models.measures.cube import cause_codes, label_codes
from models.measures.reasons import too_few, too_few_vehicles
from models.settings import EpisodeRules, MeasureRules
from models.statistics.aalen_johansen import incidence_at
from models.statistics.clustering import vehicle_clusters
from models.statistics.few_clusters import clustered_reach, effective_clusters
from models.statistics.risk_table import Ints, RiskTable, at_risk_at, count_up_to, known_until, risk_table
from models.tables import conform
from models.tables.measures import COMEBACK_ATTRIBUTES, ComebackShares

KEYS = ("attribute", "attribute_value")
WHOLE_WINDOW = 1.0


def comeback_shares(episodes: pl.DataFrame, *, rules: MeasureRules, window: EpisodeRules) -> pl.DataFrame:
    """Cumulative incidence of a comeback over the comeback window, for every value of every attribute.

    An episode's time is the share of the window it has used up, by days or by kilometres, whichever is further (days
    alone where its distance is not known): a comeback is a re-leak at a time of 1 or less. A repair not watched through
    the window counts for as long as it was, and a competing end as one. Nothing is adjusted for.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        rules: Level and the least a figure may rest on.
        window: The comeback window.

    Returns:
        As `models.tables.measures.ComebackShares`, sorted by its keys.
    """
    told = _by_attribute(episodes.with_columns(time=window_used(window)))
    cells = told.select(KEYS).unique().sort(KEYS)
    counted = told.join(cells.with_row_index("cell"), on=KEYS).sort("cell", "time", "vehicle_id", "episode_id")
    table = risk_table(
        counted["time"].to_numpy(), cause_codes(counted), group=counted["cell"].to_numpy(), groups=len(cells)
    )
    shown = _shares(cells, table, label_codes(counted["vehicle_id"]), rules=rules).with_columns(
        reason=pl.coalesce(too_few(rules=rules, event="comeback"), too_few_vehicles(), _not_watched_through())
    )
    figures = ("rate", "low", "high", "standard_error")
    shown = shown.with_columns(pl.when(pl.col("reason").is_null()).then(pl.col(figure)) for figure in figures)
    return conform(shown, ComebackShares)


def window_used(window: EpisodeRules) -> pl.Expr:
    """Share of the comeback window an episode was watched for; above 1 where it was watched beyond."""
    return pl.max_horizontal(pl.col("days") / window.comeback_days, pl.col("km") / window.comeback_km)


def _by_attribute(episodes: pl.DataFrame) -> pl.DataFrame:
    """Repeat every episode for each of its attributes, and once for all of them."""
    flags = [name for name in COMEBACK_ATTRIBUTES if episodes.schema[name] == pl.Boolean]
    in_words = (pl.when(flag).then(pl.lit("yes")).otherwise(pl.lit("no")).alias(flag) for flag in flags)
    return episodes.with_columns(*in_words, pl.lit("").alias("")).unpivot(
        on=["", *COMEBACK_ATTRIBUTES],
        index=["episode_id", "vehicle_id", "time", "status"],
        variable_name="attribute",
        value_name="attribute_value",
    )


def _shares(cells: pl.DataFrame, table: RiskTable, vehicle: Ints, *, rules: MeasureRules) -> pl.DataFrame:
    """Shares and counts, shown or not."""
    clusters = vehicle_clusters(table, vehicle)
    vehicles = effective_clusters(clusters, table.groups)
    reach = clustered_reach(vehicles, confidence=rules.confidence)
    share = incidence_at(table, WHOLE_WINDOW, clusters=clusters, reach=reach)
    columns = {
        "rate": share.estimate,
        "low": share.low,
        "high": share.high,
        "standard_error": share.standard_error,
        "n": table.sizes,
        "events": count_up_to(table, table.events, WHOLE_WINDOW),
        "competing": count_up_to(table, table.competing, WHOLE_WINDOW),
        "at_risk": at_risk_at(table, WHOLE_WINDOW),
        "vehicles": vehicles,
        "known_until": known_until(table, table.events + table.competing),
    }
    return cells.with_columns(pl.Series(name, values.ravel(), nan_to_null=True) for name, values in columns.items())


def _not_watched_through() -> pl.Expr:
    """Say that no repair was watched to the window's end; null where one was."""
    return pl.when(pl.col("known_until") < WHOLE_WINDOW).then(pl.lit("not watched through the comeback window"))
