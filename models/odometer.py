"""Odometer mentions of a vehicle to one rising curve of kilometres.

Workshops, fuel stops and drivers all write an odometer down, and any of them may mistype it, read the trip meter or
write miles. The curve keeps the longest chain of readings that a vehicle could have driven and sets the others aside
with a reason. An instrument that starts again (rollover, replacement) is a step in the chain, not a fault, once enough
readings agree after the drop.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.settings import OdometerRules
from models.tables import conform
from models.tables.ledger import OdometerCurve

KM_PER_MILE = 1.609344
"""International mile, exact."""
FIVE_DIGIT_ROLLOVER_KM = 100_000.0
"""Older instruments show five digits."""
PACE_MARGIN = 5.0
"""How much faster than its own median a vehicle may run across a step before the step is read another way."""
ROUGHNESS = 0.05
"""Cost of a link between readings, for each e-fold its distance is off the vehicle's own pace: decides between ties."""
MAX_ROUGHNESS = 0.25
"""Two links together cost less than one reading, so a reading that fits is never dropped for its pace alone."""
MIN_PACE_SPAN_DAYS = 7.0
"""A mean daily distance from less than a week of readings says more about one journey than about the vehicle."""
SECONDS_PER_DAY = 86_400.0
METRES = 3
"""Decimals kept of a kilometre: the last bits of a float depend on how many vehicles are worked on together."""

_READING_ORDER = ["vehicle_id", "read_on", "odometer_km", "read_at", "origin_kind", "origin_id"]


def odometer_curve(
    work_orders: pl.DataFrame,
    oil_top_ups: pl.DataFrame,
    inspection_notes: pl.DataFrame,
    odometer_readings: pl.DataFrame,
    *,
    rules: OdometerRules,
) -> pl.DataFrame:
    """Pool every odometer mention of a bucket of vehicles and say what became of each.

    Readings of one local day count in ascending order, because many exports keep no time of day. The readings kept are
    the longest chain in which each lies at or above the one before and within `max_km_per_day`; a drop inside the chain
    costs a little less than `min_readings_after_step` readings, so fewer than that never make a step.

    Returns:
        `OdometerCurve`, sorted by vehicle, moment and origin; `distance_km` never falls within a vehicle.
    """
    mentions = _mentions(work_orders, oil_top_ups, inspection_notes, odometer_readings)
    return judged(mentions, rules).pipe(conform, OdometerCurve)


def judged(mentions: pl.DataFrame, rules: OdometerRules) -> pl.DataFrame:
    """Say what became of each reading of an instrument that only goes up, and where on its curve it lies.

    Args:
        mentions: vehicle_id, read_at, read_on, odometer_km, origin_kind and origin_id.
        rules: How fast it may go up, and how it starts again.

    Returns:
        The mentions that have a reading with `use`, `distance_km` and `is_used`, sorted as `odometer_curve` does.
    """
    rows = ["vehicle_id", "read_at", "origin_kind", "origin_id"]
    numbered = (
        mentions.drop_nulls("odometer_km")
        .sort(_READING_ORDER)
        .with_columns(node=pl.struct("vehicle_id", "read_on", "odometer_km").rle_id())
    )
    return (
        numbered.join(_judge(numbered, rules), on="node", how="left")
        .sort(rows)
        .with_columns(
            pl.col("distance_km").cum_max().over("vehicle_id", order_by=rows[1:]),
            is_used=pl.col("distance_km").is_not_null(),
        )
    )


def distance_at(curve: pl.DataFrame, queries: pl.DataFrame) -> pl.DataFrame:
    """Read the curve at given moments.

    Between two readings the distance is interpolated and cannot be further off than the nearer bound allows, because a
    distance never falls. Outside the readings the vehicle's mean daily distance carries on, and may be off by all of
    what it adds.

    Args:
        curve: `OdometerCurve`.
        queries: Any frame with `vehicle_id` and `at` (UTC).

    Returns:
        `queries` in its order with `distance_km` and `error_km`; both null where the vehicle has no readings, or too
        few to know its daily distance.
    """
    knots = _knots(curve.join(queries.select("vehicle_id"), on="vehicle_id", how="semi"))
    before = knots.select("vehicle_id", "pace_km", before_at="read_at", before_km="distance_km")
    after = knots.select("vehicle_id", "pace_km", after_at="read_at", after_km="distance_km")
    found = (
        queries.with_row_index("row_")
        .sort("at")
        .join_asof(before, left_on="at", right_on="before_at", by="vehicle_id", check_sortedness=False)
        .join_asof(
            after, left_on="at", right_on="after_at", by="vehicle_id", strategy="forward", check_sortedness=False
        )
        .with_columns(pace_=pl.coalesce("pace_km", "pace_km_right"))
        .pipe(_interpolate)
        .sort("row_")
    )
    return found.select(*queries.columns, "distance_km", "error_km")


