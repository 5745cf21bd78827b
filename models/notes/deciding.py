"""From what was found to what is stated: one polarity for each component of a text, by the labels of the house.

*present*: a leak found at this visit, even if repaired at this visit or said to recur. *absent*: said not to leak,
refuted, or dry on a look. *resolved*: said to have been cured earlier, with no leak now. *uncertain*: hedged, asked
for, a symptom alone, damage or a parts line without a leak word.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from models.notes.binding import Finding
from models.notes.terms import Term
from models.notes.tokens import PAUSE, QUESTION, STOP, Token
from models.tables.ledger import JOINT_COMPONENTS

OILY = frozenset({"cover_gasket", "plug_tube_seal", "other_oil_leak"})
MAX_LABEL_TOKENS = 3
"""A text no longer than this that names a cover is about its joint."""
_JOINT_TALK = frozenset({"work", "part", "damage", "request", "looked", "symptom", "defer"})
"""Kinds that make a bare mention of a cover a parts line, damage or a request."""
SURE = 0.95
"""Confidence of a component and a sign named in one clause."""
LESS = {"other clause": 0.1, "no place": 0.2, "weak word": 0.15, "guess": 0.1, "no sign": 0.25, "contradiction": 0.15}
"""What each weakness of a reading takes off; judgement of the house, not a measured rate."""


@dataclass(slots=True)
class Statement:
    """What a text says of one component; `text[start:end]` says so.

    `is_unplaced`: a leak of which the text names no component.
    """

    component: str
    polarity: str
    start: int
    end: int
    position: str = ""
    location: str = ""
    leak_class: str | None = None
    symptoms: list[str] = field(default_factory=list)
    hot_part: str = ""
    confidence: float = SURE
    is_unplaced: bool = False


@dataclass(slots=True)
class Reading:
    """A text with its tokens and terms."""

    text: str
    tokens: Sequence[Token]
    terms: list[Term]


def decide(reading: Reading, findings: list[Finding]) -> list[Statement]:
    """The statements of a text, in its order; empty where it says nothing."""
    _refute_guesses(reading.terms, findings)
    _bear_out_guesses(reading.terms, findings)
    groups = _grouped(reading, findings)
    statements = [statement for group in groups if (statement := _stated(reading, *group)) is not None]
    statements = _without_unplaced(statements)
    return sorted(_with_symptoms(reading, statements), key=lambda statement: (statement.start, statement.component))


def _is_wet(finding: Finding) -> bool:
    """Said to leak, now and for certain."""
    if finding.takes_over:
        return True
    sign, mention = finding.sign, finding.mention
    if sign is None or sign.is_guess or sign.is_asked or sign.is_past:
        return False
    if mention is not None and (mention.is_guess or mention.is_negated):
        return False
    return (sign.kind == "leak") != sign.is_negated


def _is_dry(finding: Finding) -> bool:
    """Said not to leak."""
    sign, mention = finding.sign, finding.mention
    if sign is None or sign.is_asked:
        return mention is not None and mention.is_negated
    if mention is not None and mention.is_negated and sign.kind == "leak":
        return not sign.is_negated
    return (sign.kind == "dry") != sign.is_negated


def _is_hearsay(finding: Finding) -> bool:
    """Said to leak by somebody else."""
    return finding.sign is not None and finding.sign.is_reported and _is_wet(finding)


def _is_oil_found(finding: Finding) -> bool:
    """Whether oil was seen at a component, which may have run there from elsewhere."""
    return finding.sign is not None and finding.sign.is_oil and _is_wet(finding)


def _refute_guesses(terms: list[Term], findings: list[Finding]) -> None:
    """A guess that the text turns away from, to a leak elsewhere, is refuted."""
    wet = [finding for finding in findings if finding.mention is not None and _is_wet(finding)]
    for finding in findings:
        guess = finding.mention
        is_open = guess is not None and (guess.is_guess or _is_hearsay(finding) or _is_oil_found(finding))
        if guess is None or not is_open or (_is_wet(finding) and guess.is_guess):
            continue
        later = [
            other.mention
            for other in wet
            if other.mention is not None and other.mention.first > guess.last and other.mention.value != guess.value
        ]
        if not later:
            continue
        between = [term.kind for term in terms if guess.last < term.first <= later[0].last]
        if _is_oil_found(finding) and not (guess.is_guess or _is_hearsay(finding)):
            traced = any(t.value == "source" for t in terms if guess.last < t.first <= later[0].last)
            guess.is_negated = guess.is_negated or traced
            continue
        if guess.was or not {"turn", "contrast", "naming", "confirm"}.isdisjoint(between):
            guess.is_negated, guess.is_guess = True, False
            if finding.sign is not None and finding.sign.is_guess:
                finding.sign = None


def _bear_out_guesses(terms: list[Term], findings: list[Finding]) -> None:
    """A guess at a cover is borne out by oil said to be at a place on it: "I think rocker cover, wet at the front"."""
    for finding in findings:
        guess, sign = finding.mention, finding.sign
        if guess is None or sign is None or not guess.is_guess or sign.is_guess or sign.kind != "leak":
            continue
        follows = sign.first > guess.last and sign.clause != guess.clause and not sign.is_negated
        if follows and any(term.kind in ("spot", "part") and term.clause == sign.clause for term in terms):
            guess.is_guess = False


def _grouped(reading: Reading, findings: list[Finding]) -> list[tuple[str, str, list[Finding]]]:
    """Findings of one component, side and (for another leak) place together."""
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in findings:
        mention = finding.mention
        component = mention.value if mention is not None else ""
        side = mention.side if mention is not None and component in JOINT_COMPONENTS else ""
        if mention is None:
            place = ""
        else:
            is_of_joint = component in JOINT_COMPONENTS
            place = mention.which if is_of_joint else reading.text[mention.start : mention.end].lower()
        groups.setdefault((component, side, place), []).append(finding)
    for component in JOINT_COMPONENTS:
        _fold_unsided(groups, component, reading.tokens)
    return [(component, side, found) for (component, side, _), found in groups.items()]


def _fold_unsided(groups: dict[tuple[str, str, str], list[Finding]], component: str, tokens: Sequence[Token]) -> None:
    """Findings without a side join the side named elsewhere in the text."""
    sides = [key for key in groups if key[0] == component and key[1]]
    unsided, both = (component, "", ""), (component, "both", "")
    if len(sides) > 1 and both in groups and not _has_signs(groups[both]):
        del groups[both]
    if not sides or unsided not in groups:
        return
    if len(sides) == 1 and (_is_anaphoric(groups[unsided], tokens) or not _has_signs(groups[sides[0]])):
        groups[sides[0]] = sorted(groups.pop(unsided) + groups[sides[0]], key=_place_of)
    elif all(finding.sign is None for finding in groups[unsided]):
        del groups[unsided]


def _has_signs(findings: list[Finding]) -> bool:
    """Whether anything is said of the component."""
    return any(finding.sign is not None for finding in findings)


_PARTS_OF_NAMED = frozenset({"in", "down", "the", "plug", "wells", "half", "moon", "seal"})
"""Words that name a part of the joint already spoken of: "LH tube seals leak, oil in wells"."""


def _is_anaphoric(findings: list[Finding], tokens: Sequence[Token]) -> bool:
    """Whether findings name no cover anew: "the cover", "in wells", or nothing said of it."""

    def names_part(mention: Term) -> bool:
        words = {token.word for token in tokens[mention.first : mention.last + 1]}
        return mention.first == mention.last or (words <= _PARTS_OF_NAMED and not words <= {"plug", "seal"})

    return all(f.sign is None or f.mention is None or names_part(f.mention) for f in findings)


def _place_of(finding: Finding) -> int:
    """Where in the text a finding stands."""
    term = finding.sign or finding.mention
    return term.first if term is not None else 0


def _stated(reading: Reading, component: str, side: str, findings: list[Finding]) -> Statement | None:
    """One statement from the findings of one component."""
    findings = sorted(findings, key=_place_of)
    if component in ("", "not_engine"):
        return _unplaced(reading, findings) if component == "" else None
    polarity, deciding = _polarity(reading, component, findings)
    if not polarity:
        return None
    parts = [term for finding in deciding for term in (finding.mention, finding.sign) if term is not None]
    start, end = min(term.start for term in parts), max(term.end for term in parts)
    return _detailed(reading, Statement(component, polarity, start, end, side), parts, deciding)


def _polarity(reading: Reading, component: str, findings: list[Finding]) -> tuple[str, list[Finding]]:
    """The polarity and the findings that decide it."""
    findings = _without_limits(reading, findings)
    wet = [finding for finding in findings if _is_wet(finding)]
    dry = [finding for finding in findings if _is_dry(finding)]
    if wet and not _is_overruled(reading, wet, dry):
        return "present", wet
    if dry:
        return _dry_polarity(reading, findings, wet, dry)
    if wet:
        return "resolved" if _is_mended_earlier(reading, wet) else "absent", wet
    if component in JOINT_COMPONENTS:
        return _open_polarity(reading, findings)
    near = _around(reading, findings)
    if any(term.kind == "work" and term.is_past for term in near) and any(term.kind == "resolved" for term in near):
        return "resolved", findings
    signed = [
        finding for finding in findings if finding.sign is not None or (finding.mention and finding.mention.is_guess)
    ]
    return ("uncertain", signed) if signed else ("", [])


def _without_limits(reading: Reading, findings: list[Finding]) -> list[Finding]:
    """ "Not dripping" beside another leak word, or where the repair waits, limits the leak; it does not deny it."""
    limits = [
        f for f in findings if f.sign and f.sign.kind == "leak" and f.sign.is_negated and f.sign.value in ("II", "III")
    ]
    others = [f for f in findings if f.sign and f.sign.kind == "leak" and not f.sign.is_negated and not f.sign.is_asked]
    waits = any(term.kind in ("defer", "contrast") and term.value != "just" for term in reading.terms)
    if not limits or not (others or waits):
        return findings
    if others:
        return [finding for finding in findings if finding not in limits]
    for finding in limits:
        if finding.sign is not None:
            finding.sign.is_negated, finding.sign.value = False, "I"
    return findings


def _is_overruled(reading: Reading, wet: list[Finding], dry: list[Finding]) -> bool:
    """Whether a later look overrules what was reported, or says that what was wet is dry without a repair now."""
    last_wet = max(_place_of(finding) for finding in wet)
    reported = all(finding.sign is not None and finding.sign.is_reported for finding in wet)
    unfounded = [term for term in reading.terms if term.kind == "no_fault" and term.first > last_wet]
    if reported and (unfounded or _is_denied_beside(wet, dry)):
        return True
    later = [finding for finding in dry if _place_of(finding) > last_wet]
    if not later:
        return bool(unfounded) and _is_mended_earlier(reading, wet)
    between = [term for term in reading.terms if last_wet < term.first < _place_of(later[0]) + 1]
    work = [term for term in between if term.kind == "work"]
    if work:
        return all(term.is_past for term in work)
    if _is_replaced_now(reading, wet):
        return False
    return (
        reported
        or _is_past_wet(reading, wet, later)
        or any(term.kind == "looked" or term.value == "now" for term in between)
    )


def _is_past_wet(reading: Reading, wet: list[Finding], later: list[Finding]) -> bool:
    """Whether what was wet was so before the later look: it was, it is still dry, a stain is, or the joint below is."""
    if all(finding.sign is not None and finding.sign.was for finding in wet):
        return True
    is_still = any(finding.sign is not None and finding.sign.value == "stays" for finding in later)
    is_joint_dry = any(_is_joint_below(reading, finding) for finding in later)
    return is_still or is_joint_dry or all(_is_old_mark(reading, finding, later) for finding in wet)


def _is_mended_earlier(reading: Reading, wet: list[Finding]) -> bool:
    """Whether what leaked was put right at an earlier visit: "cover leak, rectified last visit. No fault found"."""
    last = max(_place_of(finding) for finding in wet)
    sentences = {finding.sign.sentence for finding in wet if finding.sign is not None}
    work = [term for term in reading.terms if term.kind == "work" and term.first > last and term.sentence in sentences]
    return bool(work) and all(term.is_past for term in work)


_MARKS = frozenset({"stain", "residue", "mark"})
"""What a leak leaves that may long have stopped."""


def _is_old_mark(reading: Reading, finding: Finding, dry: list[Finding]) -> bool:
    """Whether a stain is said to be dry in its own sentence: "staining below the cover but dry to the touch"."""
    sign = finding.sign
    if sign is None or not any(token.word in _MARKS for token in reading.tokens[sign.first : sign.last + 1]):
        return False
    return any(other.sign is not None and other.sign.sentence == sign.sentence for other in dry)


def _is_denied_beside(wet: list[Finding], dry: list[Finding]) -> bool:
    """Whether a report stands in the clause that denies it: "no leak where the cover was reported leaking"."""
    clauses = {finding.sign.clause for finding in wet if finding.sign is not None}
    denied = [finding.sign for finding in dry if finding.sign is not None and finding.sign.is_negated]
    return any(sign.clause in clauses for sign in denied)


def _is_joint_below(reading: Reading, finding: Finding) -> bool:
    """Whether a dry look is at the joint of a cover that oil lies on: "oil on top of the cover but gasket dry"."""
    mention = finding.mention
    if mention is None or not mention.is_implied or reading.tokens[mention.first].word not in ("gasket", "joint"):
        return False
    return any(term.kind == "contrast" and term.clause == mention.clause for term in reading.terms)


def _is_replaced_now(reading: Reading, wet: list[Finding]) -> bool:
    """Whether what was wet was worked on at this visit: "replaced leaking gasket, now dry"."""
    clauses = {finding.sign.clause for finding in wet if finding.sign is not None}
    return any(term.kind == "work" and not term.is_past and term.clause in clauses for term in reading.terms)


def _dry_polarity(
    reading: Reading, findings: list[Finding], wet: list[Finding], dry: list[Finding]
) -> tuple[str, list[Finding]]:
    """Dry now: resolved where it was cured earlier, else absent."""
    near = _around(reading, findings)
    signs = [finding.sign for finding in dry if finding.sign is not None]
    repaired_now = any(term.kind == "work" and not term.is_past for term in reading.terms)
    cured = any(
        term.kind == "resolved" or (term.value == "cure" and not wet) or (term.value == "now" and not repaired_now)
        for term in near
    )
    earlier = any(term.kind == "work" and term.is_past for term in near) or _is_dated(reading, findings)
    was_wet = any(f.sign is not None and f.sign.kind == "leak" and f.sign.is_past for f in findings)
    since = any(term.kind == "since" for term in near)
    was = bool(wet) and all(finding.sign is not None and finding.sign.was for finding in wet)
    is_still = any(reading.tokens[sign.first].word == "still" for sign in signs)
    clauses = {finding.mention.clause for finding in findings if finding.mention is not None}
    stays = is_still and not wet and any(term.kind == "work" and term.clause in clauses for term in near)
    was_seen = bool(wet) and any(sign.value == "stays" for sign in signs)
    if signs and (stays or since or earlier or was_wet or cured or was or was_seen):
        return "resolved", dry
    return "absent", dry


def _is_dated(reading: Reading, findings: list[Finding]) -> bool:
    """Whether a gasket, or a leak not there now, is of an earlier time: "gasket from May dry", "old leak not seen"."""
    mentions = [finding.mention for finding in findings]
    denied = [finding.sign for finding in findings if finding.sign is not None and finding.sign.is_negated]
    for term, following in pairwise(reading.terms):
        if following.first - term.last != 1:
            continue
        if term.kind == "history" and following in mentions and _says_joint(reading, findings):
            return True
        if following.kind == "history" and term in mentions and _is_renewed(reading, term):
            return True
        is_leak = following in denied and _is_leak_word(reading, following)
        if denied and (is_leak or following in mentions) and _says_earlier(reading, term):
            return True
    return False


def _is_renewed(reading: Reading, mention: Term) -> bool:
    """Whether a date after a gasket is that of its fitting, not of what else was done: "wiped gasket last week"."""
    words = [token.word for token in reading.tokens[: mention.last + 1]]
    clause = next((at for at in range(mention.first - 1, -1, -1) if words[at] in (STOP, PAUSE, QUESTION)), -1)
    is_dealt_with = any(word.endswith("ed") for word in words[clause + 1 : mention.first])
    return words[-1] in ("gasket", "seal", "joint") and not is_dealt_with


def _says_earlier(reading: Reading, term: Term) -> bool:
    """Whether a term puts the leak after it at an earlier time."""
    return term.kind == "history" and reading.tokens[term.last].word in _EARLIER


_EARLIER = frozenset({"previous", "old"})
"""Words that put the leak after them at an earlier time."""


def _around(reading: Reading, findings: list[Finding]) -> list[Term]:
    """The terms about the component of findings: of their sentences and the ones beside, without others' clauses."""
    own = [term for finding in findings for term in (finding.mention, finding.sign) if term is not None]
    sentences, clauses = {term.sentence for term in own}, {term.clause for term in own}
    mentions = [term for term in reading.terms if term.kind == "mention" and not any(term is one for one in own)]
    foreign = _clauses_of(mentions, reading.terms) - clauses
    closed = {term.sentence for term in mentions} - sentences
    return [
        term
        for term in reading.terms
        if term.clause not in foreign
        and (term.sentence in sentences or (_is_beside(term, sentences) and term.sentence not in closed))
    ]


