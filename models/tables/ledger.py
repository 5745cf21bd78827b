"""What happened to each cover: odometer curves, orders read, evidence, episodes, oil segments.

One row per fact; every row lists the records it was made from.
"""

import dataframely as dy

from models.tables.columns import (
    count,
    day,
    flag,
    identifiers,
    key,
    moment,
    odometer,
    one_of,
    quantity,
    reference,
    share,
    words,
)
from models.tables.records import LEAK_CLASSES

REPAIR_METHODS = (
    "retightened",
    "external_sealant",
    "gasket",
    "gasket_and_seals",
    "gasket_seals_bolts",
    "cover_replaced",
    "unstated",
)
"""What was done to the joint, by how much of it is renewed; `unstated` last."""
OCCASIONS = ("leak", "routine", "other_work")
COVER_WORK = ("repair", "cover_off", "engine_out", "none")
"""What an order did to a cover joint: repaired it, disturbed it for other work, took the engine out, or nothing."""
COMPONENTS = ("cover_gasket", "plug_tube_seal", "other_oil_leak", "other_fluid", "none")
JOINT_COMPONENTS = ("cover_gasket", "plug_tube_seal")
"""Both seals sit under the cover: oil in a plug well is a leak of the same joint."""
POLARITIES = ("present", "absent", "resolved", "uncertain")
ORIGIN_KINDS = ("inspection_notes", "work_orders")
ORIGIN_FIELDS = ("text", "complaint", "work_done")
STATUSES = ("re-leak", "competing", "censored")
END_REASONS = (
    "wet look",
    "order complaint",
    "cover off for other work",
    "engine removed",
    "vehicle out of service",
    "repaired again without a leak",
    "last record",
)
POSITIONS = ("only", "left", "right", "")
"""Cover positions of evidence and orders; '' where no side of a two-bank engine is named."""
READING_USES = ("used", "typing error", "other units", "out of order", "too fast", "rollover", "instrument replaced")
"""What became of an odometer reading. `rollover` and `instrument replaced` are used, after a step."""

REMARKS = (
    "completed before it was opened",
    "dated before the vehicle was in service",
    "the filled-in leak class and the text disagree: the text decided",
)
"""What is odd about a record that is kept all the same."""


class EnginePeriods(dy.Schema):
    """Which engine was in which vehicle, from a day to a day."""

    vehicle_id = key("vehicle")
    engine_id = key("engine; the vehicle's own number where none is known")
    engine_family = reference("engine family")
    from_on = day("first day", primary_key=True)
    to_on = day("last day; none while it is fitted", nullable=True)


class LastRecords(dy.Schema):
    """Each vehicle's first and last record of any kind: watching ends there, not at the extract's day."""

    vehicle_id = key("vehicle")
    first_on = day("first record, local day")
    last_at = moment("when")
    last_on = day("local day")


class OdometerCurve(dy.Schema):
    """Every odometer mention of a vehicle, with what became of it.

    `distance_km` rises through rollovers and replaced instruments; null where the reading was set aside.
    """

    vehicle_id = key("vehicle")
    read_at = moment("when")
    read_on = day("local day")
    odometer_km = odometer("as read", nullable=False)
    distance_km = quantity("km", "distance on the curve", nullable=True, at_least=None)
    is_used = flag("part of the curve")
    use = one_of(READING_USES, "what became of the reading")
    origin_kind = key("record kind it came from")
    origin_id = key("record it came from")


class EngineHoursCurve(dy.Schema):
    """Every engine-hour reading of a vehicle; `hours` rise through meters that start again, null where set aside."""

    vehicle_id = key("vehicle")
    read_at = moment("when")
    read_on = day("local day")
    engine_hours = quantity("h", "as read")
    hours = quantity("h", "hours on the curve", nullable=True, at_least=None)
    is_used = flag("part of the curve")
    origin_id = key("reading it came from")


class CoverWork(dy.Schema):
    """What each order did to a cover joint, with the words that decided."""

    order_id = key("work order")
    vehicle_id = reference("vehicle")
    cover_position = one_of(POSITIONS, "cover; '' where no side is named", primary_key=True)
    done_on = day("completion, or opening where that is missing or before it, local day")
    work = one_of(COVER_WORK, "what the order did to the cover")
    repair_method = one_of(REPAIR_METHODS, "method", nullable=True)
    occasion = one_of(OCCASIONS, "why the joint was renewed", nullable=True)
    has_new_bolts = flag("bolts renewed")
    is_ventilation_serviced = flag("crankcase ventilation cleaned or renewed")
    is_faces_machined = flag("cover or head face machined")
    has_oil_complaint = flag("the complaint says oil at this cover, or an unplaced engine-oil leak")
    deciding_words = words("the words, part or code that decided", nullable=False)
    confidence = share("how sure the reading is")


