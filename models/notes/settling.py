"""Settle what the words with two meanings stand for in this text: oil, fluids, plugs, coils, a bare cover, sides.

"Oil" is a leak where it is somewhere it should not be; "coolant" is a component where it leaks; oil on the plugs is the
plug-tube seal's; "LH dry, RH weeping" names the cover mentioned before.
"""

from collections.abc import Sequence
from itertools import pairwise

from models.notes.lexicon import NUMBER
from models.notes.scope import SIGNS
from models.notes.terms import Term
from models.notes.tokens import PAUSE, QUESTION, STOP, Token
from models.tables.ledger import JOINT_COMPONENTS

_CLAUSE_ENDS = frozenset({STOP, PAUSE, QUESTION, "but"})
MAX_BESIDE_TOKENS = 4
"""Two terms further apart are not said of one another without a verb."""

_ONTO = frozenset({"down", "over", "onto"})
"""Words that end a phrase for running oil and say what it runs on: "oil running down"."""
_BETWEEN = frozenset({"turn", "looked", "report", "confirm", "recurrence", "spot"})
"""Kinds that may stand between oil and where it is."""
_PREPOSITIONS = frozenset({"near", "on", "onto", "from"})
_WEAK_MENTIONS = frozenset({"weak_cover", "bare_cover"})


def settle(terms: list[Term], tokens: Sequence[Token], text: str) -> list[Term]:
    """The terms with every word of two meanings given the one it has here."""
    terms = _split_mixed(terms, tokens)
    _settle_denials(terms)
    _settle_no_fault(terms)
    _settle_plugs(terms)
    terms = _settle_oil(terms, tokens)
    terms = _settle_coils(terms, tokens)
    terms = _settle_echoes(_join_signs(terms, tokens), tokens)
    terms = _settle_parts(terms)
    terms = _settle_mistaken(_settle_new(_settle_mentions(terms, tokens, text), tokens), tokens)
    return _settle_ends(_settle_sides(_settle_either(terms, tokens), tokens), tokens, text)


def _clause_of(terms: list[Term], term: Term) -> list[Term]:
    """The other terms of a term's clause."""
    return [other for other in terms if other.clause == term.clause and other is not term]


def _split_mixed(terms: list[Term], tokens: Sequence[Token]) -> list[Term]:
    """Oil in the coolant, or coolant in the oil, is a leak of another fluid; a well full of oil, of the tube seal."""
    settled: list[Term] = []
    for term in terms:
        if term.kind == "leak" and tokens[term.last].word in _ONTO and tokens[term.last - 1].word != "oil":
            settled.append(_like(term, ("leak", term.value), tokens, term.first, term.last - 1))
            settled.append(_like(term, ("onto", ""), tokens, term.last, term.last))
            continue
        if term.kind != "oil_in":
            settled.append(term)
            continue
        if term.value == "well":
            settled.append(_like(term, ("mention", "plug_tube_seal"), tokens, term.first, term.first))
            settled.append(_like(term, ("leak", ""), tokens, term.first + 1, term.last))
        else:
            settled.append(_like(term, ("leak", ""), tokens, term.first, term.last - 1))
            settled.append(_like(term, ("mention", "other_fluid"), tokens, term.last, term.last))
    return settled


def _like(term: Term, meaning: tuple[str, str], tokens: Sequence[Token], first: int, last: int) -> Term:
    """A term in the same clause as another."""
    made = Term(*meaning, tokens, first, last)
    made.sentence, made.clause = term.sentence, term.clause
    return made


_COMPLAINTS = frozenset({"leak", "oil", "symptom", "damage", "report"})
"""Kinds that a later "no fault" answers."""


def _settle_denials(terms: list[Term]) -> None:
    """Nothing showing at a component is a leak denied."""
    for term in terms:
        if term.kind == "denied":
            term.kind, term.is_negated = "leak", True


def _settle_no_fault(terms: list[Term]) -> None:
    """ "No faults" of a component that nothing was said of before is a look that found it dry."""
    for at, term in enumerate(terms):
        if term.kind != "no_fault" or any(other.kind in _COMPLAINTS for other in terms[:at]):
            continue
        is_named = any(other.kind == "mention" and other.sentence >= term.sentence - 1 for other in terms[:at])
        following = terms[at + 1] if at + 1 < len(terms) else term
        is_named_next = following.kind == "mention" and following.sentence == term.sentence and not term.value
        if is_named or is_named_next:
            term.kind, term.value = "dry", "weak" if is_named else "none"


