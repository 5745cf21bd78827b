"""Which component each sign is said of.

Signs ("leak", "dry") and mentions (components) stand in a row; a sign belongs to the mention it governs ("leak from the
sump"), else to the one before it in its clause ("sump dry"), else to one in a clause nearby.
"""

from dataclasses import dataclass

from models.notes.scope import SIGNS, is_other_side
from models.notes.terms import Term
from models.tables.ledger import JOINT_COMPONENTS

MAX_DIRECT_TOKENS = 5
"""A sign and the component right after it, without a preposition, stand no further apart."""

_LINKING = frozenset({"join", "side", "spot", "near", "from", "plain", "on", "site"})
"""Kinds that may stand between the components of a list."""
_QUALIFYING = frozenset({"side", "spot", "plain", "part", "near", "oil", "damage"})
"""Kinds that may stand between a preposition and its component."""


_CUTS_LINK = frozenset({"mention", "contrast", "work", "negation"})
"""Kinds that part a sign from a component after it."""


@dataclass(slots=True)
class Finding:
    """A sign said of a component; no component where the text names none, no sign where it only names the component.

    `takes_over`: the component is named as the true source of a leak said or guessed elsewhere.
    """

    mention: Term | None
    sign: Term | None
    takes_over: bool = False


def bind(terms: list[Term]) -> list[Finding]:
    """Join every sign to the components it is said of, in the order of the text."""
    _mark_landings(terms)
    mentions = [term for term in terms if term.kind == "mention" and not term.is_landing]
    signs = [term for term in terms if term.kind in SIGNS]
    return _Binder(terms, mentions, signs).bind()


def _mark_landings(terms: list[Term]) -> None:
    """Mark the components that oil is said to land on, where another component is named as well.

    Oil that gets into a plug well leaks there, unless it comes from the cover.
    """
    mentions = [term for term in terms if term.kind == "mention"]
    if len(mentions) < 2:
        return
    for mention in mentions:
        is_landing = _preposition(terms, mention) == "onto" or _is_run_over(terms, mention)
        if is_landing and not _is_own_leak(mention, mentions):
            mention.is_landing = True
    if all(mention.is_landing for mention in mentions):
        for mention in mentions:
            mention.is_landing = False


def _is_run_over(terms: list[Term], mention: Term) -> bool:
    """Whether oil runs over a component from another named before: "actually filler cap, oil spraying over cover"."""
    at = terms.index(mention)
    if at == 0 or terms[at - 1].value != "over":
        return False
    before = [term for term in terms[:at] if term.sentence == mention.sentence and term.kind == "mention"]
    return bool(before) and before[-1].value == "other_oil_leak" and not before[-1].is_negated


def _is_own_leak(mention: Term, mentions: list[Term]) -> bool:
    """Whether oil gets into a plug well without the sentence naming a cover that it could come from."""
    covers = [other for other in mentions if other.value == "cover_gasket" and other.sentence == mention.sentence]
    return mention.value == "plug_tube_seal" and all(is_other_side(mention, cover) for cover in covers)


def _preposition(terms: list[Term], mention: Term) -> str:
    """The kind of the preposition before a component: from, near, on, onto, or ''."""
    at = terms.index(mention)
    for term in reversed(terms[:at]):
        if term.clause != mention.clause:
            return ""
        if term.kind in ("from", "onto", "on", "near"):
            return term.kind
        if term.kind not in _QUALIFYING:
            return ""
    return ""