def _clauses_of(mentions: list[Term], terms: list[Term]) -> set[int]:
    """The clauses of components, each with those after it up to the next component or sentence."""
    clauses: set[int] = set()
    for mention in mentions:
        others = [term.clause for term in terms if term.kind == "mention" and term.clause > mention.clause]
        last = max(term.clause for term in terms if term.sentence == mention.sentence)
        clauses.update(range(mention.clause, min([last + 1, *others])))
    return clauses


def _is_beside(term: Term, sentences: set[int]) -> bool:
    """Whether a term stands in the sentence before or after."""
    return term.sentence - 1 in sentences or term.sentence + 1 in sentences


def _open_polarity(reading: Reading, findings: list[Finding]) -> tuple[str, list[Finding]]:
    """Neither wet nor dry: cured, or uncertain; nothing where the cover was only taken off for other work."""
    near = _around(reading, findings)
    was_wet = any(finding.sign is not None and finding.sign.is_past for finding in findings)
    if any(term.kind == "resolved" or (term.value == "cure" and was_wet) for term in near):
        return "resolved", findings
    signed = any(finding.sign is not None or (finding.mention and finding.mention.is_guess) for finding in findings)
    if signed or _says_joint(reading, findings) or any(term.kind in _JOINT_TALK for term in near):
        return "uncertain", findings
    is_whole_text = len(reading.tokens) <= MAX_LABEL_TOKENS
    return ("uncertain", findings) if is_whole_text else ("", [])


