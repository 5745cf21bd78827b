"""What came in, typed: one row per vehicle, order, top-up, note or reading.

A class names the canonical columns as they are stored. `INPUT_COLUMNS` lists them as a file spells them (an odometer
comes in as `odometer` in the units its source declares and is stored as `odometer_km`). A timestamp keeps its local day
beside it, because "the day of the repair" is a day at the workshop.
"""

import dataframely as dy

from models.tables.columns import count, day, flag, key, moment, odometer, one_of, quantity, reference, words

COVER_POSITIONS = ("only", "left", "right")
SINGLE_COVER = "only"
"""Cover positions of an engine whose family has no reference row."""
LEAK_CLASSES = ("I", "II", "III")
"""US Army grading (TM 10-4510-209-13&P WP 0015): I wetness without drops, II drops form and hold, III drops fall."""


class _Traced(dy.Schema):
    """Each row traces to the landing row it was read from (the first one, where order lines were folded)."""

    load_id = reference("the load that brought the row")
    row_number = count("row in the file, the header being row 1")


class Vehicles(_Traced):
    """A vehicle of the fleet."""

    vehicle_id = key("the fleet's own number")
    engine_family = reference("engines that share a cover joint")
    site = reference("home workshop")
    in_service_on = day("first day in service")
    engine_id = reference("engine in the vehicle", nullable=True)
    vehicle_class = words("use or size class")
    fuel = words("fuel")
    out_of_service_on = day("last day in service", nullable=True)


class EngineFitments(_Traced):
    """An engine in a vehicle, from a day to a day."""

    vehicle_id = key("the fleet's own number")
    engine_id = key("engine")
    engine_family = reference("engines that share a cover joint")
    fitted_on = day("first day in this vehicle", primary_key=True)
    removed_on = day("last day in this vehicle", nullable=True)


class EngineFamilies(_Traced):
    """Reference data of an engine family and its cover joint."""

    engine_family = key("engines that share a cover joint")
    cover_positions = words("cover names, ';' between them: 'only' or 'left;right'", nullable=False)
    fuel = words("fuel", nullable=False)
    plug_tubes = flag("whether plug tubes pass through the cover")
    bolts = count("cover bolts of one cover")
    layout = words("bolt centres 'x,y;x,y;...' in mm", nullable=False)
    stage1_nm = quantity("N·m", "first-stage torque", above=0.0, at_most=500.0)
    settle_min = quantity("min", "wait after the first stage", at_most=1440.0)
    final_angle_deg = quantity("deg", "final angle", at_most=360.0)
    sump_litres = quantity("L", "oil capacity", nullable=True, above=0.0, at_most=500.0)
    gasket_part = words("part number of the cover gasket")
    seal_part = words("part number of the plug-tube seals")
    bolt_part = words("part number of the bolt set")
    standard_hours = quantity("h", "standard time of the cover job", nullable=True, above=0.0, at_most=100.0)


class WorkOrders(_Traced):
    """A work order, its lines folded into one."""

    order_id = key("work order")
    vehicle_id = reference("the fleet's own number")
    site = reference("workshop that did the work")
    opened_at = moment("opened")
    opened_on = day("opened, local day")
    work_done = words("what was done", nullable=False)
    completed_at = moment("completed", nullable=True)
    completed_on = day("completed, local day", nullable=True)
    odometer_km = odometer()
    complaint = words("what was reported")
    job_code = words("the workshop's code for the job")
    parts = words("parts used")
    labour_hours = quantity("h", "labour booked", nullable=True, at_most=10_000.0)
    parts_cost = quantity("currency", "parts", nullable=True, at_least=None)
    labour_cost = quantity("currency", "labour", nullable=True, at_least=None)
    technician = words("pseudonym")
    status = words("the workshop's word for the order's state")
    line_count = count("rows folded into this order")


