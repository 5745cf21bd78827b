"""How far each cue reaches: what is negated, guessed, asked for, earlier, back again or told by somebody else.

After ConText (Harkema, Dowling, Thornblade and Chapman, J. Biomed. Inform. 2009; 42:839): a cue acts on the terms after
it, or before it, up to the end of its clause or a word that ends its reach.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

from models.notes.terms import Term
from models.notes.tokens import PAUSE, QUESTION, STOP, Token

SIGNS = frozenset({"leak", "dry"})
"""What is said of a component: that it leaks, or that it is dry."""
NEGATABLE = SIGNS | {"symptom", "damage", "plugs", "coils"}
GUESSABLE = SIGNS | {"mention"}

MAX_NEGATION_TOKENS = 12
"""A negation this many words before a sign no longer belongs to it."""

_ASKING = frozenset({"is", "are"})
"""Words that make a text a question where they open it."""
MAX_QUESTION_TERMS = 4
"""Terms of a question that opens a text."""
_ENDS_NEGATION = frozenset({"contrast", "work", "negation", "turn", "recurrence", "report", "onto"})
_ENDS_GUESS = frozenset({"contrast", "turn", "work", "confirm"})


def mark_scopes(terms: list[Term], tokens: Sequence[Token], plain_words: frozenset[str]) -> None:
    """Set the marks of every sign and mention that a cue reaches."""
    clauses = _by_clause(terms)
    if tokens and tokens[0].word in _ASKING:
        _ask(terms, -1)
    for index, term in enumerate(terms):
        mark = _MARKERS.get(term.kind)
        if mark is not None:
            mark(terms, index)
        if term.kind == "negation" and _ends_clause(terms, index, tokens):
            if not _is_echoed(terms, index):
                _answer_no(terms, index)
        elif term.kind == "negation":
            _deny_place(terms, index)
    for clause in clauses:
        _mark_time(clause)
    _mark_was(terms, tokens)
    for term in terms:
        if term.kind == "dry":
            term.is_of_other = _has_own_subject(term, terms, tokens, plain_words)


_WAS = frozenset({"was", "were"})
"""Words that put the leak after them before what is said later: "cover was leaking, dry now"."""


def _mark_was(terms: list[Term], tokens: Sequence[Token]) -> None:
    """Mark the leaks said to have been."""
    for term in terms:
        if term.kind == "leak" and term.first and tokens[term.first - 1].word in _WAS:
            term.was = True


_BESIDE_JOINT = frozenset({"plugs", "coils"})
"""What is fine by itself whatever the joint above it does: "plugs ok"."""
_LEVELS = frozenset({"oil", "coolant", "water", "fluid"})
"""First words of what has a level or pressure of its own: "oil level ok"."""
_WHEN = frozenset({"degree", "recurrence"})
"""Kinds that only say when something is so, or how much."""
_SUBJECT_ENDS = frozenset({STOP, PAUSE, QUESTION, "and", "or", "but"})


def _has_own_subject(sign: Term, terms: list[Term], tokens: Sequence[Token], plain_words: frozenset[str]) -> bool:
    """Whether a sign is of something else in its clause, unknown to the lexicon or beside it: "wheel nuts ok"."""
    beside = {term.kind for term in terms if term.clause == sign.clause and term.last < sign.first}
    if sign.value == "weak" and beside & _BESIDE_JOINT and "mention" not in beside:
        return True
    known = {
        at
        for term in terms
        if term.clause == sign.clause and not (term.kind == "plain" and tokens[term.first].word in _LEVELS)
        for at in range(term.first, term.last + 1)
    }
    for at in range(sign.first - 1, -1, -1):
        word = tokens[at].word
        if word in _SUBJECT_ENDS:
            return False
        if at not in known and word[0].isalpha() and word not in plain_words:
            return True
    return False


def _deny_place(terms: list[Term], index: int) -> None:
    """Refute the component in the answer to a look: "checked for leaks, none at the rocker cover"."""
    cue = terms[index]
    looked_for = any(term.kind == "leak" and term.is_asked and term.sentence == cue.sentence for term in terms[:index])
    clause = [term for term in terms[index + 1 :] if term.clause == cue.clause]
    if looked_for and clause and clause[0].kind == "near" and not any(term.kind in NEGATABLE for term in clause):
        for term in clause:
            term.is_negated = term.is_negated or term.kind == "mention"


def _is_echoed(terms: list[Term], index: int) -> bool:
    """Whether a bare "not" denies the sign before it once more of something else: "front dry, rear not"."""
    return index + 1 < len(terms) and terms[index + 1].first == terms[index].first


def _ends_clause(terms: list[Term], index: int, tokens: Sequence[Token]) -> bool:
    """Whether nothing but "now" or "today", if anything, follows a term in its clause: "leaks: none now"."""
    term = terms[index]
    if term.last + 1 == len(tokens) or tokens[term.last + 1].word in (STOP, PAUSE):
        return True
    after = [other for other in terms[index + 1 :] if other.clause == term.clause]
    return term.value == "no" and bool(after) and all(other.kind in _WHEN for other in after)


def _by_clause(terms: list[Term]) -> list[list[Term]]:
    """The terms of each clause that has any."""
    clauses: list[list[Term]] = []
    for term in terms:
        if not clauses or clauses[-1][0].clause != term.clause:
            clauses.append([])
        clauses[-1].append(term)
    return clauses


def _after(terms: list[Term], index: int, stops: frozenset[str]) -> Iterator[Term]:
    """The terms after a cue, to the end of its clause or its reach."""
    cue = terms[index]
    for term in terms[index + 1 :]:
        if term.clause != cue.clause or term.kind in stops:
            return
        yield term


def _negate(terms: list[Term], index: int) -> None:
    """Negate the first sign after the cue and those joined to it; or refute the component right after "not"."""
    cue = terms[index]
    reached = None
    last = cue.last
    for term in _after(terms, index, _ENDS_NEGATION):
        if term.first - last > MAX_NEGATION_TOKENS:
            break
        if term.kind == "mention" and reached is None and cue.value == "not":
            term.is_negated = True
            if not _is_joined(terms, term):
                return
            reached = term
            continue
        if term.kind == "join" and reached is None and cue.value == "not" and term.first - cue.last > 1:
            return
        if term.kind in NEGATABLE:
            if reached is not None and not _continues(terms, reached, term):
                return
            term.is_negated = not term.is_negated
            reached = term
        elif term.kind == "mention" and reached is not None and reached.kind == "mention":
            term.is_negated = True
        elif term.kind == "condition" or term.value == "whether":
            return
        last = term.last


def _end(terms: list[Term], index: int) -> None:
    """Negate the leak after "no longer"; make the one before "cured" a leak of an earlier time."""
    cue = terms[index]
    if cue.value == "ends" and any(term.kind in NEGATABLE for term in _after(terms, index, _ENDS_NEGATION)):
        _negate(terms, index)
        return
    _make_earlier(terms, index)


def _make_earlier(terms: list[Term], index: int) -> None:
    """What stands before "cured" is a leak of an earlier time, unless it is another cover's or component's."""
    cue = terms[index]
    cured = _subject_of(terms, index)
    for place in range(index - 1, -1, -1):
        term = terms[place]
        if term.sentence != cue.sentence or term.kind == "contrast":
            return
        if term.kind == "leak" and not _is_of_another(_subject_of(terms, place), cured):
            term.is_past = True


def _subject_of(terms: list[Term], index: int) -> Term | None:
    """The component in a term's clause, else the last one before it in its sentence."""
    here = terms[index]
    own = [term for term in terms if term.kind == "mention" and term.clause == here.clause]
    before = [term for term in terms[:index] if term.kind == "mention" and term.sentence == here.sentence]
    return next(reversed(own or before), None)


