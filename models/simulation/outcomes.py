"""The true episodes: what each repair led to, by the same definitions as the records are read with, from the events.

Every rule here looks at the simulator's own events; no text is read.
"""

from dataclasses import dataclass

from models.simulation.events import History, Mention, Order, Renewal
from models.simulation.fleet import Vehicle

PLANNED_RETIGHTENING_KM = 1_000.0
SAME_VISIT_DAYS = 2
_RANKS = {"re-leak": 0, "competing": 1, "censored": 2}


@dataclass(slots=True, frozen=True)
class End:
    """How and when an episode ended."""

    day: int
    status: str
    reason: str


@dataclass(slots=True, frozen=True)
class Episode:
    """One repair of one cover, how it ended in the records of the extract, and how it would have ended (`future`)."""

    renewal: Renewal
    end: End
    future: End | None


def episodes_of(vehicle: Vehicle, history: History, *, extract: int, last_record: int) -> list[Episode]:
    """Derive one vehicle's episodes that the extract can show.

    Args:
        vehicle: The vehicle.
        history: All that happened to its covers.
        extract: Day of the extract; what is dated later is not in the records.
        last_record: Day of the vehicle's last valid record of any kind.
    """
    opened = [renewal for renewal in history.renewals if is_done_by(renewal.order, extract)]
    episodes = []
    for renewal in opened:
        future = _first_end(renewal, vehicle, history, None)
        recorded = _first_end(renewal, vehicle, history, extract)
        episodes.append(Episode(renewal, recorded or End(last_record, "censored", "last record"), future))
    return episodes


def is_done_by(order: Order, day: int) -> bool:
    """Whether an order was both opened and finished by a day, so that records of that day show its work."""
    return order.opened <= day and order.finished <= day


def _first_end(renewal: Renewal, vehicle: Vehicle, history: History, until: int | None) -> End | None:
    """Return the first end after time zero; the same day a re-leak comes before a competing end."""
    start = renewal.order.finished
    ends = [
        *_wet_looks(renewal, history, until),
        *_next_work(renewal, vehicle, history, until),
        *(End(swap.removed, "competing", "engine removed") for swap in history.swaps),
    ]
    if vehicle.sold is not None:
        ends.append(End(vehicle.sold, "competing", "vehicle out of service"))
    after = [end for end in ends if end.day > start and (until is None or end.day <= until)]
    return min(after, key=lambda end: (end.day, _RANKS[end.status], end.reason), default=None)


def _wet_looks(renewal: Renewal, history: History, until: int | None) -> list[End]:
    """Collect the written findings on this cover; what an order that repairs it found says nothing new."""
    position = renewal.position
    looks = [End(note.day, "re-leak", "wet look") for note in history.notes if _says_wet(note.mentions, position)]
    for order in history.orders:
        repairs = position in order.positions and (until is None or is_done_by(order, until))
        if _complains_of_oil(order, position, repairs=repairs):
            looks.append(End(order.opened, "re-leak", "order complaint"))
        elif not repairs and (until is None or is_done_by(order, until)) and _says_wet(order.findings, position):
            looks.append(End(order.finished, "re-leak", "wet look"))
    return looks


def _says_wet(mentions: list[Mention], position: str) -> bool:
    return any(mention.is_wet_look and mention.position == position for mention in mentions)


def _complains_of_oil(order: Order, position: str, *, repairs: bool) -> bool:
    """Whether a complaint says oil at this cover, or oil somewhere on an order that repairs it."""
    if _says_wet(order.complaint, position):
        return True
    somewhere = (each.is_oil_unplaced or (each.is_wet_look and not each.position) for each in order.complaint)
    return repairs and any(somewhere)


def _next_work(renewal: Renewal, vehicle: Vehicle, history: History, until: int | None) -> list[End]:
    """Collect the later orders that took this cover off or repaired it again, as ends without a leak."""
    ends = []
    for order in history.orders:
        is_other = order is not renewal.order and renewal.position in order.positions
        if is_other and (until is None or is_done_by(order, until)) and not _belongs(order, renewal, vehicle):
            off = order.work == "cover_off"
            reason = "cover off for other work" if off else "repaired again without a leak"
            ends.append(End(order.opened, "competing", reason))
    return ends


def _belongs(order: Order, renewal: Renewal, vehicle: Vehicle) -> bool:
    """Whether an order is part of an earlier repair: booked twice in one visit, or a planned re-tightening."""
    first = renewal.order
    if 0 <= order.opened - first.finished <= SAME_VISIT_DAYS:
        return True
    run = vehicle.km_at(order.opened) - vehicle.km_at(first.finished)
    return order.method == "retightened" and not order.complaint and 0 <= run <= PLANNED_RETIGHTENING_KM
