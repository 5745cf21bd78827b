"""Who was being watched, with which covariates, each time something happened: what Cox's model compares."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import scipy

from models.statistics.risk_table import Bools, Floats, Ints, running_sum, weighted_count

BLOCK = 65_536
"""Observations multiplied at once: few enough to stay in the processor's cache."""

CONSTANT = 1e-13
"""Spread, as a share of the mean, that is but rounding."""


@dataclass(frozen=True)
class RiskSets:
    """One row for each distinct time of an event in each stratum, sorted by stratum and time.

    An observation is at risk at the rows after `row_before` up to and including `last_row`, those of its stratum.

    Attributes:
        covariates: Covariates less their mean, over their standard deviation (n, terms).
        mean: Mean of each covariate (terms,).
        spread: Standard deviation of each covariate (terms,); 1 where it does not vary.
        last_row: Last row each observation is at risk at (n,); `rows` where there is none.
        row_before: Last row each observation had not entered by (n,); `rows` where there is none.
        is_watched: Whether an observation is watched for any time at all (n,).
        stratum: Stratum of each observation (n,).
        end: When each observation ended (n,).
        entry: Since when it was watched (n,); none where always.
        event: Observations that had an event, by row (events,).
        event_total: Their covariates added up (terms,).
        event_row: Row of each of them (events,).
        event_start: First event of each row (rows,).
        tied: Events of each row (rows,).
        time: When they happened (rows,).
        row_stratum: Stratum of each row (rows,).
        start: First row of each stratum, then the number of rows (strata + 1,).
    """

    covariates: Floats
    mean: Floats
    spread: Floats
    last_row: Ints
    row_before: Ints
    is_watched: Bools
    stratum: Ints
    end: Floats
    entry: Floats | None
    event: Ints
    event_total: Floats
    event_row: Ints
    event_start: Ints
    tied: Ints
    time: Floats
    row_stratum: Ints
    start: Ints

    @property
    def rows(self) -> int:
        """Number of distinct times of events over all strata."""
        return len(self.time)

    @property
    def terms(self) -> int:
        """Number of covariates."""
        return int(self.covariates.shape[1])


def risk_sets(
    time: npt.ArrayLike,
    is_event: npt.ArrayLike,
    covariates: npt.ArrayLike,
    *,
    entry: npt.ArrayLike | None = None,
    stratum: npt.ArrayLike | None = None,
) -> RiskSets:
    """Sort out who was at risk at each event.

    An observation is watched over (entry, time]: at an event at its very entry it is not yet at risk, at one at its
    own end it still is. Where entry and time are equal it is never watched and its event is not counted.

    Args:
        time: When each observation ended (n,), finite.
        is_event: Whether it ended in the event (n,); any other end is censored.
        covariates: One column a term, finite (n, terms).
        entry: Since when it was watched (n,); without it, always.
        stratum: Stratum of each observation, zero or more (n,); one stratum without it.

    Raises:
        ValueError: Lengths differ, a number is not finite, an entry lies after its time, or a stratum is negative.
    """
    times, failed = np.asarray(time, dtype=np.float64), np.asarray(is_event, dtype=bool)
    columns = np.asarray(covariates)
    strata = np.zeros(len(times), dtype=np.int64) if stratum is None else np.asarray(stratum, dtype=np.int64)
    entries = None if entry is None else np.asarray(entry, dtype=np.float64)
    _check_observations(times, failed, columns, entries, strata)
    is_watched = np.ones(len(times), dtype=bool) if entries is None else entries < times
    failed = failed & is_watched
    stratum_count = int(strata.max(initial=0)) + 1
    at, start = _event_times(times[failed], strata[failed], stratum_count)
    last_row = np.full(len(times), len(at))
    row_before = np.full(len(times), len(at))
    for members, rows in _members(strata, start):
        last_row[members] = _rows_up_to(at[rows], times[members], rows.start, len(at))
        if entries is not None:
            row_before[members] = _rows_up_to(at[rows], entries[members], rows.start, len(at))
    last_row[~is_watched] = row_before[~is_watched] = len(at)
    event = np.flatnonzero(failed)
    event = event[np.argsort(last_row[event], kind="stable")]
    tied = np.bincount(last_row[event], minlength=len(at))
    mean, spread, scaled = _standardised(columns)
    return RiskSets(
        covariates=scaled,
        mean=mean,
        spread=spread,
        last_row=last_row,
        row_before=row_before,
        is_watched=is_watched,
        stratum=strata,
        end=times,
        entry=entries,
        event=event,
        event_total=failed.astype(np.float64) @ scaled,
        event_row=last_row[event],
        event_start=np.cumsum(tied) - tied,
        tied=tied,
        time=at,
        row_stratum=np.repeat(np.arange(stratum_count), np.diff(start)),
        start=start,
    )


