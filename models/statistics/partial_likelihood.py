"""The partial likelihood of Cox's model: its value, its derivatives and what each observation adds to them."""

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from models.statistics.risk_sets import (
    RiskSets,
    at_risk_covariates,
    at_risk_total,
    blocks,
    event_covariates,
    over_watch,
    weighted_gram,
)
from models.statistics.risk_table import Floats, weighted_count

Ties = Literal["efron", "breslow"]
"""How events at one time share their risk set."""


@dataclass(frozen=True)
class TieSums:
    """Sums over the events of each row (rows,), with s what is at risk for an event and f the share already taken out.

    Attributes:
        log_risk: Of log s.
        rate: Of 1 / s: the step of the baseline hazard.
        shared_rate: Of f / s.
        square: Of 1 / s^2.
        shared_square: Of f / s^2.
        twice_shared_square: Of f^2 / s^2.
    """

    log_risk: Floats
    rate: Floats
    shared_rate: Floats
    square: Floats
    shared_square: Floats
    twice_shared_square: Floats


@dataclass(frozen=True)
class RelativeRisks:
    """Everybody's risk at given coefficients, and what follows for each row.

    Attributes:
        weight: Hazard relative to the mean covariates' (n,).
        expected: Expected events over the watch (n,).
        sums: Sums over tied events.
    """

    weight: Floats
    expected: Floats
    sums: TieSums


def relative_risks(sets: RiskSets, scaled: Floats, ties: Ties) -> RelativeRisks:
    """Weigh everybody by the coefficients per standard deviation (terms,)."""
    weight = np.exp(sets.covariates @ scaled)
    tied_weight = weighted_count(sets.event_row, weight[sets.event], sets.rows)
    sums = _tie_sums(sets, at_risk_total(sets, weight), tied_weight, ties)
    expected = over_watch(sets, sums.rate)
    expected[sets.event] -= sums.shared_rate[sets.event_row]
    expected *= weight
    return RelativeRisks(weight, expected, sums)


def _tie_sums(sets: RiskSets, at_risk: Floats, tied_weight: Floats, ties: Ties) -> TieSums:
    """Sum over the events of each row, those of one time going one after another in Efron's way."""
    row = sets.event_row
    rank = np.arange(len(row)) - sets.event_start[row]
    share = rank / sets.tied[row] if ties == "efron" else np.zeros(len(row))
    risk = at_risk[row] - share * tied_weight[row]
    inverse = 1.0 / risk
    with np.errstate(invalid="ignore", divide="ignore"):
        log_risk = np.log(risk)

    def total(terms: Floats) -> Floats:
        return np.add.reduceat(terms, sets.event_start) if len(terms) else terms

    return TieSums(
        log_risk=total(log_risk),
        rate=total(inverse),
        shared_rate=total(share * inverse),
        square=total(inverse**2),
        shared_square=total(share * inverse**2),
        twice_shared_square=total(share**2 * inverse**2),
    )


def log_likelihood(sets: RiskSets, scaled: Floats, risks: RelativeRisks) -> float:
    """Partial log-likelihood."""
    return float(sets.event_total @ scaled - np.sum(risks.sums.log_risk))


def score(sets: RiskSets, risks: RelativeRisks) -> Floats:
    """First derivatives of the log-likelihood by the scaled coefficients (terms,): observed less expected."""
    return np.asarray(sets.event_total - risks.expected @ sets.covariates)


def information(sets: RiskSets, risks: RelativeRisks, *, row_weight: Floats | None = None) -> Floats:
    """Sum over the rows of the covariates' covariance among those at risk (terms, terms), each row by its weight.

    Without weights it is minus the second derivative of the log-likelihood.
    """
    sums, expected = risks.sums, risks.expected
    scale = np.ones(sets.rows) if row_weight is None else row_weight
    if row_weight is not None:
        expected = over_watch(sets, scale * sums.rate)
        expected[sets.event] -= (scale * sums.shared_rate)[sets.event_row]
        expected *= risks.weight
    all_at_risk, tied = row_covariates(sets, risks)
    cross = all_at_risk.T @ (tied * (scale * sums.shared_square)[:, None])
    squared_means = (
        all_at_risk.T @ (all_at_risk * (scale * sums.square)[:, None])
        - cross
        - cross.T
        + tied.T @ (tied * (scale * sums.twice_shared_square)[:, None])
    )
    return np.asarray(weighted_gram(sets.covariates, expected) - squared_means)


def row_covariates(sets: RiskSets, risks: RelativeRisks) -> tuple[Floats, Floats]:
    """Weighted covariates of all at risk, and of those who had the event, at each row (rows, terms)."""
    return at_risk_covariates(sets, risks.weight), event_covariates(sets, risks.weight)


def score_residuals(sets: RiskSets, risks: RelativeRisks) -> Floats:
    """What each observation adds to the score of the scaled coefficients if it alone is reweighted (n, terms).

    Source: Therneau & Grambsch, Modeling Survival Data (2000), section 4.6, with the extension to Efron's ties.
    """
    sums, own = risks.sums, sets.event_row
    all_at_risk, tied = row_covariates(sets, risks)
    mean_rate = np.zeros((sets.rows + 1, sets.terms))
    mean_rate[:-1] = row_mean_rates(risks, all_at_risk, tied)
    for first, stop in pairwise(sets.start.tolist()):
        np.add.accumulate(mean_rate[first:stop], out=mean_rate[first:stop])
    residuals = np.empty_like(sets.covariates)
    for block in blocks(len(residuals)):
        expected_mean = mean_rate[sets.last_row[block]]
        if sets.entry is not None:
            expected_mean -= mean_rate[sets.row_before[block]]
        expected_mean *= risks.weight[block, None]
        residuals[block] = expected_mean - sets.covariates[block] * risks.expected[block, None]
    shared_mean_rate = all_at_risk * sums.shared_square[:, None] - tied * sums.twice_shared_square[:, None]
    mean = row_means(sets, risks, all_at_risk, tied)
    for block in blocks(len(own)):
        event, row = sets.event[block], own[block]
        own_share = mean[row] + risks.weight[event, None] * shared_mean_rate[row]
        residuals[event] += sets.covariates[event] - own_share
    return residuals


def row_means(sets: RiskSets, risks: RelativeRisks, all_at_risk: Floats, tied: Floats) -> Floats:
    """Weighted mean of the covariates of those at risk, averaged over the events of each row (rows, terms)."""
    sums = risks.sums
    return np.asarray(
        (all_at_risk * sums.rate[:, None] - tied * sums.shared_rate[:, None]) / sets.tied[:, None].astype(np.float64)
    )


def row_mean_rates(risks: RelativeRisks, all_at_risk: Floats, tied: Floats) -> Floats:
    """Step of the baseline hazard times the mean covariates at risk (rows, terms): its fall as coefficients rise."""
    return np.asarray(all_at_risk * risks.sums.square[:, None] - tied * risks.sums.shared_square[:, None])
