"""Fleets drawn from stated hazards, many at once, and what is true of the population they are drawn from.

Times of one vehicle are alike through a factor on its hazard that follows the positive stable law: times within a
vehicle then depend on each other while each alone keeps its hazard, and hazard ratios stay what they are (Hougaard,
Biometrika 73 (1986) 671), so that the truth has a closed form.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from models.measures.leak_rates import DAYS_PER_YEAR, KM_PER_UNIT
from models.tables.ledger import REPAIR_METHODS

STEP_DAYS = 0.25
"""Of the sums the truth is integrated by."""
LIFE_DAYS = 30_000.0
"""Nothing that is integrated lasts longer."""
METHOD_NAMES = tuple(sorted(REPAIR_METHODS[:-1], key=lambda method: method != "gasket_and_seals"))
"""Of a setting's methods, in their order."""
KM_PER_DAY = (50.0, 150.0)
FIRST_DAY = np.datetime64("2020-01-01")


@dataclass(frozen=True)
class Family:
    """An engine family: its share of the vehicles and its Weibull time to re-leak under the first method."""

    share: float
    shape: float
    scale_days: float


@dataclass(frozen=True)
class Setting:
    """A truth, and how much of it is seen in one fleet.

    Attributes:
        name: What the setting is for.
        vehicles: Of one fleet.
        episodes: Least and most of a vehicle, any number between being as likely.
        families: Engine families of the vehicles.
        methods: Share of the repairs and hazard ratio against the first, of each repair method.
        sites: Hazard ratio of each site; vehicles keep to one.
        alike: Index of the stable law, above 0; at 1 vehicles do not differ.
        competing_days: Mean time to an end of another kind, at a constant hazard.
        watch_days: Shortest and longest watch, any between being as likely.
        clock_days: Times are rounded up to a multiple of it; 0 leaves them as they are.
    """

    name: str
    vehicles: int = 200
    episodes: tuple[int, int] = (1, 1)
    families: tuple[Family, ...] = (Family(1.0, 1.3, 700.0),)
    methods: tuple[tuple[float, float], ...] = ((1.0, 1.0),)
    sites: tuple[float, ...] = (1.0,)
    alike: float = 1.0
    competing_days: float = 2_500.0
    watch_days: tuple[float, float] = (0.0, 1_500.0)
    clock_days: float = 0.0


@dataclass(frozen=True)
class Fleets:
    """Episodes of many fleets.

    Attributes:
        fleet: Fleet of each episode (n,).
        vehicle: Vehicle, no two fleets sharing one (n,).
        family: Engine family (n,).
        method: Repair method (n,).
        site: Site (n,).
        days: Time watched (n,).
        km: The same in kilometres (n,).
        cause: 1 re-leak, 2 competing end, 0 still watched (n,).
    """

    fleet: np.ndarray
    vehicle: np.ndarray
    family: np.ndarray
    method: np.ndarray
    site: np.ndarray
    days: np.ndarray
    km: np.ndarray
    cause: np.ndarray


