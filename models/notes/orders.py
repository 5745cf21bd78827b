"""What each work order did to a cover joint: from its code, its parts and its words."""

import re
from dataclasses import dataclass
from typing import Any, NamedTuple

import polars as pl

from models.notes.added import NOTHING_ADDED, AddedLexicon
from models.notes.covers import positions_of
from models.notes.deciding import Statement
from models.notes.lexicon import Lexicons, lexicons
from models.notes.reader import read_text
from models.notes.work import Finding, WorkSaid, parts_said, work_said
from models.tables import conform
from models.tables.ledger import JOINT_COMPONENTS, CoverWork

SURE_BY_WORDS_AND_PARTS, SURE_BY_WORDS, SURE_BY_PARTS, SURE_BY_CODE, SURE_OF_NOTHING = 0.98, 0.9, 0.75, 0.7, 0.9
"""Confidence of a reading by what it rests on; judgement of the house, not a measured rate."""

SURE_OF_FINDING = 0.8
"""A finding less sure than this ("run up, ok") does not take a part out of what was worked on."""

_READ = (
    "complaint",
    "work_done",
    "parts",
    "job_code",
    "status",
    "cover_positions",
    "gasket_part",
    "seal_part",
    "bolt_part",
)
_OF_ORDER = ("order_id", "vehicle_id", "done_on")
"""Columns of `CoverWork` that do not come from reading."""
_NOT_DONE_STATUS = re.compile(r"cancel|void|declin|reject|quot|estimat|delet|not done|refus|on hold", re.IGNORECASE)
_WHOLE_ENGINE = re.compile(r"^(the )?(rh |lh )?(engine|motor|top of( the)? engine|engine bay|top end)?$", re.IGNORECASE)
"""Places of an oil leak that name no component."""
JOINT_DEEDS = ("gasket", "seals", "cover", "tightened", "sealant", "repaired")
"""Deeds that renew, tighten or seal the joint."""


class _Verdict(NamedTuple):
    """What an order did, by which method, the words that decide and how sure that is."""

    work: str
    repair_method: str | None
    deciding_words: str
    confidence: float


_OTHER_WORK = {"cover_off": "other_work"}
"""Occasion of work that is no repair."""
_NOTHING = _Verdict("none", None, "", SURE_OF_NOTHING)


@dataclass(slots=True)
class _Order:
    """The readings of one order."""

    complaint: list[Statement]
    finding: list[Statement]
    work: WorkSaid
    parts: dict[str, str]
    code: str
    is_cover_code: bool
    is_routine: bool


def read_orders(orders: pl.DataFrame, families: pl.DataFrame, *, added: AddedLexicon = NOTHING_ADDED) -> pl.DataFrame:
    """Read what each order did to its vehicle's cover joints.

    Args:
        orders: `WorkOrders` with `engine_family` and `cover_positions` of the engine in the vehicle that day, as
            `models.engines.locate` adds them.
        families: `EngineFamilies`; their part numbers tell the parts of the joint.
        added: Words and rules beside those of the package.

    Returns:
        `CoverWork`: one row for each order, two where it names both covers of a two-bank engine, sorted by order.
    """
    numbers = families.select("engine_family", "gasket_part", "seal_part", "bolt_part")
    known = orders.join(numbers, on="engine_family", how="left").with_columns(
        pl.col(_READ).cast(pl.String).fill_null("")
    )
    distinct = known.select(_READ).unique(maintain_order=True)
    words = lexicons(added)
    rows = [values | row for values in distinct.iter_rows(named=True) for row in _rows(values, words)]
    declared = CoverWork.create_empty().drop(_OF_ORDER).schema
    columns: dict[str, pl.DataType] = {name: pl.String() for name in _READ}
    read = pl.DataFrame(rows, schema=columns | dict(declared))
    dated = known.with_columns(done_on=pl.max_horizontal("opened_on", "completed_on"))
    joined = dated.select(*_OF_ORDER, *_READ).join(read, on=_READ, how="inner")
    return conform(joined, CoverWork).sort("order_id", "cover_position")


def _rows(values: dict[str, str], words: Lexicons) -> list[dict[str, Any]]:
    """The rows of `CoverWork` for one order, without its keys."""
    order = _read(values, words)
    verdict = _judge(order, values["status"])
    is_repair = verdict.work == "repair"
    positions = positions_of(_side(order), values["cover_positions"])
    return [
        {
            "cover_position": position,
            **verdict._asdict(),
            "occasion": _occasion(order, position) if is_repair else _OTHER_WORK.get(verdict.work),
            "has_new_bolts": is_repair and _has(order, "bolts"),
            "is_ventilation_serviced": "ventilation" in order.work.done,
            "is_faces_machined": "machined" in order.work.done,
            "has_oil_complaint": _says_oil(order.complaint, position),
        }
        for position in positions
    ]


def _read(values: dict[str, str], words: Lexicons) -> _Order:
    """Read every column of an order."""
    numbers = {"gasket": values["gasket_part"], "seals": values["seal_part"], "bolts": values["bolt_part"]}
    complaint = read_text(values["complaint"], words.notes)
    code = values["job_code"].replace("_", " ")
    is_cover_code = work_said(code, words.work, about_cover=False).names_cover
    about = is_cover_code or any(said.component in JOINT_COMPONENTS for said in complaint)
    by_number = parts_said(values["parts"], words.work, numbers, about_cover=about)
    finding = read_text(values["work_done"], words.notes)
    about = about or bool(by_number) or any(said.component in JOINT_COMPONENTS for said in finding)
    work = work_said(values["work_done"], words.work, about_cover=about, findings=_of_joint(finding))
    listed = (
        "; ".join([values["parts"], values["work_done"]])
        if work.is_list_of_parts and not work.done
        else values["parts"]
    )
    parts = parts_said(listed, words.work, numbers, about_cover=about or work.names_cover)
    is_routine = work.is_routine or work_said(values["complaint"], words.work, about_cover=False).is_routine
    return _Order(complaint, finding, work, parts, code, is_cover_code, is_routine)