def _settle_plugs(terms: list[Term]) -> None:
    """Plugs or wells with oil on or in them, and dry wells and tubes, speak of the plug-tube seal."""
    for at, term in enumerate(terms):
        if term.kind != "plugs":
            continue
        following = terms[at + 1] if at + 1 < len(terms) else term
        is_next = following.first - term.last <= 2 and following.clause == term.clause
        is_dry_well = bool(term.value) and following.kind == "dry" and (term.value == "well" or is_next)
        if is_dry_well or (term.value != "tube" and _is_oily(terms, at)):
            term.kind, term.value = "mention", "plug_tube_seal"
        elif term.value == "tube":
            term.kind = "plain"


def _is_oily(terms: list[Term], at: int) -> bool:
    """Whether a leak or oil is said of a term right before or after it."""
    term = terms[at]
    for other in reversed(terms[max(0, at - 3) : at]):
        if other.kind in ("oil", "leak"):
            return other.clause == term.clause and term.first - other.last <= MAX_BESIDE_TOKENS
        if other.kind not in ("on", "near", "onto", "spot", "plugs", "coils", "join", "turn"):
            break
    for other in terms[at + 1 : at + 4]:
        if other.kind in ("oil", "leak"):
            return other.clause == term.clause and other.first - term.last <= MAX_BESIDE_TOKENS
        if other.kind not in ("negation", "with", "on", "spot", "plugs", "coils", "join"):
            break
    return False


def _settle_oil(terms: list[Term], tokens: Sequence[Token]) -> list[Term]:
    """Oil where it should not be is a leak; beside another leak sign it adds nothing, elsewhere it is no sign."""
    settled: list[Term] = []
    for at, term in enumerate(terms):
        if term.kind != "oil":
            settled.append(term)
        elif _is_out_of_place(terms, at):
            term.kind, term.value, term.is_oil = "leak", "", True
            settled.append(term)
        elif any(other.kind == "leak" for other in _clause_of(terms, term)):
            settled.append(term)
    return settled


def _is_out_of_place(terms: list[Term], at: int) -> bool:
    """Whether oil is said to be at, on or from something it should not be on."""
    term = terms[at]
    if _is_in_well(terms, at):
        return True
    goes_on = at > 1 and terms[at - 1].kind == "join" and terms[at - 1].clause == term.clause
    if not goes_on and any(other.kind == "leak" for other in _clause_of(terms, term)):
        return False
    follows = [other for other in terms[at + 1 : at + 5] if other.clause == term.clause and other.kind not in _BETWEEN]
    if at and terms[at - 1].kind == "negation" and terms[at - 1].clause == term.clause and not _is_inside(follows):
        return True
    return bool(follows) and _is_placed(term, follows)


def _is_placed(term: Term, follows: list[Term]) -> bool:
    """Whether what follows oil says where it is, or that it was not seen."""
    first = follows[0]
    if first.kind == "after_negation":
        return len(follows) == 1
    if first.kind in _PREPOSITIONS:
        return len(follows) > 1 and not _is_inside(follows)
    return first.kind == "mention" and first.value in JOINT_COMPONENTS and first.first - term.last == 1


def _is_in_well(terms: list[Term], at: int) -> bool:
    """Whether oil is said to be in the plug wells: "oil in plug tubes", "plug well has oil in it"."""
    term = terms[at]
    after = [other for other in terms[at + 1 : at + 3] if other.clause == term.clause]
    if len(after) == 2 and after[0].value == "in" and after[1].value == "plug_tube_seal":
        return True
    before = terms[at - 1] if at else term
    return before.value == "plug_tube_seal" and before.clause == term.clause and term.first - before.last <= 2


def _is_inside(follows: list[Term]) -> bool:
    """Whether oil is said to be in the sump or gearbox, where it belongs."""
    inside = len(follows) > 1 and follows[0].kind == "near" and follows[0].value == "in"
    return inside and follows[1].value not in JOINT_COMPONENTS and follows[1].kind in ("mention", "site")


