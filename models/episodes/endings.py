"""What ended an episode: the first of a re-leak, a competing end, and the end of watching.

On the same day a re-leak comes before a competing end, and that before the end of watching.
"""

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time

from models.episodes.facts import Cover, Look
from models.episodes.residue import is_residue
from models.episodes.visits import Visit, looks_between
from models.settings import EpisodeRules

END_OF_DAY = time(23, 59, 59)
"""An engine's or vehicle's last day counts to its end; its hour is not recorded."""

_RANK = {"re-leak": 0, "competing": 1, "censored": 2}


@dataclass(frozen=True, slots=True)
class Ending:
    """How and when an episode ended; `look` is the wet look or `order_id` the order that ended it, if one did."""

    status: str
    reason: str
    on: date
    at: datetime
    look: Look | None = None
    order_id: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """An episode's end, what is known of when the leak began, and the looks taken meanwhile."""

    ending: Ending
    last_dry: Look | None
    hint: Look | None
    evidence_ids: tuple[str, ...]


def outcome_of(cover: Cover, visit: Visit, following: Visit | None, *, rules: EpisodeRules) -> Outcome:
    """Find what followed a repair, up to the visit that comes next."""
    ending = _ending(cover, visit, following)
    looks = looks_between(cover.looks, visit.settled_on, ending.on)
    unsided = looks_between(cover.unsided, visit.settled_on, ending.on)
    dry = [look for look in looks if look.is_dry and _is_before_end(look, ending)]
    last_dry = max(dry, key=lambda look: look.at, default=None)
    hints = [look for look in looks if look.is_hint] + [look for look in unsided if look.is_hint or look.is_wet]
    real = [look for look in hints if look.is_wet or not _is_residue(look, visit, rules)]
    hint = max(real, key=lambda look: (look.at, look.evidence_ids), default=None)
    is_open = hint is not None and ending.status != "re-leak" and (last_dry is None or last_dry.at <= hint.at)
    read = {
        evidence_id
        for look in (*looks, *unsided)
        if look.is_wet or look.is_dry or look.is_hint
        for evidence_id in look.evidence_ids
    }
    return Outcome(ending, last_dry, hint if is_open else None, tuple(sorted(read)))


def _ending(cover: Cover, visit: Visit, following: Visit | None) -> Ending:
    """Pick the first event by local day, or the end of watching where there is none; none comes before time zero."""
    re_leak = _re_leak(cover, visit, following)
    events = [*re_leak, *_departures(cover)]
    if following is not None and not re_leak:
        events.append(_next_visit(following))
    first = min(events, key=lambda event: (event.on, _RANK[event.status]), default=None)
    ending = first or Ending("censored", "last record", cover.vehicle.last_on, cover.vehicle.last_at)
    return replace(ending, on=max(ending.on, visit.done_on), at=max(ending.at, visit.done_at))


def _re_leak(cover: Cover, visit: Visit, following: Visit | None) -> list[Ending]:
    """Find the first wet look after the visit; one between the next order's opening and completion still counts."""
    until = following.done_on if following else date.max
    for look in looks_between(cover.looks, visit.settled_on, until):
        if look.is_wet:
            reason = "order complaint" if look.origin_field == "complaint" else "wet look"
            return [Ending("re-leak", reason, look.on, look.at, look=look)]
    return []


def _next_visit(following: Visit) -> Ending:
    """End an episode at the opening of the order that worked on the joint next, no leak having been found."""
    work = following.first
    if work.work == "engine_out":
        reason = "engine removed"
    elif following.occasion == "other_work":
        reason = "cover off for other work"
    else:
        reason = "repaired again without a leak"
    return Ending("competing", reason, work.opened_on, work.opened_at, order_id=work.order_id)


def _departures(cover: Cover) -> list[Ending]:
    """Ends known by their day alone: the engine left the vehicle, or the vehicle left service."""
    days = {
        "engine removed": cover.period.removed_on,
        "vehicle out of service": cover.vehicle.out_of_service_on,
    }
    return [
        Ending("competing", reason, on, datetime.combine(on, END_OF_DAY, UTC))
        for reason, on in days.items()
        if on is not None
    ]


def _is_before_end(look: Look, ending: Ending) -> bool:
    """Whether a look was taken before the episode ended; of a day known without its hour, all of it counts."""
    if ending.look is not None or ending.order_id:
        return look.at < ending.at
    return look.on <= ending.on


def _is_residue(look: Look, visit: Visit, rules: EpisodeRules) -> bool:
    """Whether a smell alone is still that of oil left from before the repair."""
    stretch = visit.stretch_to(look.km, look.error_km)
    days = (look.on - visit.done_on).days
    return is_residue(look.symptoms, days=days, km=stretch.km, error_km=stretch.error_km, rules=rules)
