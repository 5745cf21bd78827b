"""The invented coast: its sites, engine families and the true lives of cover joints.

Every place, code, part number and figure here is invented for the demonstration, except where a constant says
otherwise. Bolt layouts are plausible rings, not any maker's drawing.
"""

from dataclasses import dataclass
from datetime import date

EXTRACT_ON = date(2026, 6, 30)
"""Day the exports are taken; the demonstration's figures are true as of it."""
LATENT_DAYS = 790
"""Days simulated beyond the extract, so that outcomes at two years are known for the last repair as well."""
ZONE = "WET"
"""Western European time with summer time, named without a place."""


@dataclass(frozen=True)
class Site:
    """A workshop, how well and how it works, and how much it writes down."""

    name: str
    former_name: str
    renamed_on: date | None
    share: float
    workmanship: float
    skip_probability: float
    card_probability: float
    methods: dict[str, float]
    families: dict[str, float]


@dataclass(frozen=True)
class EngineFamily:
    """Engines that share a cover joint; `hazard` is how much harder the joint is than the plainest one."""

    code: str
    fuel: str
    cover_positions: tuple[str, ...]
    plug_tubes: bool
    bolts: int
    cover_mm: tuple[int, int]
    stage1_nm: float
    settle_min: int
    final_angle_deg: int
    sump_litres: float
    standard_hours: float
    hazard: float
    first_life_km: float
    is_cork: bool
    part_stem: str
    classes: tuple[str, ...]

    @property
    def layout(self) -> str:
        """Bolt centres as 'x,y;x,y;...' in mm from the cover's corner, evenly round the edge."""
        length, width = self.cover_mm
        step = 2 * (length + width) / self.bolts
        centres = (_on_edge(number * step, length, width) for number in range(self.bolts))
        return ";".join(f"{x:.0f},{y:.0f}" for x, y in centres)


def _on_edge(distance: float, length: float, width: float) -> tuple[float, float]:
    """Point at a distance along a rectangle's edge, from the corner at the origin."""
    if distance < length:
        return distance, 0.0
    if distance < length + width:
        return length, distance - length
    if distance < 2 * length + width:
        return 2 * length + width - distance, width
    return 0.0, 2 * (length + width) - distance


@dataclass(frozen=True)
class Life:
    """Two Weibull clocks, distance and age; the joint leaks at whichever runs out first."""

    shape_km: float
    scale_km: float
    shape_months: float
    scale_months: float


FAMILIES: dict[str, EngineFamily] = {
    family.code: family
    for family in (
        EngineFamily("PEL-16", "petrol", ("only",), True, 12, (410, 150), 8.0, 0, 0, 4.2, 1.4, 1.0, 190_000, False,
                     "PL16", ("small van", "car")),
        EngineFamily("PEL-20", "petrol", ("only",), True, 14, (440, 160), 8.0, 0, 45, 5.0, 1.6, 0.85, 210_000, False,
                     "PL20", ("small van", "pickup")),
        EngineFamily("ORD-62", "petrol", ("only",), True, 22, (610, 190), 7.0, 30, 90, 6.8, 2.6, 1.35, 150_000, False,
                     "OR62", ("pickup", "large van")),
        EngineFamily("GAN-V6", "petrol", ("left", "right"), True, 10, (360, 140), 9.0, 15, 60, 6.0, 3.4, 1.55, 140_000,
                     False, "GV6", ("pickup", "crew bus")),
        EngineFamily("STR-D22", "diesel", ("only",), False, 13, (430, 170), 9.0, 0, 0, 6.5, 1.5, 0.9, 230_000, False,
                     "SD22", ("large van", "crew bus")),
        EngineFamily("STR-D67", "diesel", ("only",), False, 18, (760, 210), 12.0, 20, 0, 17.5, 2.2, 1.15, 260_000, True,
                     "SD67", ("tipper", "lift truck")),
    )
}  # fmt: skip
"""Code to family. ORD-62's 7 N·m, 30 min and 90° are common practice for a 22-bolt cover."""

