"""What the words and parts of an order say was done to a cover joint."""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache, lru_cache
from itertools import pairwise

from models.notes.lexicon import Lexicon
from models.notes.terms import Term, find_terms
from models.notes.tokens import Token, tokenise

MAX_DISTINCT_TEXTS = 100_000
"""Texts kept read: repeated words of work are read once."""

REGASKET = "regasket"
"""An action that names the part with the deed: "re-gasketed"."""
DOING = frozenset({"renew", "fit", "repair"})
"""Actions that renew a gasket or seal when said of it."""
OTHER = frozenset({"other_object", "other_work"})
"""Kinds that name something else that has gaskets, seals and bolts."""
KEPT = frozenset({"reused", "kept"})
"""Kinds that say of a part that it went back on."""
THINGS = OTHER | {"object", "other_part"}
"""Kinds that name what a clause is about."""
BARE = {"bare_cover": "cover", "bare_cover_gasket": "cover_gasket"}
"""A cover without a word for which one, to what it is where the order is about a rocker cover."""
BEFORE_BARE = frozenset(
    {"the", "a", "an", "of", "on", "to", "and", "at", "for", "from", "under", "this", "its", "with"}
)
"""Words that may stand before a bare "cover"; any other the lexicon does not know says which cover it is."""
BEFORE_MOTOR = BEFORE_BARE | {"complete", "whole", "old", "main", "diesel", "petrol", "seized", "blown", "failed"}
"""Words that may stand before a "motor" that is the engine; any other says which motor it is: "strater motor"."""
AFTER_ENGINE = frozenset(
    {"and", "with", "complete", "assembly", "assy", "unit", "due", "for", "after", "as", "on", "at", "from", "by", "in"}
)
"""Words that may follow a whole engine; any other names a part of it: "replace engine belt"."""
BEFORE_BARE_DEED = BEFORE_BARE | {
    *("cleaned", "wiped", "washed", "down", "off", "degreased", "then", "all", "was", "were", "is", "it", "found"),
    *("loose", "slack", "checked", "also", "has", "have", "been"),
    *("km", "mile", "sealed", "up", "edge", "temp", "temporary"),
}
"""Words that may stand before a deed that names no part; any other may be what the deed was done to."""
AFTER_BARE_DEED = AFTER_ENGINE | {
    *("to", "up", "down", "evenly", "all", "ok", "again", "cleaned", "checked", "where", "it", "them", "cover"),
    *("spec", "specification", "run", "tested", "no", "carried", "done", "completed", "performed", "until"),
}
"""Words that may follow a deed that names no part."""
BARE_DEEDS = {"tighten": "tightened", "leak_repair": "repaired", "sealant": "sealant"}
"""Actions that say enough where the order is about a rocker cover and names no part, to their deeds."""
MAX_BARE_REPAIR_TOKENS = 3
"""A text no longer than this that says "repaired" says it of what the order is about."""
LIST_LINKS = frozenset({"and", "with", "incl", "including", "inc", "x", "off", "qty", "job", "a", "the"})
"""Words between the items of a list of parts."""
STOPGAPS = frozenset({"tighten", "sealant"})
"""What is done for want of parts."""
MAX_COVER_TOKENS = 2
"""A cover is renewed itself only where "new" or "replaced" stands this close to it."""


@dataclass(slots=True)
class WorkSaid:
    """What was done to a cover joint, as said; each with the words that say so.

    Attributes:
        done: Deed to the words that say it. Deeds: gasket, seals, bolts, cover, tightened, sealant, repaired, removed,
            reused, ventilation, machined, engine_out.
        names_cover: Whether a rocker cover or its joint is named.
        is_other_work: Whether work is named for which the cover comes off.
        is_routine: Whether it is said to be planned.
        is_void: Whether the order is said to be a mistake or that nothing was done.
        is_unreal: Whether cover work is said that was not done: quoted, declined, advised, ordered.
        sides: Sides named beside the cover.
        is_list_of_parts: Whether parts of the joint are all that is said: "Valve cover gasket kit incl tube seals".
    """

    done: dict[str, str] = field(default_factory=dict)
    names_cover: bool = False
    is_other_work: bool = False
    is_routine: bool = False
    is_void: bool = False
    is_unreal: bool = False
    sides: frozenset[str] = frozenset()
    is_list_of_parts: bool = False


@dataclass(frozen=True, slots=True)
class Finding:
    """Characters of a text that say whether the joint leaks; what they name was looked at, not worked on."""

    start: int
    end: int
    is_dry: bool


