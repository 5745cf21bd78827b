"""Whether a hazard ratio stays the same as time goes on: the score test against a ratio that drifts."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import scipy

from models.statistics.cox import CoxFit
from models.statistics.partial_likelihood import RelativeRisks, information, relative_risks, row_covariates, row_means
from models.statistics.risk_sets import RiskSets
from models.statistics.risk_table import Bools, Floats, Ints

TimeScale = Literal["km", "identity", "rank", "log"]
"""Along what a ratio may drift: the pooled share of events so far, time itself, its rank, or its logarithm."""

NO_DRIFT = "too few events at different times to see a drift"
NO_RATIO = "no hazard ratio to follow"
TIME_ZERO = "an event at time zero has no logarithm"


@dataclass(frozen=True)
class Proportionality:
    """Score tests that the log hazard ratios drift along the time scale; NaN where there is none.

    Attributes:
        statistic: Chi-squared statistic of each term, of all together last (terms + 1,).
        degrees: Its degrees of freedom (terms + 1,).
        p: Its p value (terms + 1,).
        reason: Why there is no test, '' where there is one (terms + 1,).
        time: When each event happened (events,), by stratum and time.
        scale: The time scale at each event (events,).
        residuals: Scaled Schoenfeld residuals (events, covariates): around the scale they follow the log hazard ratio;
            NaN for a covariate without one.
    """

    statistic: Floats
    degrees: Ints
    p: Floats
    reason: tuple[str, ...]
    time: Floats
    scale: Floats
    residuals: Floats


def proportionality(fit: CoxFit, *, along: TimeScale = "km", term: npt.ArrayLike | None = None) -> Proportionality:
    """Test each term, and all together.

    The test takes the fitted observations as independent, clustered or not. Terms without a hazard ratio have none.

    Args:
        fit: A fit.
        along: The time scale.
        term: Term each covariate belongs to, 0 to terms - 1 (covariates,): the levels of one factor are tested
            together. Without it each covariate is a term.

    Source: Grambsch & Therneau, Biometrika 81 (1994) 515; agrees with `cox.zph` of R's survival package since 3.0,
    which computes the score test itself and not its former approximation.
    """
    sets = fit.sets
    codes = np.arange(sets.terms) if term is None else np.asarray(term, dtype=np.int64)
    fitted = np.array([not words for words in fit.reason], dtype=bool)
    at_rows = _time_scale(sets, along)
    risks = relative_risks(sets, fit.scaled, fit.ties)
    residuals = _schoenfeld(sets, risks)
    tested = [(codes == code) & fitted for code in range(int(codes.max(initial=-1)) + 1)] + [fitted]
    if np.isfinite(at_rows).all():
        drift = _standardised(at_rows, sets.tied)
        curvature = _joint_information(sets, risks, drift, fitted)
        slope = (residuals.T @ drift[sets.event_row])[fitted]
        results = [_score_test(curvature, slope, which[fitted]) for which in tested]
    else:
        results = [(np.nan, int(which.sum()), TIME_ZERO) for which in tested]
    statistic, degrees = np.array([r[0] for r in results]), np.array([r[1] for r in results])
    return Proportionality(
        statistic=statistic,
        degrees=degrees,
        p=np.where(np.isnan(statistic), np.nan, scipy.special.chdtrc(np.maximum(degrees, 1), statistic)),
        reason=tuple(r[2] for r in results),
        time=sets.time[sets.event_row],
        scale=at_rows[sets.event_row],
        residuals=_scaled_residuals(fit, risks, residuals, fitted),
    )


def _time_scale(sets: RiskSets, along: TimeScale) -> Floats:
    """The scale at each row's time (rows,); NaN where it has none."""
    if along == "identity":
        return sets.time
    if along == "log":
        return np.log(np.where(sets.time > 0, sets.time, np.nan))
    ends = np.sort(sets.end[sets.is_watched])
    first, after = np.searchsorted(ends, sets.time), np.searchsorted(ends, sets.time, side="right")
    if along == "rank":
        return np.asarray((first + after + 1) / 2.0)
    entries = np.zeros(0) if sets.entry is None else np.sort(sets.entry[sets.is_watched])
    times, row_time = np.unique(sets.time, return_inverse=True)
    events = np.bincount(row_time, weights=sets.tied, minlength=len(times))
    at_risk = len(ends) - np.searchsorted(ends, times)
    if sets.entry is not None:
        at_risk = at_risk - (len(entries) - np.searchsorted(entries, times))
    survival = np.cumprod(1.0 - events / at_risk)
    return np.asarray(1.0 - np.append(1.0, survival)[row_time])


def _standardised(values: Floats, events: Ints) -> Floats:
    """Centre the scale (rows,) over the events and bring it to unit spread; 0 where it does not vary."""
    if not len(values):
        return values
    centred = values - np.average(values, weights=events)
    spread = np.sqrt(np.average(centred**2, weights=events))
    return centred / spread if spread > np.finfo(np.float64).eps * np.abs(values).max() else np.zeros_like(centred)


def _schoenfeld(sets: RiskSets, risks: RelativeRisks) -> Floats:
    """Covariates of each event less their mean among those at risk (events, covariates)."""
    means = row_means(sets, risks, *row_covariates(sets, risks))
    return np.asarray(sets.covariates[sets.event] - means[sets.event_row])


def _joint_information(sets: RiskSets, risks: RelativeRisks, drift: Floats, fitted: Bools) -> Floats:
    """Information about the fitted coefficients and their drifts (2 fitted, 2 fitted)."""
    inner = np.ix_(fitted, fitted)
    still, mixed, moving = (information(sets, risks, row_weight=drift**power)[inner] for power in (0, 1, 2))
    return np.block([[still, mixed], [mixed, moving]])


def _score_test(curvature: Floats, slope: Floats, tested: Bools) -> tuple[float, int, str]:
    """Statistic, degrees of freedom and reason for the drifts of the coefficients tested (fitted,)."""
    degrees = int(tested.sum())
    if not degrees:
        return np.nan, 0, NO_RATIO
    chosen = np.concatenate([np.ones(len(tested), dtype=bool), tested])
    inner = curvature[np.ix_(chosen, chosen)]
    if np.linalg.matrix_rank(inner, tol=1e-10 * np.abs(inner).max(), hermitian=True) < len(inner):
        return np.nan, degrees, NO_DRIFT
    slopes = np.concatenate([np.zeros(len(tested)), slope[tested]])
    return float(slopes @ np.linalg.solve(inner, slopes)), degrees, ""


def _scaled_residuals(fit: CoxFit, risks: RelativeRisks, residuals: Floats, fitted: Bools) -> Floats:
    """Residuals in the unit of each coefficient, around it (events, covariates)."""
    scaled = np.full(residuals.shape, np.nan)
    if fitted.any():
        inner = information(fit.sets, risks)[np.ix_(fitted, fitted)]
        moves = fit.events * np.linalg.solve(inner, residuals[:, fitted].T).T
        scaled[:, fitted] = fit.coefficient[fitted] + moves / fit.sets.spread[fitted]
    return scaled
