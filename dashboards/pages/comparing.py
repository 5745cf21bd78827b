"""Comparing: which repairs last, on which engines, and whether one site's work is really worse."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboards.drawing import Drawing, drawing
from dashboards.figures.interval_dots import interval_dots
from dashboards.figures.recurrence_curves import recurrence_curves
from dashboards.figures.site_funnel import site_funnel
from dashboards.saying import (
    CANNOT_TELL,
    bolts_pay,
    crude_against_adjusted,
    how_long_it_lasts,
    sites_against_expected,
    which_leaks_less,
)
from dashboards.snapshot import Snapshot
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import (
    NOTHING,
    TOO_FEW,
    counted,
    decimal,
    decimal_range,
    family_words,
    interval_words,
    listed,
    method_words,
    percent,
    percent_range,
    site_words,
    whole,
    whole_range,
)
from dashboards.worth import bolt_set_horizon, bolt_set_worth
from models.tables.ledger import REPAIR_METHODS

SHOWN_HORIZONS = {"days": (180.0, 365.0), "km": (10_000.0, 25_000.0)}
"""Half a year and a year, and what a busy van covers in them."""
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


def contents(snapshot: Snapshot) -> dict[str, Any]:
    """Read the measures and lay them out for every selection."""
    recurrence, curves = snapshot.table("recurrence"), snapshot.table("recurrence_curve")
    level = interval_words(snapshot.settings.measures.confidence)
    means = snapshot.table("time_to_releak").join(
        snapshot.table("leak_rates").select(*GROUPS, "time_scale", *_RATE_COLUMNS),
        on=[*GROUPS, "time_scale"],
        how="left",
    )
    return {
        "options": _options(recurrence),
        "bolts": _bolts(snapshot, recurrence),
        "recurrence_by_method": _recurrence_choices(recurrence, "repair_method", level=level),
        "recurrence_by_family": _recurrence_choices(recurrence, "engine_family", level=level),
        "curves": _curve_choices(curves, recurrence, level=level),
        "means_by_method": _mean_choices(means, "repair_method", level=level),
        "means_by_family": _mean_choices(means, "engine_family", level=level),
        "sites": _sites(snapshot, level=level),
        "min_episodes": snapshot.settings.measures.min_episodes,
        "min_events": snapshot.settings.measures.min_events,
    }


_RATE_COLUMNS = (
    pl.col("rate").alias("leak_rate"),
    pl.col("low").alias("leak_rate_low"),
    pl.col("high").alias("leak_rate_high"),
)


def _options(recurrence: pl.DataFrame) -> dict[str, list[tuple[str, str]]]:
    """What each select offers: value and words."""

    def groups(column: str) -> list[str]:
        return sorted(group for group in recurrence[column].unique() if group)

    methods = sorted(groups("repair_method"), key=_method_order)
    return {
        "engine_family": [("", family_words("")), *((family, family) for family in groups("engine_family"))],
        "repair_method": [("", method_words("")), *((method, method_words(method)) for method in methods)],
        "site": [("", site_words("")), *((site, site) for site in groups("site"))],
        "time_scale": [("days", "days"), ("km", "kilometres")],
    }


def _method_order(method: str) -> int:
    """By how much of the joint is renewed; the empty group last."""
    return REPAIR_METHODS.index(method) if method in REPAIR_METHODS else len(REPAIR_METHODS)


def _selections(frame: pl.DataFrame, by: str, *, estimate: str) -> Iterator[tuple[dict[str, str], pl.DataFrame]]:
    """Cut a measure into what one figure compares: everything but `by` held fixed, the biggest first.

    What holds no estimate for any single group is left out: the page says that it is too few.
    """
    fixed = [column for column in ("time_scale", *GROUPS) if column != by]
    has_estimate = pl.col(estimate).is_not_null() & pl.col(by).ne("")
    sized = frame.filter(has_estimate.any().over(fixed)).with_columns(
        size=pl.col("n" if "n" in frame.columns else "at_risk").max().over(fixed)
    )
    sizes = sized.select(*fixed, "size").unique().sort(["size", *fixed], descending=[True] + [False] * len(fixed))
    for row in sizes.head(MAX_CHOICES).drop("size").iter_rows(named=True):
        yield row, _in_order(frame.filter(**row), by)


def _in_order(rows: pl.DataFrame, by: str) -> pl.DataFrame:
    """Methods by how much is renewed, families by name, all together last; each with its label."""
    groups = rows[by].unique().to_list()
    ranks = [_method_order(group) if by == "repair_method" else int(not group) for group in groups]
    labels = [LABELS[by](group) for group in groups]
    ranked = pl.col(by).replace_strict(groups, ranks, return_dtype=pl.Int64)
    label = pl.col(by).replace_strict(groups, labels, return_dtype=pl.String)
    steps = [column for column in ("horizon", "time") if column in rows.columns]
    return rows.with_columns(label=label, _rank=ranked).sort("_rank", by, *steps).drop("_rank")


def _selection_words(keys: dict[str, str]) -> str:
    """A selection as the end of a title."""
    fixed = [
        family_words(keys["engine_family"]) if "engine_family" in keys else "",
        method_words(keys["repair_method"]) if "repair_method" in keys else "",
        site_words(keys["site"]),
    ]
    return ", ".join(words for words in fixed if words)


def _shown_horizons(rows: pl.DataFrame, time_scale: str) -> list[float]:
    """Two horizons: the usual ones, else the last two published."""
    published = sorted(rows["horizon"].unique())
    usual = [horizon for horizon in SHOWN_HORIZONS[time_scale] if horizon in published]
    return usual if len(usual) == 2 else published[-2:]


def _recurrence_choices(recurrence: pl.DataFrame, by: str, *, level: str) -> list[Choice]:
    """Dots and intervals of recurrence at two horizons, for every selection."""
    return [
        _recurrence_choice(keys, rows, by, level=level) for keys, rows in _selections(recurrence, by, estimate="rate")
    ]


def _recurrence_choice(keys: dict[str, str], rows: pl.DataFrame, by: str, *, level: str) -> Choice:
    unit = keys["time_scale"]
    horizons = _shown_horizons(rows, unit)
    shown = rows.filter(pl.col("horizon").is_in(horizons))
    by_note = pl.struct("rate", "n", "events", "at_risk", "reason").map_elements(
        _recurrence_note, return_dtype=pl.String
    )
    dots = shown.select(
        "label",
        "low",
        "high",
        series=pl.col("horizon").replace_strict(
            horizons, [f"by {whole(horizon)} {unit}" for horizon in horizons], return_dtype=pl.String
        ),
        value="rate",
        note=by_note,
    )
    figure = interval_dots(
        dots,
        title=f"Share of repairs that leaked again, by {BY_WORDS[by]}: {_selection_words(keys)}",
        line=f"Dot: estimate. Bar: {level}; the longer it is, the less is known. Bars that overlap may be luck.",
        axis="share leaked again",
        axis_format=".0%",
    )
    last = shown.filter(pl.col("horizon") == horizons[-1], pl.col(by) != "")
    says = which_leaks_less(last, horizon=horizons[-1], unit=unit)
    return Choice(keys, drawing(figure, says=says), _recurrence_table(shown, by, horizons, unit, level=level))


def _recurrence_note(row: dict[str, Any]) -> str:
    """What an estimate rests on, or why there is none."""
    if row["rate"] is None:
        return _short(row["reason"])
    watched = f"{whole(row['at_risk'])} still watched then"
    return f"{counted(row['events'], 're-leak')} in {counted(row['n'], 'repair')}, {watched}"


def _short(reason: str | None) -> str:
    """A reason without its counts, short enough to stand inside a figure; the table has them."""
    return (reason or TOO_FEW).partition(":")[0]


def _recurrence_table(shown: pl.DataFrame, by: str, horizons: list[float], unit: str, *, level: str) -> Table:
    """The numbers behind the dots, with those still watched."""
    numbers = ["Repairs"]
    for horizon in horizons:
        numbers += [
            f"Leaked again by {whole(horizon)} {unit} ({level})",
            f"Still watched at {whole(horizon)} {unit}",
        ]
    rows = []
    for (label,), of_group in shown.group_by("label", maintain_order=True):
        cells = [str(label), whole(of_group["n"][0])]
        for row in of_group.sort("horizon").iter_rows(named=True):
            cells += [_rate_words(row), whole(row["at_risk"])]
        rows.append(Row(tuple(cells)))
    return Table(
        "The numbers behind the figure", columns(BY_WORDS[by].capitalize(), *numbers, numbers=numbers), tuple(rows)
    )


def _rate_words(row: dict[str, Any]) -> str:
    if row["rate"] is None:
        return row["reason"] or TOO_FEW
    return f"{percent(row['rate'])} ({percent_range(row['low'], row['high'])})"


def _curve_choices(curves: pl.DataFrame, recurrence: pl.DataFrame, *, level: str) -> list[Choice]:
    """Cumulative curves by method with the numbers still watched, for every selection."""
    return [
        _curve_choice(keys, rows, recurrence, level=level)
        for keys, rows in _selections(curves, "repair_method", estimate="recurrence")
    ]


def _curve_choice(keys: dict[str, str], rows: pl.DataFrame, recurrence: pl.DataFrame, *, level: str) -> Choice:
    unit = keys["time_scale"]
    measured = _in_order(recurrence.filter(**keys), "repair_method")
    drawn = rows.filter(pl.col("repair_method") != "")
    figure = recurrence_curves(
        drawn,
        title=f"Share that leaked again as time goes by: {_selection_words(keys)}",
        line=f"A line rises when a repair is seen to leak; the pale band is its {level}. Tap a name to hide its line.",
        unit=unit,
    )
    shown = {"", *drawn["repair_method"]}
    methods = measured["repair_method"].unique(maintain_order=True)
    left_out = [method_words(method) for method in methods if method not in shown]
    says = _curves_say(measured.filter(pl.col("repair_method") != ""), unit, left_out)
    return Choice(keys, drawing(figure, says=says), _at_risk_table(measured, unit))


def _curves_say(measured: pl.DataFrame, unit: str, left_out: list[str]) -> str:
    """What the horizon at which most methods can be judged says, and which are not drawn."""
    judged = measured.filter(pl.col("rate").is_not_null())
    not_drawn = f" Not drawn, {TOO_FEW}: {listed(left_out)}." if left_out else ""
    if judged.is_empty():
        return f"{CANNOT_TELL}: no method has enough repairs and re-leaks here.{not_drawn}"
    most = judged.group_by("horizon").len().sort("len", "horizon").row(-1, named=True)
    horizon = float(most["horizon"])
    return which_leaks_less(judged.filter(pl.col("horizon") == horizon), horizon=horizon, unit=unit) + not_drawn


def _at_risk_table(measured: pl.DataFrame, unit: str) -> Table:
    """Repairs still watched at each horizon: where few are, the curve is loose."""
    horizons = sorted(measured["horizon"].unique())
    numbers = ["At the repair", *(f"{whole(horizon)} {unit}" for horizon in horizons)]
    rows = tuple(
        Row((str(label), whole(of_group["n"][0]), *(whole(count) for count in of_group.sort("horizon")["at_risk"])))
        for (label,), of_group in measured.group_by("label", maintain_order=True)
    )
    return Table("Repairs still watched", columns("Repair method", *numbers, numbers=numbers), rows)


def _mean_choices(means: pl.DataFrame, by: str, *, level: str) -> list[Choice]:
    """Three means side by side, for every selection."""
    return [
        _mean_choice(keys, rows, by, level=level) for keys, rows in _selections(means, by, estimate="restricted_mean")
    ]


def _mean_choice(keys: dict[str, str], rows: pl.DataFrame, by: str, *, level: str) -> Choice:
    unit = keys["time_scale"]
    horizon = float(rows["horizon"].max())
    shown = rows.filter(pl.col("horizon") == horizon)
    restricted = f"restricted mean, within {whole(horizon)} {unit}"
    figure = interval_dots(
        pl.concat([
            _mean_dots(shown, restricted, "restricted_mean", "low", "high"),
            _mean_dots(shown, "plain mean of the failed (biased low)", "plain_mean_of_failed", None, None),
        ]),
        title=f"How long repairs stay dry, by {BY_WORDS[by]}: {_selection_words(keys)}",
        line=(
            f"Restricted mean: {unit} dry of the first {whole(horizon)}, repairs that still hold included; bar: "
            f"{level}. The plain mean of those that failed forgets the others: shown to warn of it."
        ),
        axis=f"{unit} without a re-leak",
        axis_format=",d",
    )  # fmt: skip
    says = how_long_it_lasts(shown.filter(pl.col(by) != ""), horizon=horizon, unit=unit)
    return Choice(keys, drawing(figure, says=says), _means_table(shown, by, unit, horizon, level=level))


def _mean_dots(shown: pl.DataFrame, series: str, value: str, low: str | None, high: str | None) -> pl.DataFrame:
    """One kind of mean as rows of the dot figure."""
    return shown.select(
        "label",
        series=pl.lit(series),
        value=value,
        low=pl.col(low) if low else pl.lit(None, pl.Float64),
        high=pl.col(high) if high else pl.lit(None, pl.Float64),
        note=pl.when(pl.col(value).is_null())
        .then(pl.lit(TOO_FEW))
        .otherwise(pl.format("{} re-leaks in {} repairs", "events", "n")),
    ).filter(pl.col("value").is_not_null() | pl.lit(low is not None))


def _means_table(shown: pl.DataFrame, by: str, unit: str, horizon: float, *, level: str) -> Table:
    """The three means, the leak-free lives and the rate, each with its interval."""
    per = "vehicle-year" if unit == "days" else "100,000 km"
    numbers = (
        "Repairs", "Re-leaks", f"Restricted mean to {whole(horizon)} {unit}", f"Weibull mean, {unit}",
        f"Plain mean of the failed, {unit} (biased low)", f"Half leak by, {unit}", f"One in ten leaks by, {unit}",
        f"Re-leaks per {per}",
    )  # fmt: skip
    rows = tuple(
        Row(
            (
                row["label"],
                whole(row["n"]),
                whole(row["events"]),
                _with_range(row, "restricted_mean", "low", "high"),
                _with_range(row, "weibull_mean", "weibull_low", "weibull_high"),
                whole(row["plain_mean_of_failed"]),
                _life(row, "median"),
                _life(row, "b10"),
                _leak_rate(row),
                row["reason"] or "",
            )
        )
        for row in shown.iter_rows(named=True)
    )
    return Table(
        f"Means and leak-free lives, {level} in brackets",
        columns(BY_WORDS[by].capitalize(), *numbers, "What is missing, and why", numbers=numbers),
        rows,
    )


def _with_range(row: dict[str, Any], value: str, low: str, high: str) -> str:
    if row[value] is None:
        return NOTHING
    return f"{whole(row[value])} ({whole_range(row[low], row[high])})"


def _life(row: dict[str, Any], name: str) -> str:
    """A leak-free life; where the curve has not come so far down, that is the result."""
    if row[name] is None:
        return NOTHING if (row["reason"] or "").startswith(TOO_FEW) else "not reached"
    low, high = row[f"{name}_low"], row[f"{name}_high"]
    ends = (NOTHING if low is None else whole(low), "not reached" if high is None else whole(high))
    return f"{whole(row[name])} ({ends[0]} to {ends[1]})"


def _leak_rate(row: dict[str, Any]) -> str:
    if row["leak_rate"] is None:
        return NOTHING
    return f"{decimal(row['leak_rate'], 2)} ({decimal_range(row['leak_rate_low'], row['leak_rate_high'])})"


def _bolts(snapshot: Snapshot, recurrence: pl.DataFrame) -> dict[str, Any]:
    """Whether a new bolt set pays for itself, family by family."""
    rules, currency = snapshot.settings.plan, snapshot.settings.fleet.currency
    in_days = recurrence.filter(time_scale="days", site="")
    horizon = bolt_set_horizon(in_days.filter(engine_family=""))
    worth = bolt_set_worth(
        in_days.filter(horizon=horizon),
        unplanned_leak_cost=rules.unplanned_leak_cost,
        confidence=snapshot.settings.measures.confidence,
    )
    numbers = (
        "Leaked again without", "Leaked again with new bolts", "Spared in 100 repairs", f"Worth a repair, {currency}",
    )  # fmt: skip
    rows = tuple(_bolt_row(row) for row in worth.iter_rows(named=True))
    table = Table(
        f"Gasket and seals, without and with new bolts, within {whole(horizon)} days",
        columns("Engine family", *numbers, "Can one tell?", numbers=numbers),
        rows,
        empty="No family has repairs of both kinds.",
    )
    return {
        "table": table,
        "says": bolts_pay(worth.filter(engine_family=""), horizon_days=horizon, currency=currency),
        "leak_cost": f"{whole(rules.unplanned_leak_cost)} {currency}",
    }


def _bolt_row(row: dict[str, Any]) -> Row:
    """One family's answer."""
    counts = [_share_of_repairs(row[f"rate_{side}"], row[f"n_{side}"]) for side in ("without", "with")]
    if row["spared"] is None:
        return Row((family_words(row["engine_family"]), *counts, NOTHING, NOTHING, TOO_FEW))
    can_tell = "yes" if row["spared_low"] > 0 or row["spared_high"] < 0 else "not yet"
    spared = [100 * row[name] for name in ("spared", "spared_low", "spared_high")]
    return Row(
        (
            family_words(row["engine_family"]),
            *counts,
            f"{decimal(spared[0])} ({decimal_range(spared[1], spared[2], 1)})",
            f"{whole(row['worth'])} ({whole_range(row['worth_low'], row['worth_high'])})",
            can_tell,
        )
    )


