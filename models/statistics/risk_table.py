"""Who was watched, and what happened, at each distinct time of every group."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

CENSORED, EVENT, COMPETING = 0, 1, 2
"""How a watched time ended."""


@dataclass(frozen=True)
class RiskTable:
    """One row for each distinct time of each group, sorted by group and time.

    Attributes:
        time: The distinct times (rows,).
        at_risk: Observations with at least that time (rows,).
        events: Events at that time (rows,).
        competing: Competing ends at that time (rows,).
        row_group: Group of each row (rows,).
        start: First row of each group, then the number of rows (groups + 1,).
        order: Positions in the data of the observations, sorted by group and time (n,).
        observation_row: Row of each observation, in that order (n,).
        observation_cause: How each observation ended, in that order (n,).
    """

    time: Floats
    at_risk: Floats
    events: Floats
    competing: Floats
    row_group: Ints
    start: Ints
    order: Ints
    observation_row: Ints
    observation_cause: Ints

    @property
    def groups(self) -> int:
        """Number of groups, empty ones included."""
        return len(self.start) - 1

    @property
    def exits(self) -> Floats:
        """Observations whose time ends at each row (rows,)."""
        return np.bincount(self.observation_row, minlength=len(self.time)).astype(np.float64)

    @property
    def sizes(self) -> Ints:
        """Observations of each group (groups,)."""
        return np.bincount(self.row_group[self.observation_row], minlength=self.groups)


def risk_table(
    time: npt.ArrayLike, cause: npt.ArrayLike, *, group: npt.ArrayLike | None = None, groups: int | None = None
) -> RiskTable:
    """Count those at risk and those who ended at each distinct time of each group.

    An observation is at risk up to and including its own time: one censored at the time of an event counts among those
    the event could have happened to.

    Args:
        time: Watched times (n,), finite, zero or more, in any unit.
        cause: `CENSORED`, `EVENT` or `COMPETING` (n,).
        group: Group of each observation, 0 to groups - 1 (n,); one group without it.
        groups: Number of groups; without it the highest group present decides.

    Raises:
        ValueError: Lengths differ, a time is negative or not finite, or a cause or group is out of range.
    """
    times = np.asarray(time, dtype=np.float64)
    causes = np.asarray(cause, dtype=np.int64)
    codes = np.zeros(len(times), dtype=np.int64) if group is None else np.asarray(group, dtype=np.int64)
    if groups is None:
        groups = 1 if group is None else int(codes.max(initial=-1)) + 1
    _check_observations(times, causes, codes, groups)
    order = _time_order(times)
    order = order[_stable_order(codes[order], groups)]
    times, causes, codes = times[order], causes[order], codes[order]
    is_first = np.ones(len(times), dtype=bool)
    is_first[1:] = (np.diff(times) != 0) | (np.diff(codes) != 0)
    firsts = np.flatnonzero(is_first)
    row = np.cumsum(is_first) - 1
    row_group = codes[firsts]
    group_end = np.cumsum(np.bincount(codes, minlength=groups))
    return RiskTable(
        time=times[firsts],
        at_risk=(group_end[row_group] - firsts).astype(np.float64),
        events=np.bincount(row[causes == EVENT], minlength=len(firsts)).astype(np.float64),
        competing=np.bincount(row[causes == COMPETING], minlength=len(firsts)).astype(np.float64),
        row_group=row_group,
        start=np.searchsorted(row_group, np.arange(groups + 1)),
        order=order,
        observation_row=row,
        observation_cause=causes,
    )


def _check_observations(time: Floats, cause: Ints, group: Ints, groups: int) -> None:
    """Raise ValueError for observations no estimator can take."""
    if not len(time) == len(cause) == len(group):
        raise ValueError(f"time, cause and group have {len(time)}, {len(cause)} and {len(group)} entries")
    if not (np.isfinite(time) & (time >= 0)).all():
        raise ValueError("every time must be finite and zero or more")
    if len(cause) and not (cause.min() >= CENSORED and cause.max() <= COMPETING):
        raise ValueError(f"every cause must be {CENSORED}, {EVENT} or {COMPETING}")
    if len(group) and not (group.min() >= 0 and group.max() < groups):
        raise ValueError(f"every group must lie in 0 to {groups - 1}")


def _time_order(times: Floats) -> Ints:
    """Sort by time, keeping the order of ties; whole days of a lifetime let NumPy sort by digits."""
    if times.max(initial=0.0) <= np.iinfo(np.uint16).max:
        days = times.astype(np.uint16)
        if np.array_equal(days, times):
            return np.argsort(days, kind="stable")
    return np.argsort(times, kind="stable")


def _stable_order(codes: Ints, groups: int) -> Ints:
    """Sort by group, keeping the order within it; small codes let NumPy sort by digits."""
    narrow = codes.astype(np.uint16) if groups <= np.iinfo(np.uint16).max else codes
    return np.argsort(narrow, kind="stable")


def running_sum(values: Floats, start: Ints) -> Floats:
    """Sum along the rows of each group (rows,), bit for bit as if the group stood alone."""
    return _accumulate(np.add, values, start)


def running_product(values: Floats, start: Ints) -> Floats:
    """Multiply along the rows of each group (rows,), bit for bit as if the group stood alone."""
    return _accumulate(np.multiply, values, start)


def _accumulate(operation: np.ufunc, values: Floats, start: Ints) -> Floats:
    """Accumulate within each group's rows."""
    out = np.empty_like(values)
    for first, stop in pairwise(start.tolist()):
        operation.accumulate(values[first:stop], out=out[first:stop])
    return out


