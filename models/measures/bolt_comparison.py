"""Whether new bolts spare re-leaks: repairs with gasket and seals alone against those with new bolts as well."""

import numpy as np
import polars as pl

from models.measures.cube import cause_codes, label_codes, with_all_families
from models.measures.reasons import not_watched_that_long, too_few, too_few_vehicles
from models.settings import MeasureRules
from models.statistics.aalen_johansen import incidence_at, incidence_influences
from models.statistics.clustering import clustered_cross_products, vehicle_clusters
from models.statistics.few_clusters import clustered_reach, effective_clusters
from models.statistics.risk_table import Floats, Ints, RiskTable, count_up_to, known_until, risk_table
from models.tables import conform
from models.tables.measures import BoltComparison

METHODS = {"gasket_and_seals": "without", "gasket_seals_bolts": "with"}
"""The two repair methods that differ by the bolts alone, and which side of the comparison each is."""
SIDES = tuple(METHODS.values())


def bolt_comparison(episodes: pl.DataFrame, *, rules: MeasureRules) -> pl.DataFrame:
    """Difference in recurrence between the two kinds of repair by each horizon in days, for every family with both.

    The two rates are those of `recurrence`, null for the same reasons. The limits of the difference take it as normal
    (Newcombe, Statistics in Medicine 17 (1998) 873 calls this the simple Wald interval, rough under some 30 repairs a
    side); its standard error is clustered by vehicle over both sides together, since many vehicles have had both kinds.
    Nobody drew lots over which repair got new bolts.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        rules: Horizons, level and the least a figure may rest on.

    Returns:
        As `models.tables.measures.BoltComparison`, sorted by its keys.
    """
    pairs = _by_family(episodes)
    horizons = np.unique(rules.horizons_days)
    sides = _sides(pairs, horizons, rules=rules)
    figures = ("n", "events", "rate", "reason")
    return (
        sides.pivot(on="side", index=["engine_family", "horizon"], on_columns=SIDES, values=figures)
        .join(_standard_errors(pairs, horizons, confidence=rules.confidence), on=["engine_family", "horizon"])
        .pipe(_difference)
        .sort("engine_family", "horizon")
        .pipe(conform, BoltComparison)
    )


def _by_family(episodes: pl.DataFrame) -> pl.DataFrame:
    """Repairs of the two kinds under their family and under '', families with one kind only left out."""
    kept = episodes.filter(pl.col("repair_method").is_in(list(METHODS)))
    return (
        with_all_families(kept)
        .with_columns(side=pl.col("repair_method").replace_strict(METHODS, return_dtype=pl.String))
        .filter(pl.col("side").n_unique().over("engine_family") == len(SIDES))
        .sort("engine_family", "days", "vehicle_id", "episode_id")
    )


def _family_codes(pairs: pl.DataFrame) -> tuple[pl.Series, Ints]:
    """Families in order, and the number of each repair's among them (n,)."""
    return pairs["engine_family"].unique().sort(), label_codes(pairs["engine_family"])


def _risk_table(pairs: pl.DataFrame) -> RiskTable:
    """Risk table with two groups a family: without new bolts, then with."""
    families, family = _family_codes(pairs)
    side = (pairs["side"] == SIDES[1]).to_numpy()
    return risk_table(
        pairs["days"].to_numpy(),
        cause_codes(pairs),
        group=len(SIDES) * family + side,
        groups=len(SIDES) * len(families),
    )


def _sides(pairs: pl.DataFrame, horizons: Floats, *, rules: MeasureRules) -> pl.DataFrame:
    """Rate and counts of each side of each family at each horizon; no rate where there is a reason."""
    families, _ = _family_codes(pairs)
    table = _risk_table(pairs)
    clusters = vehicle_clusters(table, label_codes(pairs["vehicle_id"]))
    columns = {
        "rate": incidence_at(table, horizons, clusters=clusters).estimate,
        "vehicles": np.repeat(effective_clusters(clusters, table.groups), len(horizons)),
        "n": np.repeat(table.sizes, len(horizons)),
        "events": count_up_to(table, table.events, horizons).astype(np.int64),
        "known_until": np.repeat(known_until(table, table.events + table.competing), len(horizons)),
    }
    cells = _crossed(families, pl.Series("side", SIDES), pl.Series("horizon", horizons, dtype=pl.Float64))
    return (
        cells.with_columns(
            *(pl.Series(name, values.ravel()) for name, values in columns.items()), time_scale=pl.lit("days")
        )
        .with_columns(reason=pl.coalesce(too_few(rules=rules), too_few_vehicles(), not_watched_that_long()))
        .with_columns(rate=pl.when(pl.col("reason").is_null()).then("rate"))
    )


def _standard_errors(pairs: pl.DataFrame, horizons: Floats, *, confidence: float) -> pl.DataFrame:
    """Standard error of each family's difference at each horizon, by vehicle over both sides, and its reach."""
    families, family = _family_codes(pairs)
    table = _risk_table(pairs)
    signed = np.empty((len(pairs), len(horizons)))
    signed[table.order] = incidence_influences(table, horizons)
    signed[(pairs["side"] == SIDES[1]).to_numpy()] *= -1.0
    both = risk_table(pairs["days"].to_numpy(), cause_codes(pairs), group=family, groups=len(families))
    clusters = vehicle_clusters(both, label_codes(pairs["vehicle_id"]))
    variance = np.diagonal(clustered_cross_products(clusters, signed[both.order], len(families)), axis1=1, axis2=2)
    cells = _crossed(families, pl.Series("horizon", horizons, dtype=pl.Float64))
    reach = clustered_reach(effective_clusters(clusters, len(families)), confidence=confidence)
    return cells.with_columns(
        standard_error=pl.Series(np.sqrt(variance).ravel(), dtype=pl.Float64),
        reach=pl.Series(np.repeat(reach, len(horizons)), dtype=pl.Float64),
    )


def _crossed(first: pl.Series, *others: pl.Series) -> pl.DataFrame:
    """Every combination of values, the first varying slowest."""
    crossed = first.to_frame()
    for other in others:
        crossed = crossed.join(other.to_frame(), how="cross", maintain_order="left_right")
    return crossed


def _difference(sides: pl.DataFrame) -> pl.DataFrame:
    """Add the difference with its limits, and why there is none."""
    spared = pl.col("rate_without") - pl.col("rate_with")
    spread = pl.col("reach") * pl.col("standard_error")
    reason = pl.concat_str(
        *(pl.format(f"{side} new bolts: {{}}", f"reason_{side}") for side in SIDES), separator="; ", ignore_nulls=True
    )
    return sides.with_columns(
        spared=spared,
        low=(spared - spread).clip(-1.0, 1.0),
        high=(spared + spread).clip(-1.0, 1.0),
        standard_error=pl.when(spared.is_not_null()).then("standard_error"),
        reason=pl.when(reason != "").then(reason),
    )