KM_PER_DAY = {
    "car": 48.0,
    "small van": 62.0,
    "large van": 74.0,
    "pickup": 55.0,
    "crew bus": 83.0,
    "tipper": 70.0,
    "lift truck": 44.0,
}
"""Median daily distance of a class."""
WEEKDAY_FACTORS = (1.25, 1.25, 1.25, 1.25, 1.2, 0.5, 0.3)
"""Share of the daily mean driven from Monday to Sunday; they average 1."""

METHODS = ("retightened", "external_sealant", "gasket", "gasket_and_seals", "gasket_seals_bolts", "cover_replaced")
REFITTED = "refitted"
"""Old gasket put back after other work; written records can only call it `unstated`."""

LIVES: dict[str, Life] = {
    "retightened": Life(0.95, 68_000.0, 1.1, 140.0),
    "external_sealant": Life(1.0, 78_000.0, 1.1, 125.0),
    "gasket": Life(1.2, 195_000.0, 1.3, 170.0),
    "gasket_and_seals": Life(1.4, 215_000.0, 1.5, 200.0),
    "gasket_seals_bolts": Life(1.6, 330_000.0, 1.6, 300.0),
    "cover_replaced": Life(1.5, 320_000.0, 1.5, 300.0),
    REFITTED: Life(1.0, 115_000.0, 1.1, 180.0),
}
"""Method to the life it gives the plainest joint, worked well."""
FIRST_LIFE_SHAPE_KM = 2.2
FIRST_LIFE_SHAPE_MONTHS = 2.6
FIRST_LIFE_MONTHS = 190.0
FRAILTY_SIGMA = 0.25
"""Spread of the vehicles' own log hazard."""

STEP_HAZARDS = {
    "old_bolts": 1.25,
    "no_settle_wait": 1.35,
    "no_final_angle": 1.3,
    "sequence": 1.4,
    "faces_not_cleaned": 1.6,
    "ventilation": 1.25,
}
"""Skipped job step to how much oftener the joint leaks for it."""
NEW_BOLTS_PROBABILITY = 0.25
"""Bolts are renewed with the gasket alone about one time in four."""

_PLAIN_MIX = {"PEL-16": 0.24, "PEL-20": 0.2, "ORD-62": 0.12, "GAN-V6": 0.1, "STR-D22": 0.2, "STR-D67": 0.14}
_HARD_MIX = {"PEL-16": 0.1, "PEL-20": 0.1, "ORD-62": 0.3, "GAN-V6": 0.28, "STR-D22": 0.1, "STR-D67": 0.12}
SITES: tuple[Site, ...] = (
    Site("Quillmouth", "Quillmouth", None, 0.3, 1.0, 0.16, 0.35,
         dict(zip(METHODS, (0.14, 0.1, 0.34, 0.2, 0.15, 0.07), strict=True)), _PLAIN_MIX),
    Site("Port Eddering", "Eddering Depot", date(2023, 9, 1), 0.26, 0.95, 0.12, 0.7,
         dict(zip(METHODS, (0.12, 0.08, 0.28, 0.24, 0.2, 0.08), strict=True)), _PLAIN_MIX),
    Site("Sarnholt", "Sarnholt", None, 0.24, 1.6, 0.32, 0.4,
         dict(zip(METHODS, (0.2, 0.16, 0.32, 0.17, 0.1, 0.05), strict=True)), _PLAIN_MIX),
    Site("Fennigar", "Fennigar", None, 0.2, 0.9, 0.1, 0.6,
         dict(zip(METHODS, (0.09, 0.06, 0.2, 0.25, 0.31, 0.09), strict=True)), _HARD_MIX),
)  # fmt: skip
"""Sarnholt works worse; Fennigar works well and is sent the harder engines."""
FAMILY_METHOD_FACTORS: dict[str, dict[str, float]] = {
    "GAN-V6": {"gasket_seals_bolts": 1.5, "retightened": 0.8},
    "ORD-62": {"gasket_seals_bolts": 1.4, "cover_replaced": 1.3},
    "STR-D67": {"retightened": 1.8, "external_sealant": 1.3},
    "STR-D22": {"cover_replaced": 1.6},
}
"""Families steer the choice of method as well, so that a crude comparison of methods is confounded."""
