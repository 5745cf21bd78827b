"""How many more repairs it takes to know whether one method outlasts another."""

from dataclasses import dataclass
from math import ceil, log

import numpy as np
import scipy

from models.statistics.intervals import normal_quantile

NO_EVENTS = "none have failed, so that no number of repairs can be given"
ONE_METHOD = "only one of the two methods is in use"


@dataclass(frozen=True)
class RequiredRepairs:
    """What it takes to see a hazard ratio; NaN where that cannot be said.

    Attributes:
        events: Failures of both methods together, in whole numbers.
        repairs: Repairs that bring them.
        reason: Why there is no number, '' where there is one.
    """

    events: float
    repairs: float
    reason: str


def required_repairs(
    hazard_ratio: float,
    *,
    share: float,
    event_share: float,
    design_effect: float = 1.0,
    power: float = 0.8,
    confidence: float = 0.95,
) -> RequiredRepairs:
    """Count the repairs with which a hazard ratio is told from 1 as often as `power` says.

    The events are (z_confidence + z_power)^2 / (share (1 - share) log(hazard ratio)^2), times the design effect.

    Args:
        hazard_ratio: The ratio to be seen, above 0 and not 1.
        share: Share of the repairs done by the first method, 0 to 1.
        event_share: Share of the repairs that fail while watched, 0 to 1: the fleet's own, at its own follow-up.
        design_effect: How much more variance the fleet's comparison has than independent repairs would: see
            `design_effect`.
        power: Wanted probability of seeing it.
        confidence: Level of the two-sided limits that must exclude 1.

    Raises:
        ValueError: A share, the power or the confidence lies outside 0 to 1, the ratio is not above 0 or is 1, or the
            design effect is not above 0.

    Source: Schoenfeld, Biometrics 39 (1983) 499.
    """
    _check(hazard_ratio, share, design_effect)
    if not 0 <= event_share <= 1:
        raise ValueError(f"the event share is {event_share}; it must lie in 0 to 1")
    if not 0 < power < 1:
        raise ValueError(f"the power is {power}; it must lie between 0 and 1")
    if share in (0.0, 1.0):
        return RequiredRepairs(np.nan, np.nan, ONE_METHOD)
    sought = normal_quantile(confidence) + float(scipy.special.ndtri(power))
    events = ceil(design_effect * max(sought, 0.0) ** 2 / (share * (1.0 - share) * log(hazard_ratio) ** 2))
    if event_share == 0:
        return RequiredRepairs(float(events), np.nan, NO_EVENTS)
    return RequiredRepairs(float(events), float(ceil(events / event_share)), "")


def power_of(
    hazard_ratio: float, *, events: float, share: float, design_effect: float = 1.0, confidence: float = 0.95
) -> float:
    """Probability that limits after so many events exclude 1 on the right side; 0 where only one method is in use.

    Raises:
        ValueError: The events are negative, or as in `required_repairs`.

    Source: Schoenfeld, Biometrics 39 (1983) 499.
    """
    _check(hazard_ratio, share, design_effect)
    if events < 0:
        raise ValueError(f"there are {events} events; there must be 0 or more")
    known = share * (1.0 - share) * events / design_effect
    if known == 0:
        return 0.0
    return float(scipy.special.ndtr(np.sqrt(known) * abs(log(hazard_ratio)) - normal_quantile(confidence)))


def design_effect(variance: float, *, events: int, share: float) -> float:
    """How much more variance a fitted log hazard ratio has than as many events of independent repairs would give it.

    It holds everything at once that makes a fleet's comparison less sharp: repairs of one vehicle being alike, strata
    with one method only, and covariates that go with the method.

    Args:
        variance: Of the fitted log hazard ratio, clustered by vehicle.
        events: Events it was fitted to.
        share: Share of the repairs compared that were done by the first method.

    Returns:
        The ratio; NaN where there is no variance.

    Source: Kish, Survey Sampling (1965), section 8.2, for the name; the denominator is Schoenfeld's variance.
    """
    return variance * events * share * (1.0 - share)


def _check(hazard_ratio: float, share: float, effect: float) -> None:
    """Raise ValueError for what is no comparison."""
    if not (np.isfinite(hazard_ratio) and hazard_ratio > 0 and hazard_ratio != 1):
        raise ValueError(f"the hazard ratio is {hazard_ratio}; it must be above 0 and not 1")
    if not 0 <= share <= 1:
        raise ValueError(f"the share is {share}; it must lie in 0 to 1")
    if not (np.isfinite(effect) and effect > 0):
        raise ValueError(f"the design effect is {effect}; it must be above 0")
