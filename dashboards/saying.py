"""What a figure says, in one sentence written from its numbers; \"cannot tell yet\" where they do not tell."""

import polars as pl

from dashboards.wording import (
    counted,
    day_words,
    decimal,
    decimal_range,
    decimal_with_range,
    listed,
    percent,
    percent_range,
    sentence_start,
    whole,
    whole_range,
    whole_with_range,
)

CANNOT_TELL = "Cannot tell yet"


def which_leaks_less(groups: pl.DataFrame, *, horizon: float, unit: str) -> str:
    """Say whether one group's recurrence stands apart from another's.

    Args:
        groups: `label`, `rate`, `low`, `high`, one row a group, at one horizon; no rate where there are too few.
        horizon: The horizon in `unit`.
        unit: `days` or `km`.
    """
    known = groups.drop_nulls(["rate", "low", "high"]).sort("rate", "label")
    within = f"within {whole(horizon)} {unit}"
    if known.height < 2:
        return f"{CANNOT_TELL}: {_how_many_can_be_judged(known.height)} {within}; comparing needs two."
    least, most = known.row(0, named=True), known.row(-1, named=True)
    spread = f"from {percent(least['rate'])} ({least['label']}) to {percent(most['rate'])} ({most['label']})"
    if least["high"] >= most["low"]:
        return f"{CANNOT_TELL} which lasts longer: {within} {spread} leaked again, but even these intervals overlap."
    return (
        f"{sentence_start(least['label'])} came back less than {most['label']}: {percent(least['rate'])} "
        f"({percent_range(least['low'], least['high'])}) against {percent(most['rate'])} "
        f"({percent_range(most['low'], most['high'])}) {within}; the intervals do not overlap. The groups were not "
        "drawn by lot: harder engines may have got one of them more often."
    )


def _how_many_can_be_judged(count: int) -> str:
    return f"{'only one group has' if count else 'no group has'} enough repairs, re-leaks and time to give a share"


def how_long_it_lasts(groups: pl.DataFrame, *, horizon: float, unit: str) -> str:
    """Say the longest and the shortest restricted mean, and what the plain mean would have said.

    Args:
        groups: `label`, `restricted_mean`, `low`, `high`, `plain_mean_of_failed`.
        horizon: What the restricted mean runs to, in `unit`.
        unit: `days` or `km`.
    """
    known = groups.drop_nulls(["restricted_mean", "low", "high"]).sort("restricted_mean", "label")
    if known.is_empty():
        return f"{CANNOT_TELL}: no group has enough repairs and re-leaks to give a mean."
    first, last = known.row(0, named=True), known.row(-1, named=True)
    spans = f"of the first {whole(horizon)} {unit}"
    if known.height == 1:
        said = f"{sentence_start(last['label'])} stayed dry for {whole(last['restricted_mean'])} {spans} on average."
    elif first["high"] >= last["low"]:
        said = (
            f"{CANNOT_TELL} which lasts longest: between {whole(first['restricted_mean'])} ({first['label']}) and "
            f"{whole(last['restricted_mean'])} ({last['label']}) {spans} were dry, and the intervals overlap."
        )
    else:
        said = (
            f"{sentence_start(last['label'])} stayed dry longest, {whole(last['restricted_mean'])} "
            f"({whole_range(last['low'], last['high'])}) {spans}; {first['label']} shortest, "
            f"{whole(first['restricted_mean'])} ({whole_range(first['low'], first['high'])})."
        )
    return said + _what_the_plain_mean_hides(last, unit)


def _what_the_plain_mean_hides(row: dict, unit: str) -> str:
    plain = row.get("plain_mean_of_failed")
    if plain is None:
        return ""
    return f" The plain mean of the failed, {whole(plain)} {unit} for {row['label']}, leaves out all that still hold."


