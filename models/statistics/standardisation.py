"""Events to be expected from the whole fleet's experience, so that sites with different engines compare fairly."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.statistics.risk_table import EVENT, Floats, Ints, RiskTable, risk_table, running_sum

MIN_STRATUM_EVENTS = 10
"""Events a stratum needs for a curve of its own: ten a figure is the usual rule of thumb (Peduzzi et al., J. Clin.
Epidemiol. 49 (1996) 1373)."""


@dataclass(frozen=True)
class Strata:
    """Which pooled curve each observation is judged by.

    Attributes:
        code: Stratum of each observation (n,).
        count: Number of strata.
        level: What each stratum pools (strata,): 0 one family and method, 1 a family's rest, 2 the fleet's rest.
    """

    code: Ints
    count: int
    level: Ints


def pooled_strata(family: npt.ArrayLike, method: npt.ArrayLike, cause: npt.ArrayLike) -> Strata:
    """Give each family and method a stratum of its own where it has enough events, and pool the others.

    Methods of a family with fewer than `MIN_STRATUM_EVENTS` events are pooled into the rest of that family, and rests
    that still have fewer into the rest of the fleet. The strata do not overlap, which keeps the expected events of the
    whole fleet equal to those observed.

    Args:
        family: Engine family code of each observation, zero or more (n,).
        method: Repair method code of each observation, zero or more (n,).
        cause: How each observation ended (n,).
    """
    families, methods = np.asarray(family, dtype=np.int64), np.asarray(method, dtype=np.int64)
    is_event = np.asarray(cause) == EVENT
    keys = np.stack([families * (methods.max(initial=0) + 1) + methods, families, np.zeros_like(families)])
    level = np.zeros(len(families), dtype=np.int64)
    for step in (0, 1):
        at_level = level == step
        events = np.bincount(keys[step], weights=at_level & is_event, minlength=keys[step].max(initial=0) + 1)
        level = np.where(at_level & (events[keys[step]] < MIN_STRATUM_EVENTS), step + 1, level)
    label = np.take_along_axis(keys, level[None], axis=0)[0] * 3 + level
    labels, code = np.unique(label, return_inverse=True)
    return Strata(code.astype(np.int64), len(labels), labels % 3)


def nelson_aalen(table: RiskTable) -> Floats:
    """Cumulative hazard of the event after each row's time (rows,), competing ends censored.

    Source: Nelson, Technometrics 14 (1972) 945; Aalen, Ann. Statist. 6 (1978) 701.
    """
    return running_sum(table.events / table.at_risk, table.start)


def expected_events(time: npt.ArrayLike, cause: npt.ArrayLike, strata: Strata) -> Floats:
    """Events each observation was to be expected to have over its watched time (n,): its stratum's cumulative hazard.

    Within every stratum, and so over the fleet, they add up to the events observed.

    Raises:
        ValueError: Lengths differ, or a time is negative or not finite.

    Source: indirect standardisation, Breslow & Day, Statistical Methods in Cancer Research II (1987), section 2.3.
    """
    table = risk_table(time, cause, group=strata.code, groups=strata.count)
    expected = np.empty(len(table.order))
    expected[table.order] = nelson_aalen(table)[table.observation_row]
    return expected
