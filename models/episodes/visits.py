"""Orders to repairs: one visit to a joint is one repair, however many orders it took."""

from dataclasses import dataclass
from datetime import date, datetime

from models.episodes.facts import Cover, Look, Work
from models.settings import EpisodeRules
from models.tables.ledger import REPAIR_METHODS

PLANNED_RETIGHTENING_DAYS = 30
"""Used where the kilometres are not known: a post-repair check falls due at 30 days or 1,000 km."""

_COMPLETENESS = {method: rank for rank, method in enumerate(("unstated", *REPAIR_METHODS[:-1]))}


@dataclass(frozen=True, slots=True)
class Stretch:
    """Kilometres from a repair to what came later, give or take an error; none where the curve does not say."""

    km: float | None
    error_km: float

    def is_known_within(self, limit_km: float) -> bool:
        """Whether the curve is sure enough to compare with a limit."""
        return self.km is not None and self.error_km <= limit_km

    def is_beyond(self, limit_km: float) -> bool:
        """Whether a limit was passed, by an estimate sure enough or by more than any error."""
        doubt_km = 0.0 if self.is_known_within(limit_km) else self.error_km
        return self.km is not None and self.km - doubt_km > limit_km


@dataclass(frozen=True, slots=True)
class Visit:
    """The work of one visit to a joint, from the first completion to the last opening."""

    works: tuple[Work, ...]

    @property
    def first(self) -> Work:
        """The order that gives the repair its number and its site."""
        return self.works[0]

    @property
    def first_done(self) -> Work:
        """The order whose completion is time zero."""
        return min(self.works, key=lambda work: (work.done_at, work.order_id))

    @property
    def is_opening(self) -> bool:
        """Whether it leaves a joint renewed, re-tightened or disturbed, and so begins an episode."""
        return self.first.work != "engine_out"

    @property
    def done_on(self) -> date:
        """Day of time zero."""
        return self.first_done.done_on

    @property
    def done_at(self) -> datetime:
        """Time zero: the first completion."""
        return self.first_done.done_at

    def stretch_to(self, km: float | None, error_km: float | None) -> Stretch:
        """Kilometres from time zero to a point of the curve."""
        start = self.first_done
        if km is None or error_km is None or start.done_km is None or start.done_error_km is None:
            return Stretch(None, 0.0)
        return Stretch(km - start.done_km, error_km + start.done_error_km)

    @property
    def settled_on(self) -> date:
        """Day the visit ended; what is dated up to it belongs before the episode."""
        return max(self.done_on, *(work.opened_on for work in self.works))

    @property
    def repair_method(self) -> str:
        """The more complete of its orders' methods."""
        return max((work.repair_method for work in self.works), key=_COMPLETENESS.__getitem__)

    @property
    def occasion(self) -> str:
        """`leak` if any of its orders was for a leak, else the first order's."""
        occasions = [work.occasion for work in self.works]
        return "leak" if "leak" in occasions else occasions[0]


def visits_to(cover: Cover, *, rules: EpisodeRules) -> list[Visit]:
    """Fold the orders on a cover into visits, in order of opening, and leave planned re-tightenings out."""
    visits: list[Visit] = []
    for work in cover.works:
        if visits and _is_same_visit(visits[-1], work, cover.looks, rules):
            visits[-1] = _joined(visits[-1], work)
        else:
            visits.append(Visit((work,)))
    kept: list[Visit] = []
    for visit in visits:
        if not (kept and _is_planned_retightening(kept[-1], visit, cover.looks, rules)):
            kept.append(visit)
    return kept


def _joined(visit: Visit, work: Work) -> Visit:
    """Add an order to a visit; where the joint was repaired, taking the cover off was part of the repair."""
    works = (*visit.works, work)
    repairs = tuple(work for work in works if work.work == "repair")
    return Visit(repairs or works)


def looks_between(looks: tuple[Look, ...], after: date, until: date) -> list[Look]:
    """Looks dated after one day and up to another."""
    return [look for look in looks if after < look.on <= until]


def _is_same_visit(visit: Visit, work: Work, looks: tuple[Look, ...], rules: EpisodeRules) -> bool:
    """Whether an order goes on with a visit: days and kilometres from its first completion, and no wet look between."""
    if not visit.is_opening or work.work == "engine_out":
        return False
    if (work.opened_on - visit.done_on).days > rules.same_visit_days:
        return False
    if visit.stretch_to(work.opened_km, work.opened_error_km).is_beyond(rules.same_visit_km):
        return False
    own = {earlier.order_id for earlier in visit.works} | {work.order_id}
    return not any(
        look.is_wet and look.origin_id not in own for look in looks_between(looks, visit.done_on, work.opened_on)
    )


def _is_planned_retightening(repair: Visit, visit: Visit, looks: tuple[Look, ...], rules: EpisodeRules) -> bool:
    """Whether a visit is the re-tightening that belongs to the repair before it: soon, and no oil mentioned."""
    work = visit.first
    if not repair.is_opening or visit.repair_method != "retightened" or visit.occasion == "leak":
        return False
    if work.has_oil_complaint or any(look.is_wet for look in looks_between(looks, repair.settled_on, visit.done_on)):
        return False
    stretch, limit_km = repair.stretch_to(work.opened_km, work.opened_error_km), rules.planned_retightening_km
    if stretch.is_beyond(limit_km):
        return False
    return stretch.is_known_within(limit_km) or (work.opened_on - repair.done_on).days <= PLANNED_RETIGHTENING_DAYS
