"""How often the shown 95% intervals hold the truth of a fresh fleet, and what else is promised of chance.

    OMP_NUM_THREADS=1 POLARS_MAX_THREADS=1 nice .venv/bin/python benchmarks/coverage.py --fleets 1000

Each setting of `SETTINGS` is a truth (`known_fleets.py`) many fleets are drawn from afresh; all are computed as the
pages compute them, and what a page would not show is left out. Printed for each figure: its true value, the fleets that
show it, the share of intervals that hold the truth with its Monte Carlo standard error, the misses on either side, the
same share for intervals that take every episode for itself, and how much longer the shown ones are.

Then: the share of false among the sites and contrasts called at q < 0.05, and the control chart's run length to a false
signal against the one asked for.
"""

import argparse
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from time import perf_counter

import numpy as np
import polars as pl
from known_fleets import (
    METHOD_NAMES,
    Family,
    Fleets,
    Setting,
    as_episodes,
    draw,
    draw_histories,
    dry_share,
    true_quantile,
    true_rates,
    true_recurrence,
    true_restricted_mean,
)

from models.measures import leak_rates, method_effects, site_comparison
from models.settings import MeasureRules
from models.statistics.aalen_johansen import aalen_johansen, incidence_at
from models.statistics.clustering import Clusters, vehicle_clusters
from models.statistics.cox import fit_cox, hazard_ratios
from models.statistics.cusum import comeback_weights, cusum_path, in_control_threshold
from models.statistics.few_clusters import clustered_reach, effective_clusters
from models.statistics.intervals import normal_quantile
from models.statistics.kaplan_meier import event_time_quantiles, kaplan_meier
from models.statistics.mean_cumulative import mean_cumulative, mean_cumulative_limits
from models.statistics.poisson import poisson_ratio
from models.statistics.restricted_mean import restricted_mean
from models.statistics.risk_sets import risk_sets
from models.statistics.risk_table import RiskTable, count_up_to, group_sum, known_until, risk_table, value_at
from models.statistics.weibull import contradicted, fit_weibull, weibull_mean

RULES = MeasureRules()
HORIZONS_DAYS = (180.0, 365.0)
FALSE_SHARE = 0.05
SETTINGS = (
    Setting("one episode a vehicle"),
    Setting("heavy censoring", vehicles=400, families=(Family(1.0, 1.3, 3_000.0),), watch_days=(0.0, 1_000.0)),
    Setting("few events", vehicles=80, families=(Family(1.0, 1.3, 3_500.0),), watch_days=(0.0, 1_000.0)),
    Setting("whole days", families=(Family(1.0, 1.3, 100.0),), clock_days=1.0),
    Setting("whole weeks", families=(Family(1.0, 1.3, 100.0),), clock_days=7.0),
    Setting("competing ends", competing_days=400.0),
    Setting("vehicles alike", vehicles=60, episodes=(4, 4), alike=0.6),
    Setting("few vehicles alike", vehicles=15, episodes=(2, 14), alike=0.6),
    Setting(
        "pooled families, methods",
        vehicles=100,
        episodes=(1, 7),
        families=(Family(0.5, 0.8, 1_500.0), Family(0.3, 1.3, 700.0), Family(0.2, 2.0, 300.0)),
        methods=((0.6, 1.0), (0.25, 2.0), (0.15, 0.5)),
        alike=0.7,
    ),
)
EFFECTS = (
    Setting("one episode a vehicle", vehicles=300, methods=((0.6, 1.0), (0.4, 1.6))),
    Setting("few events", vehicles=80, watch_days=(0.0, 400.0), methods=((0.6, 1.0), (0.4, 1.6))),
    Setting("whole weeks", families=(Family(1.0, 1.3, 100.0),), clock_days=7.0, methods=((0.6, 1.0), (0.4, 1.6))),
    Setting("vehicles alike", vehicles=60, episodes=(2, 6), alike=0.6, methods=((0.6, 1.0), (0.4, 1.6))),
    Setting("few vehicles alike", vehicles=20, episodes=(2, 14), alike=0.6, methods=((0.6, 1.0), (0.4, 1.6))),
    replace(SETTINGS[-1], name="families as strata"),
)
SITES = (
    Setting("small sites", vehicles=240, sites=(0.6, 0.8, 1.0, 1.0, 1.2, 1.4)),
    Setting("few events", vehicles=240, sites=(0.6, 0.8, 1.0, 1.0, 1.2, 1.4), watch_days=(0.0, 400.0)),
    Setting("vehicles alike", vehicles=180, episodes=(2, 6), alike=0.6, sites=(0.6, 0.8, 1.0, 1.0, 1.2, 1.4)),
    Setting("half the fleet each", vehicles=120, episodes=(2, 6), alike=0.6, sites=(0.8, 1.2)),
)