def _share_of_repairs(rate: float | None, repairs: int) -> str:
    return f"too few of {whole(repairs)}" if rate is None else f"{percent(rate)} of {whole(repairs)}"


def _sites(snapshot: Snapshot, *, level: str) -> dict[str, Any]:
    """Crude against adjusted, and the funnel."""
    sites = _with_crude_ratio(snapshot.table("site_comparison").sort("site"), snapshot.table("leak_rates"))
    compared = sites.drop_nulls("ratio")
    if compared.is_empty():
        return {"ratios": None, "funnel": None, "table": _sites_table(sites, level=level)}
    ratios = interval_dots(
        _site_dots(sites),
        title="Re-leaks by site: as counted, and with engines and methods allowed for",
        line=(
            "1 is the fleet. Crude: the site's rate over the fleet's. Adjusted: seen over what its engines and methods "
            f"lead one to expect; bar: {level}."
        ),
        axis="times the fleet",
        reference=1.0,
    )
    funnel = site_funnel(
        compared,
        title="Sites on a funnel: how far from expected luck alone would bring them",
        line=(
            "A site inside the bands cannot be told from the fleet. The fewer re-leaks its engines, methods and time "
            "watched lead one to expect, the wider luck reaches."
        ),
    )
    return {
        "ratios": drawing(ratios, says=crude_against_adjusted(sites)),
        "funnel": drawing(funnel, says=sites_against_expected(compared)),
        "table": _sites_table(sites, level=level),
    }