def _mentions(
    work_orders: pl.DataFrame,
    oil_top_ups: pl.DataFrame,
    inspection_notes: pl.DataFrame,
    odometer_readings: pl.DataFrame,
) -> pl.DataFrame:
    """One row per record that may mention an odometer."""
    sources = (
        ("work_orders", work_orders, "opened", "order_id"),
        ("oil_top_ups", oil_top_ups, "topped_up", "top_up_id"),
        ("inspection_notes", inspection_notes, "noted", "note_id"),
        ("odometer_readings", odometer_readings, "read", "reading_id"),
    )
    return pl.concat(
        frame.select(
            "vehicle_id",
            pl.col(f"{moment}_at").alias("read_at"),
            pl.col(f"{moment}_on").alias("read_on"),
            pl.col("odometer_km").cast(pl.Float64),
            pl.lit(kind).alias("origin_kind"),
            pl.col(identifier).alias("origin_id"),
        )
        for kind, frame, moment, identifier in sources
    )


def _judge(mentions: pl.DataFrame, rules: OdometerRules) -> pl.DataFrame:
    """Say for each distinct reading, numbered by `node`, what became of it and where on the curve it lies."""
    nodes = mentions.unique("node", keep="first", maintain_order=True).select(
        "node", "vehicle_id", "odometer_km", day=pl.col("read_on").cast(pl.Int32).cast(pl.Float64)
    )
    rise = pl.col("odometer_km") - pl.col("odometer_km").shift()
    longest = rules.max_km_per_day * (pl.col("day") - pl.col("day").shift() + 1.0)
    is_first = pl.col("vehicle_id") != pl.col("vehicle_id").shift()
    marked = nodes.with_columns(fits=(is_first | rise.is_between(0.0, longest)).fill_null(True)).with_columns(
        is_clean=pl.col("fits").all().over("vehicle_id")
    )
    clean = marked.filter("is_clean").select("node", use=pl.lit("used"), distance_km="odometer_km")
    tangled = marked.filter(~pl.col("is_clean")).sort("node")
    parts = [clean]
    for group in tangled.partition_by("vehicle_id", maintain_order=True):
        uses, distances = _untangle(group["day"].to_numpy(), group["odometer_km"].to_numpy(), rules)
        parts.append(pl.DataFrame({"node": group["node"], "use": uses, "distance_km": distances}))
    return pl.concat(parts)


@dataclass(frozen=True)
class _Readings:
    """The distinct readings of one vehicle, in order of day and kilometres."""

    day: NDArray[np.float64]
    km: NDArray[np.float64]
    pace_km: float
    rules: OdometerRules

    def likely_km(self, days: NDArray[np.float64] | float) -> NDArray[np.float64] | float:
        """Furthest this vehicle is likely to get in so many days, by its own pace."""
        return PACE_MARGIN * self.pace_km * days + self.rules.max_km_per_day

    def roughness(self, rise: NDArray[np.float64], days: NDArray[np.float64]) -> NDArray[np.float64]:
        """Cost of links of so many kilometres in so many days, by how far they are off the vehicle's own pace."""
        if self.pace_km == 0.0:
            return np.zeros(len(rise))
        off = np.abs(np.log((rise + self.pace_km) / (self.pace_km * (days + 1.0))))
        return np.minimum(ROUGHNESS * off, MAX_ROUGHNESS)

    def is_likely(
        self, km: NDArray[np.float64] | float, days: NDArray[np.float64] | float
    ) -> NDArray[np.bool_] | np.bool_:
        """Whether a distance is one this vehicle is likely to cover in so many days."""
        return np.logical_and(np.greater_equal(km, 0.0), np.less_equal(km, self.likely_km(days)))


def _untangle(
    day: NDArray[np.float64], km: NDArray[np.float64], rules: OdometerRules
) -> tuple[list[str], list[float | None]]:
    """Judge the readings of a vehicle that do not all fit: their uses, and distances of those kept."""
    readings = _Readings(day, km, _own_pace(day, km, rules), rules)
    chain = _longest_chain(readings)
    uses, distances = _along(readings, chain)
    for index in range(len(km)):
        if distances[index] is None:
            uses[index] = _why_set_aside(readings, chain, index)
    return uses, distances