def sites_against_expected(sites: pl.DataFrame) -> str:
    """Say which sites lie outside the funnel's limits: beyond 99.8% a finding, beyond 95% alone a sign."""
    known = sites.drop_nulls(["ratio", "funnel_low_998", "funnel_high_998"])
    if known.is_empty():
        return f"{CANNOT_TELL}: no site has enough repairs and re-leaks to be compared."
    found, signs = _outside(known, "998"), _outside(known, "95")
    if found:
        return (
            f"Re-leaks: {' and '.join(found)} than luck explains, outside the 99.8% limits, with engines, methods and "
            "time watched allowed for. "
            "A site that looks harder also finds more: look at how it inspects before judging its work."
        )
    if signs:
        return (
            f"A sign, no proof: {' and '.join(signs)} re-leaks than engines, methods and time watched lead one to "
            f"expect, outside the 95% limits but inside the 99.8% ones. Of {counted(known.height, 'site')}, luck alone "
            "puts one in twenty there. Look at how the site inspects, then at its work."
        )
    return (
        f"{CANNOT_TELL} any of the {counted(known.height, 'site')} from the others: all lie within what luck alone "
        "brings, once engines, methods and time watched are allowed for."
    )


def _outside(sites: pl.DataFrame, limit: str) -> list[str]:
    """Name the sites above and below the funnel's limits, each with the word for its side."""
    above = sites.filter(pl.col("ratio") > pl.col(f"funnel_high_{limit}"))["site"].to_list()
    below = sites.filter(pl.col("ratio") < pl.col(f"funnel_low_{limit}"))["site"].to_list()
    return [f"{listed(names)} {word}" for names, word in ((above, "more"), (below, "fewer")) if names]


def crude_against_adjusted(sites: pl.DataFrame) -> str:
    """Say whether allowing for engines and methods changes the picture of the site with the highest crude rate.

    Args:
        sites: `site`, `crude_ratio` (crude rate over the fleet's), `ratio`, `low`, `high`.
    """
    known = sites.drop_nulls(["crude_ratio", "ratio", "low", "high"])
    if known.is_empty():
        return f"{CANNOT_TELL}: no site has enough repairs and re-leaks to be compared."
    worst = known.sort("crude_ratio", "site").row(-1, named=True)
    seen = f"{worst['site']} has the highest crude rate, {decimal(worst['crude_ratio'], 2)} times the fleet's"
    adjusted = decimal_with_range(worst["ratio"], worst["low"], worst["high"])
    if worst["low"] <= 1 <= worst["high"]:
        return f"{seen}; with its engines, methods and time watched allowed for it is {adjusted}, which may be luck."
    return (
        f"{seen}; with its engines, methods and time watched allowed for {adjusted} remains, and that interval leaves "
        "out 1. The funnel says how far beyond luck that is."
    )


def week_against_capacity(weeks: pl.DataFrame, *, waiting: int) -> str:
    """Say how full the bays are.

    Args:
        weeks: `hours` and `capacity_hours`, one row a week.
        waiting: Covers that found no place.
    """
    hours, capacity = weeks["hours"].sum(), weeks["capacity_hours"].sum()
    if not hours:
        return "Nothing is planned here."
    full = weeks.filter(pl.col("hours") >= 0.9 * pl.col("capacity_hours")).height
    left = (
        f"{counted(waiting, 'cover')} found no place and {'waits' if waiting == 1 else 'wait'}."
        if waiting
        else "Everything due finds a place."
    )
    return (
        f"{decimal(hours)} of {decimal(capacity)} bay hours are planned; {counted(full, 'week')} "
        f"{'is' if full == 1 else 'are'} nine tenths full or more. {left}"
    )