HISTORIES = {0.0: "the same", 0.3: "vehicles differ", 1.0: "differ widely"}
"""Variance of the vehicles' hazards where every re-leak is repaired and watched on."""


@dataclass(frozen=True)
class Judged:
    """One figure over the fleets of a setting: its truth, and limits that are NaN where no page shows them (fleets,).

    Attributes:
        figure: Its name.
        truth: The population's value.
        shown: Limits as the pages show them.
        plain: Limits that take every episode for itself.
    """

    figure: str
    truth: float
    shown: tuple[np.ndarray, np.ndarray]
    plain: tuple[np.ndarray, np.ndarray]


def survival_figures(setting: Setting, fleets: Fleets, count: int) -> Iterator[Judged]:
    """Recurrence, leak-free share, restricted mean, Weibull mean, median and B10, all fleets at once."""
    table = risk_table(fleets.days, fleets.cause, group=fleets.fleet, groups=count)
    clusters = vehicle_clusters(table, fleets.vehicle)
    yield from _recurrence(setting, table, clusters)
    yield from _curve_figures(setting, table, clusters)
    yield _restricted_mean(setting, table, clusters)
    yield _weibull_mean(setting, table, clusters)


def _is_enough(table: RiskTable, *, horizon: float = np.inf) -> np.ndarray:
    """Whether a page gives figures that count the events up to a horizon (fleets,)."""
    events = count_up_to(table, table.events, horizon)[:, 0]
    return (table.sizes >= RULES.min_episodes) & (events >= RULES.min_events)


def _reach(table: RiskTable, clusters: Clusters) -> np.ndarray:
    return clustered_reach(effective_clusters(clusters, table.groups), confidence=RULES.confidence)


def _where(keep: np.ndarray, *limits: np.ndarray) -> tuple[np.ndarray, ...]:
    return tuple(np.where(keep, values, np.nan) for values in limits)


def _recurrence(setting: Setting, table: RiskTable, clusters: Clusters) -> Iterator[Judged]:
    is_known = known_until(table, table.events + table.competing)
    for horizon in HORIZONS_DAYS:
        keep = _is_enough(table, horizon=horizon) & (is_known >= horizon)
        shown = incidence_at(table, [horizon], clusters=clusters, reach=_reach(table, clusters))
        plain = aalen_johansen(table)
        limits = (value_at(table, limit, [horizon], initial=np.nan)[:, 0] for limit in (plain.low, plain.high))
        yield Judged(
            f"recurrence, {horizon:.0f} d",
            true_recurrence(setting, horizon),
            _where(keep, shown.low[:, 0], shown.high[:, 0]),
            _where(keep, *limits),
        )


def _curve_figures(setting: Setting, table: RiskTable, clusters: Clusters) -> Iterator[Judged]:
    enough = _is_enough(table)
    curves = [kaplan_meier(table, clusters=clusters, reach=_reach(table, clusters)), kaplan_meier(table)]
    horizon = HORIZONS_DAYS[-1]
    keep = enough & (known_until(table, table.events) >= horizon)
    limits = [
        _where(keep, *(value_at(table, limit, [horizon], initial=np.nan)[:, 0] for limit in (curve.low, curve.high)))
        for curve in curves
    ]
    yield Judged(f"leak-free, {horizon:.0f} d", float(dry_share(setting, np.array([horizon]))[0]), *limits)
    for name, share in (("median", 0.5), ("B10", 0.1)):
        found = [event_time_quantiles(table, curve, share) for curve in curves]
        limits = [
            _where(
                enough & ~np.isnan(found[0].time),
                np.nan_to_num(each.low),
                np.where(np.isnan(each.high), np.inf, each.high),
            )
            for each in found
        ]
        yield Judged(name, true_quantile(setting, share), *limits)