def _says_joint(reading: Reading, findings: list[Finding]) -> bool:
    """Whether the gasket or seal of the cover is named, not only the cover."""
    mentions = [finding.mention for finding in findings if finding.mention is not None]
    words = {token.word for term in mentions for token in reading.tokens[term.first : term.last + 1]}
    return bool(words & {"gasket", "seal", "joint"})


def _detailed(reading: Reading, said: Statement, parts: list[Term], findings: list[Finding]) -> Statement:
    """The statement with its location, class and confidence."""
    clauses = {term.clause for term in parts}
    if said.component in JOINT_COMPONENTS:
        said.location = _spots(reading, clauses, said.position)
    else:
        mention = next(term for term in parts if term.kind == "mention")
        said.location = reading.text[mention.start : mention.end]
    if said.polarity == "present":
        classes = [finding.sign.value for finding in findings if finding.sign and finding.sign.kind == "leak"]
        said.leak_class = max(classes, default="") or None
    said.confidence = _confidence(findings, said.polarity, len(clauses))
    return said


def _confidence(findings: list[Finding], polarity: str, clauses: int) -> float:
    """How sure the reading is."""
    sure = SURE
    if clauses > 1:
        sure -= LESS["other clause"]
    if all(finding.sign is None for finding in findings):
        sure -= LESS["no sign"]
    if any(finding.sign and finding.sign.kind == "dry" and finding.sign.value == "weak" for finding in findings):
        sure -= LESS["weak word"]
    if polarity == "uncertain":
        sure -= LESS["guess"]
    return round(sure, 2)


