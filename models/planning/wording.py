"""How reasons are said: days, chances and repairs in plain words."""

import polars as pl

REPAIR_WORDS = {
    "retightened": "re-tightening",
    "external_sealant": "sealant from outside",
    "gasket": "gasket-only repair",
    "gasket_and_seals": "repair with gasket and seals",
    "gasket_seals_bolts": "repair with gasket, seals and bolts",
    "cover_replaced": "new cover",
    "unstated": "cover work of unstated method",
}
"""Repair method as the subject of a reason."""


def day_words(day: pl.Expr) -> pl.Expr:
    """A day as in 3 Mar 2026."""
    return day.dt.strftime("%-d %b %Y")


def whole_words(number: pl.Expr) -> pl.Expr:
    """A number rounded to the nearest whole."""
    return number.round(0).cast(pl.Int64).cast(pl.String)


def chance_words(probability: pl.Expr) -> pl.Expr:
    """A chance as in 1 in 6; from one in two on, as in 7 in 10; under one in a thousand, as fewer than that."""
    return (
        pl.when(probability < 0.001)
        .then(pl.lit("fewer than 1 in 1000"))
        .when(probability < 0.5)
        .then(pl.format("1 in {}", whole_words(1.0 / probability.clip(lower_bound=0.001))))
        .otherwise(pl.format("{} in 10", whole_words(10.0 * probability)))
    )


def sentence(clause: pl.Expr) -> pl.Expr:
    """A clause with a capital and a full stop."""
    return clause.str.slice(0, 1).str.to_uppercase() + clause.str.slice(1) + "."


def repair_words(method: pl.Expr) -> pl.Expr:
    """What was done to the cover, as the subject of a reason."""
    return method.replace_strict(REPAIR_WORDS, return_dtype=pl.String)