def _restricted_mean(setting: Setting, table: RiskTable, clusters: Clusters) -> Judged:
    horizon = RULES.restricted_mean_days
    keep = _is_enough(table, horizon=horizon) & (known_until(table, table.events) >= horizon)
    means = [
        restricted_mean(table, horizon, clusters=clusters, reach=_reach(table, clusters)),
        restricted_mean(table, horizon),
    ]
    limits = [_where(keep, mean.low, mean.high) for mean in means]
    return Judged(f"restricted mean, {horizon:.0f} d", true_restricted_mean(setting, horizon), *limits)


def _weibull_mean(setting: Setting, table: RiskTable, clusters: Clusters) -> Judged:
    failed_share = group_sum(table, table.events) / np.maximum(table.sizes, 1)
    fits = [fit_weibull(table, clusters=by, shortest=0.5) for by in (clusters, None)]
    leaves = contradicted(fits[0], table, kaplan_meier(table, clusters=clusters))
    is_shown = len(setting.families) * len(setting.methods) == 1
    keep = _is_enough(table) & (failed_share >= RULES.min_failed_share) & ~leaves
    means = [weibull_mean(fits[0], reach=_reach(table, clusters)), weibull_mean(fits[1])]
    limits = [_where(keep, mean.low, mean.high) for mean in means]
    truth = true_restricted_mean(setting, 30_000.0)
    return Judged("Weibull mean" if is_shown else "Weibull mean, were it shown", truth, *limits)


def rate_figures(setting: Setting, fleets: Fleets, count: int) -> Iterator[Judged]:
    """Re-leaks per vehicle-year and per 100,000 km, each fleet standing as a site of one table."""
    everything = as_episodes(fleets, np.arange(count), has_km=True)[0]
    named = everything.with_columns(site=pl.Series(fleets.fleet.astype(str)))
    shown = leak_rates(named, rules=RULES).filter(engine_family="", repair_method="").filter(pl.col("site") != "")
    for scale, truth in true_rates(setting).items():
        rates = shown.filter(time_scale=scale).sort(pl.col("site").cast(pl.Int64))
        limits = tuple(rates[limit].fill_null(np.nan).to_numpy() for limit in ("low", "high"))
        exact = poisson_ratio(rates["events"].to_numpy(), rates["exposure"].to_numpy())
        name = {"days": "re-leaks per year", "km": "per 100,000 km"}[scale]
        yield Judged(name, truth, limits, _where(~np.isnan(limits[0]), exact.low, exact.high))


def effect_figures(setting: Setting, fleets: Fleets, count: int) -> Iterator[Judged]:
    """Hazard ratio of the second method against the first, and the difference in recurrence it makes."""
    rows, plain = [], []
    for fleet in range(count):
        episodes, periods = as_episodes(fleets, fleet)
        effects = method_effects(episodes, periods, rules=RULES)
        rows.append(effects.filter(time_scale="days", repair_method=METHOD_NAMES[1], reference=METHOD_NAMES[0]))
        plain.append(_plain_ratio(fleets, np.flatnonzero(fleets.fleet == fleet)))
    shown = pl.concat(rows)
    keep = np.array([len(each) > 0 for each in rows])
    plain, unknown = np.array(plain)[keep], np.full((len(shown), 2), np.nan)
    ratio, difference = (
        tuple(shown[name].fill_null(np.nan).to_numpy() for name in names)
        for names in (("low", "high"), ("difference_low", "difference_high"))
    )
    horizon = RULES.difference_days
    gap = true_recurrence(setting, horizon, method=1) - true_recurrence(setting, horizon, method=0)
    yield Judged("hazard ratio", setting.methods[1][1], ratio, _where(~np.isnan(ratio[0]), *plain.T))
    yield Judged(f"adjusted difference, {horizon:.0f} d", gap, difference, (unknown[:, 0], unknown[:, 0]))


