"""The figures: one row per group, measure and horizon, each with its interval and what it was made from.

A figure that would rest on too few episodes is null, with the reason beside it.
"""

import dataframely as dy

from models.tables.columns import count, day, flag, group, key, one_of, quantity, reference, share, words
from models.tables.ledger import REPAIR_METHODS

TIME_SCALES = ("days", "km", "hours")
"""What time since a repair is counted in: days, kilometres, engine hours."""
JOB_STEPS = (
    "old_bolts",
    "seals_not_renewed",
    "faces_not_cleaned",
    "ventilation_not_checked",
    "sequence_not_followed",
    "no_settle_wait",
    "no_final_angle",
    "no_run_up_check",
)
"""Steps of the cover job that a job card tells of, named by what skipping them is."""
STEP_LEVELS = ("skipped", "not recorded")
LEAK_CLOCKS = ("detection", "leak")
"""What is timed: the finding of a leak, or its beginning, known only to lie between two looks."""
COMEBACK_ATTRIBUTES = ("repair_method", "engine_family", "site", "occasion", "has_new_bolts", "is_ventilation_serviced")
"""Columns of the episodes that comebacks are counted by."""


class _Grouped(dy.Schema):
    """The group a figure is for."""

    engine_family = group("engine family")
    repair_method = group("repair method")
    site = group("site of the repair")
    time_scale = one_of(TIME_SCALES, "days, kilometres or engine hours since the repair", primary_key=True)


class Recurrence(_Grouped):
    """Cumulative incidence of re-leak by a horizon (Aalen-Johansen), interval clustered by vehicle."""

    horizon = dy.Float64(primary_key=True, min=0.0, description="days, km or hours since the repair")
    rate = share("cumulative incidence of re-leak", nullable=True)
    low = share("lower 95% limit", nullable=True)
    high = share("upper 95% limit", nullable=True)
    standard_error = quantity("1", "standard error, clustered by vehicle", nullable=True)
    n = count("episodes")
    events = count("re-leaks by the horizon")
    competing = count("competing ends by the horizon")
    at_risk = count("episodes still watched at the horizon")
    reason = words("why there is no rate")


class TimeToReleak(_Grouped):
    """Restricted mean, Weibull mean, median and B10 of the time to re-leak, competing ends censored."""

    horizon = dy.Float64(primary_key=True, min=0.0, description="days, km or hours the restricted mean runs to")
    restricted_mean = quantity("days, km or hours", "restricted mean to the horizon", nullable=True)
    low = quantity("days, km or hours", "lower 95% limit", nullable=True)
    high = quantity("days, km or hours", "upper 95% limit", nullable=True)
    weibull_mean = quantity("days, km or hours", "mean of the fitted Weibull", nullable=True)
    weibull_low = quantity("days, km or hours", "lower 95% limit", nullable=True)
    weibull_high = quantity("days, km or hours", "upper 95% limit", nullable=True)
    weibull_shape = quantity("1", "Weibull shape", nullable=True)
    weibull_scale = quantity("days, km or hours", "Weibull scale", nullable=True)
    plain_mean_of_failed = quantity("days, km or hours", "average of the failed only: biased low", nullable=True)
    median = quantity("days, km or hours", "time by which half leak again", nullable=True)
    median_low = quantity("days, km or hours", "lower 95% limit", nullable=True)
    median_high = quantity("days, km or hours", "upper 95% limit", nullable=True)
    b10 = quantity("days, km or hours", "time by which one in ten leaks again", nullable=True)
    b10_low = quantity("days, km or hours", "lower 95% limit", nullable=True)
    b10_high = quantity("days, km or hours", "upper 95% limit", nullable=True)
    n = count("episodes")
    events = count("re-leaks")
    exposure = quantity("days, km or hours", "time watched")
    reason = words("why a figure is missing")


class RecurrenceCurve(_Grouped):
    """Points of the recurrence and leak-free curves, thinned for drawing."""

    time = dy.Float64(primary_key=True, min=0.0, description="days, km or hours since the repair")
    recurrence = share("cumulative incidence of re-leak")
    recurrence_low = share("lower 95% limit", nullable=True)
    recurrence_high = share("upper 95% limit", nullable=True)
    leak_free = share("Kaplan-Meier leak-free share")
    leak_free_low = share("lower 95% limit", nullable=True)
    leak_free_high = share("upper 95% limit", nullable=True)
    at_risk = count("episodes still watched")


