"""Comparing: which repairs last, on which engines, and whether one site's work is really worse."""

from typing import Any

from dashboards.pages.comparing.ageing import ageing_section
from dashboards.pages.comparing.bolts import bolts_section
from dashboards.pages.comparing.control_charts import control_charts
from dashboards.pages.comparing.curves import curve_choices
from dashboards.pages.comparing.effects import method_choices, step_choices, why_bolts_differ
from dashboards.pages.comparing.means import mean_choices, means_with_rates
from dashboards.pages.comparing.recurring import recurrence_choices
from dashboards.pages.comparing.selecting import hours_known, options
from dashboards.pages.comparing.sites import sites_section
from dashboards.pages.comparing.timing import timing_choices, two_shares
from dashboards.snapshot import Snapshot
from dashboards.wording import interval_words, whole


def contents(snapshot: Snapshot) -> dict[str, Any]:
    """Read the measures and lay them out for every selection."""
    rules = snapshot.settings.measures
    level = interval_words(rules.confidence)
    recurrence, means = snapshot.table("recurrence"), means_with_rates(snapshot)
    bolt_worth = snapshot.table("bolt_worth")
    step_effects, timing_curve = snapshot.table("step_effects"), snapshot.table("leak_timing_curve")
    return {
        "options": options(recurrence),
        "hours_known": hours_known(snapshot),
        "bolts": bolts_section(snapshot, bolt_worth),
        "recurrence_by_method": recurrence_choices(recurrence, "repair_method", level=level),
        "recurrence_by_family": recurrence_choices(recurrence, "engine_family", level=level),
        "curves": curve_choices(snapshot.table("recurrence_curve"), recurrence, level=level),
        "means_by_method": mean_choices(means, "repair_method", level=level),
        "means_by_family": mean_choices(means, "engine_family", level=level),
        "method_effects": method_choices(snapshot.table("method_effects"), level=level),
        "step_effects": step_choices(step_effects, level=level),
        "bolts_differ": why_bolts_differ(bolt_worth, step_effects, worthwhile_ratio=rules.worthwhile_ratio),
        "timing": timing_choices(
            timing_curve,
            snapshot.table("leak_timing"),
            horizons=rules.horizons_days,
            level=level,
        ),
        "two_shares": two_shares(timing_curve, recurrence),
        "ageing": ageing_section(snapshot, level=level),
        "control_charts": control_charts(snapshot),
        "comeback_days": snapshot.settings.episodes.comeback_days,
        "comeback_km": whole(snapshot.settings.episodes.comeback_km),
        "sites": sites_section(snapshot, level=level),
        "min_episodes": rules.min_episodes,
        "min_events": rules.min_events,
    }
