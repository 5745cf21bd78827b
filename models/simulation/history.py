"""The course of each cover: dry, leaking and growing worse, seen or missed, repaired, disturbed, and so on.

One vehicle at a time, event by event. A leak is *found* only where somebody wrote so.
"""

import heapq
from collections.abc import Callable
from dataclasses import dataclass

from models.simulation.chance import Chance
from models.simulation.events import CLASS_WORDS, History, Mention, Note, Order, Renewal, Swap
from models.simulation.fleet import Calendar, Vehicle
from models.simulation.joints import (
    draw_method,
    draw_skipped_steps,
    draws_new_bolts,
    first_life,
    hazard_multiplier,
    life_after,
    remaining_life,
)
from models.simulation.sayings import (
    drawn_complaint,
    drawn_findings,
    drawn_look,
    other_mentions,
    symptom,
)
from models.simulation.world import REFITTED, SITES, Life

DAYS_PER_MONTH = 30.4375
_PLAIN_SITE = SITES[0]
"""Stands for the makers' own work: neither better nor worse than plain."""
_AWAY_PROBABILITY = 0.12
_INSPECTION_EVERY = (45, 95)
_SEEN = (0.0, 0.42, 0.8, 0.97)
_FALSE_ALARM = 0.0012
_REPAIRED = (0.0, 0.6, 0.85, 0.97)
_REPAIR_DELAY = (0.0, 40.0, 20.0, 7.0)
_DECLINED = 0.05
_GROWTH_DAYS = (70.0, 110.0)
"""Mean days from class I to II and from II to III."""
_SMELL_DAYS, _MISFIRE_DAYS, _USAGE_DAYS = 120.0, 100.0, 220.0
_REST_DAYS = 6
"""Least days between two jobs on a vehicle's covers: nearer ones would be one visit."""
_SAME_VISIT_DAYS = 2
_OTHER_WORK_DAYS, _ROUTINE_DAYS, _SWAP_DAYS = 365 / 0.035, 365 / 0.015, 365 / 0.014
_RETIGHTEN_PROBABILITY = 0.35
_RETIGHTEN_KM = (300.0, 800.0)


@dataclass(slots=True)
class _Cover:
    """The present state of one cover joint; `life` numbers its renewals."""

    position: str
    life: int = 0
    leak_day: int | None = None
    growth: tuple[int, int] = (0, 0)
    component: str = "cover_gasket"
    is_booked: bool = False
    is_seen: bool = False
    renewed: int | None = None

    def leak_class(self, day: int) -> int:
        """Return 0 where dry, else the class the leak has grown to."""
        if self.leak_day is None or day < self.leak_day:
            return 0
        age = day - self.leak_day
        return 1 + (age >= self.growth[0]) + (age >= self.growth[0] + self.growth[1])


def vehicle_history(vehicle: Vehicle, *, days: Calendar, chance: Chance) -> History:
    """Run one vehicle's covers from the start of records to the end of the latent future, or until it is sold.

    The vehicle's `engines` grow by those fitted on the way.
    """
    course = _Course(vehicle, days, chance)
    course.run()
    return course.history