def _check_observations(time: Floats, failed: Bools, covariates: Floats, entry: Floats | None, stratum: Ints) -> None:
    """Raise ValueError for observations no model can take."""
    if covariates.ndim != 2 or not len(time) == len(failed) == len(covariates) == len(stratum):
        raise ValueError(
            f"time, is_event, covariates and stratum must tell of the same observations; their shapes are "
            f"{time.shape}, {failed.shape}, {covariates.shape} and {stratum.shape}"
        )
    if not np.isfinite(time).all() or not np.isfinite(covariates).all():
        raise ValueError("every time and covariate must be finite")
    if stratum.min(initial=0) < 0:
        raise ValueError("every stratum must be zero or more")
    if entry is not None and not (len(entry) == len(time) and np.isfinite(entry).all() and (entry <= time).all()):
        raise ValueError("every observation needs a finite entry that is not after its time")


def _event_times(time: Floats, stratum: Ints, strata: int) -> tuple[Floats, Ints]:
    """Distinct times of events by stratum (rows,), and the first of each stratum (strata + 1,)."""
    order = np.lexsort((time, stratum))
    time, stratum = time[order], stratum[order]
    is_first = np.ones(len(time), dtype=bool)
    is_first[1:] = (np.diff(time) != 0) | (np.diff(stratum) != 0)
    return time[is_first], np.searchsorted(stratum[is_first], np.arange(strata + 1))


def _members(stratum: Ints, start: Ints) -> Iterator[tuple[Ints | slice, slice]]:
    """Yield each stratum's observations and its rows."""
    if len(start) == 2:
        yield slice(None), slice(0, int(start[1]))
        return
    order = np.argsort(stratum, kind="stable")
    first = np.searchsorted(stratum[order], np.arange(len(start)))
    for code in range(len(start) - 1):
        yield order[first[code] : first[code + 1]], slice(int(start[code]), int(start[code + 1]))


def _rows_up_to(row_time: Floats, time: Floats, first: int, none: int) -> Ints:
    """Last row of a stratum at or before each time (n,); `none` where there is none."""
    count = np.searchsorted(row_time, time, side="right")
    return np.where(count > 0, first + count - 1, none)


def _standardised(columns: npt.NDArray[np.generic]) -> tuple[Floats, Floats, Floats]:
    """Mean and standard deviation of each covariate (terms,), and the covariates relative to them (n, terms)."""
    scaled = np.array(columns, dtype=np.float64, order="C")
    if not len(scaled):
        return np.zeros(scaled.shape[1]), np.ones(scaled.shape[1]), scaled
    mean = scaled.mean(axis=0)
    scaled -= mean
    spread = np.sqrt(np.einsum("ij,ij->j", scaled, scaled) / len(scaled))
    spread = np.where(spread > CONSTANT * np.abs(mean), spread, 1.0)
    scaled /= spread
    return mean, spread, scaled


def at_risk_total(sets: RiskSets, weight: Floats) -> Floats:
    """Total the weights (n,) of those at risk at each row (rows,)."""
    total = _from_the_end(sets, weighted_count(sets.last_row, weight, sets.rows + 1))
    if sets.entry is not None:
        total -= _from_the_end(sets, weighted_count(sets.row_before, weight, sets.rows + 1))
    return total


def at_risk_covariates(sets: RiskSets, weight: Floats) -> Floats:
    """Total the weighted covariates of those at risk at each row (rows, terms)."""
    total = _from_the_end(sets, totals_by(sets.last_row, weight, sets.covariates, sets.rows + 1))
    if sets.entry is not None:
        total -= _from_the_end(sets, totals_by(sets.row_before, weight, sets.covariates, sets.rows + 1))
    return total


def event_covariates(sets: RiskSets, weight: Floats) -> Floats:
    """Total the weighted covariates of those who had the event at each row (rows, terms)."""
    pointers = np.append(sets.event_start, len(sets.event))
    chosen = scipy.sparse.csr_array((weight[sets.event], sets.event, pointers), shape=(sets.rows, len(weight)))
    return np.asarray(chosen @ sets.covariates)


def totals_by(code: Ints, weight: Floats, columns: Floats, codes: int) -> Floats:
    """Total the weighted columns (n, columns) of the observations of each code (codes, columns)."""
    pointers = np.arange(len(code) + 1)
    return np.asarray(scipy.sparse.csc_array((weight, code, pointers), shape=(codes, len(code))) @ columns)


def _from_the_end(sets: RiskSets, values: Floats) -> Floats:
    """Sum a row quantity from each row to its stratum's last, along the first axis (rows, ...)."""
    out = np.empty_like(values[: sets.rows])
    for first, stop in pairwise(sets.start.tolist()):
        np.add.accumulate(values[first:stop][::-1], out=out[first:stop][::-1])
    return out


def over_watch(sets: RiskSets, values: Floats) -> Floats:
    """Total a row quantity (rows,) over the rows each observation is at risk at (n,)."""
    cumulated = np.append(running_sum(values, sets.start), 0.0)
    total = cumulated[sets.last_row]
    if sets.entry is not None:
        total -= cumulated[sets.row_before]
    return total


def weighted_gram(covariates: Floats, weight: Floats) -> Floats:
    """Sum the outer products of the observations' covariates by weight (terms, terms), a block at a time."""
    total = np.zeros((covariates.shape[1],) * 2)
    for block in blocks(len(covariates)):
        total += covariates[block].T @ (covariates[block] * weight[block, None])
    return total


def blocks(observations: int) -> Iterator[slice]:
    """Yield the observations a block at a time."""
    for first in range(0, observations, BLOCK):
        yield slice(first, first + BLOCK)
