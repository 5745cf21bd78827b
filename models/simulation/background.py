"""Everything else that is recorded: services, unrelated jobs, oil put in, odometer readings."""

from dataclasses import dataclass

import numpy as np

from models.simulation.chance import Chance
from models.simulation.events import History, Mention, Order
from models.simulation.fleet import Calendar, Floats, Vehicle
from models.simulation.sayings import other_fluid, other_leak, symptom
from models.simulation.words.chatter import TASKS
from models.simulation.world import SITES

_SERVICE_DAYS = (200, 330)
_JOBS_PER_YEAR = 2.1
_AWAY_PROBABILITY = 0.12
_BURNS_PER_1000_KM = (0.03, 0.16)
"""Litres that a sound engine burns."""
_TOP_UP_LITRES = (0.5, 1.7)
_READING_DAYS = (70, 130)
_READING_SHARE = 0.5
_DELIVERY_DAYS, _EARLY_READING = 5, 0.06
"""Some vehicles are read on delivery, days before they enter service."""
_GROWTH_PER_DAY = 1 / 200
"""Share by which a leak's loss grows each day: it doubles in 200 days."""


@dataclass(slots=True, frozen=True)
class TopUp:
    """Oil put in."""

    day: int
    site: int
    litres: float
    reason: str


@dataclass(slots=True)
class Background:
    """One vehicle's records that no cover caused."""

    orders: list[Order]
    top_ups: list[TopUp]
    reading_days: list[int]


def vehicle_background(vehicle: Vehicle, history: History, *, days: Calendar, chance: Chance) -> Background:
    """Draw one vehicle's unrelated records from the start of records to the extract, or until it is sold."""
    start = max(0, vehicle.in_service)
    end = min(days.extract, days.extract if vehicle.sold is None else vehicle.sold - 1)
    services = _every(start, end, _SERVICE_DAYS, chance)
    orders = [_service(day, vehicle, chance) for day in services]
    orders += [_job(day, vehicle, chance) for day in _at_random(start, end, 365 / _JOBS_PER_YEAR, chance)]
    top_ups = _top_ups(vehicle, history, (start, end), services, chance)
    readings = _every(start, end, _READING_DAYS, chance) if chance.happens(_READING_SHARE) else []
    if vehicle.in_service > _DELIVERY_DAYS and chance.happens(_EARLY_READING):
        readings.insert(0, vehicle.in_service - _DELIVERY_DAYS)
    return Background(orders, top_ups, readings)


def _every(start: int, end: int, gap: tuple[int, int], chance: Chance) -> list[int]:
    """Days at a more or less regular interval, the first anywhere in it."""
    day, found = start + int(chance.unit() * gap[1]), []
    while day <= end:
        found.append(day)
        day += chance.whole(*gap)
    return found


def _at_random(start: int, end: int, mean_days: float, chance: Chance) -> list[int]:
    """Days of a Poisson process."""
    day, found = start + int(chance.exponential(mean_days)), []
    while day <= end:
        found.append(day)
        day += 1 + int(chance.exponential(mean_days))
    return found


def _somewhere(vehicle: Vehicle, chance: Chance) -> int:
    return chance.whole(0, len(SITES) - 1) if chance.happens(_AWAY_PROBABILITY) else vehicle.site


def _finished(day: int, vehicle: Vehicle, chance: Chance) -> int | None:
    """Day an order was finished; now and then nobody writes it, or writes a day before it was opened."""
    chosen = chance.unit()
    if chosen < 0.03:
        return None
    if chosen < 0.033:
        return max(0, day - 2)
    latest = day + 3 if vehicle.sold is None else vehicle.sold - 1
    return min(day + chance.pick((0, 0, 0, 0, 1, 1, 2, 3)), latest)


def _service(day: int, vehicle: Vehicle, chance: Chance) -> Order:
    return Order(day, _finished(day, vehicle, chance), _somewhere(vehicle, chance), "service")


def _job(day: int, vehicle: Vehicle, chance: Chance) -> Order:
    """Draw an unrelated job, among them leaks elsewhere and symptoms with another cause."""
    order = Order(day, _finished(day, vehicle, chance), _somewhere(vehicle, chance), "")
    chosen = chance.unit()
    if chosen < 0.07:
        order.task, order.complaint = "leak_elsewhere", [other_leak("present", chance)]
    elif chosen < 0.14:
        order.task, order.complaint = "fluid", [other_fluid("present", chance)]
    elif chosen < 0.17 and vehicle.family.plug_tubes:
        order.task, order.complaint = "misfire", [symptom("misfire")]
    elif chosen < 0.195:
        order.task, order.complaint = "smell", [symptom(chance.pick(("burning smell", "smoke")))]
    else:
        order.task = chance.pick(TASKS)
        return order
    if order.task in ("misfire", "smell") and chance.happens(0.4):
        order.findings = [Mention("cover_gasket", "absent", chance.pick(vehicle.family.cover_positions))]
    return order


def _top_ups(
    vehicle: Vehicle, history: History, span: tuple[int, int], services: list[int], chance: Chance
) -> list[TopUp]:
    """Put oil in when enough is missing; a service fills the sump, and some sites log that as well."""
    start, end = span
    missing = np.cumsum(_loss_per_day(vehicle, history, span, chance))
    found = []
    for service, until in zip([start, *services], [*services, end], strict=True):
        level = missing[service - start] if service > start else 0.0
        litres = chance.between(*_TOP_UP_LITRES)
        while (day := start + int(np.searchsorted(missing, level + litres))) < until:
            found.append(TopUp(day, _somewhere(vehicle, chance), litres, ""))
            level, litres = missing[day - start], chance.between(*_TOP_UP_LITRES)
        if until in services and until > start and chance.happens(0.25):
            found.append(TopUp(until, _somewhere(vehicle, chance), vehicle.family.sump_litres, "oil change"))
    return found


def _loss_per_day(vehicle: Vehicle, history: History, span: tuple[int, int], chance: Chance) -> Floats:
    start, end = span
    rate = np.full(end - start + 1, chance.between(*_BURNS_PER_1000_KM))
    for first, repaired, litres in history.leaks:
        ages = np.arange(max(0, min(repaired, end + 1) - max(first, start)))
        rate[max(first, start) - start : max(first, start) - start + len(ages)] += litres * (1 + ages * _GROWTH_PER_DAY)
    return rate * np.diff(vehicle.km[start : end + 2]) / 1000