class LeakRates(_Grouped):
    """Re-leaks per exposure, interval clustered by vehicle; beside it the exact Poisson (Garwood) one."""

    events = count("re-leaks")
    exposure = quantity("vehicle-years, 100,000 km or 1,000 hours", "time watched")
    rate = quantity("per vehicle-year, 100,000 km or 1,000 hours", "rate", nullable=True)
    low = quantity(
        "per vehicle-year, 100,000 km or 1,000 hours", "lower 95% limit, clustered by vehicle", nullable=True
    )
    high = quantity(
        "per vehicle-year, 100,000 km or 1,000 hours", "upper 95% limit, clustered by vehicle", nullable=True
    )
    exact_low = quantity(
        "per vehicle-year, 100,000 km or 1,000 hours", "lower limit, each re-leak for itself", nullable=True
    )
    exact_high = quantity(
        "per vehicle-year, 100,000 km or 1,000 hours", "upper limit, each re-leak for itself", nullable=True
    )
    n = count("episodes")
    reason = words("why there is no rate")


class SiteComparison(dy.Schema):
    """Observed against expected re-leaks of a site, given its engines, their age, its methods and the time watched."""

    site = dy.String(primary_key=True, min_length=1, description="site of the repair")
    time_scale = one_of(TIME_SCALES, "days, kilometres or engine hours since the repair", primary_key=True)
    n = count("episodes")
    observed = count("re-leaks seen")
    expected = quantity("re-leaks", "expected from the pooled fleet model")
    ratio = quantity("1", "observed over expected", nullable=True)
    low = quantity("1", "lower 95% limit, clustered by vehicle", nullable=True)
    high = quantity("1", "upper 95% limit, clustered by vehicle", nullable=True)
    exact_low = quantity("1", "lower exact limit, each re-leak for itself", nullable=True)
    exact_high = quantity("1", "upper exact limit, each re-leak for itself", nullable=True)
    dispersion = quantity("1", "scatter of the re-leaks over that of as many independent ones", nullable=True)
    exposure = quantity("vehicle-years, 100,000 km or 1,000 hours", "time watched")
    crude_rate = quantity("per vehicle-year, 100,000 km or 1,000 hours", "unadjusted rate", nullable=True)
    crude_expected = quantity("re-leaks", "expected from the time watched alone")
    crude_ratio = quantity("1", "observed over that", nullable=True)
    crude_low = quantity("1", "lower 95% limit, as far out as the adjusted one", nullable=True)
    crude_high = quantity("1", "upper 95% limit, as far out as the adjusted one", nullable=True)
    shrunk_ratio = quantity("1", "gamma-Poisson shrunk ratio", nullable=True)
    shrunk_low = quantity("1", "lower 95% limit", nullable=True)
    shrunk_high = quantity("1", "upper 95% limit", nullable=True)
    funnel_dispersion = quantity(
        "1", "dispersion of all compared sites, 1 at least: how wide the funnel", nullable=True
    )
    funnel_low_95 = quantity("1", "funnel limit", nullable=True)
    funnel_high_95 = quantity("1", "funnel limit", nullable=True)
    funnel_low_998 = quantity("1", "funnel limit", nullable=True)
    funnel_high_998 = quantity("1", "funnel limit", nullable=True)
    q_value = share("false-discovery-adjusted p value", nullable=True)
    reason = words("why a figure is missing")


class _Effects(dy.Schema):
    """One way of doing a repair against another, with engine family, site and the engine's age allowed for."""

    time_scale = one_of(TIME_SCALES, "days, kilometres or engine hours since the repair", primary_key=True)
    reference = words("what it is compared with", nullable=False)
    hazard_ratio = quantity("1", "how many times as often it leaks again, at any time", nullable=True)
    low = quantity("1", "lower 95% limit, clustered by vehicle", nullable=True)
    high = quantity("1", "upper 95% limit, clustered by vehicle", nullable=True)
    p_value = share("two-sided p value of a ratio of 1", nullable=True)
    q_value = share("the same, adjusted for the contrasts shown", nullable=True)
    n = count("episodes")
    events = count("re-leaks")
    n_reference = count("episodes of the reference")
    events_reference = count("re-leaks of the reference")
    proportional_p = share("p value of a ratio that does not change with time", nullable=True)
    horizon = quantity("days, km or hours", "where the difference is read")
    difference = quantity("1", "adjusted recurrence less the reference's", nullable=True, at_least=-1.0, at_most=1.0)
    difference_low = quantity("1", "lower 95% limit", nullable=True, at_least=-1.0, at_most=1.0)
    difference_high = quantity("1", "upper 95% limit", nullable=True, at_least=-1.0, at_most=1.0)
    repairs_needed = count("repairs of both, in today's mix, to see the worthwhile ratio", nullable=True)
    reason = words("why there is no ratio")