def _is_of_another(one: Term | None, other: Term | None) -> bool:
    """Whether two mentions are of different components, or name different sides."""
    if one is None or other is None or one is other:
        return False
    return one.value != other.value or is_other_side(one, other)


def is_other_side(one: Term, other: Term) -> bool:
    """Whether two mentions name different sides."""
    return bool(one.side and other.side and one.side != other.side)


def _work(terms: list[Term], index: int) -> None:
    """A leak said to be cured is one of an earlier time; other work may be of this visit."""
    if terms[index].value == "cure":
        _make_earlier(terms, index)
        for term in _after(terms, index, frozenset({"contrast", "report"})):
            if term.kind == "leak" and any(other.kind == "history" and other.clause == term.clause for other in terms):
                term.is_past = True


def _is_joined(terms: list[Term], term: Term) -> bool:
    """Whether "or" or a slash follows a term in its clause."""
    at = terms.index(term)
    return at + 1 < len(terms) and terms[at + 1].kind == "join" and terms[at + 1].clause == term.clause


def _continues(terms: list[Term], reached: Term, term: Term) -> bool:
    """Whether a second sign is joined to a negated one: "no leaks or drips", not "no leaks, cover wet"."""
    between = terms[terms.index(reached) + 1 : terms.index(term)]
    return reached.kind == term.kind and all(other.kind == "join" for other in between)


def _negate_before(terms: list[Term], index: int) -> None:
    """Negate the signs before the cue in its sentence, or in the question it answers: "leaks: none"."""
    cue = terms[index]
    turns_away = False
    for term in reversed(terms[:index]):
        if term.sentence < cue.sentence - 1 or term.kind == "work":
            return
        turns_away = turns_away or term.kind == "contrast"
        if term.kind == "leak":
            is_open = term.is_guess or term.is_asked or term.is_reported
            if (term.sentence != cue.sentence or turns_away) and not is_open:
                return
            term.is_negated = True
            term.is_guess = term.is_asked = False
            return
        if term.kind == "dry" and cue.value != "inactive":
            return


