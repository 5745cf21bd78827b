"""Time the estimators over many groups against lifelines, one group after another, on the same data in one run.

    .venv/bin/python benchmarks/statistics_against_peers.py --episodes 2000000 --groups 600

Set OMP_NUM_THREADS=1 to hold both to one thread. lifelines is timed on a sample of the groups and scaled up; it is set
against our step and the sorting it rests on. The curves of both are compared before any time is printed.
"""

import argparse
import time
import warnings
from collections.abc import Callable

import numpy as np

from models.statistics.aalen_johansen import aalen_johansen
from models.statistics.clustering import vehicle_clusters
from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.restricted_mean import restricted_mean
from models.statistics.risk_table import risk_table
from models.statistics.weibull import fit_weibull

TIMED_PEER_GROUPS = 60
HORIZON_DAYS = 730.0


def timed(work: Callable[[], object]) -> tuple[float, object]:
    """Seconds a piece of work takes, and what it returns."""
    began = time.perf_counter()
    result = work()
    return time.perf_counter() - began, result


def draw_episodes(episodes: int, groups: int, seed: int) -> tuple[np.ndarray, ...]:
    """Whole-day times, ends, groups and vehicles of a fleet with about four episodes a vehicle."""
    random = np.random.default_rng(seed)
    vehicle = random.integers(0, max(episodes // 4, 1), episodes)
    group = vehicle % groups
    leak = 700 * random.weibull(1.4, episodes) * (1 + group / groups)
    other, watched = random.exponential(2_500, episodes), random.uniform(0, 1_800, episodes)
    days = np.minimum(np.minimum(leak, other), watched)
    cause = np.select([days == leak, days == other], [1, 2], 0)
    return np.ceil(days), cause, group, vehicle


def time_ours(days: np.ndarray, cause: np.ndarray, group: np.ndarray, vehicle: np.ndarray) -> dict[str, float]:
    """Seconds of each step over all groups."""
    seconds = {}
    seconds["sort into a risk table"], table = timed(lambda: risk_table(days, cause, group=group))
    seconds["sort by vehicle"], clusters = timed(lambda: vehicle_clusters(table, vehicle))
    for name, by in (("", None), (", by vehicle", clusters)):
        steps = {
            "Kaplan-Meier with limits": lambda by=by: kaplan_meier(table, clusters=by),
            "Aalen-Johansen with limits": lambda by=by: aalen_johansen(table, clusters=by),
            "restricted mean with limits": lambda by=by: restricted_mean(table, HORIZON_DAYS, clusters=by),
            "Weibull with covariance": lambda by=by: fit_weibull(table, clusters=by),
        }
        for step, work in steps.items():
            seconds[step + name], _ = timed(work)
    return seconds


def time_lifelines(days: np.ndarray, cause: np.ndarray, group: np.ndarray) -> dict[str, float]:
    """Seconds of lifelines over all groups, scaled up from the first of them; raises if its curves differ from ours."""
    from lifelines import KaplanMeierFitter, WeibullFitter

    groups = int(group.max()) + 1
    sample = [(days[group == code], cause[group == code] == 1) for code in range(min(groups, TIMED_PEER_GROUPS))]
    scale = groups / len(sample)
    curves, fitters = timed(lambda: [KaplanMeierFitter().fit(time, failed) for time, failed in sample])
    lives, _ = timed(lambda: [WeibullFitter().fit(time, failed) for time, failed in sample])
    table = risk_table(days, cause, group=group)
    ours = kaplan_meier(table).survival
    for code, fitter in enumerate(fitters):
        rows = slice(table.start[code], table.start[code + 1])
        theirs = fitter.survival_function_at_times(table.time[rows])
        np.testing.assert_allclose(ours[rows], theirs, rtol=1e-9, atol=1e-12)
    return {"Kaplan-Meier with limits": scale * curves, "Weibull with covariance": scale * lives}


def main() -> None:
    """Print the seconds of each step and the ratio to lifelines."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--episodes", type=int, default=200_000)
    parser.add_argument("--groups", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    days, cause, group, vehicle = draw_episodes(options.episodes, options.groups, options.seed)
    fit_weibull(risk_table(days[:100], cause[:100]))
    ours, theirs = time_ours(days, cause, group, vehicle), time_lifelines(days, cause, group)
    sorting = ours["sort into a risk table"]
    for step, seconds in ours.items():
        peer = theirs.get(step)
        beside = (
            f"   lifelines {peer:6.1f} s: {peer / (sorting + seconds):.0f} times ours, sorting included" if peer else ""
        )
        print(f"{step:40}{seconds:8.3f} s{beside}")
    both = sum(theirs.values()) / (sorting + sum(ours[step] for step in theirs))
    print(f"{' and '.join(theirs)}: {both:.0f} times ours")
    print(f"{'all of it':40}{sum(ours.values()):8.3f} s for {options.episodes:,} episodes in {options.groups} groups")


if __name__ == "__main__":
    main()