class MethodEffects(_Effects):
    """Repair methods against the most frequent one (Cox), family, site and age allowed for, clustered by vehicle."""

    repair_method = one_of(REPAIR_METHODS, "repair method", primary_key=True)


class StepEffects(_Effects):
    """Job steps skipped, or not recorded, against the same steps done (Cox), the method allowed for as well."""

    step = one_of(JOB_STEPS, "job step, as it is skipped", primary_key=True)
    level = one_of(STEP_LEVELS, "what the job card says", primary_key=True)


class Cusum(dy.Schema):
    """Control chart of comebacks: the evidence, after each repair, for twice the odds expected of it."""

    site = dy.String(primary_key=True, min_length=1, description="site of the repair")
    technician = dy.String(primary_key=True, description="pseudonym; '' is the whole site")
    number = dy.Int64(primary_key=True, min=1, metadata={"unit": "count"}, description="repair, in order of its day")
    episode_id = reference("repair")
    repaired_on = day("time zero, local day")
    known_on = day("when its outcome was known, or it was last seen, local day")
    is_comeback = flag("came back inside the comeback window")
    risk = share("expected of it by family, method, age and the part of the window watched")
    value = quantity("1", "the sum after it, before any restart")
    threshold = quantity("1", "the sum that signals", above=0.0)
    is_signal = flag("the sum reached the threshold")
    signalling_since = day("day since which a signal stands; none while none does", nullable=True)


class ComebackShares(dy.Schema):
    """Share of repairs that come back within the comeback window (Aalen-Johansen), by one attribute at a time."""

    attribute = one_of(("", *COMEBACK_ATTRIBUTES), "attribute; '' counts all repairs", primary_key=True)
    attribute_value = dy.String(primary_key=True, description="its value; '' where all repairs are counted")
    rate = share("cumulative incidence of a comeback over the window", nullable=True)
    low = share("lower 95% limit", nullable=True)
    high = share("upper 95% limit", nullable=True)
    standard_error = quantity("1", "standard error, clustered by vehicle", nullable=True)
    n = count("episodes")
    events = count("comebacks")
    competing = count("competing ends inside the window")
    at_risk = count("episodes watched to the end of the window")
    reason = words("why there is no rate")


class BoltComparison(dy.Schema):
    """Recurrence after gasket and seals without new bolts less that with them, clustered by vehicle."""

    engine_family = group("engine family")
    horizon = dy.Float64(primary_key=True, min=0.0, description="days since the repair")
    spared = quantity("1", "rate without new bolts less the rate with them", nullable=True, at_least=-1.0, at_most=1.0)
    low = quantity("1", "lower 95% limit", nullable=True, at_least=-1.0, at_most=1.0)
    high = quantity("1", "upper 95% limit", nullable=True, at_least=-1.0, at_most=1.0)
    standard_error = quantity("1", "standard error, clustered by vehicle over both sides", nullable=True)
    rate_without = share("recurrence without new bolts", nullable=True)
    rate_with = share("recurrence with new bolts", nullable=True)
    n_without = count("episodes without new bolts")
    n_with = count("episodes with new bolts")
    events_without = count("re-leaks by the horizon without new bolts")
    events_with = count("re-leaks by the horizon with new bolts")
    reason = words("why there is no difference")