def _spots(reading: Reading, clauses: set[int], side: str) -> str:
    """Where on the cover, in the words of the note."""
    other_side = {"left": "right", "right": "left"}.get(side, "")
    spots = [
        term
        for term in reading.terms
        if term.kind in ("spot", "side") and term.clause in clauses and term.value != (other_side or None)
    ]
    if not spots:
        return ""
    first = spots[0]
    last = first
    for term in spots[1:]:
        if term.clause == first.clause and term.first - last.last <= 3:
            last = term
    return reading.text[first.start : last.end]


def _unplaced(reading: Reading, findings: list[Finding]) -> Statement | None:
    """A leak of which no known component is named: another oil leak, with its place where the words give one."""
    signed = [finding for finding in findings if finding.sign is not None]
    wet = [finding for finding in signed if _is_wet(finding)]
    denied = [finding for finding in signed if finding.sign and finding.sign.kind == "leak" and finding.sign.is_negated]
    unsure = [
        f for f in signed if f.sign and f.sign.kind == "leak" and (f.sign.is_guess or f.sign.is_asked or f.sign.is_past)
    ]
    for polarity, deciding in (("present", wet), ("absent", denied), ("uncertain", unsure)):
        if deciding:
            sign = deciding[0].sign
            assert sign is not None
            return _unplaced_statement(reading, polarity, sign)
    return None