def just_before(values: Floats, start: Ints, initial: float) -> Floats:
    """Value of a step curve just before each row's time (rows,): the row before's, or `initial`."""
    shifted = np.empty_like(values)
    shifted[1:] = values[:-1]
    shifted[start[:-1][start[:-1] < start[1:]]] = initial
    return shifted


def _rows_up_to(table: RiskTable, times: npt.ArrayLike) -> Ints:
    """Count each group's rows with a time of at most each of `times` (groups, times)."""
    return _count_rows(table, [table.time <= limit for limit in np.atleast_1d(times)])


def value_at(table: RiskTable, values: Floats, times: npt.ArrayLike, *, initial: float) -> Floats:
    """Read a step curve (rows,) of every group at `times` (groups, times); `initial` holds before the first row.

    Past the last row a curve keeps its last value: whether a group was watched that long is `at_risk_at`.
    """
    counts = _rows_up_to(table, times)
    if not len(values):
        return np.full(counts.shape, initial)
    last = table.start[:-1, None] + counts - 1
    return np.where(counts > 0, values[np.maximum(last, 0)], initial)


def at_risk_at(table: RiskTable, times: npt.ArrayLike) -> Floats:
    """Count each group's observations with at least each of `times` (groups, times)."""
    row = table.start[:-1, None] + _count_rows(table, [table.time < limit for limit in np.atleast_1d(times)])
    inside = row < table.start[1:, None]
    if not len(table.time):
        return np.zeros(row.shape)
    return np.where(inside, table.at_risk[np.minimum(row, len(table.time) - 1)], 0.0)


def count_up_to(table: RiskTable, counts: Floats, times: npt.ArrayLike) -> Floats:
    """Total a count kept by row (rows,) over each group up to each of `times` (groups, times)."""
    return value_at(table, running_sum(counts, table.start), times, initial=0.0)


def group_sum(table: RiskTable, values: Floats) -> Floats:
    """Total of a row quantity (rows,) over each group (groups,)."""
    return weighted_count(table.row_group, values, table.groups)


def weighted_count(bins: Ints, weights: Floats, length: int) -> Floats:
    """Total the weights (n,) that fall into each bin (length,), in the order they come."""
    return np.bincount(bins, weights=weights, minlength=length).astype(np.float64, copy=False)


def last_time(table: RiskTable) -> Floats:
    """Longest watched time of each group (groups,); 0 where a group is empty."""
    if not len(table.time):
        return np.zeros(table.groups)
    return np.where(table.start[1:] > table.start[:-1], table.time[np.maximum(table.start[1:] - 1, 0)], 0.0)


def known_until(table: RiskTable, failures: Floats) -> Floats:
    """Longest time up to which each group's curve is known (groups,); 0 where a group is empty.

    Infinite where nobody outlived the last row: everyone then watched failed there, and nothing can change any more.

    Args:
        table: The risk table.
        failures: What the curve counts as failures, by row (rows,); all others are censored.
    """
    latest = np.zeros(table.groups)
    present = table.start[1:] > table.start[:-1]
    last = table.start[1:][present] - 1
    latest[present] = np.where(table.at_risk[last] == failures[last], np.inf, table.time[last])
    return latest


def _count_rows(table: RiskTable, masks: list[Bools]) -> Ints:
    """Count the rows of each group where each mask holds (groups, masks)."""
    columns = []
    for mask in masks:
        running = np.concatenate(([0], np.cumsum(mask)))
        columns.append(running[table.start[1:]] - running[table.start[:-1]])
    return np.stack(columns, axis=1)