class BoltWorth(dy.Schema):
    """New bolts with gasket and seals on like engines: re-leaks spared, in money, against what a set costs."""

    horizon = dy.Float64(primary_key=True, min=0.0, description="days since the repair")
    hazard_ratio = quantity("1", "hazard of re-leak with new bolts over that without", nullable=True)
    low = quantity("1", "lower 95% limit", nullable=True)
    high = quantity("1", "upper 95% limit", nullable=True)
    spared = quantity("1", "adjusted recurrence without less that with", nullable=True, at_least=-1.0, at_most=1.0)
    spared_low = quantity("1", "lower 95% limit", nullable=True, at_least=-1.0, at_most=1.0)
    spared_high = quantity("1", "upper 95% limit", nullable=True, at_least=-1.0, at_most=1.0)
    worth = quantity("currency", "what the re-leaks spared would have cost, a repair", nullable=True, at_least=None)
    worth_low = quantity("currency", "lower 95% limit", nullable=True, at_least=None)
    worth_high = quantity("currency", "upper 95% limit", nullable=True, at_least=None)
    cost = quantity("currency", "how much more the parts cost, a cover, on like engines", nullable=True, at_least=None)
    cost_low = quantity("currency", "lower 95% limit", nullable=True, at_least=None)
    cost_high = quantity("currency", "upper 95% limit", nullable=True, at_least=None)
    left_over = quantity("currency", "worth less cost", nullable=True, at_least=None)
    left_over_low = quantity("currency", "lower 95% limit", nullable=True, at_least=None)
    left_over_high = quantity("currency", "upper 95% limit", nullable=True, at_least=None)
    n_without = count("episodes without new bolts")
    n_with = count("episodes with new bolts")
    events_without = count("re-leaks without new bolts")
    events_with = count("re-leaks with new bolts")
    repairs_needed = count("repairs of both that tell what is left over from 0, if it stays as it is", nullable=True)
    reason = words("why there is no comparison")
    cost_reason = words("why there is no cost")


class OilRatios(dy.Schema):
    """Oil put in after each repair over that before it; shows whether it cut the loss, and never that it leaks."""

    episode_id = key("episode")
    vehicle_id = reference("vehicle")
    engine_id = words("engine; its covers share the oil", nullable=False)
    repaired_on = day("day of the repair")
    before_top_ups = count("top-ups since the repair before, those with a distance")
    before_km = quantity("km", "distance of those before", nullable=True)
    before_litres = quantity("L", "oil put in before", nullable=True)
    before_litres_per_1000km = quantity("L/1000 km", "rate before", nullable=True)
    after_top_ups = count("top-ups up to the end of the episode, those with a distance")
    after_km = quantity("km", "distance of those after", nullable=True)
    after_litres = quantity("L", "oil put in after", nullable=True)
    after_litres_per_1000km = quantity("L/1000 km", "rate after", nullable=True)
    ratio = quantity("1", "rate after over rate before", nullable=True)
    low = quantity("1", "lower limit of the ratio", nullable=True)
    high = quantity("1", "upper limit of the ratio", nullable=True)
    reason = words("why there is no ratio")


class OilTrends(dy.Schema):
    """Oil that each vehicle takes against the others of its engine family, and whether its own rate moved up."""

    vehicle_id = key("vehicle")
    engine_id = words("its present engine", nullable=False)
    engine_family = reference("engine family")
    top_ups = count("top-ups with a distance, over the last of its records")
    km = quantity("km", "their distance")
    litres = quantity("L", "oil put in")
    litres_per_1000km = quantity("L/1000 km", "the vehicle's rate")
    others = count("other vehicles of the family with such top-ups")
    family_litres_per_1000km = quantity("L/1000 km", "rate of the others", nullable=True)
    ratio = quantity("1", "the vehicle's rate over that of the others", nullable=True)
    low = quantity("1", "lower limit of the ratio", nullable=True)
    high = quantity("1", "upper limit of the ratio", nullable=True)
    reason = words("why there is no ratio")
    is_shifted = flag("the vehicle's own rate moved up")
    shifted_on = day("since when, at the likeliest change", nullable=True)
    shift_ratio = quantity("1", "rate after that day over the rate before", nullable=True)
    shift_statistic = quantity("1", "likelihood-ratio statistic of the change", nullable=True, at_least=None)


