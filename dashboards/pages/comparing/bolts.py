"""Whether a new bolt set pays for itself: re-leaks spared, in money."""

from typing import Any

import polars as pl

from dashboards.saying import bolts_pay
from dashboards.snapshot import Snapshot
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import NOTHING, TOO_FEW, decimal_with_range, family_words, percent, whole, whole_range

USUAL_HORIZON_DAYS = 365.0


def bolts_section(snapshot: Snapshot) -> dict[str, Any]:
    """Read the comparison and set it out in money, family by family."""
    leak_cost, currency = snapshot.settings.plan.unplanned_leak_cost, snapshot.settings.fleet.currency
    compared = snapshot.table("bolt_comparison")
    horizon = shown_horizon(compared.filter(engine_family=""))
    worth = with_worth(compared.filter(horizon=horizon), unplanned_leak_cost=leak_cost)
    return {
        "table": _bolts_table(worth, horizon, currency),
        "says": bolts_pay(worth.filter(engine_family=""), horizon_days=horizon, currency=currency),
        "leak_cost": f"{whole(leak_cost)} {currency}",
    }


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
        f"Gasket and seals, without and with new bolts, within {whole(horizon)} days",
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
            f"{whole(row['worth'])} ({whole_range(row['worth_low'], row['worth_high'])})",
            can_tell,
        )
    )


def _share_of_repairs(rate: float | None, repairs: int) -> str:
    return f"too few of {whole(repairs)}" if rate is None else f"{percent(rate)} of {whole(repairs)}"