def _settle_echoes(terms: list[Term], tokens: Sequence[Token]) -> list[Term]:
    """A bare "is" or "is not" repeats the sign before it: "turbo not leaking, cover is", "front dry, rear not"."""
    settled: list[Term] = []
    for at, term in enumerate(terms):
        settled.append(term)
        words = [token.word for token in tokens[term.last + 1 : term.last + 3]]
        is_bare = words[:1] in (["is"], ["are"]) and (len(words) == 1 or words[1] in _CLAUSE_ENDS)
        if term.kind == "mention" and is_bare and any(other.kind == "leak" for other in terms[:at]):
            settled.append(_like(term, ("leak", ""), tokens, term.last + 1, term.last + 1))
        elif term.value == "result" and _is_of_repaired(terms[:at]):
            settled[-1] = _like(term, ("leak", ""), tokens, term.first, term.last)
            settled[-1].is_negated = True
        elif term.kind == "negation" and _is_bare_not(terms, at, tokens):
            sign = next((other for other in reversed(terms[:at]) if other.kind in SIGNS), None)
            if sign is not None and sign.sentence >= term.sentence - 1:
                settled.append(_like(term, (sign.kind, sign.value), tokens, term.first, term.last))
    return settled


def _is_of_repaired(before: list[Term]) -> bool:
    """Whether what was said last is that something was repaired: "leak put right in May, nothing showing"."""
    said = [term for term in before if term.kind in {"work", *SIGNS}]
    return bool(said) and said[-1].kind == "work"


_TODAY = frozenset({"now", "today"})


def _is_bare_not(terms: list[Term], at: int, tokens: Sequence[Token]) -> bool:
    """Whether "not" ends a clause that says nothing else: "back end is not"; or "none" one after work done."""
    term = terms[at]
    words = [token.word for token in tokens[term.last + 1 :]]
    after = next((word for word in words if word not in _TODAY), STOP)
    before = next((other for other in reversed(terms[:at]) if other.kind != "history"), term)
    if after not in _CLAUSE_ENDS or (before.kind in SIGNS and before.clause == term.clause):
        return False
    return term.value == "not" or (before.kind == "work" and before.clause != term.clause)


def _settle_coils(terms: list[Term], tokens: Sequence[Token]) -> list[Term]:
    """Oil on the coils, where nothing says where it came from, is a symptom."""
    settled = list(terms)
    for at, term in enumerate(terms):
        if term.kind != "coils" or not _is_oily(terms, at):
            continue
        same = [other for other in terms if other.sentence == term.sentence]
        if any(other.kind == "mention" and other.value in JOINT_COMPONENTS for other in same):
            continue
        sign = min(
            (other for other in _clause_of(terms, term) if other.kind == "leak"),
            key=lambda other: abs(other.first - term.first),
        )
        first, last = min(sign.first, term.first), max(sign.last, term.last)
        settled[settled.index(sign)] = _like(term, ("symptom", "oil_on_coils"), tokens, first, last)
    return settled


def _join_signs(terms: list[Term], tokens: Sequence[Token]) -> list[Term]:
    """Two leak words joined are one sign, as heavy as the heavier: "wet and dripping"."""
    settled: list[Term] = []
    for at, term in enumerate(terms):
        before = settled[-1] if settled else None
        if term.kind != "leak" or before is None:
            settled.append(term)
            continue
        joined = before.kind == "join" and len(settled) > 1 and settled[-2].clause == term.clause
        sign = settled[-2] if joined else before
        is_bare_oil = term.first == term.last and tokens[term.first].word == "oil"
        has_own_source = joined and _has_own_source(terms, at)
        near = (
            not has_own_source
            and term.first - sign.last <= 2
            and (joined or sign.clause == term.clause or _ends_list(terms, at))
        )
        if sign.kind == "leak" and near and not is_bare_oil:
            if joined:
                settled.pop()
            sign.value = max(sign.value, term.value)
            sign.last, sign.end = term.last, term.end
            for other in terms[at + 1 :]:
                if other.clause == term.clause:
                    other.clause = sign.clause
        else:
            settled.append(term)
    return settled


def _has_own_source(terms: list[Term], at: int) -> bool:
    """Whether a leak word goes on to another component: "cover leaking and oil dripping from sump"."""
    following = [term.kind for term in terms[at + 1 : at + 3]]
    before = [term.kind for term in terms[:at] if term.clause == terms[at].clause]
    return following == ["from", "mention"] and "mention" in before


