"""Parts and costs of work on covers, under invented part numbers."""

from models.simulation.chance import Chance
from models.simulation.events import Order
from models.simulation.joints import SEAL_METHODS
from models.simulation.world import EngineFamily

HOUR_COST = 60.0
Part = tuple[str, float]
"""What the stores book it as, and its price."""


def gasket_part(family: EngineFamily) -> str:
    """Return the cover gasket's part number."""
    return f"{family.part_stem}-G01"


def seal_part(family: EngineFamily) -> str:
    """Return the plug-tube seal set's part number; '' where there are no plug tubes."""
    return f"{family.part_stem}-S04" if family.plug_tubes else ""


def bolt_part(family: EngineFamily) -> str:
    """Return the bolt set's part number."""
    return f"{family.part_stem}-B22"


def parts_of(order: Order, family: EngineFamily, chance: Chance) -> list[Part]:
    """List what the stores issued to an order on covers; not every clerk books it."""
    covers = len(order.positions)
    if order.is_vague or order.task in ("planned retightening", "declined") or chance.happens(0.12):
        return []
    if order.method == "external_sealant":
        return [("RTV sealant tube", 11.5)]
    found: list[Part] = []
    if order.method == "cover_replaced":
        found.append(
            (f"{family.part_stem}-C10 {chance.pick(('rocker cover', 'cover assy', 'valve cover'))}", 148.0 * covers)
        )
    if order.method in ("gasket", "cover_replaced", *SEAL_METHODS):
        words = chance.pick(("cover gasket", "gasket", "rocker cover gasket", "RKR CVR GSKT", "V/C gasket"))
        found.append((f"{gasket_part(family)} {words}", 31.0 * covers))
    if order.method in SEAL_METHODS:
        found.append(
            (
                f"{seal_part(family)} {chance.pick(('plug tube seal set', 'tube seals', 'plug-well seals'))}",
                22.0 * covers,
            )
        )
    if order.has_new_bolts:
        found.append(
            (f"{bolt_part(family)} {chance.pick(('bolt set', 'cover bolts', 'bolts + grommets'))}", 19.0 * covers)
        )
    return found


def hours_of(order: Order, family: EngineFamily, chance: Chance) -> float:
    """Draw the hours booked."""
    spread = 0.7 + 0.7 * chance.unit()
    if order.work == "engine_out":
        return round(14.0 * spread, 1)
    if order.work == "none":
        return round(0.4 + 2.2 * chance.unit(), 1)
    share = {"retightened": 0.35, "external_sealant": 0.4}.get(order.method, 1.0)
    extra = 5.0 if order.work == "cover_off" else 0.0
    return round((family.standard_hours * share * (0.6 + 0.4 * len(order.positions)) + extra) * spread, 1)