@lru_cache(maxsize=MAX_DISTINCT_TEXTS)
def work_said(text: str, lexicon: Lexicon, *, about_cover: bool, findings: tuple[Finding, ...] = ()) -> WorkSaid:
    """Read what was done.

    Args:
        text: The words of the work done.
        lexicon: The words of work done on a cover joint.
        about_cover: Whether the order is about a rocker cover by its code, parts or complaint, so that a bare
            "gasket" is its gasket.
        findings: What the same text says of leaks at the joint: a dry joint is not what a later "replaced" is about.
    """
    tokens = tokenise(text, lexicon)
    terms = _without_lookalikes(find_terms(tokens, lexicon), tokens, text, about_cover=about_cover)
    said = WorkSaid()
    kinds = {term.kind for term in terms}
    said.names_cover = any(_is_of_cover(term) for term in terms)
    for term in terms:
        term.value = BARE.get(term.value, term.value)
    said.is_other_work, said.is_routine, said.is_void = "other_work" in kinds, "routine" in kinds, "void" in kinds
    in_context = about_cover or said.names_cover
    clauses = _clauses(terms)
    unreal = _unreal_clauses(clauses)
    said.is_unreal = any(_has_joint(clauses[number]) for number in unreal)
    if in_context:
        _read_clauses(said, text, clauses, findings, unreal)
    if about_cover and not said.done:
        _read_bare_deeds(said, text, [term for term in terms if term.clause not in unreal], tokens)
    _read_singles(said, text, [term for term in terms if term.clause not in unreal], in_context=in_context)
    said.is_list_of_parts = in_context and _is_list_of_parts(terms, tokens)
    said.sides = frozenset(term.value for term in terms if term.kind == "side")
    return said


def _is_of_cover(term: Term) -> bool:
    """Whether a term names the rocker cover or its joint; a bare "cover" alone may be any."""
    return term.kind == "object" and term.value in ("cover_gasket", "cover", "bare_cover_gasket")


def _without_lookalikes(terms: list[Term], tokens: list[Token], text: str, *, about_cover: bool) -> list[Term]:
    """Leave out covers of something else ("cab roof cover") and parts of an engine taken for the whole of it."""
    kind_at = {place: term.kind for term in terms for place in range(term.first, term.last + 1)}

    def is_lookalike(term: Term) -> bool:
        if term.value in BARE and not about_cover:
            return _is_unknown_noun(term.first - 1, tokens, kind_at, BEFORE_BARE)
        if term.kind == "engine_out" and text[term.start : term.end].lower().startswith("motor"):
            return _is_unknown_noun(term.first - 1, tokens, kind_at, BEFORE_MOTOR)
        if term.kind == "engine_out" and tokens[term.last].word in ("engine", "out"):
            is_part = kind_at.get(term.last + 1) in ("engine_part", "other_part", "other_object")
            return is_part or _is_unknown_noun(term.last + 1, tokens, kind_at, AFTER_ENGINE)
        return False

    return [term for term in terms if not is_lookalike(term)]


def _is_unknown_noun(place: int, tokens: list[Token], kind_at: dict[int, str], links: frozenset[str]) -> bool:
    """Whether a word the lexicon does not know, and no mere link, stands at a place."""
    is_there = 0 <= place < len(tokens) and place not in kind_at
    return is_there and tokens[place].word.isalpha() and tokens[place].word not in links


def _is_list_of_parts(terms: list[Term], tokens: list[Token]) -> bool:
    """Whether a text is nothing but parts of the joint, sides, numbers and the words that link them."""
    kind_at = {place: term.kind for term in terms for place in range(term.first, term.last + 1)}
    is_known = all(kind_at.get(place) in ("object", "side") or _is_link(token) for place, token in enumerate(tokens))
    return is_known and any(term.kind == "object" and term.value not in ("cover", "bolts") for term in terms)


def _is_link(token: Token) -> bool:
    """Whether a token only links the items of a list."""
    return not token.word.isalpha() or token.word in LIST_LINKS


def _read_bare_deeds(said: WorkSaid, text: str, terms: list[Term], tokens: list[Token]) -> None:
    """Note a deed of a text that names no part at all: "retorqued, no leaks after", "leak repaired"."""
    if any(term.kind in THINGS for term in terms):
        return
    kind_at = {place: term.kind for term in terms for place in range(term.first, term.last + 1)}
    deeds = BARE_DEEDS | ({"repair": "repaired"} if len(tokens) <= MAX_BARE_REPAIR_TOKENS else {})
    for term in terms:
        if term.kind != "action" or term.value not in deeds:
            continue
        is_led = any(_is_unknown_noun(place, tokens, kind_at, BEFORE_BARE_DEED) for place in range(term.first))
        if not is_led and not _is_unknown_noun(term.last + 1, tokens, kind_at, AFTER_BARE_DEED):
            said.done.setdefault(deeds[term.value], text[term.start : term.end])


def _clauses(terms: list[Term]) -> dict[int, list[Term]]:
    """Terms by clause."""
    clauses: dict[int, list[Term]] = {}
    for term in terms:
        clauses.setdefault(term.clause, []).append(term)
    return clauses