def _of_joint(statements: list[Statement]) -> tuple[Finding, ...]:
    """What statements say of leaks at the joint."""
    return tuple(
        Finding(said.start, said.end, is_dry=said.polarity != "present")
        for said in statements
        if said.component in JOINT_COMPONENTS and said.polarity != "uncertain" and said.confidence >= SURE_OF_FINDING
    )


def _has(order: _Order, part: str) -> bool:
    """Whether a part of the joint was renewed, by words or parts."""
    return part in order.work.done or part in order.parts


def _judge(order: _Order, status: str) -> _Verdict:
    """Judge an order by the first way of reading it that says something."""
    if _NOT_DONE_STATUS.search(status):
        return _Verdict("none", None, f"status {status}", SURE_OF_NOTHING)
    readings = (_by_void, _by_engine, _by_reused_gasket, _by_words, _by_parts, _by_removal, _by_code)
    verdicts = (reading(order) for reading in readings)
    return next((verdict for verdict in verdicts if verdict is not None), _NOTHING)


def _by_void(order: _Order) -> _Verdict | None:
    """An order raised by mistake did nothing."""
    return _NOTHING if order.work.is_void else None


def _by_engine(order: _Order) -> _Verdict | None:
    """The engine came out."""
    words = order.work.done.get("engine_out")
    return _Verdict("engine_out", None, words, SURE_BY_WORDS) if words else None


def _by_reused_gasket(order: _Order) -> _Verdict | None:
    """The cover came off and went back on its old gasket."""
    words = order.work.done.get("reused")
    is_tightened = "tightened" in order.work.done and "removed" not in order.work.done
    if words is None or is_tightened or any(_has(order, part) for part in ("gasket", "seals", "cover")):
        return None
    return _Verdict("cover_off", None, words, SURE_BY_WORDS)


def _by_words(order: _Order) -> _Verdict | None:
    """The words say that the joint was renewed, tightened or sealed."""
    deeds = [deed for deed in JOINT_DEEDS if deed in order.work.done]
    if deeds == ["tightened"] and "removed" in order.work.done:
        return None
    words = [order.work.done[deed] for deed in deeds]
    if not words:
        return _NOTHING if order.work.is_unreal else None
    sure = SURE_BY_WORDS_AND_PARTS if order.parts else SURE_BY_WORDS
    return _Verdict("repair", _method(order), "; ".join(dict.fromkeys([*words, *order.parts.values()])), sure)


def _by_parts(order: _Order) -> _Verdict | None:
    """Parts of the joint were used, whatever the words leave out."""
    if not {"gasket", "seals", "cover"} & order.parts.keys():
        return None
    return _Verdict("repair", _method(order), "; ".join(order.parts.values()), SURE_BY_PARTS)


def _by_removal(order: _Order) -> _Verdict | None:
    """The cover came off, and nothing says what it went back on."""
    words = order.work.done.get("removed")
    return _Verdict("cover_off", None, words, SURE_BY_WORDS) if words else None


def _by_code(order: _Order) -> _Verdict | None:
    """The code says it, and the words do not only say what was seen."""
    if not order.is_cover_code or _is_only_a_look(order):
        return None
    return _Verdict("repair", "unstated", f"code {order.code}", SURE_BY_CODE)


def _is_only_a_look(order: _Order) -> bool:
    """Whether the words of the work say what was seen and nothing that was done."""
    return any(said.component != "none" for said in order.finding)


def _method(order: _Order) -> str:
    """The method, by how much of the joint was renewed."""
    if _has(order, "cover"):
        return "cover_replaced"
    if _has(order, "gasket"):
        if not _has(order, "seals"):
            return "gasket"
        return "gasket_seals_bolts" if _has(order, "bolts") else "gasket_and_seals"
    done = order.work.done
    if "sealant" in done:
        return "external_sealant"
    return "retightened" if "tightened" in done and not {"seals", "repaired"} & done.keys() else "unstated"


def _side(order: _Order) -> str:
    """The side the work names, else the complaint."""
    if order.work.sides:
        return "both" if len(order.work.sides) > 1 else next(iter(order.work.sides))
    sides = {said.position for said in order.complaint if said.component in JOINT_COMPONENTS and said.position}
    return "both" if len(sides) > 1 else next(iter(sides), "")


def _says_oil(statements: list[Statement], position: str) -> bool:
    """Whether words say oil at this cover, or an engine-oil leak without a place."""
    return any(
        said.polarity == "present"
        and (
            (said.component in JOINT_COMPONENTS and _is_same_side(said.position, position))
            or (said.component == "other_oil_leak" and bool(_WHOLE_ENGINE.match(said.location.strip())))
        )
        for said in statements
    )


def _is_same_side(said: str, position: str) -> bool:
    """Whether a side word does not contradict a cover position."""
    return said in ("", "both", position) or position in ("", "only")


def _occasion(order: _Order, position: str) -> str:
    """Why the joint was renewed: because the cover came off for other work, as planned, or else for a leak.

    Re-tightening that no oil is mentioned with is planned: cork takes a set.
    """
    if _says_oil(order.complaint, position) or _says_oil(order.finding, position):
        return "leak"
    if order.work.is_other_work:
        return "other_work"
    return "routine" if order.is_routine or _method(order) == "retightened" else "leak"
