"""The parts a cover repair takes, and how many of each to have on the shelf."""

import polars as pl

from models.tables import conform
from models.tables.plan import Parts

EXPECTED_DIGITS = 9
"""Decimals of an expected count that matter: a sum of chances a hair over a whole number is that number."""


def parts_of_repair(families: pl.DataFrame) -> pl.DataFrame:
    """List what one cover repair of each engine family takes.

    A cover gasket always, plug-tube seals where plug tubes pass through the cover, a bolt set where the family states a
    number for it. A part without a number goes by its name and family.

    Args:
        families: `EngineFamilies`.

    Returns:
        engine_family, part, description, sorted by family in the order they are fitted.
    """
    takes = (
        ("gasket_part", "cover gasket", pl.lit(True)),
        ("seal_part", "set of plug-tube seals", pl.col("plug_tubes")),
        ("bolt_part", "set of cover bolts", pl.col("bolt_part").fill_null("") != ""),
    )
    listed = [
        families.filter(is_taken).select(
            "engine_family",
            part=pl.when(pl.col(number).fill_null("") != "")
            .then(pl.col(number))
            .otherwise(pl.format("{} of {}", pl.lit(name), "engine_family")),
            description=pl.lit(name),
            rank_=pl.lit(rank),
        )
        for rank, (number, name, is_taken) in enumerate(takes)
    ]
    return pl.concat(listed).sort("engine_family", "rank_").drop("rank_")


def pick_list(plan: pl.DataFrame, families: pl.DataFrame) -> pl.DataFrame:
    """Count the parts each site should have on the shelf before a week starts.

    The quantity is the sum of the chances of a repair over the covers placed in that week, rounded up.

    Args:
        plan: `Plan`.
        families: `EngineFamilies`.

    Returns:
        `Parts`, sorted by site, week and part.
    """
    expected = pl.col("chance_of_repair").sum().round(EXPECTED_DIGITS).ceil()
    return (
        plan.filter("placed")
        .join(parts_of_repair(families), on="engine_family")
        .sort("site", "week_start", "part", "vehicle_id", "cover_position")
        .group_by("site", "week_start", "part", maintain_order=True)
        .agg(pl.col("description").first(), quantity=expected.cast(pl.Int64))
        .filter(pl.col("quantity") > 0)
        .pipe(conform, Parts)
    )
