"""How each site lays out its exports: one description that both writes the files and makes their source maps."""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Layout:
    """One export: file, columns in their order (canonical to header), and how its values are written.

    `stem` may hold `{year}`, the year of the order, or `{part}`, counted up where a workbook would grow too long.
    `form` is csv, xlsx or jsonl; `is_lined` splits an order into a line for the work and one for each part.
    """

    name: str
    kind: str
    stem: str
    suffix: str
    columns: dict[str, str]
    site: int | None = None
    form: str = "csv"
    delimiter: str = ","
    encoding: str = "utf-8"
    title: str = ""
    sheet: str = ""
    decimal: str = "."
    is_lined: bool = False
    units: dict[str, str] = field(default_factory=dict)
    dates: dict[str, str] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)

    @property
    def pattern(self) -> str:
        """Glob that finds the export's files in the inbox."""
        return self.stem.replace("{year}", "*").replace("{part}", "*") + self.suffix

    @property
    def first_row(self) -> int:
        """Number a spreadsheet shows beside the first row of data."""
        return (0 if self.form == "jsonl" else 1) + bool(self.title) + 1


QUILLMOUTH_CODES = {
    "E-214": "cover_gasket", "M-010": "service", "T-030": "tyres", "B-040": "brakes", "L-050": "electrical",
    "X-060": "body", "H-070": "lifting gear", "E-200": "engine", "Z-999": "sundry",
}  # fmt: skip
"""One site's job codes and the words its source map translates them to."""

