"""Vehicles, when they served, and how far each had run by every day."""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from models.simulation.chance import Chance, generator
from models.simulation.world import (
    EXTRACT_ON,
    FAMILIES,
    FRAILTY_SIGMA,
    KM_PER_DAY,
    LATENT_DAYS,
    SITES,
    WEEKDAY_FACTORS,
    EngineFamily,
)

Floats = npt.NDArray[np.float64]

CHUNK_VEHICLES = 200
"""Vehicles drawn together: a few megabytes of distances."""
_DAILY_SIGMA = 0.6
_CLASS_SIGMA = 0.4
_YEARS_BEFORE = 8.0
_SOLD_PER_YEAR = 0.045
_ROLLOVER_SHARE = 0.006
_REPLACED_SHARE = 0.03
ROLLOVER_KM = 1_000_000


@dataclass(frozen=True)
class Calendar:
    """The days simulated: day 0 opens the records, `extract` is the export's, `last` ends the latent future."""

    starts_on: date
    extract: int
    last: int

    def on(self, day: int) -> date:
        """Return the date of a day number."""
        return self.starts_on + timedelta(days=day)


def calendar(years: float) -> Calendar:
    """Lay out the days of a fleet watched for so many years up to the extract."""
    watched = round(years * 365.25)
    return Calendar(EXTRACT_ON - timedelta(days=watched), watched, watched + LATENT_DAYS)


@dataclass(slots=True)
class Vehicle:
    """A vehicle, its true distance at the start of each day, and its instrument's faults.

    `km` has one more entry than there are days. Days count from the calendar's start, so that a vehicle already in
    service has a negative `in_service`.
    """

    vehicle_id: str
    site: int
    family: EngineFamily
    vehicle_class: str
    in_service: int
    sold: int | None
    frailty: float
    km: Floats
    replaced: int | None
    rolls_over: bool
    engines: list[tuple[str, int, int | None]] = field(default_factory=list)

    def km_at(self, day: int) -> float:
        """Return the true distance at noon of a day."""
        return float(self.km[day] + self.km[day + 1]) / 2

    def stand(self, first: int, last: int) -> None:
        """Keep the vehicle in the workshop from one day to another: it runs that much less ever after."""
        missed = float(self.km[last + 1] - self.km[first])
        self.km[first + 1 : last + 2] = self.km[first]
        self.km[last + 2 :] -= missed

    def shown_km(self, day: int) -> float:
        """Return what the instrument shows: it may have been replaced, or have run past its last digit."""
        km = self.km_at(day)
        if self.replaced is not None and day >= self.replaced:
            return km - float(self.km[self.replaced])
        return km % ROLLOVER_KM if self.rolls_over else km

    def day_at_km(self, km: float) -> int:
        """Return the first day whose noon has passed a true distance; a day past the last if none has."""
        return int(np.searchsorted(self.km, km))


def chunks_of(vehicles: int) -> int:
    """Count the chunks of a fleet."""
    return -(-vehicles // CHUNK_VEHICLES)


def draw_vehicles(chunk: int, *, vehicles: int, days: Calendar, seed: int) -> list[Vehicle]:
    """Draw one chunk of the fleet.

    Args:
        chunk: From 0; each holds `CHUNK_VEHICLES`, the last what is left.
        vehicles: Size of the whole fleet.
        days: The days simulated.
        seed: Fleet's seed.
    """
    source = generator(seed, chunk, "fleet")
    chance = Chance(source)
    first = chunk * CHUNK_VEHICLES
    drawn = [_draw_vehicle(first + offset, days, chance) for offset in range(min(CHUNK_VEHICLES, vehicles - first))]
    rates = np.array([KM_PER_DAY[vehicle.vehicle_class] for vehicle in drawn])
    rates *= source.lognormal(0.0, _CLASS_SIGMA, len(drawn))
    for vehicle, km in zip(drawn, _distances(drawn, rates, days, source), strict=True):
        vehicle.km = km
    return drawn


def _draw_vehicle(number: int, days: Calendar, chance: Chance) -> Vehicle:
    site = chance.weighted({index: place.share for index, place in enumerate(SITES)})
    family = FAMILIES[chance.weighted(SITES[site].families)]
    in_service = int(chance.between(-_YEARS_BEFORE * 365, days.extract * 0.8))
    sold = max(in_service, 0) + 200 + int(chance.exponential(365 / _SOLD_PER_YEAR))
    vehicle_class = chance.pick(family.classes)
    frailty = float(np.exp(FRAILTY_SIGMA * _normal(chance) - FRAILTY_SIGMA**2 / 2))
    replaced = chance.whole(max(in_service, 0) + 60, days.extract) if chance.happens(_REPLACED_SHARE) else None
    rolls_over = vehicle_class == "tipper" and in_service < 0 and chance.happens(_ROLLOVER_SHARE * 20)
    vehicle_id = f"U-{number + 1:06d}"
    return Vehicle(
        vehicle_id, site, family, vehicle_class, in_service, sold if sold <= days.last else None, frailty,
        np.empty(0), None if rolls_over else replaced, rolls_over, [(f"E{number + 1:06d}A", in_service, None)],
    )  # fmt: skip


def _normal(chance: Chance) -> float:
    """Draw a standard normal by Box and Muller (Annals of Mathematical Statistics 1958; 29:610)."""
    return float(np.sqrt(-2.0 * np.log1p(-chance.unit())) * np.cos(2.0 * np.pi * chance.unit()))


def _distances(drawn: list[Vehicle], rates: Floats, days: Calendar, source: np.random.Generator) -> Floats:
    """Add up each vehicle's daily distance: lognormal about its own mean, by weekday, from its first day on."""
    weekday = (days.starts_on.weekday() + np.arange(days.last + 1)) % 7
    daily = source.lognormal(-(_DAILY_SIGMA**2) / 2, _DAILY_SIGMA, (len(drawn), days.last + 1))
    daily *= rates[:, None] * np.array(WEEKDAY_FACTORS)[weekday]
    in_service = np.array([vehicle.in_service for vehicle in drawn])
    daily[np.arange(days.last + 1) < in_service[:, None]] = 0.0
    run = rates * np.maximum(-in_service, 0) * source.lognormal(0.0, 0.1, len(drawn))
    near_rollover = ROLLOVER_KM - rates * days.extract * source.uniform(0.2, 0.8, len(drawn))
    run = np.where([vehicle.rolls_over for vehicle in drawn], near_rollover, run)
    km: Floats = run[:, None] + np.concatenate([np.zeros((len(drawn), 1)), np.cumsum(daily, axis=1)], axis=1)
    return km