class RepairRecords(_Traced):
    """A returned job card: which steps were done on one cover."""

    order_id = key("work order")
    cover_position = one_of(COVER_POSITIONS, "cover", primary_key=True)
    bolts_renewed = flag("new bolts or grommets", nullable=True)
    seals_renewed = flag("new plug-tube seals", nullable=True)
    faces_cleaned = flag("both faces cleaned and dry", nullable=True)
    ventilation_checked = flag("crankcase ventilation checked", nullable=True)
    sequence_followed = flag("tightened in sequence from the centre", nullable=True)
    stage1_nm = quantity("N·m", "first-stage torque used", nullable=True, at_most=500.0)
    settle_min = quantity("min", "wait after the first stage", nullable=True, at_most=10_080.0)
    final_angle_deg = quantity("deg", "final angle used", nullable=True, at_most=360.0)
    run_up_check = flag("run up and looked at for oil", nullable=True)
    cover_flatness_mm = quantity("mm", "largest gap under a straight edge", nullable=True, at_most=50.0)


class OilTopUps(_Traced):
    """Oil put in between changes, or at a change."""

    top_up_id = key("made from the row's content")
    vehicle_id = reference("the fleet's own number")
    topped_up_at = moment("when")
    topped_up_on = day("when, local day")
    volume_litres = quantity("L", "oil put in", above=0.0, at_most=500.0)
    odometer_km = odometer()
    site = words("where")
    reason = words("why")


class InspectionNotes(_Traced):
    """What somebody saw and wrote down."""

    note_id = key("the note's number, or made from the row's content")
    vehicle_id = reference("the fleet's own number")
    noted_at = moment("when")
    noted_on = day("when, local day")
    text = words("the words", nullable=False)
    odometer_km = odometer()
    site = words("where")
    author = words("pseudonym")
    leak_class = one_of(LEAK_CLASSES, "leak class as filled in", nullable=True)


class OdometerReadings(_Traced):
    """An odometer reading on its own."""

    reading_id = key("made from the row's content")
    vehicle_id = reference("the fleet's own number")
    read_at = moment("when")
    read_on = day("when, local day")
    odometer_km = odometer(nullable=False)
    engine_hours = quantity("h", "engine hours", nullable=True, at_most=500_000.0)


TABLES: dict[str, type[dy.Schema]] = {
    "engine_families": EngineFamilies,
    "vehicles": Vehicles,
    "engine_fitments": EngineFitments,
    "work_orders": WorkOrders,
    "repair_records": RepairRecords,
    "oil_top_ups": OilTopUps,
    "inspection_notes": InspectionNotes,
    "odometer_readings": OdometerReadings,
}
"""Record kind to its table, in the order references between kinds are resolved."""

REQUIRED_INPUT: dict[str, tuple[str, ...]] = {
    "engine_families": (
        "engine_family",
        "cover_positions",
        "fuel",
        "plug_tubes",
        "bolts",
        "layout",
        "stage1_nm",
        "settle_min",
        "final_angle_deg",
    ),
    "vehicles": ("vehicle_id", "engine_family", "site", "in_service_on"),
    "engine_fitments": ("vehicle_id", "engine_id", "engine_family", "fitted_on"),
    "work_orders": ("order_id", "vehicle_id", "site", "opened_at", "work_done"),
    "repair_records": ("order_id", "cover_position"),
    "oil_top_ups": ("vehicle_id", "topped_up_at", "volume"),
    "inspection_notes": ("vehicle_id", "noted_at", "text"),
    "odometer_readings": ("vehicle_id", "read_at", "odometer"),
}
OPTIONAL_INPUT: dict[str, tuple[str, ...]] = {
    "engine_families": ("sump_litres", "gasket_part", "seal_part", "bolt_part", "standard_hours"),
    "vehicles": ("engine_id", "vehicle_class", "fuel", "out_of_service_on"),
    "engine_fitments": ("removed_on",),
    "work_orders": (
        "completed_at",
        "odometer",
        "complaint",
        "job_code",
        "parts",
        "labour_hours",
        "parts_cost",
        "labour_cost",
        "technician",
        "status",
    ),
    "repair_records": (
        "bolts_renewed",
        "seals_renewed",
        "faces_cleaned",
        "ventilation_checked",
        "sequence_followed",
        "stage1_nm",
        "settle_min",
        "final_angle_deg",
        "run_up_check",
        "cover_flatness_mm",
    ),
    "oil_top_ups": ("odometer", "site", "reason"),
    "inspection_notes": ("note_id", "odometer", "site", "author", "leak_class"),
    "odometer_readings": ("engine_hours",),
}
"""Canonical column names as a file spells them; required ones must be mapped, optional ones may be absent."""