def draw(setting: Setting, fleets: int, *, seed: int) -> Fleets:
    """Draw fleets, each afresh."""
    random = np.random.default_rng(seed)
    vehicles = fleets * setting.vehicles
    least, most = setting.episodes
    vehicle = np.repeat(np.arange(vehicles), random.integers(least, most + 1, vehicles))
    family = _chosen(random, [family.share for family in setting.families], vehicles)[vehicle]
    site = random.integers(0, len(setting.sites), vehicles)[vehicle]
    method = _chosen(random, [share for share, _ in setting.methods], len(vehicle))
    shape, scale = (np.array([getattr(each, name) for each in setting.families]) for name in ("shape", "scale_days"))
    ratio = np.array([ratio for _, ratio in setting.methods])[method] * np.array(setting.sites)[site]
    hazard = (random.exponential(size=len(vehicle)) / positive_stable(random, setting.alike, vehicles)[vehicle]) ** (
        setting.alike
    )
    leak = scale[family] * (hazard / ratio) ** (1.0 / shape[family])
    other = random.exponential(setting.competing_days, len(vehicle))
    watch = random.uniform(*setting.watch_days, len(vehicle))
    days = np.minimum(np.minimum(leak, other), watch)
    cause = np.select([days == leak, days == other], [1, 2], 0)
    if setting.clock_days:
        days = np.ceil(days / setting.clock_days) * setting.clock_days
    km = days * random.uniform(*KM_PER_DAY, vehicles)[vehicle]
    return Fleets(vehicle // setting.vehicles, vehicle, family, method, site, days, km, cause)


def draw_histories(setting: Setting, fleets: int, *, spread: float, seed: int) -> tuple[Fleets, np.ndarray, np.ndarray]:
    """Draw fleets in which each re-leak is repaired and watched on: a vehicle that leaks more has more repairs.

    Vehicles are of one family, method and site; their hazards follow a gamma law of mean 1 and variance `spread`. They
    come under watch with a repair, as likely at any time, and are watched to one day for all, `watch_days[1]` after the
    first.

    Returns:
        The fleets; and when each repair leaks again, and ends otherwise, were it watched for good (n,).
    """
    random, family = np.random.default_rng(seed), setting.families[0]
    vehicles, last = fleets * setting.vehicles, setting.watch_days[1]
    factor = random.gamma(1.0 / spread, spread, vehicles) if spread else np.ones(vehicles)
    vehicle, start, found = np.arange(vehicles), random.uniform(0.0, last, vehicles), []
    while len(vehicle):
        leak = family.scale_days * (random.exponential(size=len(vehicle)) / factor[vehicle]) ** (1.0 / family.shape)
        other = random.exponential(setting.competing_days, len(vehicle))
        watch = last - start
        found.append((vehicle, leak, other, watch))
        again = (leak < other) & (leak < watch)
        vehicle, start = vehicle[again], (start + leak)[again]
    vehicle, leak, other, watch = (np.concatenate(columns) for columns in zip(*found, strict=True))
    days = np.minimum(np.minimum(leak, other), watch)
    cause = np.select([days == leak, days == other], [1, 2], 0)
    none = np.zeros(len(vehicle), dtype=np.int64)
    return Fleets(vehicle // setting.vehicles, vehicle, none, none, none, days, days, cause), leak, other


def positive_stable(random: np.random.Generator, index: float, size: int) -> np.ndarray:
    """Draw from the law with Laplace transform exp(-s^index), by Kanter, Annals of Probability 3 (1975) 697."""
    if index == 1.0:
        return np.ones(size)
    angle, waiting = random.uniform(0, np.pi, size), random.exponential(size=size)
    wave = np.sin((1 - index) * angle) * np.sin(index * angle) ** (index / (1 - index))
    return (wave / np.sin(angle) ** (1 / (1 - index)) / waiting) ** ((1 - index) / index)


def _chosen(random: np.random.Generator, shares: list[float], size: int) -> np.ndarray:
    return np.searchsorted(np.cumsum(shares)[:-1], random.random(size), side="right")


def dry_share(setting: Setting, days: np.ndarray, *, method: int | None = None) -> np.ndarray:
    """Share that has not leaked again by each day, over all families, sites and methods or under one (days,)."""
    clock = setting.clock_days
    told = np.floor(days / clock) * clock if clock else days
    methods = setting.methods if method is None else ((1.0, setting.methods[method][1]),)
    total = np.zeros(len(days))
    for family in setting.families:
        for share, ratio in methods:
            for site in setting.sites:
                weight = family.share * share / len(setting.sites)
                total += weight * np.exp(-ratio * site * (told / family.scale_days) ** family.shape)
    return total


def _grid(until: float) -> tuple[np.ndarray, np.ndarray]:
    """Edges and middles of the steps up to a day."""
    edges = np.linspace(0.0, until, round(until / STEP_DAYS) + 1)
    return edges, (edges[1:] + edges[:-1]) / 2


def true_recurrence(setting: Setting, horizon: float, *, method: int | None = None) -> float:
    """Share that has leaked again by a day, other ends competing."""
    edges, middles = _grid(horizon)
    leaks = -np.diff(dry_share(setting, edges, method=method))
    return float(leaks @ np.exp(-middles / setting.competing_days))


def true_restricted_mean(setting: Setting, horizon: float) -> float:
    """Mean days dry up to a horizon."""
    edges, middles = _grid(horizon)
    return float(dry_share(setting, middles) @ np.diff(edges))


def true_quantile(setting: Setting, share: float) -> float:
    """Day by which a share has leaked again."""
    edges, _ = _grid(LIFE_DAYS)
    return float(edges[np.argmax(dry_share(setting, edges) <= 1.0 - share)])


def true_rates(setting: Setting) -> dict[str, float]:
    """Re-leaks per vehicle-year and per 100,000 km of watch."""
    edges, middles = _grid(setting.watch_days[1])
    first, last = setting.watch_days
    watched = np.exp(-middles / setting.competing_days) * np.minimum((last - middles) / (last - first), 1.0)
    continuous = replace(setting, clock_days=0.0)
    leaks = float(-np.diff(dry_share(continuous, edges)) @ watched)
    days = float((dry_share(continuous, middles) * watched) @ np.diff(edges)) + setting.clock_days / 2
    return {"days": leaks / days * DAYS_PER_YEAR, "km": leaks / days / np.mean(KM_PER_DAY) * KM_PER_UNIT}


def as_episodes(fleets: Fleets, fleet: npt.ArrayLike, *, has_km: bool = False) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Fleets as the measures take them: `episodes`, in days alone unless `has_km`, and `engine_periods`."""
    chosen = np.flatnonzero(np.isin(fleets.fleet, fleet))
    number = pl.Series("number", chosen)
    vehicle = fleets.vehicle[chosen]
    age_days = chosen * 37 % 2_000
    episodes = pl.DataFrame({
        "episode_id": pl.select(pl.format("e{}", number)).to_series(),
        "vehicle_id": vehicle.astype(str),
        "engine_id": vehicle.astype(str),
        "engine_family": (fleets.family[chosen]).astype(str),
        "repair_method": np.array(METHOD_NAMES)[fleets.method[chosen]],
        "site": np.char.add("site ", fleets.site[chosen].astype(str)),
        "technician": pl.Series([None] * len(chosen), dtype=pl.String),
        "status": np.array(["censored", "re-leak", "competing"])[fleets.cause[chosen]],
        "days": fleets.days[chosen],
        "km": fleets.km[chosen] if has_km else pl.Series([None] * len(chosen), dtype=pl.Float64),
        "hours": pl.Series([None] * len(chosen), dtype=pl.Float64),
        "repaired_on": (FIRST_DAY + age_days.astype("timedelta64[D]")).astype("datetime64[ms]"),
        "ended_on": (FIRST_DAY + (age_days + fleets.days[chosen]).astype("timedelta64[D]")).astype("datetime64[ms]"),
    }).with_columns(pl.col("repaired_on", "ended_on").cast(pl.Date))  # fmt: skip
    periods = episodes.select("vehicle_id", "engine_id").unique(maintain_order=True)
    return episodes, periods.with_columns(from_on=pl.lit(FIRST_DAY.item()))
