"""What a new bolt set is worth: re-leaks it spares, in money, with the interval that decides whether one can tell."""

import polars as pl

from models.statistics.intervals import normal_quantile

USUAL_HORIZON_DAYS = 365.0
WITHOUT_BOLTS, WITH_BOLTS = "gasket_and_seals", "gasket_seals_bolts"


def bolt_set_horizon(recurrence: pl.DataFrame) -> float:
    """The horizon in days at which the two kinds of repair are set against each other.

    A year; where too few leaked again or were watched by then, the longest horizon at which both kinds have a rate.

    Args:
        recurrence: Rows of `recurrence` in days of all families and sites.
    """
    known = recurrence.filter(pl.col("repair_method").is_in([WITHOUT_BOLTS, WITH_BOLTS]), pl.col("rate").is_not_null())
    shared = known.group_by("horizon").len().filter(pl.col("len") == 2)["horizon"].to_list()
    return USUAL_HORIZON_DAYS if USUAL_HORIZON_DAYS in shared or not shared else float(max(shared))


def bolt_set_worth(recurrence: pl.DataFrame, *, unplanned_leak_cost: float, confidence: float) -> pl.DataFrame:
    """Set repairs with new bolts against those with gasket and seals alone, family by family.

    The interval of the difference takes the two groups as independent and their standard errors (clustered by vehicle)
    as normal: Newcombe 1998 calls this the simple Wald difference; it is rough under some 30 repairs a group.

    Args:
        recurrence: Rows of `recurrence` at one horizon and time scale, all sites.
        unplanned_leak_cost: What one unplanned leak costs, in the fleet's currency.
        confidence: Level of the interval.

    Returns:
        A row a family (the empty one is all): `engine_family`, `n_without`, `n_with`, `rate_without`, `rate_with`,
        `spared` (share of repairs), `spared_low`, `spared_high`, `worth`, `worth_low`, `worth_high` (currency a
        repair). Nulls where either group has too few.
    """
    z = normal_quantile(confidence)
    kept = ["engine_family", "n", "rate", "standard_error"]
    sides = [recurrence.filter(repair_method=method).select(kept) for method in (WITHOUT_BOLTS, WITH_BOLTS)]
    spread = z * (pl.col("standard_error_without").pow(2) + pl.col("standard_error_with").pow(2)).sqrt()
    spared = pl.col("rate_without") - pl.col("rate_with")
    return (
        sides[0]
        .join(sides[1], on="engine_family", suffix="_with")
        .rename({name: f"{name}_without" for name in kept[1:]})
        .with_columns(spared=spared, spared_low=spared - spread, spared_high=spared + spread)
        .with_columns(
            (pl.col(name) * unplanned_leak_cost).alias(name.replace("spared", "worth"))
            for name in ("spared", "spared_low", "spared_high")
        )
        .drop("standard_error_without", "standard_error_with")
        .sort("engine_family")
    )
