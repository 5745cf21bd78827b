"""Which steps of a curve are drawn."""

import numpy as np

from models.statistics.risk_table import Bools, Ints, running_sum

MAX_STEPS = 58
"""Steps drawn of a curve; with its two ends that makes 60 points, as many as the eye can use at page width."""


def evenly_kept(is_step: Bools, start: Ints) -> Bools:
    """Mark an even choice of `MAX_STEPS` at most of each group's steps, the last among them (rows,).

    Args:
        is_step: Rows at which a curve steps (rows,).
        start: First row of each group, then the number of rows (groups + 1,).
    """
    rank = running_sum(is_step.astype(np.float64), start)
    steps = np.repeat(np.diff(np.concatenate(([0], np.cumsum(is_step)))[start]), np.diff(start))
    share = MAX_STEPS / np.maximum(steps, MAX_STEPS)
    return np.asarray(is_step & (np.floor(rank * share) > np.floor((rank - 1) * share)))
