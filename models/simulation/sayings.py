"""What people choose to write about a cover or anything else that leaks: meanings, drawn; their words come later."""

from models.simulation.chance import Chance
from models.simulation.events import Mention

FRESH_DAYS = 120
"""So long after a repair, people look on purpose and write that it is dry."""
_OTHER_OIL = (
    "sump gasket", "sump plug", "rear main seal", "front crank seal", "timing cover", "oil filter housing",
    "turbo oil drain", "gearbox", "transfer box", "rear axle cover", "diff pinion seal", "oil cooler",
    "oil pressure switch", "side tappet cover", "vacuum pump", "oil filter",
)  # fmt: skip
_OTHER_FLUIDS = ("coolant", "fuel", "hydraulic", "screenwash", "brake fluid")
Said = tuple[str, str, str]
"""Cover position, component and leak class."""


def symptom(kind: str) -> Mention:
    """Mention a symptom alone: it says that something may leak, not what."""
    return Mention("none", "uncertain", "", "", "symptom", kind)


def other_leak(polarity: str, chance: Chance) -> Mention:
    """Mention another oil leak, present or absent."""
    return Mention("other_oil_leak", polarity, "", "", "plain", chance.pick(_OTHER_OIL))


def other_fluid(polarity: str, chance: Chance) -> Mention:
    """Mention another fluid, present or absent."""
    return Mention("other_fluid", polarity, "", "", "plain", chance.pick(_OTHER_FLUIDS))


def other_mentions(chance: Chance) -> list[Mention]:
    """Draw what else an inspection writes about leaks: mostly nothing."""
    chosen = chance.unit()
    polarity = "present" if chance.happens(0.75) else "absent"
    if chosen < 0.05:
        return [other_leak(polarity, chance)]
    if chosen < 0.09:
        return [other_fluid(polarity, chance)]
    if chosen < 0.1:
        return [other_leak("present", chance), other_fluid(polarity, chance)]
    if chosen < 0.106:
        return [symptom(chance.pick(("burning smell", "smoke", "misfire", "low oil")))]
    return []


def drawn_look(position: str, days_since_repair: int | None, has_seals: bool, chance: Chance) -> Mention | None:
    """Draw what is written about a cover on which no leak was seen: dry, cured, in doubt, or nothing."""
    is_fresh = days_since_repair is not None and days_since_repair <= FRESH_DAYS
    chosen = chance.unit()
    component = "plug_tube_seal" if has_seals and chance.happens(0.2) else "cover_gasket"
    if days_since_repair is not None and chosen < (0.2 if is_fresh else 0.05):
        return Mention("cover_gasket", "resolved", position)
    if chosen < (0.6 if is_fresh else 0.14):
        form = "refuted" if chance.happens(0.12) else "plain"
        return Mention(component, "absent", position, "", form)
    if chosen > 0.985:
        return Mention(component, "uncertain", position, "", "damage" if chance.happens(0.35) else "plain")
    return None


def drawn_complaint(said: list[Said], *, is_plain: bool, chance: Chance) -> list[Mention]:
    """Draw the complaint of a repair order; a plain one names each leaking cover."""
    chosen = 0.0 if is_plain else chance.unit()
    if chosen < 0.66:
        form = chance.pick(("plain", "class", "class"))
        return [Mention(component, "present", position, leak_class, form) for position, component, leak_class in said]
    if chosen < 0.76:
        return [Mention("other_oil_leak", "present", "", "", "unplaced")]
    if chosen < 0.84:
        return [symptom(chance.pick(("burning smell", "smoke", "low oil")))]
    if chosen < 0.9:
        return [Mention(said[0][1], "uncertain", said[0][0])]
    return []


def drawn_findings(said: list[Said], chance: Chance) -> list[Mention]:
    """Draw what the work done of a repair order says was found."""
    if not chance.happens(0.3):
        return []
    return [Mention(component, "present", position, leak_class, "class") for position, component, leak_class in said]
