"""How long a cover joint lasts: two Weibull clocks under a hazard multiplier."""

import math

from models.simulation.chance import Chance
from models.simulation.world import (
    FAMILY_METHOD_FACTORS,
    FIRST_LIFE_MONTHS,
    FIRST_LIFE_SHAPE_KM,
    FIRST_LIFE_SHAPE_MONTHS,
    LIVES,
    METHODS,
    NEW_BOLTS_PROBABILITY,
    STEP_HAZARDS,
    EngineFamily,
    Life,
    Site,
)

SEAL_METHODS = ("gasket_and_seals", "gasket_seals_bolts")


def first_life(family: EngineFamily) -> Life:
    """Return the life of the joint as the engine was built."""
    return Life(FIRST_LIFE_SHAPE_KM, family.first_life_km, FIRST_LIFE_SHAPE_MONTHS, FIRST_LIFE_MONTHS)


def remaining_life(
    life: Life, *, hazard: float, km_run: float, months_run: float, chance: Chance
) -> tuple[float, float]:
    """Draw what is left on both clocks of a joint that has been dry so far.

    The conditional Weibull: each clock's cumulative hazard since new grows by an exponential draw over `hazard`.

    Returns:
        Kilometres and months from now; the joint leaks at whichever comes first.
    """
    km = _left(life.shape_km, life.scale_km, km_run, chance.exponential(1.0) / hazard)
    months = _left(life.shape_months, life.scale_months, months_run, chance.exponential(1.0) / hazard)
    return km, months


def _left(shape: float, scale: float, run: float, added: float) -> float:
    return float(scale * ((run / scale) ** shape + added) ** (1.0 / shape) - run)


def draw_method(site: Site, family: EngineFamily, chance: Chance) -> str:
    """Choose a repair method as that site would on that family; without plug tubes there are no seals to renew."""
    factors = FAMILY_METHOD_FACTORS.get(family.code, {})
    weights = {method: weight * factors.get(method, 1.0) for method, weight in site.methods.items()}
    if not family.plug_tubes:
        weights["gasket"] += sum(weights.pop(method) for method in SEAL_METHODS)
    return chance.weighted(weights)


def draws_new_bolts(method: str, chance: Chance) -> bool:
    """Say whether the bolts were renewed."""
    if method in ("gasket", "cover_replaced"):
        return chance.happens(NEW_BOLTS_PROBABILITY)
    return method == "gasket_seals_bolts"


def draw_skipped_steps(
    method: str, *, has_new_bolts: bool, site: Site, family: EngineFamily, chance: Chance
) -> tuple[str, ...]:
    """Draw which of the steps that the method calls for were skipped."""
    return tuple(
        step
        for step in steps_of(method, family)
        if (not has_new_bolts if step == "old_bolts" else chance.happens(site.skip_probability))
    )


def steps_of(method: str, family: EngineFamily) -> tuple[str, ...]:
    """Name the steps that can be skipped: no joint is cleaned or settles where the cover stays on."""
    if method not in METHODS or method == "external_sealant":
        return ()
    tightening = ["sequence"]
    if family.settle_min:
        tightening.append("no_settle_wait")
    if family.final_angle_deg:
        tightening.append("no_final_angle")
    if method == "retightened":
        return tuple(tightening)
    return ("old_bolts", "faces_not_cleaned", *tightening, "ventilation")


def hazard_multiplier(skipped: tuple[str, ...], *, site: Site, family: EngineFamily, frailty: float) -> float:
    """Multiply what makes this joint leak oftener than the plainest one, worked well."""
    return math.prod(STEP_HAZARDS[step] for step in skipped) * site.workmanship * family.hazard * frailty


def life_after(method: str) -> Life:
    """Return the life a method gives the plainest joint."""
    return LIVES[method]