def _plain_ratio(fleets: Fleets, chosen: np.ndarray) -> tuple[float, float]:
    """Limits of the second method's hazard ratio, every episode for itself."""
    methods = fleets.method[chosen, None] == np.arange(1, fleets.method.max() + 1)
    sets = risk_sets(
        fleets.days[chosen], fleets.cause[chosen] == 1, methods.astype(float), stratum=fleets.family[chosen]
    )
    found = hazard_ratios(fit_cox(sets))
    return float(found.low[0]), float(found.high[0])


def site_figures(setting: Setting, fleets: Fleets, count: int) -> Iterator[Judged]:
    """Observed over expected of the best and the worst site; the truth from one very large draw."""
    large = replace(setting, vehicles=setting.vehicles * 400)
    truth = _site_rows(draw(large, 1, seed=99), 1)
    rows = _site_rows(fleets, count)
    for site in (f"site {number}" for number in (0, len(setting.sites) - 1)):
        found = rows.filter(site=site)
        limits = tuple(found[limit].fill_null(np.nan).to_numpy() for limit in ("low", "high"))
        exact = poisson_ratio(found["observed"].to_numpy(), found["expected"].to_numpy())
        ratio = truth.filter(site=site)["ratio"].item()
        yield Judged(
            f"O/E of {len(setting.sites)}, {'best' if site == 'site 0' else 'worst'}",
            ratio,
            limits,
            _where(~np.isnan(limits[0]), exact.low, exact.high),
        )


def _site_rows(fleets: Fleets, count: int) -> pl.DataFrame:
    """The sites' table of every fleet, in days."""
    compared = [
        site_comparison(*as_episodes(fleets, fleet), rules=RULES).with_columns(fleet=pl.lit(fleet))
        for fleet in range(count)
    ]
    return pl.concat(compared).filter(time_scale="days")


def history_figures(spread: float, count: int, *, seed: int) -> Iterator[Judged]:
    """Recurrence where every re-leak is repaired and watched on; the truth is all repairs' of one very large draw."""
    setting = Setting(HISTORIES[spread])
    _, leak, other = draw_histories(replace(setting, vehicles=400_000), 1, spread=spread, seed=99)
    fleets, _, _ = draw_histories(setting, count, spread=spread, seed=seed)
    table = risk_table(fleets.days, fleets.cause, group=fleets.fleet, groups=count)
    for judged, horizon in zip(
        _recurrence(setting, table, vehicle_clusters(table, fleets.vehicle)), HORIZONS_DAYS, strict=True
    ):
        yield replace(judged, truth=float(np.mean((leak <= horizon) & (leak < other))))


MEAN_FAILURES, MEAN_AGE, MEAN_POWER = 1.5, 1_000.0, 1.3


def cumulative_figures(engines: int, spread: float, count: int, *, seed: int) -> Judged:
    """Repairs per engine by age; the engines' own rates follow a gamma law with a variance of `spread`."""
    random = np.random.default_rng(seed)
    units = engines * count
    rate = random.gamma(1 / spread, spread, units) if spread else np.ones(units)
    end = random.uniform(500.0, 2_000.0, units)
    repairs = random.poisson(rate * MEAN_FAILURES * (end / MEAN_AGE) ** MEAN_POWER)
    unit = np.repeat(np.arange(units), repairs)
    age = end[unit] * random.random(len(unit)) ** (1 / MEAN_POWER)
    everybody = np.concatenate([unit, np.arange(units)])
    found = mean_cumulative(
        np.concatenate([age, end]),
        np.concatenate([np.ones(len(unit)), np.zeros(units)]),
        everybody,
        group=everybody // engines,
    )
    low, high, mean, poisson = (
        value_at(found.table, values, [MEAN_AGE], initial=0.0)[:, 0]
        for values in (*mean_cumulative_limits(found), found.mean, found.poisson_error)
    )
    spread = normal_quantile(RULES.confidence) * poisson
    return Judged(f"repairs per engine, {engines} engines", MEAN_FAILURES, (low, high), (mean - spread, mean + spread))


