"""Oil left from the old leak: it burns off in the first days after a repair, and its smell tells of no new leak."""

from collections.abc import Set

from models.settings import EpisodeRules

RESIDUE_SYMPTOMS = frozenset({"burning_smell", "smoke"})
"""What oil left from the old leak gives off while it burns away."""


def is_residue(symptoms: Set[str], *, days: int, km: float | None, error_km: float | None, rules: EpisodeRules) -> bool:
    """Whether symptoms alone are still those of oil left from before a repair.

    The window ends by its days or its kilometres, whichever come first; by its days alone where the kilometres are not
    known, or their error exceeds those of the window.

    Args:
        symptoms: What was said; anything beyond smell and smoke is more than oil burning off.
        days: Since the repair.
        km: Since the repair.
        error_km: How far off `km` may be.
        rules: The window.
    """
    if not symptoms or not symptoms <= RESIDUE_SYMPTOMS or days > rules.residue_days:
        return False
    is_sure = km is not None and error_km is not None and error_km <= rules.residue_km
    return not (is_sure and km is not None and km > rules.residue_km)
