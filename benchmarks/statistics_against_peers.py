"""Time the estimators against lifelines, R's survival and surpyval on the same data in one run.

    OMP_NUM_THREADS=1 .venv/bin/python benchmarks/statistics_against_peers.py --episodes 2000000 --groups 600

Seconds are of the processor, one thread each. Ours are over all groups and rows; a peer takes one group after another,
the first `--peer-groups` of them, scaled up by their episodes. R is timed where `Rscript` is, surpyval where
`--surpyval` names the Python of an environment that has it. Figures of ours and the peers are compared before any time
is printed. lifelines integrates the restricted mean's variance numerically, which is most of its total: the last line
of each peer leaves the restricted mean out.
"""

import argparse
import shutil
import subprocess
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

from models.statistics.aalen_johansen import aalen_johansen
from models.statistics.clustering import vehicle_clusters
from models.statistics.cox import fit_cox
from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.mean_cumulative import mean_cumulative
from models.statistics.restricted_mean import restricted_mean
from models.statistics.risk_sets import risk_sets
from models.statistics.risk_table import risk_table
from models.statistics.weibull import fit_weibull

HORIZON_DAYS = 730.0
HERE = Path(__file__).parent
EFFECTS = np.array([0.2, -0.3, 0.1, 0.5, 0.0, 0.2, -0.1, 0.05])
CURVES = ("Kaplan-Meier", "Aalen-Johansen", "restricted mean", "Weibull")


def timed(work: Callable[[], object]) -> tuple[float, object]:
    """Processor seconds a piece of work takes, and what it returns."""
    began = time.process_time()
    result = work()
    return time.process_time() - began, result