class _Binder:
    """The rows of signs and mentions of one text, and what has been bound so far."""

    def __init__(self, terms: list[Term], mentions: list[Term], signs: list[Term]) -> None:
        self._terms, self._signs = terms, signs
        self._places = {id(term): at for at, term in enumerate(terms)}
        runs = self._lists(mentions)
        self._excepted = [run for run in runs if self._is_excepted(run)]
        self._runs = [run for run in runs if run not in self._excepted]
        self._bound: dict[int, Term] = {}
        self._last: tuple[list[Term], Term] | None = None

    def bind(self) -> list[Finding]:
        """Bind every sign, then name the components nothing was said of."""
        findings: list[Finding] = []
        for sign in self._signs:
            run = self._run_of(sign)
            if run is None:
                findings.append(Finding(None, sign))
                continue
            findings.extend(Finding(mention, sign) for mention in run)
            for mention in run:
                self._bound.setdefault(id(mention), sign)
            self._last = run, sign
        bare = [run for run in self._runs if self._is_free(run)]
        named = [Finding(mention, self._shared_sign(run), self._takes_over(run)) for run in bare for mention in run]
        named += [Finding(mention, None, takes_over=True) for run in self._excepted for mention in run]
        return [finding for finding in findings if not self._is_traced_on(finding, named)] + named

    def _is_excepted(self, run: list[Term]) -> bool:
        """Whether components are all that is not dry: "no leaks apart from the cover", "all dry bar the cover"."""
        first = run[0]
        clause = [term for term in self._terms if term.clause == first.clause]
        said = [term for term in clause if term.kind in SIGNS or term.kind == "damage"]
        if clause[0].value != "but_for":
            return False
        if said:
            return all(term.kind == "dry" and not term.is_negated and term.value != "weak" for term in said)
        before = [sign for sign in self._signs if sign.sentence == first.sentence and sign.first < first.first]
        return bool(before) and before[-1].value != "weak" and (before[-1].kind == "dry") != before[-1].is_negated

    def _is_traced_on(self, finding: Finding, named: list[Finding]) -> bool:
        """Whether oil lay on a component that the text then traces to another: "oil on gearbox, traced to ..."."""
        mention = finding.mention
        if mention is None or mention.value in JOINT_COMPONENTS or finding.sign is None or finding.sign.is_reported:
            return False
        if _preposition(self._terms, mention) not in ("on", "near"):
            return False
        return any(
            other.takes_over and other.mention is not None and other.mention.first > mention.last for other in named
        )

    def _shared_sign(self, run: list[Term]) -> Term | None:
        """The sign that components joined to it afterwards share: "cover leaking and sump plug"."""
        if self._is_likewise(run):
            return next((sign for sign in reversed(self._signs) if sign.first < run[0].first), None)
        place = self._places[id(run[0])]
        before = [term for term in self._terms[:place] if term.clause == run[0].clause]
        while before and before[-1].kind in _QUALIFYING:
            before.pop()
        after = [term for term in self._terms[place + 1 :] if term.clause == run[0].clause]
        if len(before) < 2 or before[-1].kind != "join" or before[-2].kind not in SIGNS:
            return None
        return None if any(term.kind in ("work", "negation") for term in after) else before[-2]

    def _is_likewise(self, run: list[Term]) -> bool:
        """Whether what was said of the component before goes for these too: "sump leaking, rocker cover as well"."""
        clause = {term.kind for term in self._terms if term.clause == run[-1].clause}
        signs = [sign for sign in self._signs if sign.sentence == run[0].sentence and sign.first < run[0].first]
        return "likewise" in clause and bool(signs) and clause.isdisjoint({"work", "negation", *SIGNS})

    def _takes_over(self, run: list[Term]) -> bool:
        """Whether components without a sign are named as the source: "not the sump, it's ...", "found to be ..."."""
        first = run[0]
        if first.is_negated or first.is_guess:
            return False
        place = self._places[id(first)]
        earlier = [term for term in self._terms[:place] if term.kind in ("leak", "mention")]
        leading = [term for term in self._terms[:place] if term.clause == first.clause]
        is_source = any(term.value == "source" for term in leading)
        if not is_source and not any(term.kind == "leak" or term.is_guess or term.is_negated for term in earlier):
            return False
        turn = next((term.first for term in reversed(leading) if term.kind == "turn"), -1)
        if any(sign.clause == first.clause and sign.first > turn for sign in self._signs):
            return False
        lead = [term.kind for term in leading]
        if _preposition(self._terms, first) == "from" or "naming" in lead:
            return True
        if "turn" in lead or "confirm" in lead:
            return True
        refuted = [term for term in earlier if term.kind == "mention" and term.is_negated]
        turned_away = any(term.sentence == first.sentence for term in refuted)
        return turned_away and not any(kind in ("work", "negation", "request") for kind in lead)

    def _lists(self, mentions: list[Term]) -> list[list[Term]]:
        """Components in lists ("sump, rear main and rocker cover"), each list one run."""
        runs: list[list[Term]] = []
        for mention in mentions:
            if runs and self._is_listed(runs[-1][-1], mention):
                runs[-1].append(mention)
            else:
                runs.append([mention])
        return [part for run in runs for part in self._split(run)]

    def _is_listed(self, one: Term, other: Term) -> bool:
        """Whether two components stand in one list."""
        if (
            other.is_implied
            or one.sentence != other.sentence
            or one.is_negated != other.is_negated
            or one.is_guess != other.is_guess
        ):
            return False
        between = self._between(one, other)
        if self._is_source_beside_dry(one, other):
            return False
        if not all(term.kind in _LINKING for term in between):
            return False
        if is_other_side(one, other) and any(
            term.kind == "work" and term.clause == other.clause for term in self._terms
        ):
            return False
        return one.clause != other.clause or any(term.kind == "join" for term in between)

    def _is_source_beside_dry(self, one: Term, other: Term) -> bool:
        """Whether a source is named and then a component that is dry: "traced to the switch, cover is fine"."""
        lead = [term for term in self._terms if term.clause == one.clause and term.first < one.first]
        is_source = any(term.value == "source" or term.kind == "naming" for term in lead)
        is_dry = any(term.kind == "dry" and term.clause == other.clause for term in self._terms)
        return one.clause != other.clause and is_source and is_dry

    def _split(self, run: list[Term]) -> list[list[Term]]:
        """Take the last component out of a list where a sign of its own follows: "leak at sump, rocker cover dry"."""
        if len(run) < 2:
            return [run]
        before = self._sign_before(run[0])
        after = self._sign_after(run[-1])
        if after is None or not self._is_said_next(run[-1], after):
            return [run]
        governed = before is not None and before.clause == run[0].clause and self._governs(before, run[0])
        return [run[:-1], run[-1:]] if governed else [run]

    def _is_said_next(self, mention: Term, sign: Term) -> bool:
        """Whether a sign follows a component in its clause, or after no more than its side: "cover (RH) dry"."""
        between = self._between(mention, sign)
        is_next = bool(between) and all(term.kind == "side" for term in between) and sign.sentence == mention.sentence
        return sign.clause == mention.clause or is_next

    def _governs(self, sign: Term, mention: Term) -> bool:
        """Whether a sign is followed by the component it is said of."""
        if self._link(sign, mention) == "from":
            return True
        earlier = [term for term in self._terms[: self._places[id(sign)]] if term.kind == "mention"]
        return not (earlier and earlier[-1].clause == sign.clause and not earlier[-1].is_landing)

    def _sign_before(self, mention: Term) -> Term | None:
        """The sign right before a component."""
        return next((sign for sign in reversed(self._signs) if sign.first < mention.first), None)

    def _sign_after(self, mention: Term) -> Term | None:
        """The sign right after a component, with no other component between."""
        place = self._places[id(mention)]
        for term in self._terms[place + 1 :]:
            if term.kind == "mention" and not term.is_landing:
                return None
            if term.kind in SIGNS:
                return term
        return None

    def _between(self, one: Term, other: Term) -> list[Term]:
        """The terms between two terms."""
        return self._terms[self._places[id(one)] + 1 : self._places[id(other)]]

    def _link(self, sign: Term, mention: Term) -> str:
        """How a sign leads to a component after it: "from", "near", "on", "direct", or '' where it does not."""
        if sign.clause != mention.clause:
            return ""
        link = "direct"
        for term in self._between(sign, mention):
            if term.kind in ("from", "near", "on"):
                link = "from" if "from" in (term.kind, link) else term.kind
            elif term.kind in SIGNS or term.kind in _CUTS_LINK:
                return ""
            elif term.kind == "join" and mention.value == "other_fluid":
                link = "cut"
        too_far = link == "direct" and mention.first - sign.last > MAX_DIRECT_TOKENS
        return "" if too_far or link == "cut" else link

    def _run_of(self, sign: Term) -> list[Term] | None:
        """The components a sign is said of."""
        before, after = self._run_before(sign), self._run_after(sign)
        link = self._link(sign, after[0]) if after else ""
        if sign.kind == "dry":
            return self._of_dry(sign, before, after, link) or self._nearby(sign)
        return self._of_leak(sign, before, after, link) or self._nearby(sign)

    def _run_before(self, sign: Term) -> list[Term] | None:
        """The run before a sign in its clause."""
        runs = [run for run in self._runs if run[-1].last < sign.first and run[-1].clause == sign.clause]
        return runs[-1] if runs else None

    def _run_after(self, sign: Term) -> list[Term] | None:
        """The run after a sign in its clause."""
        return next((run for run in self._runs if run[0].first > sign.last and run[0].clause == sign.clause), None)

    def _is_free(self, run: list[Term]) -> bool:
        """Whether nothing has been said of a run yet."""
        return not any(id(mention) in self._bound for mention in run)

    def _of_dry(self, sign: Term, before: list[Term] | None, after: list[Term] | None, link: str) -> list[Term] | None:
        """A dry sign is said of what stands before it; of what follows where that has had its sign."""
        if before and (self._is_free(before) or not link or sign.value == "weak"):
            return before
        if after and link and (sign.value != "weak" or link == "near"):
            return after
        return before

    def _of_leak(self, sign: Term, before: list[Term] | None, after: list[Term] | None, link: str) -> list[Term] | None:
        """A leak is said of what it comes from, else of what stands before it, else of what follows."""
        fluid = self._fluid_beside(sign, before, after, link) or self._true_fluid(sign, after)
        if fluid:
            return fluid
        if after and link == "from":
            return after
        headed = self._heading(sign) if before is None and link in ("near", "on") else None
        free = before if before and self._is_free(before) else headed
        if free:
            self._land(after, link)
            return free
        return self._of_what_follows(sign, after, link) or before

    def _heading(self, sign: Term) -> list[Term] | None:
        """The components a clause that opens with a leak goes on about: "rocker cover: leaking near filler cap"."""
        headings = [run for run in self._runs if sign.first - run[-1].last == 2 and run[-1].sentence == sign.sentence]
        return next((run for run in headings if run[-1].value in JOINT_COMPONENTS and self._is_free(run)), None)

    def _fluid_beside(
        self, sign: Term, before: list[Term] | None, after: list[Term] | None, link: str
    ) -> list[Term] | None:
        """The fluid that a leak is of: "coolant leak at ...", "leaking coolant"; or what holds no oil."""
        if before and before[-1].value == "not_engine":
            return before
        if before and before[-1].value == "other_fluid" and sign.first - before[-1].last <= 2:
            self._land(after, link)
            return before
        if after and link == "direct" and after[0].value == "other_fluid" and after[0].first - sign.last == 1:
            return after
        return None

    def _true_fluid(self, sign: Term, after: list[Term] | None) -> list[Term] | None:
        """The fluid that a place was wet with, where it is not oil: "wet patch under cover is coolant"."""
        if not after or not after[-1].is_negated or sign.is_negated:
            return None
        at = self._runs.index(after)
        following = self._runs[at + 1 : at + 2]
        return following[0] if following and following[0][0].value == "other_fluid" else None

    def _of_what_follows(self, sign: Term, after: list[Term] | None, link: str) -> list[Term] | None:
        """The components after a leak: its source, or what it drips on from the one before."""
        source = self._source_after(sign, after, link)
        if source:
            self._land(after, link)
            return source
        if link == "on" and self._last is not None and self._goes_on(sign):
            self._land(after, link)
            return self._last[0]
        return after if link else None

    def _source_after(self, sign: Term, after: list[Term] | None, link: str) -> list[Term] | None:
        """The source named after the place: "leak near the cover is from the pump"."""
        if after is None or link not in ("near", "on"):
            return None
        later = [run for run in self._runs if run[0].first > after[-1].last and run[0].clause == sign.clause]
        if not later or any(other.kind in SIGNS for other in self._between(after[-1], later[0][0])):
            return None
        return later[0] if _preposition(self._terms, later[0][0]) == "from" else None

    def _goes_on(self, sign: Term) -> bool:
        """Whether the sentence was already about a leak: "weeping from the cover, dripping on the gearbox"."""
        return (
            (sign.value == "III" or sign.is_oil)
            and self._last is not None
            and self._last[1].kind == "leak"
            and self._last[1].sentence == sign.sentence
        )

    def _land(self, run: list[Term] | None, link: str) -> None:
        """Take a run that a bound leak stands near or on out of the sources."""
        if run and link in ("near", "on", "from"):
            for mention in run:
                mention.is_landing = True
            self._runs = [other for other in self._runs if other is not run]

    def _nearby(self, sign: Term) -> list[Term] | None:
        """The run in another clause that a sign without a component of its own is said of."""
        if sign.is_of_other or self._is_of_others(sign):
            return None
        earlier = [run for run in self._runs if run[-1].last < sign.first]
        is_clear = sign.value != "weak" and (sign.kind == "dry") != sign.is_negated
        sentences_off = 2 if is_clear else 1
        if earlier and self._is_free(earlier[-1]) and sign.sentence - earlier[-1][-1].sentence <= sentences_off:
            return earlier[-1]
        later = next((run for run in self._runs if run[0].first > sign.last), None)
        if later and self._is_named_next(sign, later):
            return later
        return self._in_focus(sign)

    def _is_named_next(self, sign: Term, run: list[Term]) -> bool:
        """Whether a component right after a clause with a leak says where it is: "oil leak - rocker cover"."""
        if sign.kind != "leak" or run[0].sentence - sign.sentence > 1 or run[0].is_negated:
            return False
        if self._last is not None and (sign.is_negated or self._turns_away(sign, run)):
            return False
        own = [other for other in self._signs if other.clause == run[-1].clause and other is not sign]
        between = [other for other in self._signs if sign.last < other.first < run[0].first]
        return not own and not between

    def _turns_away(self, sign: Term, run: list[Term]) -> bool:
        """Whether a component is of the next sentence, or of the other side, where that of a sign was about a leak."""
        if self._last is None or self._last[1].sentence != sign.sentence:
            return False
        return run[0].sentence != sign.sentence or is_other_side(self._last[0][-1], run[0])

    def _in_focus(self, sign: Term) -> list[Term] | None:
        """What the text was last about, where the sign goes on about it."""
        if self._last is None:
            return None
        run, before = self._last
        if sign.kind == "dry" or sign.is_negated or sign.is_again:
            return run
        was_wet = before.kind == "leak" and not before.is_negated
        place = self._places[id(sign)]
        is_below = place > 0 and self._terms[place - 1].kind == "near" and self._terms[place - 1].clause == sign.clause
        in_place = is_below or any(
            term.clause == sign.clause and (term.kind in ("spot", "side") or term.value in ("when", "it"))
            for term in self._terms
        )
        return run if was_wet or in_place else None

    def _is_of_others(self, sign: Term) -> bool:
        """Whether the clause is about everything else: "no other leaks"."""
        return any(term.kind == "others" and term.clause == sign.clause for term in self._terms)