def _has_joint(clause: Iterable[Term]) -> bool:
    """Whether a clause names a part of the joint."""
    return any(term.kind == "object" for term in clause)


def _unreal_clauses(clauses: dict[int, list[Term]]) -> set[int]:
    """Clauses about work not done at this visit; a bare "customer declined" speaks of the clauses before it."""
    unreal: set[int] = set()
    numbers = list(clauses)
    for place, number in enumerate(numbers):
        cues = [term for term in clauses[number] if term.kind == "unreal"]
        if not cues:
            continue
        unreal.add(number)
        if any(term.kind in ("object", "action") for term in clauses[number]) or cues[0].value == "earlier":
            continue
        for earlier in reversed(numbers[:place]):
            if cues[0].value == "no_stock" and any(term.value in STOPGAPS for term in _actions(clauses[earlier])):
                break
            unreal.add(earlier)
            if _has_joint(clauses[earlier]):
                break
    return unreal


def _actions(clause: list[Term]) -> list[Term]:
    """What a clause says was done; nothing new in one that only goes on with a list of parts."""
    return [term for term in clause if term.kind == "action"]


def _read_clauses(
    said: WorkSaid, text: str, clauses: dict[int, list[Term]], findings: tuple[Finding, ...], unreal: set[int]
) -> None:
    """Note what each clause says was done, to what it names or else to what the clauses before it named."""
    objects: list[Term] = []
    actions: list[Term] = []
    named: list[Term] = []
    for number, clause in clauses.items():
        own = [term for term in clause if term.kind in THINGS]
        own = [term for term in own if not _is_only_seen_dry(term, text, clause, findings)]
        objects = own or objects
        actions = _actions(clause) or [action for action in actions if action.sentence == clause[0].sentence]
        seen = [] if _actions(clause) else [f for f in findings if _overlaps(f, own) and _opens(f, named)]
        named += own
        is_kept = not _actions(clause) and any(term.kind in KEPT for term in clause)
        done = [] if is_kept else actions or ([] if seen else _actions_to_come(clauses, number, unreal))
        if number not in unreal:
            _read_clause(said, text, clause, done, objects, is_own=bool(own))
        if any(finding.is_dry for finding in seen):
            objects = []


def _is_only_seen_dry(term: Term, text: str, clause: list[Term], findings: tuple[Finding, ...]) -> bool:
    """Whether a clause says that a thing is dry and goes on to something else: "no oil at cover gskt. Coil renewed"."""
    dry = next((finding for finding in findings if finding.is_dry and _overlaps(finding, [term])), None)
    after = next((other for other in clause if other.first > term.last and other.kind in {*THINGS, "action"}), None)
    if dry is None or after is None or after.kind not in THINGS:
        return False
    return after.start >= dry.end or "." in text[term.end : after.start]


def _opens(finding: Finding, named: list[Term]) -> bool:
    """Whether a finding says something of what a clause names anew, not only of what was named before a list of parts:
    "weep at cover gasket - gasket, tube seals, bolts all renewed"."""
    return finding.is_dry or not _overlaps(finding, named)


def _overlaps(finding: Finding, terms: list[Term]) -> bool:
    """Whether a finding is about one of the terms."""
    return any(term.start < finding.end and finding.start < term.end for term in terms)


def _actions_to_come(clauses: dict[int, list[Term]], number: int, unreal: set[int]) -> list[Term]:
    """The action at the end of a list that this clause is an item of: "gasket, tube seals, bolts - all renewed"."""
    sentence = clauses[number][0].sentence
    for place, later in ((place, clause) for place, clause in clauses.items() if place > number):
        is_of_other = any(term.kind in THINGS and term.kind != "object" for term in later)
        if later[0].sentence != sentence or is_of_other or place in unreal:
            return []
        if actions := _actions(later):
            return actions
    return []


def _read_clause(
    said: WorkSaid, text: str, clause: list[Term], actions: list[Term], objects: list[Term], *, is_own: bool
) -> None:
    """Note what one clause says was done to the objects it is about."""
    parts = [term for term in objects if term.kind == "object"]
    if not actions or not parts:
        return
    values = {action.value for action in actions}
    kinds = {part.value for part in parts}
    if REGASKET in values:
        values, kinds = values | {"renew"}, kinds | {"cover_gasket"}
    if "leak_repair" in values:
        values = values | {"repair"}
    words = text[min(term.start for term in actions + parts) : max(term.end for term in actions + parts)]
    if any(term.kind in OTHER for term in objects):
        kinds -= {"gasket", "seals", "bolts"}
    if values & DOING:
        renewed = kinds - {"bolts"} if _are_bolts_only_tightened(clause) else kinds
        _note_renewed(said, words, renewed, values, is_own=is_own)
        _note_cover(said, words, clause)
    if "tighten" in values and kinds & {"cover", "cover_gasket", "bolts"}:
        said.done.setdefault("tightened", words)
    if "sealant" in values and kinds & {"cover", "cover_gasket", "gasket"}:
        said.done.setdefault("sealant", words)
    if values & {"remove", "refit"} and "cover" in kinds:
        said.done.setdefault("removed", words)