def _with_crude_ratio(sites: pl.DataFrame, leak_rates: pl.DataFrame) -> pl.DataFrame:
    """Each site's crude rate over the whole fleet's."""
    fleet = leak_rates.filter(engine_family="", repair_method="", site="", time_scale="days")["rate"]
    fleet_rate = fleet[0] if fleet.len() else None
    ratio = pl.col("crude_rate") / fleet_rate if fleet_rate else pl.lit(None, pl.Float64)
    return sites.with_columns(crude_ratio=ratio)


def _site_dots(sites: pl.DataFrame) -> pl.DataFrame:
    """Crude and adjusted ratio of each site as rows of the dot figure."""
    counts = pl.format("{} seen, {} expected", "observed", pl.col("expected").round(1))
    no_limit = pl.lit(None, pl.Float64)
    crude = sites.select(
        label="site", series=pl.lit("crude"), value="crude_ratio", low=no_limit, high=no_limit, note=counts
    ).drop_nulls("value")
    noted = pl.when(pl.col("ratio").is_null()).then(pl.lit(TOO_FEW)).otherwise(counts)
    adjusted = sites.select("low", "high", label="site", series=pl.lit("adjusted"), value="ratio", note=noted)
    return pl.concat([adjusted, crude], how="diagonal").sort("label", maintain_order=True)


def _sites_table(sites: pl.DataFrame, *, level: str) -> Table:
    """The sites in the order of their names: small numbers are never ranked."""
    numbers = (
        "Repairs", "Seen", "Expected", "Crude rate a vehicle-year", f"Seen over expected ({level})",
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
                _ratio(row, "ratio", "low", "high", missing=row["reason"] or TOO_FEW),
                _ratio(row, "shrunk_ratio", "shrunk_low", "shrunk_high", missing=NOTHING),
                decimal(row["q_value"], 3),
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
    if row[value] is None:
        return missing
    return f"{decimal(row[value], 2)} ({decimal_range(row[low], row[high])})"
