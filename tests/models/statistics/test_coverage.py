"""Shown intervals hold the truth about as often as they say, where episodes of one vehicle are alike.

Each of many fleets is drawn afresh from one truth, and all fleets are computed at once, a group each.
"""

import numpy as np
import pytest
from scipy.integrate import quad

from models.statistics.aalen_johansen import aalen_johansen
from models.statistics.clustering import vehicle_clusters
from models.statistics.few_clusters import clustered_reach, effective_clusters
from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.restricted_mean import restricted_mean
from models.statistics.risk_table import risk_table, value_at
from models.statistics.weibull import fit_weibull, weibull_mean

FLEETS, VEHICLES, EPISODES = 400, 60, 4
SHAPE, SCALE, COMPETING_DAYS, LONGEST_WATCH_DAYS = 1.2, 600.0, 2_500.0, 1_500.0
ALIKE = 0.6
"""Index of the positive stable law a vehicle's hazard is multiplied by: 1 would be no likeness. Under it times within a
vehicle are dependent while each alone stays Weibull (Hougaard, Biometrika 73 (1986) 671)."""
HORIZON_DAYS = 365.0
ALLOWED = (0.915, 0.98)
"""Binomial scatter of 400 fleets round 95% is 1.1 points."""


def positive_stable(random, size):
    """Kanter's representation: Laplace transform exp(-s^ALIKE)."""
    angle, waiting = random.uniform(0, np.pi, size), random.exponential(size=size)
    wave = np.sin((1 - ALIKE) * angle) * np.sin(ALIKE * angle) ** (ALIKE / (1 - ALIKE))
    return (wave / np.sin(angle) ** (1 / (1 - ALIKE)) / waiting) ** ((1 - ALIKE) / ALIKE)


@pytest.fixture(scope="module")
def fleets():
    random = np.random.default_rng(20261125)
    vehicle = np.repeat(np.arange(FLEETS * VEHICLES), EPISODES)
    frailty = positive_stable(random, FLEETS * VEHICLES)[vehicle]
    leak = SCALE * (random.exponential(size=len(vehicle)) / frailty) ** (ALIKE / SHAPE)
    other = random.exponential(COMPETING_DAYS, len(vehicle))
    watch = random.uniform(0, LONGEST_WATCH_DAYS, len(vehicle))
    time = np.minimum(np.minimum(leak, other), watch)
    cause = np.select([time == leak, time == other], [1, 2], 0)
    table = risk_table(time, cause, group=vehicle // VEHICLES, groups=FLEETS)
    return table, vehicle_clusters(table, vehicle)


def dry(days):
    return np.exp(-((days / SCALE) ** SHAPE))


def share_held(truth, low, high):
    return float(np.mean((low <= truth) & (truth <= high)))


def test_recurrence(fleets):
    table, clusters = fleets
    truth, _ = quad(
        lambda t: SHAPE / SCALE * (t / SCALE) ** (SHAPE - 1) * dry(t) * np.exp(-t / COMPETING_DAYS), 0, HORIZON_DAYS
    )
    shown, plain = (aalen_johansen(table, clusters=by) for by in (clusters, None))
    held = [
        share_held(
            truth, *(value_at(table, limit, HORIZON_DAYS, initial=np.nan)[:, 0] for limit in (curve.low, curve.high))
        )
        for curve in (shown, plain)
    ]
    assert ALLOWED[0] < held[0] < ALLOWED[1]
    assert held[1] < held[0] - 0.05, "plain intervals are too short where episodes of a vehicle are alike"


def test_leak_free_share(fleets):
    table, clusters = fleets
    curve = kaplan_meier(table, clusters=clusters)
    limits = (value_at(table, limit, HORIZON_DAYS, initial=np.nan)[:, 0] for limit in (curve.low, curve.high))
    assert ALLOWED[0] < share_held(dry(HORIZON_DAYS), *limits) < ALLOWED[1]


def test_restricted_mean(fleets):
    table, clusters = fleets
    mean = restricted_mean(table, HORIZON_DAYS, clusters=clusters)
    assert ALLOWED[0] < share_held(quad(dry, 0, HORIZON_DAYS)[0], mean.low, mean.high) < ALLOWED[1]


def test_few_vehicles(fleets):
    """The first fifteen vehicles of every fleet: limits a normal quantile away hold the truth too seldom."""
    table, clusters = fleets
    vehicle = np.empty(len(table.order), dtype=np.int64)
    vehicle[table.order[clusters.order]] = np.repeat(np.arange(len(clusters.first)), clusters.size[clusters.first])
    few = vehicle[table.order] % VEHICLES < 15
    group = table.row_group[table.observation_row][few]
    fewer = risk_table(table.time[table.observation_row][few], table.observation_cause[few], group=group)
    of_few = vehicle_clusters(fewer, vehicle[table.order][few])
    truth = quad(dry, 0, HORIZON_DAYS)[0]
    held = []
    for reach in (clustered_reach(effective_clusters(of_few, FLEETS)), None):
        mean = restricted_mean(fewer, HORIZON_DAYS, clusters=of_few, reach=reach)
        held.append(share_held(truth, mean.low, mean.high))
    assert ALLOWED[0] < held[0] < ALLOWED[1]
    assert held[1] < held[0] - 0.02


def test_weibull_mean(fleets):
    table, clusters = fleets
    mean = weibull_mean(fit_weibull(table, clusters=clusters))
    truth, _ = quad(dry, 0, np.inf)
    assert ALLOWED[0] < share_held(truth, mean.low, mean.high) < ALLOWED[1]