def report(setting: str, judged: Judged) -> None:
    """Print one line."""
    low, high = judged.shown
    kept = ~np.isnan(low)
    held = (low <= judged.truth) & (judged.truth <= high)
    share, count = held[kept].mean(), int(kept.sum())
    plain = np.where(
        np.isnan(judged.plain[0]), np.nan, (judged.plain[0] <= judged.truth) & (judged.truth <= judged.plain[1])
    )
    widths = [np.median((limits[1] - limits[0])[kept]) for limits in (judged.shown, judged.plain)]
    print(
        f"{setting:31}{judged.figure:32}{judged.truth:10.4g}{count:6d}{100 * share:7.1f}"
        f"{100 * np.sqrt(share * (1 - share) / max(count, 1)):5.1f}{100 * (high[kept] < judged.truth).mean():7.1f}"
        f"{100 * (low[kept] > judged.truth).mean():6.1f}{100 * plain[kept].mean():8.1f}{widths[0] / widths[1]:7.2f}",
        flush=True,
    )


def report_false_discoveries(count: int, *, seed: int) -> None:
    """Print the share of false among what is called at q < 0.05: sites, then contrasts of methods."""
    factors = (0.5,) * 3 + (1.0,) * 14 + (1.5,) * 3
    for name, alike, episodes, vehicles in (("one a vehicle", 1.0, (1, 1), 1_200), ("alike", 0.6, (2, 6), 600)):
        setting = Setting(name, vehicles=vehicles, episodes=episodes, alike=alike, sites=factors)
        rows = _site_rows(draw(setting, count, seed=seed), count).with_columns(
            factor=pl.col("site").replace_strict({f"site {i}": each for i, each in enumerate(factors)})
        )
        called = rows.with_columns(is_called=pl.col("q_value") < FALSE_SHARE)
        _print_discoveries(f"sites, {name}", called, pl.col("factor") == 1.0, pl.col("ratio") > 1, pl.col("factor") > 1)
    ratios = (1.0, 1.0, 1.0, 1.0, 1.8, 0.5)
    for name, alike, episodes, vehicles in (("one a vehicle", 1.0, (1, 1), 1_200), ("alike", 0.6, (2, 6), 300)):
        methods = tuple(zip((0.3, 0.14, 0.14, 0.14, 0.14, 0.14), ratios, strict=True))
        setting = Setting(name, vehicles=vehicles, episodes=episodes, alike=alike, methods=methods)
        fleets = draw(setting, count, seed=seed)
        effects = [
            method_effects(*as_episodes(fleets, fleet), rules=RULES).with_columns(fleet=pl.lit(fleet))
            for fleet in range(count)
        ]
        true_ratio = pl.col("repair_method").replace_strict(dict(zip(METHOD_NAMES, ratios, strict=True)))
        called = pl.concat(effects).filter(time_scale="days").with_columns(is_called=pl.col("q_value") < FALSE_SHARE)
        called = called.with_columns(factor=true_ratio)
        _print_discoveries(
            f"methods, {name}", called, pl.col("factor") == 1.0, pl.col("hazard_ratio") > 1, pl.col("factor") > 1
        )


def _print_discoveries(name: str, rows: pl.DataFrame, is_null: pl.Expr, is_up: pl.Expr, truly_up: pl.Expr) -> None:
    is_false = is_null | (is_up != truly_up)
    by_fleet = rows.group_by("fleet").agg(
        calls=pl.col("is_called").sum(),
        false=(pl.col("is_called") & is_false).sum(),
        found=(pl.col("is_called") & ~is_false).sum() / (~is_null).sum(),
    )
    share = (by_fleet["false"] / by_fleet["calls"].clip(1)).to_numpy()
    error = share.std() / np.sqrt(len(share))
    print(
        f"{name:26}{len(share):6d} fleets: false among the called {share.mean():.4f} +- {error:.4f} (at most "
        f"{FALSE_SHARE}), true ones called {by_fleet['found'].mean():.3f}",
        flush=True,
    )


