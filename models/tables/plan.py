"""What to look at next: flags with their reasons, and the weeks and bays they are placed in."""

import dataframely as dy

from models.tables.columns import count, day, flag, identifiers, key, one_of, quantity, reference, share, words
from models.tables.records import COVER_POSITIONS

URGENT = "smell_or_drops"
"""The rule whose covers are looked at before anything else."""
OIL_RATE = "oil_rate_shifted"

FLAG_RULES = (
    URGENT,
    "wet_unrepaired",
    "seep_not_rechecked",
    OIL_RATE,
    "post_repair_check",
    "interval_passed",
    "high_probability",
)
"""Rules that can raise a flag, most urgent first."""


class Flags(dy.Schema):
    """A cover due for an inspection, with its reasons in words and in numbers."""

    vehicle_id = key("vehicle")
    engine_id = words("engine", nullable=False)
    engine_family = reference("engine family")
    cover_position = one_of(COVER_POSITIONS, "cover", primary_key=True)
    site = reference("home workshop")
    as_of = day("date the flag is true as of")
    probability = share("of a leak within the horizon, dry so far", nullable=True)
    horizon_days = count("days looked ahead")
    priority = count("1 is first")
    due_by = day("look at it by")
    rules = identifiers("rules that fired")
    reasons = words("the reasons in words", nullable=False)
    evidence_ids = identifiers("evidence behind the reasons")


class LeaksOutOfSight(dy.Schema):
    """A cover last seen wet on a vehicle in service without a record for so long that it is not planned."""

    vehicle_id = key("vehicle")
    engine_id = words("engine", nullable=False)
    engine_family = reference("engine family")
    cover_position = one_of(COVER_POSITIONS, "cover", primary_key=True)
    site = reference("home workshop")
    as_of = day("date it is true as of")
    last_record_on = day("the vehicle's last record of any kind")
    days_without_record = count("days since")
    wet_on = day("latest wet look, neither repaired nor found dry since")
    is_urgent = flag("such a look told of drops or of oil near the exhaust")
    reasons = words("the reasons in words", nullable=False)
    evidence_ids = identifiers("evidence behind the reasons")


class Plan(dy.Schema):
    """A flag placed in a week and a bay, or left over with what waiting costs."""

    week_start = day("Monday of the week", nullable=True)
    site = reference("workshop")
    vehicle_id = key("vehicle")
    cover_position = one_of(COVER_POSITIONS, "cover", primary_key=True)
    hours = quantity("h", "bay hours expected", above=0.0)
    parts = words("parts to have ready, ';' between them", nullable=False)
    days_off_road = quantity("days", "expected days off the road")
    loss_avoided = quantity("currency", "expected loss avoided by looking in time")
    due_by = day("look at it by")
    placed = flag("fits the bays within the planned weeks")
    reason = words("why it is where it is", nullable=False)
    engine_family = reference("engine family")
    chance_of_repair = share("that the look ends in a repair")


class Parts(dy.Schema):
    """The pick list: parts to have on the shelf before a week starts."""

    site = key("workshop")
    week_start = day("Monday of the week", primary_key=True)
    part = key("part number, or the part's name where the family states no number")
    description = words("what it is", nullable=False)
    quantity = count("pieces")


TABLES: dict[str, type[dy.Schema]] = {
    "flags": Flags,
    "leaks_out_of_sight": LeaksOutOfSight,
    "plan": Plan,
    "parts": Parts,
}
