"""Whether one site's work is worse: crude against adjusted, and the funnel."""

from itertools import chain
from typing import Any

import polars as pl

from dashboards.drawing import drawing
from dashboards.figures.interval_dots import interval_dots
from dashboards.figures.site_funnel import site_funnel
from dashboards.pages.comparing.selecting import Choice, scales_known
from dashboards.saying import crude_against_adjusted, sites_against_expected
from dashboards.snapshot import Snapshot
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import (
    EXPOSURE_WORDS,
    NOTHING,
    SCALE_WORDS,
    TOO_FEW,
    apart,
    chance,
    decimal,
    decimal_range,
    decimal_with_range,
    reason_words,
    whole,
)


def sites_section(snapshot: Snapshot, *, level: str) -> dict[str, Any]:
    """Crude against adjusted, and the funnel, on every time scale on which some site can be compared.

    Where there is none, the counts alone in `table`.
    """
    sites = snapshot.table("site_comparison").sort("site")
    compared = sites.drop_nulls("ratio")
    scales = scales_known(compared)
    return {
        "ratios": [_ratios_choice(scale, sites.filter(time_scale=scale), level=level) for scale in scales],
        "funnels": [_funnel_choice(scale, compared.filter(time_scale=scale)) for scale in scales],
        "table": _sites_table(sites.filter(time_scale="days"), level=level),
    }


def _ratios_choice(scale: str, sites: pl.DataFrame, *, level: str) -> Choice:
    """Each site's crude ratio beside its adjusted one."""
    figure = interval_dots(
        _site_dots(sites),
        title=(
            "Re-leaks by site: as counted, and with engines, their age and methods allowed for, in "
            f"{SCALE_WORDS[scale]}"
        ),
        line=(
            "1 is the fleet. Crude: the site's rate over the fleet's. Adjusted: seen over what its engines, their age "
            f"and its methods lead one to expect over the {SCALE_WORDS[scale]} watched; bar: {level}."
        ),
        axis="times the fleet",
        reference=1.0,
    )
    says = crude_against_adjusted(sites)
    return Choice({"time_scale": scale}, drawing(figure, says=says), _sites_table(sites, level=level))


def _funnel_choice(scale: str, compared: pl.DataFrame) -> Choice:
    """The compared sites among the limits that luck alone would reach."""
    figure = site_funnel(
        compared,
        title=f"Sites on a funnel: how far from expected luck alone would bring them, in {SCALE_WORDS[scale]}",
        line=(
            "A site inside the bands cannot be told from the fleet. The fewer re-leaks its engines, methods and time "
            "watched lead one to expect, the wider luck reaches."
        ),
    )
    says = sites_against_expected(compared)
    return Choice({"time_scale": scale}, drawing(figure, says=says), _funnel_table(compared))


def _funnel_table(compared: pl.DataFrame) -> Table:
    """How far luck alone reaches at each compared site."""
    numbers = ("Re-leaks expected", "Seen over expected", "Luck reaches (95%)", "Luck reaches (99.8%)")
    rows = tuple(_funnel_row(row) for row in compared.iter_rows(named=True))
    return Table("How far luck alone reaches", columns("Site", *numbers, numbers=numbers), rows)


def _funnel_row(row: dict[str, Any]) -> Row:
    """One site's ratio and limits, with the decimals it takes to see which side of a limit it lies on."""
    limits = [(row[f"funnel_low_{level}"], row[f"funnel_high_{level}"]) for level in ("95", "998")]
    places = apart(row["ratio"], *chain.from_iterable(limits))
    ranges = (decimal_range(low, high, places) for low, high in limits)
    return Row((row["site"], decimal(row["expected"]), decimal(row["ratio"], places), *ranges))


def _site_dots(sites: pl.DataFrame) -> pl.DataFrame:
    """Crude and adjusted ratio of each site as rows of the dot figure."""
    counts = pl.format("{} seen, {} expected", "observed", pl.col("expected").round(1))
    crude = sites.select(
        label="site", series=pl.lit("crude"), value="crude_ratio", low="crude_low", high="crude_high", note=counts
    ).drop_nulls("value")
    noted = pl.when(pl.col("ratio").is_null()).then(pl.lit(TOO_FEW)).otherwise(counts)
    adjusted = sites.select("low", "high", label="site", series=pl.lit("adjusted"), value="ratio", note=noted)
    return pl.concat([adjusted, crude], how="diagonal").sort("label", maintain_order=True)


def _sites_table(sites: pl.DataFrame, *, level: str) -> Table:
    """The sites, on one time scale, in the order of their names: small numbers are never ranked."""
    per = EXPOSURE_WORDS[sites["time_scale"][0]] if sites.height else EXPOSURE_WORDS["days"]
    numbers = (
        "Repairs", "Seen", "Expected", f"Crude rate per {per}", f"Seen over expected ({level})",
        f"Drawn to the fleet ({level})", "Chance of a false alarm (q)",
    )  # fmt: skip
    rows = tuple(
        Row(
            (
                row["site"],
                whole(row["n"]),
                whole(row["observed"]),
                decimal(row["expected"]),
                decimal(row["crude_rate"], 3),
                _ratio(row, "ratio", "low", "high", missing=reason_words(row["reason"])),
                _ratio(row, "shrunk_ratio", "shrunk_low", "shrunk_high", missing=NOTHING),
                chance(row["q_value"]),
            )
        )
        for row in sites.iter_rows(named=True)
    )
    return Table(
        "Sites by name, not by rank",
        columns("Site", *numbers, numbers=numbers),
        rows,
        empty="No site has a repair yet.",
    )


def _ratio(row: dict[str, Any], value: str, low: str, high: str, *, missing: str) -> str:
    return missing if row[value] is None else decimal_with_range(row[value], row[low], row[high])
