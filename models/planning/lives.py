"""How long repairs stay dry, as Weibull lives, and the chance of a leak in the days ahead that follows from them."""

from dataclasses import dataclass
from itertools import product
from math import log

import numpy as np
import polars as pl

from models.measures.cube import Cube, cubes
from models.measures.time_to_releak import SHORTEST
from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.risk_table import Floats, Ints, group_sum
from models.statistics.weibull import contradicted, fit_weibull

_LEVELS = (("engine_family", "repair_method"), ("repair_method",), ())
"""What repairs must share to be reckoned together, the closest likeness first."""


@dataclass(frozen=True)
class Weibull:
    """Expressions of a Weibull life, whose times are in the unit of the scale."""

    shape: pl.Expr
    scale: pl.Expr

    def leak_probability(self, age: pl.Expr, ahead: pl.Expr) -> pl.Expr:
        """Probability of a leak within `ahead`, dry up to `age`.

        1 - S(age + ahead) / S(age); Meeker & Escobar, Statistical Methods for Reliability Data (1998), section 2.1.
        """
        return 1.0 - (self._cumulative(age) - self._cumulative(age + ahead)).exp()

    def age_of_chance(self, seen_dry_at: pl.Expr, chance: float) -> pl.Expr:
        """Age up to which a cover, dry at an age, has leaked with a given chance: the same, solved for the end."""
        return self.scale * (self._cumulative(seen_dry_at) - log(1.0 - chance)).pow(1.0 / self.shape)

    def _cumulative(self, age: pl.Expr) -> pl.Expr:
        """Cumulative hazard at an age."""
        return (age / self.scale).pow(self.shape)


def repair_lives(episodes: pl.DataFrame, *, min_releaks: int) -> pl.DataFrame:
    """Fit a Weibull life to the repairs of each family and method, each method, and all, in days and in kilometres.

    Competing ends count as censored. A fit is left out where it rests on fewer than `min_releaks` re-leaks or leaves
    its own Kaplan-Meier curve.

    Returns:
        time_scale, engine_family, repair_method ('' means all), shape, scale, repairs, releaks; sorted.
    """
    fits = pl.concat(_lives(cube) for cube in cubes(episodes, time_scales=("days", "km")))
    return (
        fits.filter(
            pl.col("site") == "",
            (pl.col("repair_method") != "") | (pl.col("engine_family") == ""),
            pl.col("shape").is_not_null() & (pl.col("releaks") >= min_releaks) & (pl.col("is_contradicted") == 0),
        )
        .select("time_scale", "engine_family", "repair_method", "shape", "scale", "repairs", "releaks")
        .sort("time_scale", "engine_family", "repair_method")
    )


def _lives(cube: Cube) -> pl.DataFrame:
    """Fit every group of one time scale."""
    table = cube.table
    fit = fit_weibull(table, shortest=SHORTEST[cube.time_scale])
    columns: dict[str, Floats | Ints] = {
        "shape": fit.shape,
        "scale": fit.scale,
        "is_contradicted": contradicted(fit, table, kaplan_meier(table)).astype(np.int64),
        "repairs": table.sizes,
        "releaks": group_sum(table, table.events).astype(np.int64),
    }
    return cube.rows(1, columns)


def with_life(covers: pl.DataFrame, lives: pl.DataFrame) -> pl.DataFrame:
    """Give each cover the closest life there is, in kilometres where its own are known, else in days.

    Args:
        covers: From `watched_covers`.
        lives: From `repair_lives`.

    Returns:
        `covers` in its order with time_scale, life_family, life_method, shape, scale, repairs, releaks, age (in the
        time scale) and pace (kilometres, or days, a day); null where there is no life, and for covers not known to
        have stayed dry since a repair.
    """
    keyed = covers.with_row_index("row_")
    of_life = lives.rename({"engine_family": "life_family", "repair_method": "life_method"})
    closest = (
        pl.concat(_candidates(keyed))
        .join(of_life, on=["time_scale", "life_family", "life_method"])
        .sort("row_", "rank_")
        .unique("row_", keep="first", maintain_order=True)
        .drop("rank_")
    )
    return keyed.join(closest, on="row_", how="left").sort("row_").drop("row_")


def _candidates(covers: pl.DataFrame) -> list[pl.DataFrame]:
    """The lives to look for, for every cover known to have stayed dry since its repair, the best ranked first."""
    dry_so_far = covers.filter(pl.col("status") == "censored")
    scales = (("km", pl.col("age_km"), pl.col("daily_km")), ("days", pl.col("age_days"), pl.lit(1.0)))
    return [
        dry_so_far.select(
            "row_",
            time_scale=pl.lit(time_scale),
            life_family=pl.col("engine_family") if "engine_family" in level else pl.lit(""),
            life_method=pl.col("repair_method") if "repair_method" in level else pl.lit(""),
            age=age,
            pace=pace,
            rank_=pl.lit(rank),
        )
        .drop_nulls()
        .filter(pl.col("pace") > 0.0)
        for rank, ((time_scale, age, pace), level) in enumerate(product(scales, _LEVELS))
    ]
