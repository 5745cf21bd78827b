"""What the page's selects can bring up: one figure with its table for each selection."""

from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from dashboards.drawing import Drawing
from dashboards.snapshot import Snapshot
from dashboards.tabulating import Table
from dashboards.wording import SCALE_WORDS, counted, family_words, method_words, site_words, whole
from models.tables.ledger import REPAIR_METHODS
from models.tables.measures import TIME_SCALES

GROUPS = ("engine_family", "repair_method", "site")
LABELS = {"repair_method": method_words, "engine_family": family_words}
BY_WORDS = {"repair_method": "repair method", "engine_family": "engine family"}
MAX_CHOICES = 80
"""Selections a page carries a figure; those with the most repairs. All are in the CSV."""


@dataclass(frozen=True)
class Choice:
    """What the selects can bring up: a figure and its table for one selection.

    Args:
        keys: Select name to value; the empty value is all.
        drawing: The figure.
        table: Its numbers.
    """

    keys: dict[str, str]
    drawing: Drawing
    table: Table


def options(groups: pl.DataFrame) -> dict[str, list[tuple[str, str]]]:
    """What each select offers: value and words.

    Args:
        groups: Any measure with all its groups.
    """
    names = {column: sorted(group for group in groups[column].unique() if group) for column in GROUPS}
    methods = sorted(names["repair_method"], key=_method_order)
    return {
        "engine_family": [("", family_words("")), *((family, family) for family in names["engine_family"])],
        "repair_method": [("", method_words("")), *((method, method_words(method)) for method in methods)],
        "site": [("", site_words("")), *((site, site) for site in names["site"])],
        "time_scale": [(scale, words) for scale, words in SCALE_WORDS.items() if scale in scales_known(groups)],
    }


def scales_known(groups: pl.DataFrame) -> list[str]:
    """Time scales on which any repair is known, days first."""
    known = groups.filter(pl.col("n") > 0)["time_scale"].unique()
    return [scale for scale in TIME_SCALES if scale in known]


def hours_known(snapshot: Snapshot) -> str:
    """Say of how many repairs the engine hours are known, and how well; empty where of none."""
    row = snapshot.select("count_episode_hours").row(0, named=True)
    if not row["known"]:
        return ""
    return (
        f"Engine hours: known of {whole(row['known'])} of {counted(row['episodes'], 'repair')}, on vehicles whose hour "
        "meter was read; between readings they are interpolated, after the last one carried on. At the very worst, had "
        f"engines stood still or run without pause, half of them would be off by {whole(row['error_hours'])} hours."
    )


def _method_order(method: str) -> int:
    """By how much of the joint is renewed; the empty group last."""
    return REPAIR_METHODS.index(method) if method in REPAIR_METHODS else len(REPAIR_METHODS)


def selections(frame: pl.DataFrame, by: str, *, estimate: str) -> Iterator[tuple[dict[str, str], pl.DataFrame]]:
    """Cut a measure into what one figure compares: everything but `by` held fixed, the biggest first.

    What holds no estimate for any single group is left out: the page says that it is too few.
    """
    fixed = held_fixed(by)
    has_estimate = pl.col(estimate).is_not_null() & pl.col(by).ne("")
    sizes = (
        frame.filter(has_estimate.any().over(fixed))
        .group_by(fixed)
        .agg(size=pl.col("n" if "n" in frame.columns else "at_risk").max())
        .sort("size", *fixed, descending=[True] + [False] * len(fixed))
    )
    parts = cut(frame, by)
    for values in sizes.head(MAX_CHOICES).select(fixed).iter_rows():
        yield dict(zip(fixed, values, strict=True)), parts[values]


def held_fixed(by: str) -> list[str]:
    """What is the same for all that one figure compares."""
    return [column for column in ("time_scale", *GROUPS) if column != by]


def cut(frame: pl.DataFrame, by: str) -> dict[tuple[str, ...], pl.DataFrame]:
    """The rows of each figure, in order, by the values of what is held fixed."""
    return in_order(frame, by).partition_by(held_fixed(by), as_dict=True, maintain_order=True)


def in_order(rows: pl.DataFrame, by: str) -> pl.DataFrame:
    """Methods by how much is renewed, families by name, all together last; each with its label."""
    groups = rows[by].unique().to_list()
    ranks = [_method_order(group) if by == "repair_method" else int(not group) for group in groups]
    labels = [LABELS[by](group) for group in groups]
    ranked = pl.col(by).replace_strict(groups, ranks, return_dtype=pl.Int64)
    label = pl.col(by).replace_strict(groups, labels, return_dtype=pl.String)
    steps = [column for column in ("horizon", "time") if column in rows.columns]
    return rows.with_columns(label=label, _rank=ranked).sort("_rank", by, *steps).drop("_rank")


def selection_words(keys: dict[str, str]) -> str:
    """A selection as the end of a title."""
    fixed = [
        family_words(keys["engine_family"]) if "engine_family" in keys else "",
        method_words(keys["repair_method"]) if "repair_method" in keys else "",
        site_words(keys["site"]),
    ]
    return ", ".join(words for words in fixed if words)
