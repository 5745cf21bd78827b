"""Whether a site, or a technician, is in trouble now: a control chart of comebacks."""

from datetime import timedelta

import numpy as np
import polars as pl

from models.measures.comeback_shares import WHOLE_WINDOW, window_used
from models.measures.pooled_model import fleet_model, with_age
from models.settings import EpisodeRules, FleetSettings, MeasureRules
from models.statistics.cusum import comeback_weights, cusum_path, in_control_threshold
from models.statistics.risk_table import Floats
from models.tables import conform
from models.tables.measures import Cusum

SEED = 20_240_607
"""Of the simulated run lengths: the same every run."""
LARGEST_RISK = 1.0 - 1e-9
"""A risk of 1 would make a comeback no evidence at all."""


def cusum(
    episodes: pl.DataFrame,
    engine_periods: pl.DataFrame,
    *,
    rules: MeasureRules,
    window: EpisodeRules,
    people: FleetSettings,
) -> pl.DataFrame:
    """Risk-adjusted CUSUM of comebacks of each site, repair by repair, and of each technician where that is agreed.

    A repair's risk is what the whole fleet's repairs of its engine family, by its method and engine age, lead one to
    expect over the part of the comeback window it was watched for. Repairs stand in the order they were made. A chart's
    threshold is simulated on its own site's risks. Sites and technicians with fewer than `min_episodes` repairs have
    no chart.

    Args:
        episodes: As `models.tables.ledger.Episodes`.
        engine_periods: As `models.tables.ledger.EnginePeriods`.
        rules: The worsening to be found, the run length without one, the least a chart may rest on.
        window: The comeback window.
        people: Whether technicians may be shown.

    Returns:
        As `models.tables.measures.Cusum`, sorted by its keys.
    """
    judged = with_risk(episodes, engine_periods, window=window)
    thresholds = {
        str(site): in_control_threshold(
            of_site["risk"].to_numpy(),
            run_length=rules.cusum_run_length,
            seed=SEED,
            odds_ratio=rules.cusum_odds_ratio,
        ).threshold
        for (site,), of_site in judged.group_by("site", maintain_order=True)
        if of_site.height >= rules.min_episodes
    }
    charts = [judged.with_columns(technician=pl.lit(""))]
    if people.show_technicians:
        charts.append(judged.filter(pl.col("technician").fill_null("") != ""))
    drawn = [
        _chart(repairs, threshold=thresholds[str(site)], odds_ratio=rules.cusum_odds_ratio)
        for chart in charts
        for (site, _), repairs in chart.group_by("site", "technician", maintain_order=True)
        if repairs.height >= rules.min_episodes and np.isfinite(thresholds[str(site)])
    ]
    if not drawn:
        return Cusum.create_empty()
    return conform(pl.concat(drawn), Cusum).sort(Cusum.primary_key())


def with_risk(episodes: pl.DataFrame, engine_periods: pl.DataFrame, *, window: EpisodeRules) -> pl.DataFrame:
    """Add whether each repair came back, `is_comeback`, and its risk of it, `risk`; in the order of the repairs.

    What came back could have done so over the whole window; what did not, for as long as it was watched.
    """
    was_releak = pl.col("status") == "re-leak"
    ordered = (
        with_age(episodes, engine_periods)
        .with_columns(is_comeback=was_releak & (window_used(window) <= WHOLE_WINDOW))
        .with_columns(
            used=pl.min_horizontal(window_used(window), WHOLE_WINDOW),
            status=pl.when(was_releak & ~pl.col("is_comeback")).then(pl.lit("censored")).otherwise("status"),
        )
        .sort("repaired_on", "vehicle_id", "episode_id")
    )
    exposed = ordered.select(pl.when("is_comeback").then(WHOLE_WINDOW).otherwise("used")).to_series()
    expected = fleet_model(ordered, "used").expected(exposed.to_numpy())
    risk: Floats = np.minimum(-np.expm1(-expected), LARGEST_RISK)
    known_on = pl.min_horizontal("ended_on", pl.col("repaired_on") + timedelta(days=window.comeback_days))
    return ordered.with_columns(risk=pl.Series(risk, dtype=pl.Float64), known_on=known_on)


def _chart(repairs: pl.DataFrame, *, threshold: float, odds_ratio: float) -> pl.DataFrame:
    """One chart: the sum after each repair, and since which repair's outcome a signal stands."""
    weights = comeback_weights(repairs["is_comeback"].to_numpy(), repairs["risk"].to_numpy(), odds_ratio=odds_ratio)
    path = cusum_path(weights, threshold)
    known_on = repairs["known_on"]
    since = [known_on[int(first)] if first >= 0 else None for first in path.standing_since]
    return repairs.with_columns(
        number=pl.Series(np.arange(1, len(repairs) + 1)),
        value=pl.Series(path.statistic),
        threshold=pl.lit(threshold),
        is_signal=pl.Series(path.is_signal),
        signalling_since=pl.Series(since, dtype=pl.Date),
    )