class _Course:
    """One vehicle's queue of coming events; each handler writes what happened and queues what follows."""

    def __init__(self, vehicle: Vehicle, days: Calendar, chance: Chance) -> None:
        self.vehicle, self.days, self.chance = vehicle, days, chance
        self.history = History()
        self.covers = {position: _Cover(position) for position in vehicle.family.cover_positions}
        self.end = days.last if vehicle.sold is None else min(vehicle.sold, days.last)
        self.busy_until = -1
        self._queue: list[tuple[int, int, str, str, int]] = []
        self._count = 0

    def run(self) -> None:
        """Work through the queue."""
        start = max(0, self.vehicle.in_service)
        for cover in self.covers.values():
            km_run = min(self.vehicle.km_at(start), self.vehicle.family.first_life_km)
            self._begin_first_life(cover, start, km_run, max(0, -self.vehicle.in_service) / DAYS_PER_MONTH)
        self._after("inspect", start, self.chance.between(0, _INSPECTION_EVERY[1]))
        for kind, mean in (("cover_off", _OTHER_WORK_DAYS), ("routine", _ROUTINE_DAYS), ("swap", _SWAP_DAYS)):
            self._after(kind, start, self.chance.exponential(mean))
        while self._queue:
            day, _, kind, position, life = heapq.heappop(self._queue)
            _STEPS[kind](self, day, position, life)
        for cover in self.covers.values():
            self._stop_leak(cover, self.end)

    def _after(self, kind: str, day: int, wait: float, cover: _Cover | None = None) -> None:
        """Queue an event some days on; one about a cover lapses when the joint is renewed."""
        due = day + 1 + int(wait)
        if due < self.end:
            self._count += 1
            position, life = ("", 0) if cover is None else (cover.position, cover.life)
            heapq.heappush(self._queue, (due, self._count, kind, position, life))

    def _site(self) -> int:
        """Where the next thing happens: mostly at home."""
        if self.chance.happens(_AWAY_PROBABILITY):
            return self.chance.whole(0, len(SITES) - 1)
        return self.vehicle.site

    # Joints ---------------------------------------------------------------------------------------------------------

    def _begin_first_life(self, cover: _Cover, day: int, km_run: float, months_run: float) -> None:
        family = self.vehicle.family
        hazard = hazard_multiplier((), site=_PLAIN_SITE, family=family, frailty=self.vehicle.frailty)
        self._begin_life(cover, day, first_life(family), hazard, km_run=km_run, months_run=months_run)

    def _begin_life(
        self, cover: _Cover, day: int, life: Life, hazard: float, *, km_run: float = 0.0, months_run: float = 0.0
    ) -> tuple[int | None, float | None]:
        """Draw the life of a joint from a day on and queue its leak; return the day and km it leaks, if simulated."""
        cover.life += 1
        cover.leak_day, cover.is_booked, cover.is_seen = None, False, False
        km, months = remaining_life(life, hazard=hazard, km_run=km_run, months_run=months_run, chance=self.chance)
        by_age = day + int(months * DAYS_PER_MONTH)
        by_distance = self.vehicle.day_at_km(self.vehicle.km_at(day) + km)
        leaks = max(day + 1, min(by_age, by_distance))
        if leaks > self.days.last:
            return None, None
        self._after("leak", leaks - 1, 0, cover)
        return leaks, min(km, self.vehicle.km_at(leaks) - self.vehicle.km_at(day))

    def _renew(self, cover: _Cover, order: Order, method: str, occasion: str) -> Renewal:
        """Give a joint the life that a method, a workshop and the steps skipped give it."""
        family, site = self.vehicle.family, SITES[order.site]
        skipped = draw_skipped_steps(
            method, has_new_bolts=order.has_new_bolts, site=site, family=family, chance=self.chance
        )
        hazard = hazard_multiplier(skipped, site=site, family=family, frailty=self.vehicle.frailty)
        leak_day, leak_km = self._begin_life(cover, order.finished, life_after(method), hazard)
        cover.renewed = order.finished
        is_card_returned = method != REFITTED and self.chance.happens(site.card_probability)
        return Renewal(
            order, cover.position, self.vehicle.engines[-1][0], method, occasion, hazard, skipped, is_card_returned,
            leak_day, leak_km,
        )  # fmt: skip

    def _stop_leak(self, cover: _Cover, day: int) -> None:
        if cover.leak_day is not None:
            self.history.leaks.append((cover.leak_day, day, self.chance.between(0.02, 0.12)))

    # Leaks and looks ------------------------------------------------------------------------------------------------

    def _leak(self, day: int, position: str, life: int) -> None:
        cover = self.covers[position]
        if cover.life != life:
            return
        cover.leak_day = day
        cover.growth = (
            int(self.chance.exponential(_GROWTH_DAYS[0])) + 1, int(self.chance.exponential(_GROWTH_DAYS[1])) + 1,
        )  # fmt: skip
        in_seals = self.vehicle.family.plug_tubes and self.chance.happens(0.35)
        cover.component = "plug_tube_seal" if in_seals else "cover_gasket"
        self._after("smell", day, cover.growth[0] / 2 + self.chance.exponential(_SMELL_DAYS), cover)
        self._after("usage", day, cover.growth[0] + self.chance.exponential(_USAGE_DAYS), cover)
        if in_seals:
            self._after("misfire", day, cover.growth[0] / 2 + self.chance.exponential(_MISFIRE_DAYS), cover)

    def _inspect(self, day: int, _position: str, _life: int) -> None:
        self._after("inspect", day, self.chance.between(*_INSPECTION_EVERY))
        if day <= self.busy_until:
            return
        mentions = [mention for cover in self.covers.values() if (mention := self._look(cover, day))]
        is_wet = any(mention.is_wet_look for mention in mentions)
        if day > self.days.extract and not is_wet:
            return
        mentions += other_mentions(self.chance)
        if len(mentions) == 1 and mentions[0].component == "other_oil_leak" and self.chance.happens(0.4):
            position = self.vehicle.family.cover_positions[0]
            mentions.insert(0, Mention("cover_gasket", "absent", position))
        self.history.notes.append(Note(day, self._site(), mentions))

    def _look(self, cover: _Cover, day: int) -> Mention | None:
        """Say what an inspection writes about one cover: nothing, dry, suspect or leaking."""
        leak_class = cover.leak_class(day)
        if self.chance.happens(_SEEN[leak_class] if leak_class else _FALSE_ALARM):
            return self._find(cover, day, max(leak_class, 1))
        since = None if cover.renewed is None else day - cover.renewed
        return drawn_look(cover.position, since, self.vehicle.family.plug_tubes, self.chance)

    def _find(self, cover: _Cover, day: int, leak_class: int) -> Mention:
        """Write a positive finding and, mostly, book the repair."""
        cover.is_seen = True
        if not cover.is_booked and self.chance.happens(_REPAIRED[leak_class]):
            cover.is_booked = True
            self._after("repair", day, self.chance.exponential(_REPAIR_DELAY[leak_class]), cover)
        is_sided = cover.position == "only" or self.chance.happens(0.87)
        form = "again" if cover.renewed is not None and self.chance.happens(0.35) else "class"
        position = cover.position if is_sided else ""
        return Mention(cover.component, "present", position, CLASS_WORDS[leak_class], form)

    def _is_lapsed(self, day: int, position: str, life: int) -> bool:
        """Whether an event about a leak has lost its object, or finds the vehicle in the workshop."""
        cover = self.covers[position]
        return cover.life != life or day <= self.busy_until or not cover.leak_class(day)

    def _smell(self, day: int, position: str, life: int) -> None:
        if not self._is_lapsed(day, position, life):
            kind = self.chance.pick(("burning smell", "burning smell", "smoke"))
            self._report_symptom(day, self.covers[position], kind, "smell")

    def _misfire(self, day: int, position: str, life: int) -> None:
        if not self._is_lapsed(day, position, life):
            kind = self.chance.pick(("misfire", "misfire", "oil on coils"))
            self._report_symptom(day, self.covers[position], kind, "misfire")

    def _report_symptom(self, day: int, cover: _Cover, kind: str, task: str) -> None:
        """A driver reports what a leak does; the workshop may or may not find the leak."""
        order = Order(day, day, self._site(), task, complaint=[symptom(kind)])
        leak_class = cover.leak_class(day)
        if self.chance.happens(_SEEN[leak_class]):
            order.findings.append(self._find(cover, day, leak_class))
        else:
            self._after(task, day, self.chance.exponential(60.0), cover)
        self.history.orders.append(order)

    def _usage(self, day: int, position: str, life: int) -> None:
        if self._is_lapsed(day, position, life):
            return
        cover = self.covers[position]
        mentions = [symptom("low oil")]
        leak_class = cover.leak_class(day)
        if self.chance.happens(_SEEN[leak_class]):
            mentions.append(self._find(cover, day, leak_class))
        else:
            self._after("usage", day, self.chance.exponential(90.0), cover)
        self.history.notes.append(Note(day, self._site(), mentions))

    # Work on covers -------------------------------------------------------------------------------------------------

    def _is_postponed(self, kind: str, day: int, cover: _Cover | None = None) -> bool:
        """Whether a job must wait, because another was done on this vehicle's covers only days ago."""
        latest = max((each.renewed for each in self.covers.values() if each.renewed is not None), default=-_REST_DAYS)
        free = max(self.busy_until + 1, latest + _REST_DAYS)
        if day >= free:
            return False
        self._after(kind, free, 0, cover)
        return True

    def _open(self, day: int, task: str, work: str, covers: list[_Cover], method: str) -> Order:
        """Open an order on covers; most are done in a day or two, and sometimes nobody writes when."""
        chance = self.chance
        completed = min(day + chance.pick((0, 0, 0, 1, 1, 2, 3, 5)), self.end - 1)
        self.busy_until = completed
        self.vehicle.stand(day, completed)
        is_unwritten = completed == day and chance.happens(0.06)
        order = Order(
            day, None if is_unwritten else completed, self._site(), task, work,
            tuple(cover.position for cover in covers), method,
        )  # fmt: skip
        self.history.orders.append(order)
        for cover in covers:
            self._stop_leak(cover, day)
        return order

    def _repair(self, day: int, position: str, life: int) -> None:
        cover = self.covers[position]
        if cover.life != life or self._is_postponed("repair", day, cover):
            return
        if self.chance.happens(_DECLINED):
            self._decline(day, cover)
            return
        covers = [cover, *(each for each in self.covers.values() if each is not cover and each.is_booked)]
        order = self._open(day, "cover repair", "repair", covers, "")
        order.method = draw_method(SITES[order.site], self.vehicle.family, self.chance)
        self._describe(order, covers)
        for each in covers:
            self.history.renewals.append(self._renew(each, order, order.method, "leak"))
            self._plan_retightening(each, order)
        if len(covers) == 1 and self.chance.happens(0.015):
            self._book_twice(order)

    def _describe(self, order: Order, covers: list[_Cover]) -> None:
        """Draw what the order says beside its method."""
        chance, method = self.chance, order.method
        order.has_new_bolts = draws_new_bolts(method, chance)
        opens_cover = method not in ("retightened", "external_sealant")
        order.is_ventilation_serviced = opens_cover and chance.happens(0.15)
        order.is_faces_machined = method == "cover_replaced" and chance.happens(0.06)
        order.is_vague = method in ("gasket", "external_sealant") and chance.happens(0.05)
        said = [(each.position, each.component, CLASS_WORDS[max(1, each.leak_class(order.opened))]) for each in covers]
        order.complaint = drawn_complaint(said, is_plain=method == "retightened" or len(said) > 1, chance=chance)
        order.findings = drawn_findings(said, chance)

    def _decline(self, day: int, cover: _Cover) -> None:
        """The order says that the cover leaks, and nothing is done: no parts, no time, vehicle needed."""
        found = Mention(cover.component, "present", cover.position, "", "plain")
        self.history.orders.append(Order(day, day, self._site(), "declined", complaint=[found]))
        self._after("repair", day, self.chance.between(14, 60), cover)

    def _book_twice(self, order: Order) -> None:
        """The same visit is booked under a second number."""
        if order.completed is not None:
            again = Order(order.completed, order.completed, order.site, "booked twice", "repair", order.positions)
            again.method, again.has_new_bolts, again.is_vague = order.method, order.has_new_bolts, order.is_vague
            self.history.orders.append(again)

    def _plan_retightening(self, cover: _Cover, order: Order) -> None:
        """A cork joint takes a set and is re-tightened once, as planned."""
        is_fresh_cork = self.vehicle.family.is_cork and order.method in ("gasket", "cover_replaced")
        if is_fresh_cork and self.chance.happens(_RETIGHTEN_PROBABILITY):
            due_km = self.vehicle.km_at(order.finished) + self.chance.between(*_RETIGHTEN_KM)
            self._after("retighten", max(self.vehicle.day_at_km(due_km) - 1, order.finished + _REST_DAYS), 0, cover)

    def _retighten(self, day: int, position: str, life: int) -> None:
        cover = self.covers[position]
        is_due = cover.life == life and not cover.is_seen and day > self.busy_until and cover.renewed is not None
        if is_due and self.vehicle.km_at(day) - self.vehicle.km_at(cover.renewed or 0) < _RETIGHTEN_KM[1] + 150:
            order = Order(day, day, self._site(), "planned retightening", "repair", (position,), "retightened")
            self.history.orders.append(order)
            self.busy_until = day + _SAME_VISIT_DAYS

    def _cover_off(self, day: int, _position: str, _life: int) -> None:
        if self._is_postponed("cover_off", day):
            return
        self._after("cover_off", day, self.chance.exponential(_OTHER_WORK_DAYS))
        covers = list(self.covers.values())
        if len(covers) > 1 and self.chance.happens(0.6):
            covers = [self.chance.pick(covers)]
        fresh = "gasket_and_seals" if self.vehicle.family.plug_tubes and self.chance.happens(0.5) else "gasket"
        method = fresh if self.chance.happens(0.55) else REFITTED
        wet = [cover for cover in covers if cover.leak_class(day)]
        order = self._open(day, "other work", "cover_off", covers, method)
        for cover in covers:
            renewal = self._renew(cover, order, method, "other_work")
            if cover in wet and method == REFITTED:
                self._leak_on(cover, renewal)
            self.history.renewals.append(renewal)

    def _leak_on(self, cover: _Cover, renewal: Renewal) -> None:
        """An old gasket that leaked goes on leaking when it is put back."""
        leaks = renewal.order.finished + 1 + int(self.chance.exponential(10.0))
        if leaks < self.end and (renewal.leak_day is None or leaks < renewal.leak_day):
            renewal.leak_day = leaks
            renewal.leak_km = self.vehicle.km_at(leaks) - self.vehicle.km_at(renewal.order.finished)
            self._after("leak", leaks - 1, 0, cover)

    def _routine(self, day: int, _position: str, _life: int) -> None:
        if self._is_postponed("routine", day):
            return
        self._after("routine", day, self.chance.exponential(_ROUTINE_DAYS))
        covers = [cover for cover in self.covers.values() if not cover.is_seen]
        if covers:
            seals = self.vehicle.family.plug_tubes and self.chance.happens(0.6)
            order = self._open(day, "routine", "repair", covers, "gasket_and_seals" if seals else "gasket")
            for cover in covers:
                self.history.renewals.append(self._renew(cover, order, order.method, "routine"))

    def _swap(self, day: int, _position: str, _life: int) -> None:
        if self._is_postponed("swap", day):
            return
        self._after("swap", day, self.chance.exponential(_SWAP_DAYS))
        fitted = min(day + self.chance.whole(1, 6), self.end - 1)
        engines = self.vehicle.engines
        old, since, _ = engines[-1]
        engines[-1] = (old, since, day)
        engines.append((old[:-1] + chr(ord(old[-1]) + 1), fitted, None))
        self.history.swaps.append(Swap(day, fitted))
        self.busy_until = fitted
        if self.chance.happens(0.75):
            self.history.orders.append(Order(day, fitted, self._site(), "engine exchange", "engine_out"))
        for cover in self.covers.values():
            self._stop_leak(cover, day)
            cover.renewed = None
            self._begin_first_life(cover, fitted, 0.0, 0.0)


_STEPS: dict[str, Callable[[_Course, int, str, int], None]] = {
    "inspect": _Course._inspect,
    "leak": _Course._leak,
    "smell": _Course._smell,
    "misfire": _Course._misfire,
    "usage": _Course._usage,
    "repair": _Course._repair,
    "cover_off": _Course._cover_off,
    "routine": _Course._routine,
    "swap": _Course._swap,
    "retighten": _Course._retighten,
}
"""Kind of event to what it does."""