def draw_episodes(episodes: int, groups: int, seed: int) -> pl.DataFrame:
    """Whole-day times, ends, groups and vehicles of a fleet with about four episodes a vehicle."""
    random = np.random.default_rng(seed)
    vehicle = random.integers(0, max(episodes // 4, 1), episodes)
    group = vehicle % groups
    leak = 700 * random.weibull(1.4, episodes) * (1 + group / groups)
    other, watched = random.exponential(2_500, episodes), random.uniform(0, 1_800, episodes)
    days = np.minimum(np.minimum(leak, other), watched)
    cause = np.select([days == leak, days == other], [1, 2], 0)
    return pl.DataFrame({"days": np.ceil(days), "cause": cause, "group": group, "vehicle": vehicle})


def draw_comparison(episodes: int, seed: int) -> pl.DataFrame:
    """Whole-day times of repairs that differ in five job-card steps and three measured covariates."""
    random = np.random.default_rng(seed)
    covariates = np.column_stack([random.integers(0, 2, (episodes, 5)), random.normal(size=(episodes, 3))])
    leak = 700 * (random.exponential(size=episodes) * np.exp(-covariates @ EFFECTS)) ** (1 / 1.4)
    watched = random.uniform(0, 1_800, episodes)
    columns = {f"x{j}": covariates[:, j] for j in range(len(EFFECTS))}
    vehicle = random.integers(0, max(episodes // 4, 1), episodes)
    return pl.DataFrame(
        {"days": np.ceil(np.minimum(leak, watched)), "failed": leak <= watched, "vehicle": vehicle, **columns}
    )


def draw_repairs(episodes: int, groups: int, seed: int) -> dict[str, np.ndarray]:
    """Ages at the repairs and at the end of watch of as many engines as half the entries."""
    random = np.random.default_rng(seed)
    engines = max(episodes // 2, groups)
    end = random.uniform(500, 3_000, engines)
    unit = np.concatenate([random.integers(0, engines, engines), np.arange(engines)])
    is_end = np.arange(2 * engines) >= engines
    age = np.where(is_end, end[unit], end[unit] * random.random(2 * engines) ** 0.7)
    return {"age": np.ceil(age), "unit": unit, "is_end": is_end.astype(int), "group": unit % groups}


def time_ours(episodes: pl.DataFrame, comparison: pl.DataFrame, repairs: dict[str, np.ndarray]) -> dict[str, float]:
    """Seconds of each step over all groups."""
    seconds = {}
    days, cause, group = (episodes[name].to_numpy() for name in ("days", "cause", "group"))
    seconds["sort into a risk table"], table = timed(lambda: risk_table(days, cause, group=group))
    seconds["sort by vehicle"], clusters = timed(lambda: vehicle_clusters(table, episodes["vehicle"].to_numpy()))
    for name, by in (("", None), (", by vehicle", clusters)):
        for step, work in {
            "Kaplan-Meier": lambda by=by: kaplan_meier(table, clusters=by),
            "Aalen-Johansen": lambda by=by: aalen_johansen(table, clusters=by),
            "restricted mean": lambda by=by: restricted_mean(table, HORIZON_DAYS, clusters=by),
            "Weibull": lambda by=by: fit_weibull(table, clusters=by),
        }.items():
            seconds[step + name], _ = timed(work)
    covariates = comparison.select(pl.selectors.starts_with("x")).to_numpy()
    taken, sets = timed(lambda: risk_sets(comparison["days"], comparison["failed"], covariates))
    fitted, _ = timed(lambda: fit_cox(sets))
    clustered, _ = timed(lambda: fit_cox(sets, cluster=comparison["vehicle"].to_numpy()))
    seconds |= {"Cox": taken + fitted, "clustered Cox": taken + clustered}
    seconds["mean cumulative"], _ = timed(
        lambda: mean_cumulative(repairs["age"], repairs["is_end"] == 0, repairs["unit"], group=repairs["group"])
    )
    return seconds


def time_lifelines(sample: pl.DataFrame, comparison: pl.DataFrame) -> dict[str, float]:
    """Seconds of lifelines over a sample of the groups and all rows of the comparison, its figures checked."""
    from lifelines import AalenJohansenFitter, CoxPHFitter, KaplanMeierFitter, WeibullFitter
    from lifelines.utils import restricted_mean_survival_time

    parts = [(part["days"].to_numpy(), part["cause"].to_numpy()) for part in sample.partition_by("group")]
    seconds, curves = {}, []
    seconds["Kaplan-Meier"], curves = timed(lambda: [KaplanMeierFitter().fit(days, end == 1) for days, end in parts])
    seconds["Aalen-Johansen"], _ = timed(
        lambda: [AalenJohansenFitter(seed=1).fit(days, end, event_of_interest=1) for days, end in parts]
    )
    seconds["restricted mean"], _ = timed(
        lambda: [restricted_mean_survival_time(curve, t=HORIZON_DAYS, return_variance=True) for curve in curves]
    )
    seconds["Weibull"], lives = timed(lambda: [WeibullFitter().fit(days, end == 1) for days, end in parts])
    check_lifelines(parts, curves, lives)
    columns = comparison.select("days", "failed", pl.selectors.starts_with("x")).to_pandas()
    seconds["Cox"], fit = timed(lambda: CoxPHFitter().fit(columns, "days", "failed"))
    np.testing.assert_allclose(ours_cox(comparison).coefficient, fit.params_, rtol=1e-4, atol=1e-6)
    return seconds


def check_lifelines(parts: list[tuple[np.ndarray, np.ndarray]], curves: list, lives: list) -> None:
    """Raise where curves or lives differ from ours."""
    for (days, end), curve, life in zip(parts, curves, lives, strict=True):
        table = risk_table(days, end)
        theirs = curve.survival_function_at_times(table.time)
        np.testing.assert_allclose(kaplan_meier(table).survival, theirs, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(fit_weibull(table).shape[0], life.rho_, rtol=1e-3)


def ours_cox(comparison: pl.DataFrame) -> object:
    """Fit the comparison, clustered by vehicle."""
    covariates = comparison.select(pl.selectors.starts_with("x")).to_numpy()
    sets = risk_sets(comparison["days"], comparison["failed"], covariates)
    return fit_cox(sets, cluster=comparison["vehicle"].to_numpy())


def answers(command: list[str]) -> dict[str, float]:
    """Run a peer and read its name,value lines."""
    printed = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    return {name: float(value) for name, value in (line.rsplit(",", 1) for line in printed.splitlines())}


def time_r(sample: pl.DataFrame, comparison: pl.DataFrame) -> dict[str, float]:
    """Seconds of R's survival over a sample of the groups and all rows of the comparison, its Cox model checked."""
    with tempfile.TemporaryDirectory() as directory:
        sample.write_csv(Path(directory) / "episodes.csv")
        comparison.with_columns(pl.col("failed").cast(int)).write_csv(Path(directory) / "cox.csv")
        told = answers(["Rscript", str(HERE / "peers" / "survival.R"), directory])
    fit = ours_cox(comparison)
    for name, values in (("coefficient", fit.coefficient), ("error", np.sqrt(np.diagonal(fit.naive_covariance)))):
        theirs = [told.pop(f"{name} {j + 1}") for j in range(len(EFFECTS))]
        np.testing.assert_allclose(values, theirs, rtol=1e-6, atol=1e-9)
    return told


def time_surpyval(python: str, repairs: dict[str, np.ndarray], groups: int) -> dict[str, float]:
    """Seconds of surpyval over the first groups, the end of the first function checked."""
    kept = repairs["group"] < groups
    with tempfile.NamedTemporaryFile(suffix=".npz") as file:
        np.savez(file.name, **{name: values[kept] for name, values in repairs.items()})
        told = answers([python, str(HERE / "peers" / "mean_cumulative.py"), file.name])
    first = {name: values[repairs["group"] == 0] for name, values in repairs.items()}
    ours = mean_cumulative(first["age"], first["is_end"] == 0, first["unit"])
    np.testing.assert_allclose([ours.mean[-1], ours.robust_error[-1]], [told["mean"], told["error"]], rtol=1e-9)
    return {"mean cumulative": told["seconds"]}


def print_peer(name: str, theirs: dict[str, float], ours: dict[str, float]) -> None:
    """Print a peer's seconds beside ours; what rests on the risk table has its sorting counted in."""
    sorting = ours["sort into a risk table"]
    for step, seconds in theirs.items():
        own = ours[step] + (sorting if step in CURVES else 0.0)
        print(f"{name:12}{step:20}{seconds:9.2f} s  ours {own:6.3f} s  {seconds / own:6.1f} times")
    for label, steps in (("all four", set(CURVES)), ("without the mean", set(CURVES) - {"restricted mean"})):
        if steps <= set(theirs):
            total, own = sum(theirs[step] for step in steps), sorting + sum(ours[step] for step in steps)
            print(f"{name:12}{label:20}{total:9.2f} s  ours {own:6.3f} s  {total / own:6.1f} times")


def main() -> None:
    """Print the seconds of each step and the ratio to each peer."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--episodes", type=int, default=200_000)
    parser.add_argument("--groups", type=int, default=600)
    parser.add_argument("--peer-groups", type=int, default=10)
    parser.add_argument("--surpyval", metavar="PYTHON")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    episodes = draw_episodes(options.episodes, options.groups, options.seed)
    comparison = draw_comparison(options.episodes, options.seed)
    repairs = draw_repairs(options.episodes, options.groups, options.seed)
    sample = episodes.filter(pl.col("group") < options.peer_groups)
    time_ours(episodes[:1000], comparison[:1000], draw_repairs(1000, 2, 1))
    ours = time_ours(episodes, comparison, repairs)
    peers = {"lifelines": time_lifelines(sample, comparison)}
    if shutil.which("Rscript"):
        peers["R survival"] = time_r(sample, comparison)
    for step, seconds in ours.items():
        print(f"{step:32}{seconds:8.3f} s")
    for name, seconds in peers.items():
        scale = options.episodes / len(sample)
        print_peer(name, {step: value * (scale if step in CURVES else 1.0) for step, value in seconds.items()}, ours)
    if options.surpyval:
        theirs = time_surpyval(options.surpyval, repairs, options.peer_groups)
        share = np.mean(repairs["group"] < options.peer_groups)
        print_peer("surpyval", {step: value / share for step, value in theirs.items()}, ours)
    print(f"{options.episodes:,} episodes in {options.groups} groups")


if __name__ == "__main__":
    main()
