"""What is known of one vehicle: orders that touched a cover, looks at its covers, its engines, its last record."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime

from models.tables.ledger import JOINT_COMPONENTS

LOW_OIL = frozenset({"low_oil"})
"""Says that oil went, not where: alone it makes no cover suspect."""
DRY_POLARITIES = frozenset({"absent", "resolved"})


@dataclass(frozen=True, slots=True)
class Look:
    """A dated statement about a leak, and where on the odometer curve it was made."""

    on: date
    at: datetime
    evidence_ids: tuple[str, ...]
    origin_kind: str
    origin_id: str
    origin_field: str
    component: str
    polarity: str
    position: str
    symptoms: frozenset[str]
    words: str
    km: float | None
    error_km: float | None

    @property
    def is_of_joint(self) -> bool:
        """Whether it speaks of the cover's own seals."""
        return self.component in JOINT_COMPONENTS

    @property
    def is_wet(self) -> bool:
        """Whether it found the joint leaking."""
        return self.is_of_joint and self.polarity == "present"

    @property
    def is_dry(self) -> bool:
        """Whether it found the joint not leaking."""
        return self.is_of_joint and self.polarity in DRY_POLARITIES

    @property
    def is_hint(self) -> bool:
        """Whether it makes a cover suspect without a finding: a hedge at the joint, or a symptom alone."""
        is_bare_symptom = self.component == "none" and bool(self.symptoms - LOW_OIL)
        return self.polarity == "uncertain" and (self.is_of_joint or is_bare_symptom)


@dataclass(frozen=True, slots=True)
class Work:
    """What one order did to one cover, from its opening to its completion (or opening, where that is missing)."""

    order_id: str
    position: str
    work: str
    repair_method: str
    occasion: str
    has_new_bolts: bool
    is_ventilation_serviced: bool
    is_faces_machined: bool
    has_oil_complaint: bool
    complaint: str
    site: str
    technician: str | None
    opened_on: date
    opened_at: datetime
    done_on: date
    done_at: datetime
    opened_km: float | None
    opened_error_km: float | None
    done_km: float | None
    done_error_km: float | None


@dataclass(frozen=True, slots=True)
class Period:
    """An engine in a vehicle, with its covers; `removed_on` is null while it is in, or left with the vehicle."""

    engine_id: str
    engine_family: str
    from_on: date
    to_on: date | None
    removed_on: date | None
    covers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Vehicle:
    """All that bears on the covers of one vehicle, each list in order of time."""

    vehicle_id: str
    periods: tuple[Period, ...]
    works: tuple[Work, ...]
    looks: tuple[Look, ...]
    out_of_service_on: date | None
    last_on: date
    last_at: datetime


@dataclass(frozen=True, slots=True)
class Cover:
    """One cover of one engine in one vehicle: the works on it and the looks at it.

    `looks` name this cover, or the engine has only one. `unsided` looks name no side of a two-bank engine: they are
    shown on both covers and close neither.
    """

    vehicle: Vehicle
    period: Period
    position: str
    works: tuple[Work, ...]
    looks: tuple[Look, ...]
    unsided: tuple[Look, ...]


def covers_of(vehicle: Vehicle) -> Iterator[Cover]:
    """List the covers of a vehicle that some order worked on."""
    by_period: dict[int, list[Work]] = {}
    for work in vehicle.works:
        by_period.setdefault(_period_index(vehicle.periods, work), []).append(work)
    for index, works in sorted(by_period.items()):
        period = vehicle.periods[index]
        looks = [look for look in vehicle.looks if index == 0 or look.on > period.from_on]
        for position, placed in _place_works(period, works, looks).items():
            if placed:
                yield _cover(vehicle, period, position, placed)


def _cover(vehicle: Vehicle, period: Period, position: str, works: list[Work]) -> Cover:
    """Gather the looks at one cover, without what an order found on the cover it repaired itself."""
    repairs = {work.order_id for work in works if work.work == "repair"}
    looks = [look for look in vehicle.looks if not (look.origin_field == "work_done" and look.origin_id in repairs)]
    sided = [look for look in looks if _names(period, look.position, position)]
    complaints = [_complaint(work, vehicle.looks) for work in works if work.work == "repair" and work.has_oil_complaint]
    unsided = [look for look in looks if len(period.covers) > 1 and look.position not in period.covers]
    in_time = sorted(
        [*sided, *complaints], key=lambda look: (look.on, look.at, not look.evidence_ids, look.evidence_ids)
    )
    return Cover(vehicle, period, position, tuple(works), tuple(in_time), tuple(unsided))


def _names(period: Period, said: str, position: str) -> bool:
    """Whether a position said in a record means this cover; on an engine with one cover every position does."""
    return len(period.covers) == 1 or said == position


def _complaint(work: Work, looks: tuple[Look, ...]) -> Look:
    """Make the wet look that a repair order's oil complaint is, on the day the order was opened."""
    said = [
        look
        for look in looks
        if look.origin_id == work.order_id and look.origin_field == "complaint" and look.polarity == "present"
    ]
    return Look(
        on=work.opened_on,
        at=work.opened_at,
        evidence_ids=tuple(evidence_id for look in said for evidence_id in look.evidence_ids),
        origin_kind="work_orders",
        origin_id=work.order_id,
        origin_field="complaint",
        component="cover_gasket",
        polarity="present",
        position=work.position,
        symptoms=frozenset(),
        words=said[0].words if said else work.complaint,
        km=work.opened_km,
        error_km=work.opened_error_km,
    )


def _period_index(periods: tuple[Period, ...], work: Work) -> int:
    """Find the engine an order worked on.

    A repair belongs to the engine that is in when the order is completed, or goes in next; taking an engine out belongs
    to the one that was in when the order was opened.
    """
    on = work.opened_on if work.work == "engine_out" else work.done_on
    begun = [index for index, period in enumerate(periods) if period.from_on <= on]
    index = begun[-1] if begun else 0
    to_on = periods[index].to_on
    if work.work != "engine_out" and to_on is not None and to_on < on and index + 1 < len(periods):
        return index + 1
    return index


def _place_works(period: Period, works: list[Work], looks: list[Look]) -> dict[str, list[Work]]:
    """Put each order's work on its cover.

    Work that names no side of a two-bank engine goes to the side that alone was found wet since its last repair, else
    to both. On both, its complaint closes neither. `works` are in order of opening, `looks` those at this engine.
    """
    placed: dict[str, list[Work]] = {position: [] for position in period.covers}
    named = {(work.order_id, work.position) for work in works}
    for work in works:
        sides = [position for position in period.covers if _names(period, work.position, position)]
        sides = sides or _open_sides(placed, work, looks) or list(period.covers)
        is_placed = len(sides) == 1
        for side in sides:
            if side == work.position or (work.order_id, side) not in named:
                placed[side].append(
                    replace(work, position=side, has_oil_complaint=work.has_oil_complaint and is_placed)
                )
    return placed


def _open_sides(placed: dict[str, list[Work]], work: Work, looks: list[Look]) -> list[str]:
    """Name the sides with a wet look since their last work."""
    open_sides = []
    for position, earlier in placed.items():
        last_on = earlier[-1].done_on if earlier else date.min
        if any(look.is_wet and look.position == position and last_on < look.on <= work.done_on for look in looks):
            open_sides.append(position)
    return open_sides