_OF_PLACE = frozenset({"mention", "spot", "side", "near", "join"})
"""Kinds that name a component and where on it."""


def _answer_no(terms: list[Term], index: int) -> None:
    """Negate the sign before a "no" that ends a clause; refute the component where it stands alone: "cover: none"."""
    cue = terms[index]
    before = [term for term in terms[:index] if term.sentence == cue.sentence]
    own = [term for term in before if term.clause == cue.clause]
    is_listed = bool(own) and own[0].kind == "mention" and {term.kind for term in own} <= _OF_PLACE
    if is_listed and all(term.is_asked for term in before if term.kind == "leak"):
        own[0].is_negated = True
        return
    if all(term.kind == "naming" for term in before) and cue.value == "not":
        for term in _last_mention(terms, index):
            term.is_negated, term.is_guess = term.is_guess, False
    if any(term.kind not in _OF_PLACE for term in before) or not before:
        _negate_before(terms, index)
        return
    for term in before:
        if term.kind == "mention":
            term.is_negated = True


def _spill(terms: list[Term], index: int) -> None:
    """Oil said to be spilt is no leak; "a leak or spilt oil" is a guess."""
    before = next((term for term in reversed(terms[:index]) if term.kind != "oil"), None)
    if before is not None and before.kind in ("join", "hedge", "condition"):
        for term in terms[:index]:
            if term.kind == "leak" and term.sentence == terms[index].sentence:
                term.is_guess = True
    else:
        _negate_before(terms, index)


def _confirm(terms: list[Term], index: int) -> None:
    """A guess, question or report that is confirmed holds."""
    cue = terms[index]
    for term in terms[:index]:
        if term.sentence >= cue.sentence - 1 and term.kind in GUESSABLE:
            term.is_guess = term.is_asked = term.is_reported = False


def _deny_before(terms: list[Term], index: int) -> None:
    """Negate the sign before the cue; refute the component where the cue says that it is not the source."""
    cue = terms[index]
    clause = [term for term in terms[:index] if term.clause == cue.clause]
    if cue.value == "refutes" and not any(term.kind == "leak" for term in clause):
        named = [term for term in clause if term.kind == "mention"]
        for term in named or _last_mention(terms, index):
            term.is_negated = True
        return
    named = _named_beside(terms, index)
    if cue.value == "result" and named:
        for term in named:
            term.is_negated = True
        return
    _negate_before(terms, index)


def _named_beside(terms: list[Term], index: int) -> list[Term]:
    """The components of a cue's clause, else sentence, else the sentence before, where no sign is said of any there."""
    cue = terms[index]
    reaches = (
        [term for term in terms if term.clause == cue.clause],
        [term for term in terms if term.sentence == cue.sentence],
        [term for term in terms if cue.sentence - 1 <= term.sentence <= cue.sentence],
    )
    for reach in reaches:
        named = [term for term in reach if term.kind == "mention"]
        if named:
            return [] if any(term.kind in SIGNS for term in reach) else named
    return []


def _last_mention(terms: list[Term], index: int) -> list[Term]:
    """The component named last before a cue, in its sentence or the one before."""
    near = [term for term in terms[:index] if term.sentence >= terms[index].sentence - 1]
    return [term for term in near if term.kind == "mention"][-1:]


def _not_seen(terms: list[Term], index: int) -> None:
    """Negate the leak that could not be made to show: "unable to duplicate leak at cover"."""
    if terms[index].value == "not_seen":
        _negate(terms, index)


def _guess(terms: list[Term], index: int) -> None:
    """Make what follows a guess; what stands before it, where nothing follows."""
    cue = terms[index]
    reached = [term for term in _after(terms, index, _ENDS_GUESS) if term.kind in GUESSABLE]
    if not reached and cue.value != "back":
        _guess_before(terms, index)
    if not reached and any(term.kind == "innocent" for term in _after(terms, index, _ENDS_GUESS)):
        reached = [term for term in terms[:index] if term.sentence == cue.sentence and term.kind in GUESSABLE]
    if cue.value == "back" and any(term.kind == "mention" and term.sentence == cue.sentence for term in terms):
        reached += [term for term in terms[:index] if term.sentence == cue.sentence and term.kind in GUESSABLE]
    for term in reached:
        if term.kind == "dry":
            continue
        term.is_guess = True
        term.was = term.was or cue.value == "past"


