"""Events to be expected from the whole fleet's experience, so that sites with different engines compare fairly."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from models.statistics.cox import CoxFit, fit_cox
from models.statistics.partial_likelihood import relative_risks
from models.statistics.risk_sets import RiskSets, risk_sets
from models.statistics.risk_table import EVENT, Floats, Ints, running_sum

MIN_LEVEL_EVENTS = 10
"""Events a level needs to be judged on its own: ten a figure is the usual rule of thumb (Peduzzi et al., J. Clin.
Epidemiol. 49 (1996) 1373)."""


def pooled_levels(code: npt.ArrayLike, cause: npt.ArrayLike) -> Ints:
    """Number the levels that have enough events, most frequent first, the others together (n,).

    Where the others together have fewer than `MIN_LEVEL_EVENTS` events they join the most frequent level.

    Args:
        code: Level of each observation, zero or more (n,).
        cause: How each observation ended (n,).
    """
    codes = np.asarray(code, dtype=np.int64)
    is_event = np.asarray(cause) == EVENT
    levels = int(codes.max(initial=0)) + 1
    events = np.bincount(codes[is_event], minlength=levels)
    by_size = np.argsort(-np.bincount(codes, minlength=levels), kind="stable")
    kept = by_size[events[by_size] >= MIN_LEVEL_EVENTS]
    number = np.full(levels, len(kept))
    number[kept] = np.arange(len(kept))
    pooled = number[codes]
    if is_event[pooled == len(kept)].sum() < MIN_LEVEL_EVENTS:
        pooled[pooled == len(kept)] = 0
    return pooled


@dataclass(frozen=True)
class PooledModel:
    """What is to be expected of each observation, whichever unit it belongs to.

    Attributes:
        sets: The risk sets of the baselines.
        stratum: Baseline of each observation (n,).
        weight: Its hazard relative to the baseline (n,).
        step: Step of the baseline hazard at each row (rows,).
        hazard: Cumulative hazard of the baseline after each row (rows,).
        within: The hazard ratios, found within units; none without covariates.
    """

    sets: RiskSets
    stratum: Ints
    weight: Floats
    step: Floats
    hazard: Floats
    within: CoxFit | None

    def expected(self, time: npt.ArrayLike) -> Floats:
        """Events to be expected of each observation up to a time of its own (n,)."""
        times = np.asarray(time, dtype=np.float64)
        base = np.zeros(len(times))
        for stratum, (first, stop) in enumerate(pairwise(self.sets.start.tolist())):
            members = np.flatnonzero(self.stratum == stratum)
            row = first + np.searchsorted(self.sets.time[first:stop], times[members], side="right") - 1
            base[members] = np.where(row >= first, self.hazard[np.maximum(row, first)] if stop > first else 0.0, 0.0)
        return np.asarray(self.weight * base)


def pooled_model(
    time: npt.ArrayLike, cause: npt.ArrayLike, *, stratum: Ints, covariates: Floats, unit: Ints
) -> PooledModel:
    """Fit what is to be expected of an observation by its stratum and covariates.

    Hazard ratios of the covariates are found within units, so that a unit that works worse and works differently lends
    the difference to neither. The baseline of each stratum is the whole fleet's: within a stratum, and so over the
    fleet, what is expected over the watched times adds up to the events observed. Competing ends are censored. Without
    covariates it is the stratum's cumulative hazard, Nelson-Aalen.

    Args:
        time: Watched times (n,).
        cause: How each observation ended (n,).
        stratum: Baseline each observation is judged by, zero or more (n,).
        covariates: What else it is judged by (n, terms).
        unit: Site of each observation, zero or more (n,).

    Raises:
        ValueError: Lengths differ, or a number is not finite.

    Source: indirect standardisation, Breslow & Day, Statistical Methods in Cancer Research II (1987), section 2.3, on
    Cox's model with Breslow's baseline.
    """
    is_event = np.asarray(cause) == EVENT
    sets = risk_sets(time, is_event, covariates, stratum=stratum)
    within = None
    if sets.terms:
        baseline = unit * (int(stratum.max(initial=0)) + 1) + stratum
        within = fit_cox(risk_sets(time, is_event, covariates, stratum=baseline), ties="breslow")
    risks = relative_risks(sets, np.zeros(0) if within is None else within.scaled, "breslow")
    step = risks.sums.rate
    return PooledModel(sets, stratum, risks.weight, step, running_sum(step, sets.start), within)