def report_run_lengths(charts: int, *, seed: int) -> None:
    """Print the mean number of repairs to a false signal at the threshold set, by how well the risks are known."""
    random = np.random.default_rng(seed)
    asked = RULES.cusum_run_length
    for name, risk in (
        ("risks 2 to 20%", random.uniform(0.02, 0.2, 500)),
        ("risks 5%", np.full(500, 0.05)),
        ("risks 1 to 60%", random.beta(0.8, 4.0, 500)),
    ):
        found = in_control_threshold(risk, run_length=asked, seed=1)
        for likeness, spread, in_a_row in (
            ("", 0.0, 1),
            (", vehicles differ, 5 repairs each", 0.5, 1),
            (", vehicles differ, 5 in a row", 0.5, 5),
        ):
            lengths = [
                _run_length(random, risk, found.threshold, spread=spread, in_a_row=in_a_row) for _ in range(charts)
            ]
            error = np.std(lengths) / np.sqrt(charts)
            print(
                f"{name + likeness:52} asked {asked:.0f}, was {np.mean(lengths):6.1f} +- {error:.1f} "
                f"({np.mean(lengths) / asked - 1:+.1%}) over {charts} charts",
                flush=True,
            )


def _run_length(
    random: np.random.Generator, risk: np.ndarray, threshold: float, *, spread: float, in_a_row: int
) -> int:
    """Repairs to the first signal of one chart in control.

    Each vehicle has five repairs in a thousand, so many of them in a row, and a hazard of its own: a gamma law of mean
    1 and variance `spread`, divided by what it does to the share that comes back, which stays the risk.
    """
    gone = 0
    while True:
        drawn = random.choice(risk, 1_000)
        factor = random.gamma(1 / spread, spread, 200) if spread else np.ones(200)
        own = np.repeat(random.permutation(np.tile(factor, 5 // in_a_row)), in_a_row)
        hazard = ((1 - drawn) ** -spread - 1) / spread if spread else -np.log1p(-drawn)
        came_back = random.exponential(size=1_000) < own * hazard
        path = cusum_path(comeback_weights(came_back, drawn), threshold)
        if path.is_signal.any():
            return gone + int(np.argmax(path.is_signal)) + 1
        gone += 1_000


def main() -> None:
    """Print every table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fleets", type=int, default=1_000, help="data sets of each setting")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--parts", nargs="+", default=["curves", "rates", "effects", "sites", "histories", "repairs", "chance"]
    )
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    started = perf_counter()
    print(
        f"{'setting':31}{'figure':32}{'truth':>10}{'sets':>6}{'held':>7}{'+-':>5}{'below':>7}{'above':>6}"
        f"{'plain':>8}{'longer':>7}"
    )
    parts: dict[str, tuple[tuple[Setting, ...], Callable[[Setting, Fleets, int], Iterator[Judged]]]] = {
        "curves": (SETTINGS, survival_figures),
        "rates": (SETTINGS, rate_figures),
        "effects": (EFFECTS, effect_figures),
        "sites": (SITES, site_figures),
    }
    for part, (settings, figures) in parts.items():
        for setting in settings if part in options.parts else ():
            for judged in figures(setting, draw(setting, options.fleets, seed=options.seed), options.fleets):
                report(setting.name, judged)
    for spread, name in HISTORIES.items() if "histories" in options.parts else ():
        for judged in history_figures(spread, options.fleets, seed=options.seed):
            report(f"repaired on, {name}", judged)
    if "repairs" in options.parts:
        for engines in (10, 20, 60):
            for spread in (0.0, 0.5):
                name = "engines differ" if spread else "engines the same"
                report(name, cumulative_figures(engines, spread, options.fleets, seed=options.seed))
    if "chance" in options.parts:
        report_false_discoveries(options.fleets, seed=options.seed)
        report_run_lengths(4 * options.fleets, seed=options.seed)
    print(f"{perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
