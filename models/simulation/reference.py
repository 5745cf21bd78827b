"""The reference file of the engine families."""

from models.simulation.mistakes import Record
from models.simulation.parts import bolt_part, gasket_part, seal_part
from models.simulation.world import FAMILIES, EngineFamily


def family_records() -> list[Record]:
    """Return a canonical row for each engine family."""
    return [_record(family) for family in FAMILIES.values()]


def _record(family: EngineFamily) -> Record:
    return {
        "engine_family": family.code,
        "cover_positions": ";".join(family.cover_positions),
        "fuel": family.fuel,
        "plug_tubes": family.plug_tubes,
        "bolts": family.bolts,
        "layout": family.layout,
        "stage1_nm": family.stage1_nm,
        "settle_min": family.settle_min,
        "final_angle_deg": family.final_angle_deg,
        "sump_litres": family.sump_litres,
        "gasket_part": gasket_part(family),
        "seal_part": seal_part(family),
        "bolt_part": bolt_part(family),
        "standard_hours": family.standard_hours,
    }