def _own_pace(day: NDArray[np.float64], km: NDArray[np.float64], rules: OdometerRules) -> float:
    """Median daily distance over neighbouring readings that fit each other; 0 where none do."""
    days, rise = np.diff(day), np.diff(km)
    fits = (days >= 1.0) & (rise >= 0.0) & (rise <= rules.max_km_per_day * days)
    return float(np.median(rise[fits] / days[fits])) if fits.any() else 0.0


def _longest_chain(readings: _Readings) -> list[int]:
    """Indices of the longest consistent chain, by dynamic programming over every pair.

    Among chains of as many readings the one that keeps closest to the vehicle's own pace is kept, then the one with the
    nearest predecessors and the earliest end. Where the longest chain so far ends just before a reading that goes on
    with it, and no other comes near, no other predecessor can do better, and none is tried.
    """
    follows, link_costs = _follows_neighbour(readings)
    worth, came_from = np.ones(len(follows)), np.full(len(follows), -1)
    longest, runner_up = 1.0, 0.0
    for index in range(1, len(follows)):
        if follows[index] and worth[index - 1] == longest and runner_up <= longest - MAX_ROUGHNESS:
            best, value = index - 1, longest - link_costs[index]
        else:
            best, value = _best_predecessor(readings, worth, index)
        if value > 0.0:
            worth[index], came_from[index] = 1.0 + value, best
        longest, runner_up = max(longest, worth[index]), max(runner_up, min(longest, worth[index]))
    chain = [int(np.argmax(worth))]
    while came_from[chain[-1]] >= 0:
        chain.append(int(came_from[chain[-1]]))
    return chain[::-1]


def _follows_neighbour(readings: _Readings) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Whether each reading goes on from the one just before it, and what that link costs."""
    days, rise = np.diff(readings.day, prepend=0.0), np.diff(readings.km, prepend=0.0)
    follows = np.logical_and(rise >= 0.0, rise <= readings.rules.max_km_per_day * (days + 1.0))
    return follows, readings.roughness(np.maximum(rise, 0.0), np.maximum(days, 0.0))


def _best_predecessor(readings: _Readings, worth: NDArray[np.float64], index: int) -> tuple[int, float]:
    """The earlier reading whose chain, continued or stepped down to this one, is worth most; and that worth."""
    day, km, rules = readings.day, readings.km, readings.rules
    step_cost = rules.min_readings_after_step - 0.5
    days, rise = day[index] - day[:index], km[index] - km[:index]
    continues = (rise >= 0.0) & (rise <= rules.max_km_per_day * (days + 1.0))
    is_miles = readings.is_likely(km[index] * KM_PER_MILE - km[:index], days)
    drops = (rise < 0.0) & (days > 0.0) & np.logical_not(is_miles)
    smooth = worth[:index] - readings.roughness(np.maximum(rise, 0.0), days)
    value = np.where(continues, smooth, np.where(drops, worth[:index] - step_cost, -np.inf))
    best = index - 1 - int(np.argmax(value[::-1]))
    return best, float(value[best])


def _along(readings: _Readings, chain: list[int]) -> tuple[list[str], list[float | None]]:
    """Uses and distances along a chain; a rollover adds the instrument's range, a replacement the vehicle's pace."""
    day, km = readings.day, readings.km
    uses: list[str] = ["typing error"] * len(km)
    distances: list[float | None] = [None] * len(km)
    distance = float(km[chain[0]])
    uses[chain[0]], distances[chain[0]] = "used", distance
    for before, here in pairwise(chain):
        rise, days = float(km[here] - km[before]), float(day[here] - day[before])
        if rise >= 0.0:
            use, added = "used", rise
        else:
            use, added = _step(readings, rise, float(km[before]), days)
        distance += added
        uses[here], distances[here] = use, distance
    return uses, distances


def _step(readings: _Readings, rise: float, from_km: float, days: float) -> tuple[str, float]:
    """Read a drop as a rollover where the vehicle's pace explains it, else as a replaced instrument."""
    ranges = (readings.rules.rollover_at_km, FIVE_DIGIT_ROLLOVER_KM)
    for instrument_km in (*ranges, *(KM_PER_MILE * reading for reading in ranges)):
        if from_km <= instrument_km and readings.is_likely(rise + instrument_km, days):
            return "rollover", rise + instrument_km
    return "instrument replaced", readings.pace_km * days