LAYOUTS: tuple[Layout, ...] = (
    Layout(
        "quillmouth orders", "work_orders", "quillmouth_orders_{year}", ".csv",
        {
            "order_id": "WO Number", "vehicle_id": "Unit", "opened_at": "Opened", "completed_at": "Closed",
            "odometer": "Miles", "complaint": "Problem", "work_done": "Work Performed", "job_code": "Job",
            "parts": "Parts Used", "labour_hours": "Hrs", "parts_cost": "Parts Cost", "labour_cost": "Labor Cost",
            "technician": "Tech", "status": "Status",
        },
        site=0, is_lined=True, units={"odometer": "mi"},
        dates={"opened_at": "month_first", "completed_at": "month_first"},
        constants={"site": "Quillmouth"}, values={"job_code": QUILLMOUTH_CODES},
    ),
    Layout(
        "quillmouth oil log", "oil_top_ups", "quillmouth_oil_log", ".csv",
        {"vehicle_id": "Unit", "topped_up_at": "Date", "volume": "Quarts", "odometer": "Miles", "reason": "Why"},
        site=0, units={"odometer": "mi", "volume": "US qt"}, dates={"topped_up_at": "month_first"},
        constants={"site": "Quillmouth"},
    ),
    Layout(
        "quillmouth inspections", "inspection_notes", "quillmouth_inspections", ".csv",
        {
            "note_id": "Insp No", "vehicle_id": "Unit", "noted_at": "Date", "odometer": "Miles", "text": "Remarks",
            "author": "Inspector", "leak_class": "Leak Class",
        },
        site=0, units={"odometer": "mi"}, dates={"noted_at": "month_first"}, constants={"site": "Quillmouth"},
    ),
    Layout(
        "port eddering orders", "work_orders", "eddering_orders_{year}", ".csv",
        {
            "order_id": "Job no", "vehicle_id": "Fleet no", "site": "Depot", "opened_at": "In", "completed_at": "Out",
            "odometer": "Km", "complaint": "Fault", "work_done": "Work", "parts": "Materials", "labour_hours": "Hours",
            "parts_cost": "Materials €", "labour_cost": "Labour €", "technician": "Fitter", "status": "State",
        },
        site=1, delimiter=";", encoding="cp1252", decimal=",",
        dates={"opened_at": "day_first", "completed_at": "day_first"},
        values={"site": {"Eddering Depot": "Port Eddering"}},
    ),
    Layout(
        "port eddering oil", "oil_top_ups", "eddering_oil", ".csv",
        {"topped_up_at": "When", "vehicle_id": "Fleet no", "volume": "Litres", "odometer": "Km", "reason": "Reason"},
        site=1, delimiter=";", encoding="cp1252", decimal=",", dates={"topped_up_at": "day_first"},
        constants={"site": "Port Eddering"},
    ),
    Layout(
        "port eddering checks", "inspection_notes", "eddering_checks", ".csv",
        {
            "note_id": "Check no", "noted_at": "When", "vehicle_id": "Fleet no", "odometer": "Km", "text": "Remarks",
            "author": "By", "site": "Depot",
        },
        site=1, delimiter=";", encoding="cp1252", decimal=",", dates={"noted_at": "day_first"},
        values={"site": {"Eddering Depot": "Port Eddering"}},
    ),
    Layout(
        "sarnholt orders", "work_orders", "sarnholt_orders_{part}", ".xlsx",
        {
            "order_id": "Order", "vehicle_id": "Vehicle", "opened_at": "Start", "completed_at": "Finish",
            "odometer": "Odometer km", "complaint": "Reported", "work_done": "Carried out", "parts": "Parts",
            "labour_hours": "Time h", "parts_cost": "Parts EUR", "labour_cost": "Labour EUR", "technician": "Mechanic",
        },
        site=2, form="xlsx", title="Sarnholt workshop: order register", sheet="Orders",
        dates={"opened_at": "serial", "completed_at": "serial"}, constants={"site": "Sarnholt"},
    ),
    Layout(
        "sarnholt oil", "oil_top_ups", "sarnholt_oil", ".csv",
        {
            "vehicle_id": "Vehicle", "topped_up_at": "Date", "volume": "mL", "odometer": "Odometer km",
            "reason": "Remark",
        },
        site=2, units={"volume": "mL"}, constants={"site": "Sarnholt"},
    ),
    Layout(
        "sarnholt inspections", "inspection_notes", "sarnholt_inspections_{part}", ".xlsx",
        {
            "note_id": "Sheet", "vehicle_id": "Vehicle", "noted_at": "Date", "odometer": "Odometer km",
            "text": "Findings", "author": "Inspector",
        },
        site=2, form="xlsx", title="Sarnholt workshop: inspection sheets", sheet="Inspections",
        constants={"site": "Sarnholt"},
    ),
    Layout(
        "fennigar orders", "work_orders", "fennigar_orders_{year}", ".jsonl",
        {
            "order_id": "order", "vehicle_id": "vehicle", "opened_at": "opened", "completed_at": "closed",
            "odometer": "km", "complaint": "reported", "work_done": "done", "job_code": "code", "parts": "parts",
            "labour_hours": "hours", "parts_cost": "parts_cost", "labour_cost": "labour_cost",
            "technician": "technician", "status": "state",
        },
        site=3, form="jsonl", is_lined=True, constants={"site": "Fennigar"},
    ),
    Layout(
        "fennigar oil", "oil_top_ups", "fennigar_oil", ".csv",
        {"topped_up_at": "date", "vehicle_id": "vehicle", "odometer": "km", "volume": "amount", "reason": "why"},
        site=3, delimiter="|", units={"volume": "cell"}, constants={"site": "Fennigar"},
    ),
    Layout(
        "fennigar notes", "inspection_notes", "fennigar_notes", ".tsv.gz",
        {
            "note_id": "note", "noted_at": "at", "vehicle_id": "vehicle", "text": "note text", "odometer": "km",
            "author": "who", "leak_class": "class",
        },
        site=3, delimiter="\t", encoding="utf-16", constants={"site": "Fennigar"},
    ),
    Layout(
        "fleet register", "vehicles", "fleet_register", ".csv",
        {
            "vehicle_id": "Fleet no", "vehicle_class": "Class", "engine_family": "Engine", "engine_id": "Engine no",
            "fuel": "Fuel", "site": "Home", "in_service_on": "In service", "out_of_service_on": "Disposed",
        },
        dates={"in_service_on": "day_first", "out_of_service_on": "day_first"},
        values={"site": {"Eddering Depot": "Port Eddering"}},
    ),
    Layout(
        "engine families", "engine_families", "engine_families", ".csv",
        {name: name for name in (
            "engine_family", "cover_positions", "fuel", "plug_tubes", "bolts", "layout", "stage1_nm", "settle_min",
            "final_angle_deg", "sump_litres", "gasket_part", "seal_part", "bolt_part", "standard_hours",
        )},
    ),
    Layout(
        "engine fitments", "engine_fitments", "engine_fitments", ".csv",
        {name: name for name in ("vehicle_id", "engine_id", "engine_family", "fitted_on", "removed_on")},
    ),
    Layout(
        "job cards", "repair_records", "job_cards", ".csv",
        {
            "order_id": "Order", "cover_position": "Cover", "bolts_renewed": "New bolts", "seals_renewed": "New seals",
            "faces_cleaned": "Faces cleaned", "ventilation_checked": "Ventilation checked",
            "sequence_followed": "Sequence followed", "stage1_nm": "Stage 1 Nm", "settle_min": "Settle min",
            "final_angle_deg": "Final angle", "run_up_check": "Run up", "cover_flatness_mm": "Flatness mm",
        },
    ),
    Layout(
        "fuel pump odometers", "odometer_readings", "fuel_pump_odometers", ".csv",
        {"vehicle_id": "Fleet no", "read_at": "Date", "odometer": "Km", "engine_hours": "Engine h"},
    ),
)  # fmt: skip