class RepairsByAge(dy.Schema):
    """Repairs for a leak of an engine by its age: mean cumulative function, robust limits, points for drawing."""

    engine_family = group("engine family")
    age_years = dy.Float64(
        primary_key=True, min=0.0, metadata={"unit": "years"}, description="since the engine was fitted"
    )
    repairs = quantity("repairs an engine", "mean number by that age")
    low = quantity("repairs an engine", "lower 95% limit")
    high = quantity("repairs an engine", "upper 95% limit")
    standard_error = quantity("repairs an engine", "robust standard error")
    watched = count("engines watched at that age")
    n = count("engines watched at any age counted")
    events = count("repairs by that age")
    since_years = quantity("years", "age that counting starts at: too few engines were watched before")


class RepairTrends(dy.Schema):
    """Whether repairs for a leak come ever more often as engines age: trend tests and the power law."""

    engine_family = group("engine family")
    n = count("engines")
    events = count("repairs for a leak while they were watched")
    exposure = quantity("engine-years", "time watched")
    laplace = quantity("1", "Laplace's statistic, above 0 where repairs crowd late", nullable=True, at_least=None)
    laplace_p = share("its two-sided p value, repairs of one engine independent", nullable=True)
    robust_p = share("the same by the spread between engines", nullable=True)
    q_value = share("that, adjusted for the families shown", nullable=True)
    mil_hdbk_189 = quantity("1", "MIL-HDBK-189's chi-squared statistic", nullable=True)
    mil_hdbk_189_degrees = count("its degrees of freedom")
    mil_hdbk_189_p = share("its two-sided p value", nullable=True)
    shape = quantity("1", "the rate goes with age to the power of this less 1: above 1 it worsens", nullable=True)
    low = quantity("1", "lower 95% limit, clustered by engine", nullable=True)
    high = quantity("1", "upper 95% limit, clustered by engine", nullable=True)
    shape_p = share("p value of shape 1 by the likelihood ratio, repairs of one engine independent", nullable=True)
    reason = words("why a figure is missing")


class LeakTimingCurve(dy.Schema):
    """Share found to leak (Kaplan-Meier), and share that had begun to leak (Turnbull), by days since the repair."""

    engine_family = group("engine family")
    repair_method = group("repair method")
    time = dy.Float64(primary_key=True, min=0.0, metadata={"unit": "days"}, description="since the repair")
    detected = share("share found to leak by then")
    detected_low = share("lower 95% limit, clustered by vehicle", nullable=True)
    detected_high = share("upper 95% limit, clustered by vehicle", nullable=True)
    begun_least = share("least share that can have begun to leak by then")
    begun_most = share("greatest share that can have")
    begun_low = share("lower 95% limit, vehicles drawn anew", nullable=True)
    begun_high = share("upper 95% limit, vehicles drawn anew", nullable=True)
    at_risk = count("episodes still watched")


class LeakTiming(dy.Schema):
    """Weibull life to the detection of a re-leak, and to its beginning between the last dry look and the first wet."""

    engine_family = group("engine family")
    repair_method = group("repair method")
    clock = one_of(LEAK_CLOCKS, "what is timed", primary_key=True)
    b10 = quantity("days", "time by which one in ten", nullable=True)
    b10_low = quantity("days", "lower 95% limit, clustered by vehicle", nullable=True)
    b10_high = quantity("days", "upper 95% limit, clustered by vehicle", nullable=True)
    weibull_shape = quantity("1", "Weibull shape", nullable=True)
    weibull_scale = quantity("days", "Weibull scale", nullable=True)
    n = count("episodes")
    events = count("re-leaks")
    reason = words("why a figure is missing")


TABLES: dict[str, type[dy.Schema]] = {
    "recurrence": Recurrence,
    "time_to_releak": TimeToReleak,
    "recurrence_curve": RecurrenceCurve,
    "leak_rates": LeakRates,
    "site_comparison": SiteComparison,
    "method_effects": MethodEffects,
    "step_effects": StepEffects,
    "comeback_shares": ComebackShares,
    "cusum": Cusum,
    "bolt_comparison": BoltComparison,
    "bolt_worth": BoltWorth,
    "repairs_by_age": RepairsByAge,
    "repair_trends": RepairTrends,
    "leak_timing_curve": LeakTimingCurve,
    "leak_timing": LeakTiming,
}
"""Figures of groups of repairs."""

OF_VEHICLES: dict[str, type[dy.Schema]] = {"oil_ratios": OilRatios, "oil_trends": OilTrends}
"""Figures of single repairs and vehicles; their rows are what they are made from."""