def _why_set_aside(readings: _Readings, chain: list[int], index: int) -> str:
    """Give the likeliest reason why a reading does not fit the chain."""
    day, km, rules = readings.day, readings.km, readings.rules
    place = int(np.searchsorted(chain, index))
    before = chain[place - 1] if place > 0 else None
    after = chain[place] if place < len(chain) else None
    low, high = _expected_range(readings, index, before, after)
    reading_km = float(km[index])
    if any(_is_within(reading_km * factor, low, high) for factor in (KM_PER_MILE, 1.0 / KM_PER_MILE)):
        return "other units"
    is_old = before is not None and km[chain[0]] <= reading_km <= km[before]
    if any(low <= meant <= high for meant in _meant(round(reading_km), is_old=bool(is_old))):
        return "typing error"
    if before is not None and reading_km > km[before] + rules.max_km_per_day * (day[index] - day[before] + 1.0):
        return "too fast"
    return "out of order"


def _expected_range(readings: _Readings, index: int, before: int | None, after: int | None) -> tuple[float, float]:
    """Range in which the reading should have been, from its neighbours on the chain."""
    day, km = readings.day, readings.km
    low = float(km[before]) if before is not None else 0.0
    if after is not None and km[after] >= low:
        high = float(km[after])
    elif before is not None:
        high = low + float(readings.likely_km(float(day[index] - day[before])))
    else:
        high = float("inf")
    if before is None and after is not None:
        low = max(0.0, high - float(readings.likely_km(float(day[after] - day[index]))))
    return low, high


def _is_within(km: float, low: float, high: float) -> bool:
    """Whether a converted reading lies in a range, give or take the rounding of the conversion."""
    rounding_km = KM_PER_MILE + 0.001 * km
    return low - rounding_km <= km <= high + rounding_km


def _meant(reading_km: int, *, is_old: bool) -> set[int]:
    """Numbers that one slip turns into this one: swapped, dropped, doubled or wrong digits.

    A wrong digit is not taken for the reason where the vehicle did once show the number: that is an old reading.
    """
    digits = str(reading_km)
    meant = {digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :] for i in range(len(digits) - 1)}
    meant |= {digits[:i] + digits[i + 1 :] for i in range(len(digits))}
    meant |= {digits[:i] + d + digits[i:] for i in range(len(digits) + 1) for d in "0123456789"}
    if not is_old:
        meant |= {digits[:i] + d + digits[i + 1 :] for i in range(len(digits)) for d in "0123456789"}
    return {int(number) for number in meant if number}


def _knots(curve: pl.DataFrame) -> pl.DataFrame:
    """Distinct points of each vehicle's curve with its mean daily distance, null where too short to tell."""
    span_days = (pl.col("read_at").max() - pl.col("read_at").min()).over("vehicle_id").dt.total_seconds()
    gained_km = (pl.col("distance_km").max() - pl.col("distance_km").min()).over("vehicle_id")
    return (
        curve.filter("is_used")
        .group_by("vehicle_id", "read_at")
        .agg(pl.col("distance_km").max())
        .with_columns(span_days=span_days / SECONDS_PER_DAY, gained_km=gained_km)
        .with_columns(
            pace_km=pl.when(pl.col("span_days") >= MIN_PACE_SPAN_DAYS).then(pl.col("gained_km") / pl.col("span_days"))
        )
        .sort("read_at", "vehicle_id")
    )


def _interpolate(found: pl.DataFrame) -> pl.DataFrame:
    """Distance and error from the knots on either side."""

    def days(later: str, earlier: str) -> pl.Expr:
        return (pl.col(later) - pl.col(earlier)).dt.total_microseconds() / (SECONDS_PER_DAY * 1e6)

    share = (days("at", "before_at") / days("after_at", "before_at")).fill_nan(0.0)
    between = pl.col("before_km") + share * (pl.col("after_km") - pl.col("before_km"))
    is_at_knot = (pl.col("at") == pl.col("before_at")).fill_null(False)
    beyond_km, ahead_km = pl.col("pace_") * days("at", "before_at"), pl.col("pace_") * days("after_at", "at")
    distance = (
        pl.when(is_at_knot)
        .then("before_km")
        .when(pl.col("before_at").is_null())
        .then((pl.col("after_km") - ahead_km).clip(lower_bound=0.0))
        .when(pl.col("after_at").is_null())
        .then(pl.col("before_km") + beyond_km)
        .otherwise(between)
    )
    error = (
        pl.when(is_at_knot)
        .then(0.0)
        .when(pl.col("before_at").is_null())
        .then(ahead_km)
        .when(pl.col("after_at").is_null())
        .then(beyond_km)
        .otherwise(
            pl.max_horizontal(pl.col("distance_km") - pl.col("before_km"), pl.col("after_km") - pl.col("distance_km"))
        )
    )
    return found.with_columns(distance_km=distance.round(METRES)).with_columns(error_km=error.round(METRES))
