"""Every threshold of the tool: its unit, default, bounds and the reason for the default.

Pure declarations; `pipelines.settings` reads the file a person edits into a `Settings`. Each published snapshot keeps
the settings that made it.
"""

from datetime import date
from typing import Annotated, Any
from zoneinfo import available_timezones

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from models.notes import NOTHING_ADDED, AddedLexicon


def _setting(default: Any, *, unit: str, reason: str, **bounds: Any) -> Any:
    """Declare one threshold."""
    return Field(default, description=reason, json_schema_extra={"unit": unit}, **bounds)


class _Section(BaseModel):
    """Frozen, and strict about keys: a misspelt threshold must not pass unseen."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def _known_zone(name: str) -> str:
    """Let only names of the tz database pass."""
    if name not in available_timezones():
        raise ValueError("a name of the tz database, such as 'UTC' or 'CET'")
    return name


_Horizons = Annotated[tuple[Annotated[float, Field(gt=0, le=10_000_000)], ...], Field(min_length=1)]


class FleetSettings(_Section):
    """What holds for the whole fleet."""

    zone: Annotated[str, AfterValidator(_known_zone)] = _setting(
        "UTC", unit="tz database name", reason="zone of files whose source map names none"
    )
    currency: str = _setting("EUR", unit="code", reason="all costs are taken to be in it", min_length=1, max_length=8)
    show_technicians: bool = _setting(
        False,
        unit="yes/no",
        reason="figures about people are for coaching: all are pseudonyms, and hidden, unless showing names is agreed",
    )
    pseudonym_key: str = _setting(
        "",
        unit="any words",
        reason="set your own, so that nobody finds a name by trying; never published",
        exclude=True,
    )


class OdometerRules(_Section):
    """How odometer readings become a curve."""

    max_km_per_day: float = _setting(
        1_500.0, unit="km/day", reason="a day and night of driving at highway speed", gt=0, le=5_000
    )
    rollover_at_km: float = _setting(
        1_000_000.0, unit="km", reason="six-digit instruments start again at zero", gt=0, le=10_000_000
    )
    min_readings_after_step: int = _setting(
        2, unit="readings", reason="one low reading is a typing error; two that agree are a new instrument", ge=1, le=10
    )


class EpisodeRules(_Section):
    """What opens, ends and joins episodes."""

    comeback_days: int = _setting(90, unit="days", reason="common practice in workshop warranty terms", ge=1, le=1_095)
    comeback_km: float = _setting(5_000.0, unit="km", reason="about 90 days of a busy van", gt=0, le=200_000)
    residue_days: int = _setting(7, unit="days", reason="oil left from the old leak burns off", ge=0, le=60)
    residue_km: float = _setting(
        300.0, unit="km", reason="a few heat cycles; look again at 100 to 500 km", ge=0, le=5_000
    )
    same_visit_days: int = _setting(
        2, unit="days", reason="orders re-opened within a visit are one repair", ge=0, le=30
    )
    same_visit_km: float = _setting(50.0, unit="km", reason="a road test and the way home", ge=0, le=1_000)
    planned_retightening_km: float = _setting(
        1_000.0, unit="km", reason="cork takes a set and is re-tightened once, as planned", ge=0, le=20_000
    )


class MeasureRules(_Section):
    """Horizons, interval level and the least a figure may rest on."""

    horizons_days: _Horizons = _setting((30.0, 90.0, 180.0, 365.0, 730.0), unit="days", reason="a month to two years")
    horizons_km: _Horizons = _setting(
        (5_000.0, 10_000.0, 25_000.0, 50_000.0), unit="km", reason="a quarter to two years of a van"
    )
    horizons_hours: _Horizons = _setting(
        (125.0, 250.0, 500.0, 1_000.0), unit="h", reason="engine hours of those distances at a mean of about 40 km/h"
    )
    restricted_mean_days: float = _setting(730.0, unit="days", reason="as far as most repairs are watched", gt=0)
    restricted_mean_km: float = _setting(50_000.0, unit="km", reason="as far as most repairs are watched", gt=0)
    restricted_mean_hours: float = _setting(1_000.0, unit="h", reason="as far as most repairs are watched", gt=0)
    difference_days: float = _setting(
        180.0, unit="days", reason="half a year: long enough to tell, short enough that most are watched", gt=0
    )
    difference_km: float = _setting(10_000.0, unit="km", reason="half a year of a busy van", gt=0)
    oil_window_days: int = _setting(
        730, unit="days", reason="top-ups are few: two years hold enough to compare", ge=30, le=3_650
    )
    difference_hours: float = _setting(250.0, unit="h", reason="engine hours of half a year of a busy van", gt=0)
    confidence: float = _setting(0.95, unit="1", reason="the usual level", ge=0.5, le=0.999)
    min_episodes: int = _setting(
        10, unit="episodes", reason="fewer episodes in the group are too few to say", ge=1, le=1_000
    )
    min_events: int = _setting(3, unit="re-leaks", reason="fewer is too few to say", ge=1, le=1_000)
    worthwhile_ratio: float = _setting(
        1.5, unit="1", reason="half as many re-leaks again: less is not worth a change of habit", gt=1, le=20
    )
    power: float = _setting(0.8, unit="1", reason="the usual chance of seeing what is there", ge=0.5, le=0.99)
    cusum_odds_ratio: float = _setting(
        2.0, unit="1", reason="odds of a comeback doubled: what a control chart of a site is set to find", gt=1, le=20
    )
    cusum_run_length: float = _setting(
        250.0,
        unit="repairs",
        reason="one false alarm in so many repairs: some years of a site's cover work",
        ge=20,
        le=10_000,
    )
    min_failed_share: float = _setting(
        0.2, unit="1", reason="a Weibull mean beyond the data is a guess", ge=0.0, le=1.0
    )

    def horizons(self, time_scale: str) -> tuple[float, ...]:
        """Horizons of a time scale, in its unit."""
        return {"days": self.horizons_days, "km": self.horizons_km, "hours": self.horizons_hours}[time_scale]

    def restricted_mean(self, time_scale: str) -> float:
        """Where the restricted mean of a time scale stops, in its unit."""
        ends = {"days": self.restricted_mean_days, "km": self.restricted_mean_km, "hours": self.restricted_mean_hours}
        return ends[time_scale]

    def difference(self, time_scale: str) -> float:
        """Where two ways of doing a repair are set against each other on a time scale, in its unit."""
        return {"days": self.difference_days, "km": self.difference_km, "hours": self.difference_hours}[time_scale]


class OilRules(_Section):
    """How top-ups become a rate."""

    full_fill_share: float = _setting(
        0.7, unit="of the sump", reason="so much oil at once is a change, which resets the level", gt=0, le=1
    )
    level_error_litres: float = _setting(
        0.4, unit="L", reason="between the marks of a dipstick lies about a litre", gt=0, le=10
    )
    shift_ratio: float = _setting(2.0, unit="1", reason="a doubled rate is beyond top-up habits", gt=1, le=20)


class FlagRules(_Section):
    """What makes a cover due for a look."""

    horizon_days: int = _setting(60, unit="days", reason="about two planning months", ge=1, le=730)
    smell_days: int = _setting(
        90,
        unit="days",
        reason="a smell that nobody reports again for a season says no more than the interval",
        ge=1,
        le=3_650,
    )
    seep_recheck_days: int = _setting(30, unit="days", reason="a class I seep is looked at again", ge=1, le=365)
    post_repair_check_days: int = _setting(30, unit="days", reason="after the first heat cycles", ge=1, le=365)
    post_repair_check_km: float = _setting(1_000.0, unit="km", reason="after the first heat cycles", gt=0, le=20_000)
    min_probability: float = _setting(
        0.10, unit="1", reason="one look in ten finds a leak: worth half a bay hour", gt=0, lt=1
    )
    min_releaks: int = _setting(
        10, unit="re-leaks", reason="a Weibull shape from fewer is a guess: more repairs are pooled", ge=3, le=1_000
    )
    watched_within_days: int = _setting(
        180, unit="days", reason="a vehicle without any record for so long cannot be planned", ge=1, le=3_650
    )


class PlanRules(_Section):
    """Capacity and costs of the weekly plan."""

    weeks: int = _setting(8, unit="weeks", reason="how far workshops book", ge=1, le=52)
    bay_hours_per_week: float = _setting(12.0, unit="h", reason="what a site can spare for covers", gt=0, le=10_000)
    site_bay_hours_per_week: dict[str, Annotated[float, Field(gt=0, le=10_000)]] = _setting(
        {}, unit="h", reason="sites that differ from the default"
    )
    inspection_hours: float = _setting(
        0.5, unit="h", reason="common practice: cover off the plugs, look, wipe", gt=0, le=24
    )
    repair_hours: float = _setting(
        2.0, unit="h", reason="in-line 1 to 3 h, two-bank 2.5 to 4 h; used where the family states none", gt=0, le=100
    )
    hour_cost: float = _setting(60.0, unit="currency/h", reason="a workshop hour; set your own", ge=0, le=10_000)
    unplanned_leak_cost: float = _setting(
        900.0,
        unit="currency",
        reason="recovery, a day off the road, coils and clutch spoilt by oil; set your own",
        ge=0,
    )
    planned_repair_cost: float = _setting(220.0, unit="currency", reason="parts and two hours; set your own", ge=0)
    chance_if_unknown: float = _setting(
        0.10, unit="1", reason="a rule alone, a smell too, counts as the least chance that raises a flag", ge=0, le=1
    )


class ChecksRules(_Section):
    """What in the data is surprising enough to say so; only `refused_share_blocks` stops a run."""

    min_rows: int = _setting(20, unit="rows", reason="a share of fewer rows says little", ge=1, le=1_000_000)
    loads_compared: int = _setting(
        5, unit="loads", reason="so many last loads of a source say what is usual", ge=2, le=100
    )
    recent_days: int = _setting(
        60, unit="days", reason="two monthly exports: shorter, and a holiday looks like a change", ge=7, le=730
    )
    volume_change_share: float = _setting(
        0.8, unit="1", reason="a fifth, or five times, of what is usual is no ordinary week", gt=0, lt=1
    )
    refused_share_warns: float = _setting(
        0.05, unit="1", reason="more than a few typing errors in a hundred rows", ge=0, le=1
    )
    refused_share_blocks: float = _setting(
        1.0, unit="1", reason="1 is never: a bad file does not hold up the good ones; lower it to stop", gt=0, le=1
    )
    unreadable_files_share: float = _setting(0.0, unit="1", reason="any such file is worth a look", ge=0, le=1)
    late_corrections_share: float = _setting(
        0.0, unit="1", reason="a correction that does not stand is worth a look", ge=0, le=1
    )
    held_share: float = _setting(
        0.02, unit="1", reason="a new vehicle or two ahead of the register, not a fleet renumbered", ge=0, le=1
    )
    odometer_missing_share: float = _setting(
        0.4, unit="1", reason="beyond it most distances are interpolated over months", ge=0, le=1
    )
    readings_set_aside_share: float = _setting(
        0.05, unit="1", reason="typing errors are a few in a hundred; more is a unit or an instrument", ge=0, le=1
    )
    new_values_share: float = _setting(
        0.1, unit="1", reason="a code or two is new in two months; a tenth is a renaming", ge=0, le=1
    )
    new_words_share: float = _setting(
        0.1, unit="1", reason="people write as they did; a tenth of new words is a new author or system", ge=0, le=1
    )
    unknown_words_share: float = _setting(
        0.6, unit="1", reason="a third is common in workshop English; most is another language", ge=0, le=1
    )
    families_unknown_share: float = _setting(
        0.0, unit="1", reason="without its reference an engine counts as having a single cover", ge=0, le=1
    )
    unwatched_vehicles_share: float = _setting(
        0.25, unit="1", reason="a repair is judged by what is written after it", ge=0, le=1
    )
    quiet_site_share: float = _setting(
        0.8, unit="1", reason="a fifth of its usual orders is a missing export, not a quiet spell", gt=0, le=1
    )
    early_month_share: float = _setting(
        0.7, unit="1", reason="days up to the 12th are two in five; more is a day read as a month", gt=0.4, le=1
    )
    one_day_share: float = _setting(
        0.2, unit="1", reason="a fifth of a file on one of many days is a date filled in by a system", gt=0, le=1
    )
    completed_early_share: float = _setting(
        0.01, unit="1", reason="an order is not completed before it is opened", ge=0, le=1
    )
    before_service_share: float = _setting(
        0.02, unit="1", reason="a vehicle is not worked on long before its first day", ge=0, le=1
    )
    unstated_methods_share: float = _setting(
        0.3, unit="1", reason="beyond it methods cannot be compared fairly", ge=0, le=1
    )


class Settings(_Section):
    """All thresholds of one home."""

    fleet: FleetSettings = FleetSettings()
    odometer: OdometerRules = OdometerRules()
    episodes: EpisodeRules = EpisodeRules()
    measures: MeasureRules = MeasureRules()
    oil: OilRules = OilRules()
    flags: FlagRules = FlagRules()
    plan: PlanRules = PlanRules()
    checks: ChecksRules = ChecksRules()
    lexicon: AddedLexicon = NOTHING_ADDED
    as_of: date | None = _setting(None, unit="day", reason="empty: today; the demo fixes its extract's day")
