"""The first page: what this is, the headline numbers, and where each question is answered."""

from typing import Any

import polars as pl

from dashboards.snapshot import Snapshot
from dashboards.wording import TOO_FEW, counted, decimal, interval_words, percent, percent_range, whole

HEADLINE_HORIZON_DAYS = 365.0


def contents(snapshot: Snapshot) -> dict[str, Any]:
    """Read the headline numbers."""
    rules = snapshot.settings.episodes
    counts = snapshot.select("count_headlines", as_of=snapshot.as_of, comeback_days=rules.comeback_days).row(
        0, named=True
    )
    return {
        "headlines_shown": [
            (whole(counts["vehicles"]), "vehicles", "whose records were joined"),
            (whole(counts["repairs"]), "cover repairs followed", f"{counted(counts['releaks'], 're-leak')} among them"),
            _yearly_recurrence(snapshot),
            (
                whole(counts["recent_comebacks"]),
                "comebacks lately",
                f"in the last {rules.comeback_days} days; {whole(counts['comebacks'])} in all",
            ),
            (whole(counts["flags"]), "covers due for a look", f"{whole(counts['urgent_flags'])} of them at once"),
            (f"{decimal(counts['planned_hours'])} h", "bay hours planned", f"{whole(counts['waiting'])} covers wait"),
        ],
        "urgent_count": counts["urgent_flags"],
        "rows_read": whole(counts["rows_read"]),
        "rows_refused": whole(counts["rows_refused"]),
        "comeback_days": rules.comeback_days,
        "comeback_km": whole(rules.comeback_km),
    }


def _yearly_recurrence(snapshot: Snapshot) -> tuple[str, str, str]:
    """The fleet's recurrence a year after the repair, with its interval."""
    label = f"leaked again within {HEADLINE_HORIZON_DAYS:.0f} days"
    fleet = snapshot.table("recurrence").filter(
        pl.all_horizontal(pl.col("engine_family", "repair_method", "site") == ""),
        pl.col("time_scale") == "days",
        pl.col("horizon") == HEADLINE_HORIZON_DAYS,
    )
    if fleet.is_empty() or fleet["rate"][0] is None:
        return "–", label, TOO_FEW
    row = fleet.row(0, named=True)
    level = interval_words(snapshot.settings.measures.confidence)
    return percent(row["rate"]), label, f"{level} {percent_range(row['low'], row['high'])}"