def _ends_list(terms: list[Term], at: int) -> bool:
    """Whether a leak word is followed by "or" and another: "leaks, drips or damp"."""
    following = terms[at + 1 : at + 3]
    return len(following) == 2 and following[0].kind == "join" and following[1].kind == "leak"


def _settle_mentions(terms: list[Term], tokens: Sequence[Token], text: str) -> list[Term]:
    """Give each component its name in the tables, and drop those that the text does not bear out."""
    is_side_valve = any(term.kind == "side_valve" for term in terms)
    has_cover = False
    settled: list[Term] = []
    for at, term in enumerate(terms):
        if term.kind == "loss" and any(other.value == "other_fluid" for other in terms[max(0, at - 1) : at + 2]):
            term.kind, term.value = "leak", ""
        elif term.kind == "mention":
            if _is_definitely(term, tokens, text):
                continue
            named = _component(term, text, is_side_valve=is_side_valve, says_oil=_says_oil(term, tokens))
            is_weak = term.value in _WEAK_MENTIONS and not _is_whole(terms, term, tokens)
            if is_weak and not has_cover and not _is_borne_out(terms, term):
                continue
            term.value = named
            has_cover = has_cover or named == "cover_gasket"
        settled.append(term)
    return settled


def _is_definitely(term: Term, tokens: Sequence[Token], text: str) -> bool:
    """Whether "def" is short for definitely, not the fluid: "cover def wet"."""
    before, after = tokens[term.first - 1].word, tokens[term.last + 1 : term.last + 2]
    is_after_name = term.first > 0 and before[0].isalpha() and before not in ("of", "the", "with", "in", "from", "on")
    goes_on = bool(after) and after[0].word in _SIGN_WORDS
    return text[term.start : term.end].lower() == "def" and is_after_name and goes_on


_SIGN_WORDS = frozenset({"wet", "dry", "leak", "weep", "seep", "drip", "damp", "oily", "the", "from", "not"})
"""Words that "definitely" goes before."""


def _component(term: Term, text: str, *, is_side_valve: bool, says_oil: bool) -> str:
    """The component a mention stands for."""
    if term.value == "tappet_on_block":
        return "other_oil_leak"
    if term.value in _WEAK_MENTIONS or term.value == "cover_gasket":
        words = text[term.start : term.end].lower()
        of_block = is_side_valve and ("tappet" in words or "valve" in words)
        return "other_oil_leak" if of_block else "cover_gasket"
    if term.value == "hose_or_pump":
        return "other_oil_leak" if says_oil else "other_fluid"
    return term.value


def _says_oil(term: Term, tokens: Sequence[Token]) -> bool:
    """Whether oil is named in the clause of a term."""
    words: list[str] = []
    for at in range(term.first - 1, -1, -1):
        if tokens[at].word in _CLAUSE_ENDS:
            break
        words.append(tokens[at].word)
    for token in tokens[term.last + 1 :]:
        if token.word in _CLAUSE_ENDS:
            break
        words.append(token.word)
    return "oil" in words


def _is_close(term: Term, sign: Term) -> bool:
    """Whether a sign is in the clause of a weak mention, or right after it."""
    return sign.clause == term.clause or 0 < sign.first - term.last <= MAX_BESIDE_TOKENS


_LEADS_TO_JOINT = frozenset({STOP, PAUSE, QUESTION, "this", "the", "a", "an", "new", "x", NUMBER})
_LEADS_TO_JOINT_KINDS = frozenset({"report", "request", "work", "defer", "naming", "for", "looked"})


def _is_whole(terms: list[Term], term: Term, tokens: Sequence[Token]) -> bool:
    """Whether a cover gasket is named with nothing before it that could say of which other cover."""
    if [token.word for token in tokens[term.first : term.last + 1]] != ["cover", "gasket"]:
        return False
    if not term.first or tokens[term.first - 1].word in _LEADS_TO_JOINT:
        return True
    return any(other.last == term.first - 1 and other.kind in _LEADS_TO_JOINT_KINDS for other in terms)