def bolts_pay(worth: pl.DataFrame, *, currency: str) -> str:
    """Say whether a new bolt set pays for itself on like engines, by the longest horizon anything is known at.

    Args:
        worth: As `models.tables.measures.BoltWorth`.
        currency: The fleet's currency.
    """
    known = worth.drop_nulls("worth")
    if known.is_empty():
        return f"{CANNOT_TELL}: there are too few repairs or re-leaks of one of the two kinds."
    row = known.sort("horizon").row(-1, named=True)
    times = decimal_with_range(row["hazard_ratio"], row["low"], row["high"])
    found = (
        f"on like engines, repairs with new bolts leak again {times} times as often; within "
        f"{whole(row['horizon'])} days that spares "
        f"{whole_with_range(row['worth'], row['worth_low'], row['worth_high'])} {currency} a repair"
    )
    if row["cost"] is None:
        least, most = (whole(max(row[end], 0.0)) for end in ("worth_low", "worth_high"))
        return (
            f"{sentence_start(found)}. What a set costs the orders do not say ({row['cost_reason']}): one under "
            f"{least} {currency} pays for itself, one over {most} does not."
        )
    costs = f"{found}, and a set costs {whole(row['cost'])} {currency} more"
    left = f"{whole_with_range(row['left_over'], row['left_over_low'], row['left_over_high'])} {currency} left over"
    if row["left_over_low"] > 0:
        return f"Yes: {costs}. {left}."
    if row["left_over_high"] < 0:
        return f"No: {costs}. {left}."
    return f"{CANNOT_TELL}: {costs}. {left}, an interval that holds zero{_would_settle(row)}."


def _would_settle(row: dict) -> str:
    """How many more repairs tell what is left over from nothing."""
    more = (row["repairs_needed"] or 0) - row["n_with"] - row["n_without"]
    return f"; if it stays so, some {whole(more)} more repairs of the two kinds would settle it" if more > 0 else ""


def stands_apart(groups: pl.DataFrame, *, fleet_share: float) -> str:
    """Say which groups' comeback share lies apart from the whole fleet's, and how many of them luck alone would bring.

    Args:
        groups: `label`, `rate`, `low`, `high`, one row a group; no rate where there are too few.
        fleet_share: The share of all repairs together.
    """
    known = groups.drop_nulls(["rate", "low", "high"])
    if known.is_empty():
        return f"{CANNOT_TELL}: no group has enough repairs and comebacks to give a share."
    above = known.filter(pl.col("low") > fleet_share)["label"].to_list()
    below = known.filter(pl.col("high") < fleet_share)["label"].to_list()
    if not above and not below:
        return f"{CANNOT_TELL}: every interval holds the share of all repairs, {percent(fleet_share)}."
    parts = [f"{word} often: {listed(names)}" for names, word in ((above, "more"), (below, "less")) if names]
    return (
        f"Came back {'; '.join(parts)}. With {counted(known.height, 'group')} shown, about one in twenty stands apart "
        "by luck alone, and they overlap: engines, methods and sites go together."
    )


TELLING = 0.05
"""Share of false alarms that is borne with among contrasts called different (the customary level)."""


def effects_against_reference(effects: pl.DataFrame, *, reference: str, unit: str, contrasts: int) -> str:
    """Say which ways of doing the job differ from the reference, what that comes to in 100 repairs, and which do not.

    Args:
        effects: `label`, `hazard_ratio`, `low`, `high`, `q_value`, `difference`, `difference_low`, `difference_high`,
            `horizon`, `n`, `n_reference`, `repairs_needed`, one row a contrast; no ratio where there are too few.
        reference: What they are compared with, in words.
        unit: `days` or `km`.
        contrasts: How many contrasts the q values allow for.
    """
    known = effects.drop_nulls(["hazard_ratio", "q_value"])
    if known.is_empty():
        return f"{CANNOT_TELL}: no contrast with {reference} has enough repairs and re-leaks."
    told = known.filter(pl.col("q_value") < TELLING).sort("hazard_ratio", "label")
    open_still = known.filter(pl.col("q_value") >= TELLING)
    untold = [_untold(row) for row in open_still.iter_rows(named=True)]
    few = effects.filter(pl.col("hazard_ratio").is_null())["label"].to_list()
    said = [_one_effect(row, unit) for row in told.iter_rows(named=True)]
    start = f"Against {reference} on like engines: {'; '.join(said)}. " if said else ""
    rest = [
        f"{CANNOT_TELL} from {reference}: {'; '.join(untold)}." if untold else "",
        _why_not_told(open_still, contrasts),
        f"Too few to say: {listed(few)}." if few else "",
    ]
    return f"{start}{' '.join(each for each in rest if each)}".strip()


