"""Find the lexicon's terms in a text, longest phrase first, and say in which sentence and clause each stands."""

from collections.abc import Sequence

from models.notes.lexicon import END, Lexicon, PhraseTree
from models.notes.tokens import DOUBT, PAUSE, QUESTION, STOP, Token

_CUT_OFF = {"leaking": 3, "weeping": 4, "seeping": 4, "dripping": 4}
"""Leak words recognised when cut off, and from how many letters on."""


_COMPLETED = frozenset({"mention", "negation"})
"""Kinds of phrases recognised when their last word is cut off."""


class Term:
    """A phrase of the lexicon found in a text: `text[start:end]`, tokens `first` to `last`.

    The marks below are set by the rules of `models.notes.scope`.

    Attributes:
        kind: What it means to the rules.
        value: Its shade: component of a mention, leak class of a leak, and so on.
        sentence: Number of its sentence in the text.
        clause: Number of its clause in the text.
        is_negated: Said not to be so.
        is_guess: Said to be possible only, or asked for.
        is_asked: Asked for.
        is_past: Said of an earlier time.
        was: Said in the past tense.
        is_again: Said to have come back or to go on.
        is_reported: Said by somebody else.
        is_since: Said of the time since an earlier repair.
        is_oil: The bare word "oil", out of its place.
        is_of_other: Said of something the lexicon does not know.
        is_landing: A place oil lands on, not where it comes from.
        is_implied: A side word that stands for the component mentioned before.
        side: Side words beside it: 'left', 'right', 'both' or ''.
        which: Word that tells one cover of several where it names no bank: 'front', 'nearside'.
    """

    __slots__ = (
        "clause",
        "end",
        "first",
        "is_again",
        "is_asked",
        "is_guess",
        "is_implied",
        "is_landing",
        "is_negated",
        "is_of_other",
        "is_oil",
        "is_past",
        "is_reported",
        "is_since",
        "kind",
        "last",
        "sentence",
        "side",
        "start",
        "value",
        "was",
        "which",
    )

    def __init__(self, kind: str, value: str, tokens: Sequence[Token], first: int, last: int) -> None:
        self.kind, self.value, self.first, self.last = kind, value, first, last
        self.start, self.end = tokens[first].start, tokens[last].end
        self.sentence = self.clause = 0
        self.side = self.which = ""
        self.is_negated = self.is_guess = self.is_asked = self.is_past = self.was = False
        self.is_of_other = self.is_implied = self.is_oil = False
        self.is_again = self.is_reported = self.is_since = self.is_landing = False

    def __repr__(self) -> str:
        return f"Term({self.kind}:{self.value} {self.first}-{self.last} clause {self.clause})"


def find_terms(tokens: list[Token], lexicon: Lexicon) -> list[Term]:
    """The terms of a text in order, with their sentence and clause."""
    terms: list[Term] = []
    sentence = clause = at = 0
    while at < len(tokens):
        word = tokens[at].word
        if word in (STOP, QUESTION):
            if word == QUESTION:
                terms.append(_placed(Term("after_hedge", "", tokens, at, at), sentence, clause))
            sentence, clause, at = sentence + 1, clause + 1, at + 1
            continue
        if word == PAUSE:
            clause, at = clause + 1, at + 1
            continue
        term = _term_at(tokens, at, terms, lexicon)
        if term is None:
            at += 1
            continue
        if term.kind == "contrast":
            clause += 1
        terms.append(_placed(term, sentence, clause))
        at = term.last + 1
    return terms


def _placed(term: Term, sentence: int, clause: int) -> Term:
    """Write the place of a term on it."""
    term.sentence, term.clause = sentence, clause
    return term


def _term_at(tokens: list[Token], at: int, before: list[Term], lexicon: Lexicon) -> Term | None:
    """The longest term that begins at a token, if any."""
    word = tokens[at].word
    if word == DOUBT:
        return Term("hedge", "", tokens, at, at)
    tree = lexicon.phrases.get(word)
    found = _longest(tokens, at, tree, lexicon) if tree is not None else None
    if found is not None:
        (kind, value), last = found
        return Term(kind, value, tokens, at, last)
    if at == len(tokens) - 1 and _is_leak_cut_off(word, lexicon):
        return Term("leak", "", tokens, at, at)
    if word == "cover":
        return Term(*_bare_cover(tokens, at, before, lexicon), tokens, at, at)
    return None


def _is_leak_cut_off(word: str, lexicon: Lexicon) -> bool:
    """Whether a last word is the beginning of a leak word, cut off by the width of the field."""
    if word in lexicon.phrases or word in lexicon.plain_words:
        return False
    return any(len(word) >= least and whole.startswith(word) for whole, least in _CUT_OFF.items())


def _longest(tokens: list[Token], at: int, tree: PhraseTree, lexicon: Lexicon) -> tuple[tuple[str, str], int] | None:
    """The meaning of the longest phrase from a token on, and its last token."""
    found = (tree[END], at) if END in tree else None
    for here in range(at + 1, len(tokens)):
        token = tokens[here]
        follower = tree.get(token.word)
        if follower is None:
            if here == len(tokens) - 1 and token.word[0].isalpha() and token.word not in lexicon.phrases:
                return _completed(token.word, tree, here) or found
            break
        tree = follower
        if END in tree:
            found = (tree[END], here)
    return found


def _completed(word: str, tree: PhraseTree, here: int) -> tuple[tuple[str, str], int] | None:
    """The phrase that a last word, cut off by the width of the field, was to complete."""
    for follower, meaning in tree.items():
        if follower != END and follower.startswith(word) and END in meaning and meaning[END][0] in _COMPLETED:
            return meaning[END], here
    return None


def _bare_cover(tokens: list[Token], at: int, before: list[Term], lexicon: Lexicon) -> tuple[str, str]:
    """Whose cover "cover" alone is: of the rocker, unless an unknown word before it says otherwise."""
    if at == 0:
        return "mention", "bare_cover"
    word = tokens[at - 1].word
    if before and before[-1].kind == "mention" and before[-1].last == at - 1:
        return "other_cover", ""
    is_named = word[0].isalpha() and word not in lexicon.plain_words and not (before and before[-1].last == at - 1)
    return ("other_cover", "") if is_named else ("mention", "bare_cover")