def _is_borne_out(terms: list[Term], term: Term) -> bool:
    """Whether a bare "rocker" or "cover" is spoken of as something that leaks, is dry or is renewed for a leak."""
    before = next((other for other in terms if other.last == term.first - 1), None)
    if before is not None and before.kind == "access":
        return False
    at = terms.index(term)
    if [other.kind for other in terms[at + 1 : at + 3]] == ["join", "mention"] and _is_tube_seal(terms[at + 2]):
        return True
    is_sided = before is not None and before.kind == "side"
    is_only = _is_worked_on_alone(terms, term)
    signs = [
        other
        for other in terms
        if (other.kind in SIGNS or other.kind == "resolved")
        and (_is_close(term, other) or (is_only and other.sentence == term.sentence))
    ]
    return any(term.value != "bare_cover" or sign.value != "weak" or is_sided for sign in signs)


def _is_tube_seal(term: Term) -> bool:
    """Whether a component is the seal of the plug tubes, which sits in no cover but the rocker's."""
    return term.value == "plug_tube_seal"


def _is_worked_on_alone(terms: list[Term], term: Term) -> bool:
    """Whether a cover looked at or worked on is all that its sentence names: "checked cover after a week - no leak"."""
    sentence = [other for other in terms if other.sentence == term.sentence and other is not term]
    is_worked_on = any(other.kind in ("looked", "work") and other.clause == term.clause for other in sentence)
    return is_worked_on and not any(other.kind in ("mention", "other_cover") for other in sentence)


def _settle_parts(terms: list[Term]) -> list[Term]:
    """A bare gasket said to be dry is that of the cover named before: "oil near rocker cover but gasket dry"."""
    for at, term in enumerate(terms[:-1]):
        following = terms[at + 1]
        is_dry = following.kind == "dry" and following.clause == term.clause and following.first - term.last <= 3
        if term.kind == "part" and is_dry and not any(o.kind == "mention" and o.clause == term.clause for o in terms):
            cover = next((o for o in terms[:at] if o.kind == "mention" and o.value == "cover_gasket"), None)
            if cover is not None:
                term.kind, term.value, term.is_implied = "mention", "cover_gasket", True
    return terms


def _settle_new(terms: list[Term], tokens: Sequence[Token]) -> list[Term]:
    """A new gasket is work done: "new rocker gasket last inspection", "cam cover gasket new in May"."""
    settled: list[Term] = []
    for term in terms:
        settled.append(term)
        if term.kind != "mention" or term.value not in JOINT_COMPONENTS or tokens[term.last].word == "cover":
            continue
        for at in (term.first - 1, term.last + 1):
            if 0 <= at < len(tokens) and tokens[at].word == "new":
                work = _like(term, ("work", ""), tokens, at, at)
                settled.insert(len(settled) - (at < term.first), work)
    return settled


# fmt: off
_MISTAKEN = frozenset({
    PAUSE, STOP, "is", "was", "were", "are", "be", "to", "just", "only", "actually", "out", "turned", "proved", "but",
    "it's", "its", "that's", "it", "that", "from", "the", "all", "merely",
})
# fmt: on
"""Words between a place that was wet and the fluid that it was wet with: "wet at cover was only coolant"."""
_LEADS_IN = frozenset({PAUSE, STOP, "but", "from", "the", "all", "it", "that"})
"""Those that do not say by themselves that it was that fluid."""
_ONLY = frozenset({"just", "only", "merely"})
MAX_UNKNOWN = 2
"""Other words before what is no leak, where the text says that it is only that: "it's just chain lube overspray"."""


def _settle_mistaken(terms: list[Term], tokens: Sequence[Token]) -> list[Term]:
    """What looked like oil at a cover and is another fluid, or rain or wax, refutes the cover."""
    for at, term in enumerate(terms):
        if term.kind != "mention" or term.value not in JOINT_COMPONENTS:
            continue
        fluid = next((other for other in terms[at + 1 :] if other.kind in ("mention", "innocent")), term)
        wet = [other for other in terms if other.kind == "leak" and other.clause == term.clause and other is not fluid]
        if not wet or fluid is term or not (fluid.value == "other_fluid" or fluid.kind == "innocent"):
            continue
        between = {token.word for token in tokens[max(term.last, wet[-1].last) + 1 : fluid.first]}
        is_only = fluid.kind == "innocent" and bool(between & _ONLY) and len(between - _MISTAKEN) <= MAX_UNKNOWN
        term.is_negated = bool(between - _LEADS_IN) and (between <= _MISTAKEN or is_only)
    return terms