def _guess_before(terms: list[Term], index: int) -> None:
    """Make what stands before the cue in its clause a guess: "rocker cover leak suspected", "rocker cover?"."""
    cue = terms[index]
    if cue.kind == "after_hedge" and any(term.kind == "work" and term.clause == cue.clause for term in terms[:index]):
        return
    for term in reversed(terms[:index]):
        if term.clause != cue.clause or term.kind in ("contrast", "turn"):
            return
        if term.kind in GUESSABLE and term.kind != "dry":
            term.is_guess = True
            term.was = term.was or cue.value == "past"


def _ask(terms: list[Term], index: int) -> None:
    """What is asked for is not said to be so; an index of -1 makes the whole first clause a question."""
    reached = _after(terms, index, _ENDS_GUESS | {"report"}) if index >= 0 else iter(terms[:MAX_QUESTION_TERMS])
    for term in reached:
        if term.kind in GUESSABLE:
            term.is_asked = True


def _look(terms: list[Term], index: int) -> None:
    """A look "for leaks" says nothing of what it found; a look at a component does not touch what is said of it."""
    looked_for = terms[index]
    for term in _after(terms, index, _ENDS_GUESS | {"negation", "after_negation"}):
        if term.kind == "for":
            looked_for = term
        elif term.kind == "leak" and "for" in (looked_for.kind, looked_for.value):
            term.is_asked = True


def _look_for(terms: list[Term], index: int) -> None:
    """A leak to be watched for is not said to be there: "monitor cover for leaks"."""
    clause = [term for term in terms[:index] if term.clause == terms[index].clause]
    following = next(iter(terms[index + 1 :]), None)
    if following is not None and following.kind == "leak" and any(term.value == "watch" for term in clause):
        following.is_asked = True


def _suppose(terms: list[Term], index: int) -> None:
    """A condition: "if leaking, replace"."""
    for term in _after(terms, index, frozenset({"contrast"})):
        if term.kind == "leak":
            term.is_asked = True


def _tell(terms: list[Term], index: int) -> None:
    """What somebody else reported: it stands until a look says otherwise. Advice may be the writer's own."""
    cue = terms[index]
    reached = [term for term in _after(terms, index, frozenset({"turn", "looked"})) if term.kind in SIGNS]
    if cue.value == "advice" and not reached:
        return
    before = [term for term in terms[:index] if term.clause == cue.clause and term.kind in SIGNS]
    later = [term for term in terms[index:] if term.sentence == cue.sentence and term.kind in SIGNS]
    if not any(term.sentence == cue.sentence and term.kind in SIGNS | {"work"} for term in terms):
        for term in _after(terms, index, _ENDS_GUESS):
            term.is_guess = term.is_guess or term.kind == "mention"
    earlier = [term for term in terms[:index] if term.sentence == cue.sentence and term.kind in SIGNS]
    for term in reached or before or later[:1] or earlier[-1:]:
        term.is_reported = True


_MARKERS: dict[str, Callable[[list[Term], int], None]] = {
    "negation": _negate,
    "resolved": _end,
    "work": _work,
    "spilt": _spill,
    "confirm": _confirm,
    "after_negation": _deny_before,
    "no_fault": _not_seen,
    "hedge": _guess,
    "after_hedge": _guess_before,
    "request": _ask,
    "looked": _look,
    "for": _look_for,
    "condition": _suppose,
    "report": _tell,
}


def _is_cause(clause: list[Term], leak: Term) -> bool:
    """Whether a leak is what work was done for: "replaced last year due to leak", "repair of leak in May"."""
    at = clause.index(leak)
    is_named = any(one.kind == "work" and other.value == "of" for one, other in pairwise(clause[:at]))
    return is_named or (at > 0 and clause[at - 1].kind in ("from", "for"))


def _mark_time(clause: list[Term]) -> None:
    """Mark what a clause says of an earlier time, of the time since a repair, or of coming back."""
    kinds = {term.kind for term in clause}
    again = [term for term in clause if term.kind == "recurrence"]
    is_since = "since" in kinds
    times = {term.value for term in clause if term.kind == "history"}
    is_past = "" in times and all(term.value == "now" for term in again)
    worked = next((term.first for term in clause if term.kind == "work"), None)
    told_of = next((term.first for term in clause if term.value == "which"), None)
    for term in clause:
        term.is_again = bool(again)
        term.is_since = is_since
        if term.kind == "work":
            term.is_past = is_since or "history" in kinds
        elif term.kind == "leak":
            term.is_past = term.is_past or (
                is_past
                and not is_since
                and not term.is_negated
                and (told_of is None or term.first > told_of)
                and not any(other.first < term.first for other in again)
                and (worked is None or term.first < worked or _is_cause(clause, term))
            )
            term.is_asked = term.is_asked or (
                times == {"old"} and not again and not term.is_negated and term.value in ("", "I")
            )
