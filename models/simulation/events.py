"""What happened and what was written about it, as the simulator knows it: days, covers and meanings, no words yet."""

from dataclasses import dataclass, field

NO_CLASS = ""
CLASS_WORDS = ("", "I", "II", "III")
"""Leak class by number; 0 is dry."""


@dataclass(slots=True, frozen=True)
class Mention:
    """One statement somebody wrote.

    `form` chooses the kind of wording: plain, again, class, refuted, damage, symptom, or unplaced. `position` is ''
    where no side of a two-bank engine is named. `place` is the other leak's place, or the symptom.
    """

    component: str
    polarity: str
    position: str = "only"
    leak_class: str = NO_CLASS
    form: str = "plain"
    place: str = ""

    @property
    def is_wet_look(self) -> bool:
        """Whether it says that a cover leaks."""
        return self.polarity == "present" and self.component in ("cover_gasket", "plug_tube_seal")

    @property
    def is_oil_unplaced(self) -> bool:
        """Whether it says that the engine leaks oil without saying where."""
        return self.form == "unplaced" and self.polarity == "present"


@dataclass(slots=True)
class Note:
    """An inspection note."""

    day: int
    site: int
    mentions: list[Mention]
    record_id: str = ""


@dataclass(slots=True)
class Order:
    """A work order. `work` is what it did to covers: repair, cover_off, engine_out or none.

    `completed` is the written day; None where nobody wrote it. `task` names the job for the words.
    """

    opened: int
    completed: int | None
    site: int
    task: str
    work: str = "none"
    positions: tuple[str, ...] = ()
    method: str = ""
    complaint: list[Mention] = field(default_factory=list)
    findings: list[Mention] = field(default_factory=list)
    has_new_bolts: bool = False
    is_ventilation_serviced: bool = False
    is_faces_machined: bool = False
    is_vague: bool = False
    record_id: str = ""

    @property
    def finished(self) -> int:
        """Day of time zero: completion, or opening where that is missing."""
        return self.opened if self.completed is None else self.completed


@dataclass(slots=True)
class Renewal:
    """What one order did to one cover, and the life the joint drew from it."""

    order: Order
    position: str
    engine_id: str
    method: str
    occasion: str
    hazard: float
    skipped: tuple[str, ...]
    is_card_returned: bool
    leak_day: int | None
    leak_km: float | None


@dataclass(slots=True)
class Swap:
    """An engine taken out for good, and the one put in."""

    removed: int
    fitted: int


@dataclass(slots=True)
class History:
    """Everything that happened to one vehicle's covers, to the end of the latent future."""

    notes: list[Note] = field(default_factory=list)
    orders: list[Order] = field(default_factory=list)
    renewals: list[Renewal] = field(default_factory=list)
    swaps: list[Swap] = field(default_factory=list)
    leaks: list[tuple[int, int, float]] = field(default_factory=list)
    """Leaks as (first day, first day repaired, litres per 1,000 km at class I)."""
