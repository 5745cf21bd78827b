"""Episodes sorted into every group they count in."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import polars as pl

from models.statistics.clustering import Clusters, vehicle_clusters
from models.statistics.few_clusters import clustered_reach, effective_clusters
from models.statistics.risk_table import CENSORED, COMPETING, EVENT, Floats, Ints, RiskTable, risk_table
from models.tables.measures import TIME_SCALES

GROUP_COLUMNS = ("engine_family", "repair_method", "site")

CAUSES = {"re-leak": EVENT, "competing": COMPETING, "censored": CENSORED}
"""How the estimators call what became of an episode."""


@dataclass(frozen=True)
class Cube:
    """All groups of one time scale.

    Attributes:
        time_scale: One of `models.tables.measures.TIME_SCALES`.
        cells: Engine family, repair method, site and time scale of each group, '' for all; sorted (groups, 4).
        table: Their risk table.
        clusters: Its observations by vehicle.
        vehicles: Effective number of vehicles of each group (groups,).
    """

    time_scale: str
    cells: pl.DataFrame
    table: RiskTable
    clusters: Clusters
    vehicles: Floats

    def rows(self, repeats: int, columns: dict[str, Floats | Ints]) -> pl.DataFrame:
        """Set figures beside their groups, `repeats` rows a group; NaN becomes null.

        Args:
            repeats: Rows of each group.
            columns: Figures (groups, repeats), or (groups,) where there is one a group.
        """
        cells = self.cells[np.repeat(np.arange(len(self.cells)), repeats)]
        return cells.with_columns(pl.Series(name, values.ravel(), nan_to_null=True) for name, values in columns.items())

    def reach(self, *, confidence: float) -> Floats:
        """Clustered standard errors between each group's estimates and their limits (groups,)."""
        return clustered_reach(self.vehicles, confidence=confidence)


def cubes(episodes: pl.DataFrame, *, time_scales: Sequence[str] = TIME_SCALES) -> list[Cube]:
    """Sort episodes into all their groups, once for each time scale.

    Every episode counts in eight groups: with its own engine family, method and site, or '' for any of them. The group
    of all is there even where there are no episodes.
    """
    ordered = episodes.sort("days", "vehicle_id", "episode_id")
    return [_cube(ordered.filter(pl.col(scale).is_not_null()), time_scale=scale) for scale in time_scales]


def _cube(episodes: pl.DataFrame, *, time_scale: str) -> Cube:
    """Sort the episodes of one time scale into their groups."""
    labels = [["", *episodes[column].unique().sort()] for column in GROUP_COLUMNS]
    shape = tuple(len(values) for values in labels)
    code = _combination_codes(episodes, shape)
    is_present = np.bincount(code, minlength=1) > 0
    is_present[0] = True
    present = np.flatnonzero(is_present)
    copies = len(_SUBSETS)
    table = risk_table(
        np.tile(episodes[time_scale].to_numpy(), copies),
        np.tile(cause_codes(episodes), copies),
        group=np.searchsorted(present, code),
        groups=len(present),
    )
    words = {
        column: np.array(values, dtype=object)[position]
        for column, values, position in zip(GROUP_COLUMNS, labels, np.unravel_index(present, shape), strict=True)
    }
    cells = pl.DataFrame(words, schema=dict.fromkeys(GROUP_COLUMNS, pl.String)).with_columns(
        time_scale=pl.lit(time_scale)
    )
    clusters = vehicle_clusters(table, np.tile(label_codes(episodes["vehicle_id"]), copies))
    return Cube(time_scale, cells, table, clusters, effective_clusters(clusters, table.groups))


_SUBSETS = tuple(product((0, 1), repeat=len(GROUP_COLUMNS)))
"""For each of an episode's groups, which of the group columns stand at their own value."""


def _combination_codes(episodes: pl.DataFrame, shape: tuple[int, ...]) -> Ints:
    """Number the combination of group values of every episode, once for each subset ('' being 0) (subsets * n,)."""
    codes = [label_codes(episodes[column]) + 1 for column in GROUP_COLUMNS]
    combined = [
        np.ravel_multi_index([code * keep for code, keep in zip(codes, kept, strict=True)], shape) for kept in _SUBSETS
    ]
    return np.concatenate(combined)


def label_codes(labels: pl.Series) -> Ints:
    """Number the distinct words of a column in their sorted order (n,)."""
    return labels.cast(pl.Enum(labels.unique().sort())).to_physical().cast(pl.Int64).to_numpy()


def cause_codes(episodes: pl.DataFrame) -> Ints:
    """How each episode ended, as the estimators call it (n,)."""
    return episodes["status"].replace_strict(CAUSES, return_dtype=pl.Int64).to_numpy()


def with_all_families(frame: pl.DataFrame) -> pl.DataFrame:
    """Rows under their own engine family and, before them, under '' for all."""
    return pl.concat([frame.with_columns(engine_family=pl.lit("")), frame])
