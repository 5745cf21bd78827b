"""Whole notes, complaints and work lines, and the statements each of them makes."""

from dataclasses import dataclass

from models.simulation.chance import Chance
from models.simulation.events import Mention, Note, Order
from models.simulation.words.chatter import CHATTER
from models.simulation.words.leaks import PLACES, adorned, say_mention, say_together
from models.simulation.words.slips import slipped
from models.simulation.words.work import WORK, say_work

_SEPARATORS = (", ", ", ", ". ", ". ", "; ", " - ", " / ")
_TOGETHER = 0.5
_MULTILINE_SITE, _NARROW_SITE, _NARROW_FIELD = 0, 3, 60
"""One site's form takes several lines; another's field cuts remarks off after so many characters."""
_TASK_WORK = {
    "leak_elsewhere": "leak_elsewhere_work",
    "fluid": "fluid_work",
    "misfire": "misfire_work",
    "smell": "smell_work",
}
_REASONS = {"cover_off": "reason_other", "engine_out": "reason_exchange"}
_NOTHING_GIVEN: dict[str, str] = {}


@dataclass(slots=True, frozen=True)
class Text:
    """Words, and what they state."""

    words: str
    said: tuple[Mention, ...] = ()


def note_text(note: Note, chance: Chance) -> Text:
    """Write an inspection note: mostly about other things, with what it says of leaks somewhere among them."""
    clauses, said = _say(note.mentions, chance)
    if len(clauses) == len(said):
        clauses = [adorned(words, mention, chance) for words, mention in zip(clauses, said, strict=True)]
    if not clauses:
        clauses = [_chatter("opening", chance), *([_chatter("remark", chance)] if chance.happens(0.5) else [])]
    elif chance.happens(0.45):
        clauses.insert(0, _chatter("opening", chance))
    text = _joined(clauses, chance)
    if chance.happens(0.35):
        separator = "\n" if note.site == _MULTILINE_SITE and chance.happens(0.05) else chance.pick(_SEPARATORS)
        longest = max(len(text), _NARROW_FIELD) if note.site == _NARROW_SITE else None
        text = f"{text}{separator}{_chatter('remark', chance)}"[:longest].rstrip()
    return Text(slipped(text, note.site, chance), tuple(said))


def complaint_text(order: Order, chance: Chance) -> Text:
    """Write what was reported; empty where nothing was."""
    clauses, said = _say(order.complaint, chance)
    if not clauses:
        clauses = [_reason(order, chance)]
    return Text(slipped(clauses[0] if len(clauses) == 1 else _joined(clauses, chance), order.site, chance), tuple(said))


def _reason(order: Order, chance: Chance) -> str:
    """Say why an order without a fault was opened."""
    if order.task in ("routine", "planned retightening"):
        return WORK.say("reason_planned", chance, _NOTHING_GIVEN)
    if order.work == "repair":
        return WORK.say("reason_none", chance, _NOTHING_GIVEN)
    if order.work in _REASONS:
        return WORK.say(_REASONS[order.work], chance, _NOTHING_GIVEN)
    symbol = "no_complaint" if chance.happens(0.1) else f"{order.task}_complaint"
    return CHATTER.say(symbol, chance, _NOTHING_GIVEN)


def work_text(order: Order, chance: Chance, *, is_open: bool) -> Text:
    """Write what was done, and what was found doing it."""
    if is_open:
        return Text(slipped(_chatter("in_progress", chance), order.site, chance))
    found, said = _say(order.findings, chance)
    if found and order.work == "repair" and not found[0].startswith("found"):
        found[0] = WORK.say("found", chance, _NOTHING_GIVEN) + found[0]
    clauses = [*found, *_done(order, chance)]
    return Text(slipped(_joined(clauses, chance), order.site, chance), tuple(said))


def _done(order: Order, chance: Chance) -> list[str]:
    if order.work != "none" or order.task == "declined":
        return say_work(order, chance)
    is_cover_found = any(finding.is_wet_look for finding in order.findings)
    if order.task in ("misfire", "smell") and (is_cover_found or order.findings == []):
        return [_chatter("booked" if is_cover_found else _TASK_WORK[order.task], chance)]
    place = chance.pick(PLACES[order.complaint[0].place]) if order.task == "leak_elsewhere" else ""
    return [CHATTER.say(_TASK_WORK.get(order.task, f"{order.task}_work"), chance, {"place": place})]


def _say(mentions: list[Mention], chance: Chance) -> tuple[list[str], list[Mention]]:
    """Say mentions one after the other, or two in one breath."""
    if len(mentions) == 2 and chance.happens(_TOGETHER):
        both = say_together(mentions[0], mentions[1], chance)
        if both is not None:
            return [both[0]], both[1]
    spoken = [say_mention(mention, chance) for mention in mentions]
    return [words for words, _ in spoken], [said for _, said in spoken]


def _chatter(symbol: str, chance: Chance) -> str:
    return CHATTER.say(symbol, chance, _NOTHING_GIVEN)


def _joined(clauses: list[str], chance: Chance) -> str:
    text = clauses[0]
    for clause in clauses[1:]:
        separator = chance.pick(_SEPARATORS)
        text += separator + (clause[:1].upper() + clause[1:] if separator == ". " else clause)
    return text