def _unplaced_statement(reading: Reading, polarity: str, sign: Term) -> Statement | None:
    """The statement of a leak whose component is not named."""
    is_oil = _says_oil(reading, sign)
    if not is_oil and (polarity != "present" or not _is_leak_word(reading, sign) or _is_of_body(reading, sign)):
        return None
    statement = Statement("other_oil_leak", polarity, sign.start, sign.end, is_unplaced=True)
    statement.location, statement.end = _place_words(reading, sign)
    if polarity == "present" and sign.kind != "dry":
        statement.leak_class = sign.value or None
    statement.confidence = round(SURE - LESS["no place"] - (0.0 if is_oil else LESS["no sign"]), 2)
    return statement


def _says_oil(reading: Reading, sign: Term) -> bool:
    """Whether the leak is said to be of oil."""
    if any(reading.tokens[at].word == "oil" for at in range(sign.first, sign.last + 1)):
        return True
    return any(term.kind == "oil" and term.clause == sign.clause for term in reading.terms)


_LEAK_WORDS = frozenset({"leak", "seep", "weep", "drip", "ooze", "escape"})


def _is_leak_word(reading: Reading, sign: Term) -> bool:
    """Whether a sign says leak outright, where no oil is named."""
    return any(token.word in _LEAK_WORDS for token in reading.tokens[sign.first : sign.last + 1])