def _why_not_told(open_still: pl.DataFrame, contrasts: int) -> str:
    """Why contrasts whose interval leaves out 1 are not told all the same; empty where there are none."""
    leave_out = open_still.filter((pl.col("low") > 1) | (pl.col("high") < 1))["label"].to_list()
    if not leave_out:
        return ""
    subject = "interval of {} leaves" if len(leave_out) == 1 else "intervals of {} leave"
    return (
        f"The {subject.format(listed(leave_out))} out 1, but of {counted(contrasts, 'contrast')} some do by luck "
        f"alone: only a chance of a false alarm (q) under {TELLING:g} is told."
    )


def _untold(row: dict) -> str:
    """One contrast that cannot be told, with the repairs that would settle whether it is worthwhile."""
    seen, needed = row["n"] + row["n_reference"], row["repairs_needed"]
    if needed is None:
        return row["label"]
    if needed <= seen:
        return f"{row['label']} (its {whole(seen)} repairs would most likely show a difference worth having)"
    return f"{row['label']} (some {whole(needed - seen)} more repairs of the two would settle it)"


def _one_effect(row: dict, unit: str) -> str:
    times = (
        f"{row['label']} {decimal(row['hazard_ratio'], 2)} times as often ({decimal_range(row['low'], row['high'])})"
    )
    if row["difference"] is None:
        return times
    span = _span_in_a_hundred(row["difference_low"], row["difference_high"])
    return f"{times}, {_in_a_hundred(row['difference'])} in 100 ({span}) by {whole(row['horizon'])} {unit}"


def _span_in_a_hundred(low: float, high: float) -> str:
    """The interval of a difference in a hundred repairs; where it holds zero, each end says its direction."""
    if low < 0 < high:
        return f"{_in_a_hundred(low)} to {_in_a_hundred(high)}"
    return decimal_range(*sorted((100 * abs(low), 100 * abs(high))), 1)


def _in_a_hundred(difference: float) -> str:
    """So many more or fewer in a hundred repairs."""
    return f"{decimal(100 * abs(difference))} {'more' if difference > 0 else 'fewer'}"


def in_control(charts: pl.DataFrame, *, run_length: float) -> str:
    """Say which control charts signal and since when, and how many signals luck alone would have made by now.

    Args:
        charts: `name`, `value`, `threshold`, `signalling_since`, `repairs` and `signals`, one row a chart.
        run_length: Repairs to a false signal.
    """
    repairs, signals = charts["repairs"].sum(), charts["signals"].sum()
    by_luck = repairs / run_length
    luck = (
        f"Luck alone makes one signal in {whole(run_length)} repairs: about {decimal(by_luck)} in the "
        f"{whole(repairs)} charted, where there {'was' if signals == 1 else 'were'} {counted(signals, 'signal')}."
    )
    signalling = charts.drop_nulls("signalling_since")
    if signalling.is_empty():
        worst = charts.sort(pl.col("value") / pl.col("threshold"), descending=True).row(0, named=True)
        share = percent(worst["value"] / worst["threshold"])
        quiet = "The chart does not signal now" if charts.height == 1 else "No chart signals now"
        return f"{quiet} ({worst['name']} stands at {share} of its threshold). {luck}"
    named = [f"{row['name']} since {day_words(row['signalling_since'])}" for row in signalling.iter_rows(named=True)]
    verb = "signals" if len(named) == 1 else "signal"
    if signals <= by_luck + 1:
        return f"{CANNOT_TELL} from bad luck: {listed(named)} {verb}, worth a look all the same. {luck}"
    return (
        f"More than bad luck: {listed(named)} {verb}. Look at what was done differently from then on, and at whether "
        f"the site began to look harder. {luck}"
    )