class Evidence(dy.Schema):
    """A dated statement about a leak at a vehicle, with the words that make it."""

    evidence_id = key("origin, field and first character")
    vehicle_id = reference("vehicle")
    engine_id = words("engine at that date", nullable=False)
    cover_position = one_of(POSITIONS, "cover; '' where no side is named")
    noted_at = moment("when")
    noted_on = day("local day")
    odometer_km = quantity("km", "distance on the curve", nullable=True, at_least=None)
    component = one_of(COMPONENTS, "what leaks, or does not")
    polarity = one_of(POLARITIES, "whether it leaks")
    location = words("place of another leak, in the words of the note", nullable=False)
    leak_class = one_of(LEAK_CLASSES, "leak class said or filled in", nullable=True)
    symptoms = words("symptoms, ';' between them", nullable=False)
    hot_part = words("part of the exhaust that the oil is on or near, in the words of the note", nullable=False)
    origin_kind = one_of(ORIGIN_KINDS, "record kind it came from")
    origin_id = reference("record it came from")
    origin_field = one_of(ORIGIN_FIELDS, "column of that record")
    span_start = count("first character of the words")
    span_end = count("character after the last")
    span_text = words("the words", nullable=False)
    confidence = share("how sure the reading is")
    is_class_contradicted = flag("a filled-in leak class and the text disagree; the text decided")


class Episodes(dy.Schema):
    """A repair of one cover and what followed it."""

    episode_id = key("order and cover")
    vehicle_id = reference("vehicle")
    engine_id = words("engine", nullable=False)
    engine_family = reference("engine family")
    cover_position = one_of(("only", "left", "right"), "cover")
    site = reference("site of the repair")
    order_id = reference("order that opened the episode")
    technician = words("pseudonym")
    repair_method = one_of(REPAIR_METHODS, "method")
    occasion = one_of(OCCASIONS, "why the joint was renewed")
    has_new_bolts = flag("bolts renewed")
    is_ventilation_serviced = flag("crankcase ventilation serviced")
    is_faces_machined = flag("faces machined")
    repaired_at = moment("time zero")
    repaired_on = day("time zero, local day")
    odometer_km = quantity("km", "distance on the curve at time zero", nullable=True, at_least=None)
    odometer_error_km = quantity("km", "how far off that may be", nullable=True)
    status = one_of(STATUSES, "how it ended")
    end_reason = one_of(END_REASONS, "why it ended")
    ended_at = moment("end")
    ended_on = day("end, local day")
    days = quantity("days", "time zero to end")
    km = quantity("km", "time zero to end", nullable=True)
    hours = quantity("h", "engine hours, time zero to end", nullable=True)
    hours_error = quantity("h", "how far off they may be", nullable=True)
    last_dry_at = moment("last dry look, or time zero")
    first_wet_at = moment("first wet look", nullable=True)
    is_suspect = flag("a symptom or an unsided wet look, never followed by a finding")
    comeback = flag("a re-leak inside the comeback window")
    evidence_ids = identifiers("evidence read in this episode")
    story = words("one sentence that says how it ended", nullable=False)


class OilSegments(dy.Schema):
    """Oil put in between two fills, as a rate."""

    vehicle_id = key("vehicle")
    engine_id = words("engine", nullable=False)
    started_at = moment("fill that opened the segment")
    started_on = day("fill that opened the segment, local day")
    ended_at = moment("top-up that closed it")
    ended_on = day("top-up that closed it, local day")
    top_up_id = key("top-up that closed it")
    km = quantity("km", "distance between them", above=0.0)
    litres = quantity("L", "oil put in at the close", above=0.0)
    litres_per_1000km = quantity("L/1000 km", "rate")
    low = quantity("L/1000 km", "lower 95% limit")
    high = quantity("L/1000 km", "upper 95% limit")


class Remarks(dy.Schema):
    """A record that was kept though something about it is odd, and what is."""

    kind = key("record kind")
    record_id = key("record")
    remark = one_of(REMARKS, "what is odd", primary_key=True)
    vehicle_id = reference("vehicle")
    load_id = reference("load it came with")
    row_number = count("its row in the file, as a spreadsheet shows it")


TABLES: dict[str, type[dy.Schema]] = {
    "engine_periods": EnginePeriods,
    "last_records": LastRecords,
    "odometer_curve": OdometerCurve,
    "engine_hours_curve": EngineHoursCurve,
    "cover_work": CoverWork,
    "evidence": Evidence,
    "episodes": Episodes,
    "oil_segments": OilSegments,
    "remarks": Remarks,
}