def _is_of_body(reading: Reading, sign: Term) -> bool:
    """Whether the clause is about the body or something else that holds no oil."""
    return any(term.kind in ("plain", "other_cover") and term.clause == sign.clause for term in reading.terms)


MAX_PLACE_TOKENS = 6
"""Words kept of a place that the lexicon does not know."""
_LEADS = frozenset({"from", "near", "on"})
_PLACE_KINDS = _LEADS | {"site", "spot", "side", "plain", "other_cover", "join", "plugs", "coils", "part"}
"""Kinds that a place may contain."""
_TRAILING = re.compile(r"[\s,.;:()\-]+$")


def _place_words(reading: Reading, sign: Term) -> tuple[str, int]:
    """The words that say where: those after the preposition, to the end of the clause; and where they end."""
    after = [term for term in reading.terms if term.clause == sign.clause and term.first > sign.last]
    lead = next((term for term in after if term.kind in _LEADS), None)
    first = (lead or sign).last + 1
    ends = [term.first for term in after if term.first >= first and term.kind not in _PLACE_KINDS]
    last = min([first + MAX_PLACE_TOKENS, *ends])
    words: list[Token] = []
    for token in reading.tokens[first:last]:
        if token.word in (STOP, PAUSE, QUESTION) or (not words and token.word in ("and", "or", "/")):
            break
        words.append(token)
    if not words:
        return "", sign.end
    text = _TRAILING.sub("", reading.text[words[0].start : words[-1].end])
    return text, words[0].start + len(text)


def _without_unplaced(statements: list[Statement]) -> list[Statement]:
    """Leave out a leak without a component where a component is said to leak, or may: it is the same leak."""
    placed = [statement for statement in statements if not statement.is_unplaced and statement.component in OILY]
    named = any(statement.polarity in ("present", "uncertain") for statement in placed)
    denied = any(statement.polarity in ("absent", "resolved") for statement in placed)
    return [
        statement
        for statement in statements
        if not (statement.is_unplaced and (named or (denied and statement.polarity != "present")))
    ]


_SYMPTOMS = {"smoke_alone": "smoke"}
_NOT_SUSPECT = frozenset({"low_oil", "smoke_alone"})
"""Symptoms that do not point at the top of the engine by themselves."""


def _with_symptoms(reading: Reading, statements: list[Statement]) -> list[Statement]:
    """Write symptoms on the oil statement they go with; a symptom alone makes the cover suspect."""
    symptoms = [
        term
        for term in reading.terms
        if term.kind == "symptom" and term.value != "exhaust_smoke" and not term.is_negated
    ]
    if not symptoms:
        return statements
    names = list(dict.fromkeys(_SYMPTOMS.get(term.value, term.value) for term in symptoms))
    oily = [statement for statement in statements if statement.component in OILY]
    if oily:
        best = min(oily, key=lambda statement: ("present", "uncertain", "absent", "resolved").index(statement.polarity))
        best.symptoms = names
        return statements
    start, end = min(term.start for term in symptoms), max(term.end for term in symptoms)
    suspect = any(term.value not in _NOT_SUSPECT for term in symptoms)
    component = "cover_gasket" if suspect and not statements else "none"
    alone = Statement(component, "uncertain", start, end, symptoms=names)
    alone.confidence = round(SURE - LESS["no place"] - LESS["guess"], 2)
    return [*statements, alone]