def _are_bolts_only_tightened(clause: list[Term]) -> bool:
    """Whether bolts stand right beside "tightened" or "re-torqued after" in a clause."""
    pairs = [{(one.kind, one.value), (other.kind, other.value)} for one, other in pairwise(clause)]
    beside = [{("object", "bolts"), deed} for deed in (("action", "tighten"), ("routine", ""))]
    return any(pair in pairs for pair in beside)


def _note_renewed(said: WorkSaid, words: str, kinds: set[str], values: set[str], *, is_own: bool) -> None:
    """Note gasket, seals and bolts renewed, or a repair of the joint that does not say how."""
    is_renewed = bool(values & {"renew", "fit"})
    for part, deed in (("cover_gasket", "gasket"), ("gasket", "gasket"), ("seals", "seals"), ("bolts", "bolts")):
        if part in kinds:
            said.done.setdefault(deed if is_renewed else "repaired", words)
    if "cover" in kinds and ("repair" in values or not is_own):
        said.done.setdefault("repaired", words)


def _note_cover(said: WorkSaid, words: str, clause: list[Term]) -> None:
    """Note a cover renewed itself: "new rocker cover", "rocker cover replaced", not "cover off and new gasket"."""
    plain = [term for term in clause if term.kind != "side"]
    for one, other, after in zip(plain, plain[1:], [*plain[2:], None], strict=False):
        pair = {(one.kind, one.value), (other.kind, other.value)}
        is_of_next = other.kind == "action" and after is not None and after.kind == "object"
        is_near = other.first - one.last <= MAX_COVER_TOKENS
        if pair == {("action", "renew"), ("object", "cover")} and is_near and not is_of_next:
            said.done.setdefault("cover", words)


def _read_singles(said: WorkSaid, text: str, terms: list[Term], *, in_context: bool) -> None:
    """Note deeds that one phrase says."""
    for term in terms:
        words = text[term.start : term.end]
        if term.kind == "engine_out":
            said.done.setdefault("engine_out", words)
        elif in_context and term.kind in ("ventilation", "machined", "reused"):
            said.done.setdefault(term.kind, words)
        elif in_context and term.kind == "sealant_spot":
            said.done.setdefault("sealant", words)


_SEPARATORS = re.compile(r"[;|\n]|,(?!\d)|\s\+\s")
_NOT_USED = re.compile(
    r"\b(return(ed)?|credit|core charge|not used|not fitted|on order|b/o|back ?order|0 ?x|x ?0)\b", re.IGNORECASE
)


def parts_said(parts: str, lexicon: Lexicon, numbers: dict[str, str], *, about_cover: bool) -> dict[str, str]:
    """Parts of the joint that an order used, each with the words or number that say so.

    Args:
        parts: The order's parts, in any form.
        lexicon: The words of work done on a cover joint.
        numbers: The family's part numbers by part: gasket, seals, bolts.
        about_cover: Whether the order is about a rocker cover, so that a bare "gasket" is its gasket.
    """
    used: dict[str, str] = {}
    for item in map(str.strip, _SEPARATORS.split(parts)):
        if not item or _NOT_USED.search(item):
            continue
        by_number = [part for part, number in numbers.items() if number and _number_pattern(number).search(item)]
        for part in by_number or _parts_by_words(item, lexicon, about_cover=about_cover):
            used.setdefault(part, item)
    return used


@cache
def _number_pattern(number: str) -> re.Pattern[str]:
    """A part number as people write it: whole, in any case, with spaces and dashes anywhere inside."""
    inside = r"[\s./-]*".join(re.findall(r"[A-Z0-9]", number.upper()))
    return re.compile(rf"(?<![A-Z0-9]){inside}(?![A-Z0-9])", re.IGNORECASE)


def _parts_by_words(item: str, lexicon: Lexicon, *, about_cover: bool) -> list[str]:
    """The parts of the joint that a line of parts names."""
    terms = find_terms(tokenise(item, lexicon), lexicon)
    values = [
        BARE.get(term.value, term.value) if about_cover else term.value for term in terms if term.kind == "object"
    ]
    if any(term.kind in OTHER for term in terms):
        return []
    named = {"cover_gasket": "gasket", "cover": "cover"}
    if about_cover or "cover_gasket" in values:
        named |= {"gasket": "gasket", "seals": "seals", "bolts": "bolts"}
    return list(dict.fromkeys(named[value] for value in values if value in named))
