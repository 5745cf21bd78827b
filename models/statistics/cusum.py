"""Whether a bay is in trouble now: a risk-adjusted cumulative sum of comebacks."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.statistics.risk_table import Bools, Floats, Ints

LEVELS = np.arange(1, 2001) * 0.01
"""Thresholds tried: steps of a hundredth are finer than any chart is read."""

LONGEST = 3
"""Charts simulated run for this many times the run length aimed at; one in twenty has then not signalled."""

DRAWN_AT_ONCE = 512
"""Repairs drawn for every simulated chart at a time."""

RESTART = 0.5
"""Share of the threshold a chart restarts at after a signal, so that trouble that persists signals again soon: Lucas &
Crosier, Technometrics 24 (1982) 199."""

NO_REPAIRS = "no repairs to take the risks from"
NO_RISK = "no repair whose comeback was either possible or avoidable"
TOO_LONG = "no threshold keeps charts in control that long"


@dataclass(frozen=True)
class CusumPath:
    """A chart after each repair.

    Attributes:
        statistic: The sum, 0 or more, before any restart (n,).
        is_signal: Whether it reached the threshold (n,).
        standing_since: Repair whose signal still stands (n,), -1 where none does. A signal stands until the restarted
            sum is back at 0; signals meanwhile do not begin a new one.
    """

    statistic: Floats
    is_signal: Bools
    standing_since: Ints


@dataclass(frozen=True)
class Threshold:
    """When a chart signals; NaN where that cannot be set.

    Attributes:
        threshold: The sum it signals at.
        run_length: Mean number of repairs to a false signal at it, by simulation.
        reason: Why there is none, '' where there is one.
    """

    threshold: float
    run_length: float
    reason: str


def comeback_weights(is_comeback: npt.ArrayLike, risk: npt.ArrayLike, *, odds_ratio: float = 2.0) -> Floats:
    """Evidence of each repair for odds of a comeback `odds_ratio` times those expected (n,): a log-likelihood ratio.

    Args:
        is_comeback: Whether the repair came back (n,).
        risk: Expected probability that it does, 0 to 1 (n,).
        odds_ratio: The worsening to be found, above 0 and not 1; below 1, an improvement.

    Raises:
        ValueError: Lengths differ, a risk lies outside 0 to 1, or the odds ratio is not above 0 or is 1.

    Source: Steiner, Cook, Farewell & Treasure, Biostatistics 1 (2000) 441.
    """
    outcome, risks = np.asarray(is_comeback, dtype=bool), np.asarray(risk, dtype=np.float64)
    if outcome.shape != risks.shape:
        raise ValueError(f"{len(outcome)} outcomes for {len(risks)} risks")
    _check_risks(risks, odds_ratio)
    return np.where(outcome, np.log(odds_ratio), 0.0) - np.log1p((odds_ratio - 1.0) * risks)


def _check_risks(risk: Floats, odds_ratio: float) -> None:
    """Raise ValueError for risks and odds no chart can be made of."""
    if not ((risk >= 0) & (risk <= 1)).all():
        raise ValueError("every risk must lie in 0 to 1")
    if not (np.isfinite(odds_ratio) and odds_ratio > 0 and odds_ratio != 1):
        raise ValueError(f"the odds ratio is {odds_ratio}; it must be above 0 and not 1")


def cusum_path(weights: npt.ArrayLike, threshold: float) -> CusumPath:
    """Sum the weights as they come, never below 0, and signal at the threshold.

    Args:
        weights: Evidence of each repair, in the order of the repairs (n,).
        threshold: Above 0.

    Raises:
        ValueError: The threshold is not above 0.
    """
    if not threshold > 0:
        raise ValueError(f"the threshold is {threshold}; it must be above 0")
    steps = np.asarray(weights, dtype=np.float64)
    statistic, since = np.zeros(len(steps)), np.full(len(steps), -1)
    is_signal = np.zeros(len(steps), dtype=bool)
    total, standing = 0.0, -1
    for repair, step in enumerate(steps.tolist()):
        total = max(0.0, total + step)
        statistic[repair] = total
        if total >= threshold:
            is_signal[repair] = True
            standing = repair if standing < 0 else standing
            total = RESTART * threshold
        elif total == 0.0:
            standing = -1
        since[repair] = standing
    return CusumPath(statistic, is_signal, since)


def in_control_threshold(
    risk: npt.ArrayLike, *, run_length: float, seed: int, odds_ratio: float = 2.0, charts: int = 2000
) -> Threshold:
    """Set the threshold at which charts that are in control signal once in `run_length` repairs on average.

    Charts are simulated from 0, each repair's risk drawn from those given and its outcome from its risk; those that
    have not signalled when the simulation ends are counted as the memoryless tail of run lengths lets them be. Measured
    over 4,000 fresh charts each, risks of 2 to 20%, 5% and 1 to 60%: within 4% of the length asked for, and within 8%
    where vehicles differ by a variance of 0.5 and their five repairs lie anywhere among a thousand; up to 26% short
    where five repairs in a row are of one of them.

    Args:
        risk: Expected probabilities of a comeback, 0 to 1, as the chart will meet them (n,).
        run_length: Repairs to a false signal, 1 or more.
        seed: Of the simulation.
        odds_ratio: As in `comeback_weights`.
        charts: Charts simulated: 2,000 know the run length to about 2%.

    Raises:
        ValueError: A risk lies outside 0 to 1, the run length is under 1, or the odds ratio is not above 0 or is 1.
    """
    risks = np.asarray(risk, dtype=np.float64)
    _check_risks(risks, odds_ratio)
    if not run_length >= 1:
        raise ValueError(f"the run length is {run_length}; it must be 1 or more")
    if not len(risks):
        return Threshold(np.nan, np.nan, NO_REPAIRS)
    if not ((risks > 0) & (risks < 1)).any():
        return Threshold(np.nan, np.nan, NO_RISK)
    lengths = _run_lengths(risks, round(LONGEST * run_length) + 1, seed=seed, odds_ratio=odds_ratio, charts=charts)
    enough = np.flatnonzero(lengths >= run_length)
    if not len(enough):
        return Threshold(np.nan, np.nan, TOO_LONG)
    return Threshold(float(LEVELS[enough[0]]), float(lengths[enough[0]]), "")


def _run_lengths(risk: Floats, repairs: int, *, seed: int, odds_ratio: float, charts: int) -> Floats:
    """Mean repairs until charts in control first reach each of `LEVELS` (levels,); infinite where none did."""
    random, levels = np.random.default_rng(seed), np.append(LEVELS, np.inf)
    total, reached = np.zeros(charts), np.zeros(charts, dtype=np.int64)
    signals, repairs_to_signal = np.zeros(len(LEVELS) + 1), np.zeros(len(LEVELS) + 1)
    for first in range(0, repairs, DRAWN_AT_ONCE):
        drawn = risk[random.integers(0, len(risk), (min(DRAWN_AT_ONCE, repairs - first), charts))]
        steps = comeback_weights(random.random(drawn.shape) < drawn, drawn, odds_ratio=odds_ratio)
        for repair, step in enumerate(steps, start=first + 1):
            total += step
            np.maximum(total, 0.0, out=total)
            beyond = np.flatnonzero(total >= levels[reached])
            if len(beyond):
                passed = np.searchsorted(LEVELS, total[beyond], side="right")
                for tally, amount in ((signals, 1.0), (repairs_to_signal, float(repair))):
                    np.add.at(tally, reached[beyond], amount)
                    np.add.at(tally, passed, -amount)
                reached[beyond] = passed
    count = np.cumsum(signals)[:-1]
    watched = np.cumsum(repairs_to_signal)[:-1] + (charts - count) * repairs
    return np.asarray(np.divide(watched, count, out=np.full(len(count), np.inf), where=count > 0))