def _settle_either(terms: list[Term], tokens: Sequence[Token]) -> list[Term]:
    """ "No leaks at either cover" and "neither cover leaking" speak of both; elsewhere "either" is a guess."""
    guesses: list[Term] = []
    for term, following in pairwise(terms):
        is_of_cover = following.kind == "mention" and following.value in JOINT_COMPONENTS
        if not is_of_cover or following.first != term.last + 1 or tokens[term.last].word not in ("either", "neither"):
            continue
        clause = [*_clause_of(terms, following), following]
        if any(other.kind == "negation" or other.is_negated for other in clause) and clause[-2].kind != "join":
            following.side = "both"
            guesses += [term] if term.kind == "hedge" else []
    return [term for term in terms if term not in guesses]


def _settle_sides(terms: list[Term], tokens: Sequence[Token]) -> list[Term]:
    """Write each side on the component beside it; a side that stands alone names the cover mentioned before again."""
    settled: list[Term] = []
    for at, term in enumerate(terms):
        settled.append(term)
        if term.kind != "side" or _is_of_site(terms, at):
            continue
        mention = _beside(terms, at)
        if mention is None and term.value == "both" and _is_of_two(terms[:at]):
            settled.pop()
            continue
        if mention is not None:
            mention.side = "both" if mention.side not in ("", term.value) else term.value
            continue
        cover = next(
            (other for other in reversed(terms[:at]) if other.kind == "mention" and other.value in JOINT_COMPONENTS),
            None,
        )
        if cover is not None:
            settled[-1] = _like(term, ("mention", cover.value), tokens, term.first, term.last)
            settled[-1].side, settled[-1].is_implied = term.value, True
    return settled


def _is_of_two(before: list[Term]) -> bool:
    """Whether "both" are two components just named together: "cover gasket and tube seals renewed. Both dry"."""
    named = [term for term in before if term.kind == "mention"][-2:]
    return len(named) == 2 and named[0].value != named[1].value and named[0].clause == named[1].clause


def _is_of_site(terms: list[Term], at: int) -> bool:
    """Whether a side is that of another part right after it: "onto LH manifold"."""
    following = terms[at + 1] if at + 1 < len(terms) else terms[at]
    return following.kind == "site" and following.first - terms[at].last == 1


_OPPOSITE = {"front": "rear", "rear": "front", "nearside": "offside", "offside": "nearside"}


def _numbered(term: Term, tokens: Sequence[Token], text: str) -> str:
    """The number of a cover or bank that a spot word names, with the word that says so; '' for a mere number."""
    led = term.first > 0 and tokens[term.first - 1].word == "bank"
    said = text[term.start : term.end].lower()
    return said if term.kind == "spot" and (led or said.startswith(("no", "#", "bank"))) else ""


def _settle_ends(terms: list[Term], tokens: Sequence[Token], text: str) -> list[Term]:
    """Tell covers apart by end or side of the vehicle: "front cover leaking, rear cover dry", "N/S wet, O/S dry"."""
    settled: list[Term] = []
    told: dict[str, Term] = {}
    for at, term in enumerate(terms):
        settled.append(term)
        word = tokens[term.first].word if term.kind == "spot" else ""
        word = word if word in _OPPOSITE else _numbered(term, tokens, text)
        if not word:
            continue
        following = terms[at + 1] if at + 1 < len(terms) else term
        other = told.get(_OPPOSITE.get(word, ""))
        if following.kind == "mention" and following.value in JOINT_COMPONENTS and following.first - term.last == 1:
            told[word] = following
        elif other is not None and term.clause != other.clause and following.kind in SIGNS | {"negation"}:
            settled[-1] = told[word] = _like(term, ("mention", other.value), tokens, term.first, term.last)
            settled[-1].is_implied = True
    if len(told) > 1:
        for word, mention in told.items():
            mention.which = word
    return settled


def _beside(terms: list[Term], at: int) -> Term | None:
    """The component a side belongs to: the next one, or the one before where no sign of the side's own follows."""
    side = terms[at]
    for other in terms[at + 1 :]:
        if other.clause != side.clause or other.first - side.last > MAX_BESIDE_TOKENS or other.kind in SIGNS:
            break
        if other.kind == "mention":
            return other
    own_sign = any(other.kind in SIGNS and other.clause == side.clause for other in terms[at + 1 :])
    for other in reversed(terms[:at]):
        if other.sentence != side.sentence or (other.clause != side.clause and own_sign):
            break
        if other.kind in SIGNS and own_sign:
            break
        if other.kind == "mention":
            return other
    return None
