"""Whether a new bolt set pays for itself: re-leaks spared, in money."""

from typing import Any

import polars as pl

from dashboards.saying import bolts_pay
from dashboards.snapshot import Snapshot
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import (
    NOTHING,
    TOO_FEW,
    decimal_with_range,
    family_words,
    interval_words,
    percent,
    reason_words,
    whole,
    whole_with_range,
)

USUAL_HORIZON_DAYS = 365.0


def bolts_section(snapshot: Snapshot, worth: pl.DataFrame) -> dict[str, Any]:
    """Set what a bolt set is worth on like engines, and what was counted, out in money."""
    leak_cost, currency = snapshot.settings.plan.unplanned_leak_cost, snapshot.settings.fleet.currency
    compared = snapshot.table("bolt_comparison")
    horizon = shown_horizon(compared.filter(engine_family=""))
    level = interval_words(snapshot.settings.measures.confidence)
    return {
        "says": bolts_pay(worth, currency=currency),
        "worth": _worth_table(worth, currency, level=level),
        "table": _bolts_table(
            with_worth(compared.filter(horizon=horizon), unplanned_leak_cost=leak_cost), horizon, currency
        ),
        "leak_cost": f"{whole(leak_cost)} {currency}",
    }


def _worth_table(worth: pl.DataFrame, currency: str, *, level: str) -> Table:
    """The answer on like engines, horizon by horizon."""
    numbers = (
        f"Spared in 100 repairs ({level})", f"Worth a repair, {currency}", f"A set costs, {currency}",
        f"Left over a repair, {currency}",
    )  # fmt: skip
    rows = worth.iter_rows(named=True)
    return Table(
        "On like engines, gasket and seals with new bolts against without",
        columns("Within", *numbers, "Does it pay?", "What is missing, and why", numbers=numbers),
        tuple(_worth_row(row) for row in rows),
        empty="No repairs of either kind.",
    )


def _worth_row(row: dict[str, Any]) -> Row:
    """The answer by one horizon."""
    reasons = [reason_words(row[name]) for name in ("reason", "cost_reason") if row[name]]
    spared = [None if row[name] is None else 100 * row[name] for name in ("spared", "spared_low", "spared_high")]
    return Row(
        (
            f"{whole(row['horizon'])} days",
            decimal_with_range(*spared, 1),
            whole_with_range(row["worth"], row["worth_low"], row["worth_high"]),
            whole(row["cost"]),
            whole_with_range(row["left_over"], row["left_over_low"], row["left_over_high"]),
            _pays(row),
            "; ".join(reasons),
        )
    )


def _pays(row: dict[str, Any]) -> str:
    if row["left_over"] is None:
        return TOO_FEW if row["worth"] is None else "not known yet"
    if row["left_over_low"] > 0:
        return "yes"
    return "no" if row["left_over_high"] < 0 else "not known yet"


def shown_horizon(fleet: pl.DataFrame) -> float:
    """The horizon in days at which the two kinds of repair are set against each other.

    A year; where too few leaked again or were watched by then, the longest horizon at which both kinds have a rate.

    Args:
        fleet: Rows of `bolt_comparison` for all families together.
    """
    known = fleet.drop_nulls("spared")["horizon"].to_list()
    return USUAL_HORIZON_DAYS if USUAL_HORIZON_DAYS in known or not known else float(max(known))


def with_worth(compared: pl.DataFrame, *, unplanned_leak_cost: float) -> pl.DataFrame:
    """Add what the re-leaks spared would have cost: `worth`, `worth_low`, `worth_high`, currency a repair."""
    return compared.with_columns(
        worth=pl.col("spared") * unplanned_leak_cost,
        worth_low=pl.col("low") * unplanned_leak_cost,
        worth_high=pl.col("high") * unplanned_leak_cost,
    )


def _bolts_table(worth: pl.DataFrame, horizon: float, currency: str) -> Table:
    """The families' answers."""
    numbers = (
        "Leaked again without", "Leaked again with new bolts", "Spared in 100 repairs", f"Worth a repair, {currency}",
    )  # fmt: skip
    return Table(
        f"As counted, family by family: gasket and seals without and with new bolts, within {whole(horizon)} days",
        columns("Engine family", *numbers, "Can one tell?", numbers=numbers),
        tuple(_bolt_row(row) for row in worth.iter_rows(named=True)),
        empty="No family has repairs of both kinds.",
    )


def _bolt_row(row: dict[str, Any]) -> Row:
    """One family's answer."""
    counts = [_share_of_repairs(row[f"rate_{side}"], row[f"n_{side}"]) for side in ("without", "with")]
    if row["spared"] is None:
        return Row((family_words(row["engine_family"]), *counts, NOTHING, NOTHING, TOO_FEW))
    can_tell = "yes" if row["low"] > 0 or row["high"] < 0 else "not yet"
    spared = [100 * row[name] for name in ("spared", "low", "high")]
    return Row(
        (
            family_words(row["engine_family"]),
            *counts,
            decimal_with_range(*spared, 1),
            whole_with_range(row["worth"], row["worth_low"], row["worth_high"]),
            can_tell,
        )
    )


def _share_of_repairs(rate: float | None, repairs: int) -> str:
    return f"too few of {whole(repairs)}" if rate is None else f"{percent(rate)} of {whole(repairs)}"
