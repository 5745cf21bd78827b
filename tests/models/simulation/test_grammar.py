import numpy as np
import pytest

from models.simulation.chance import Chance
from models.simulation.events import Mention, Note
from models.simulation.words.chatter import CHATTER
from models.simulation.words.grammar import Grammar
from models.simulation.words.leaks import LEAKS, PLACES, say_mention, say_together
from models.simulation.words.slips import swapped
from models.simulation.words.texts import note_text
from models.simulation.words.work import WORK

SMALL = """
leak = {slight} weep at {cover}{where} | {cover} weeping
slight = slight | light
cover = rocker cover | valve
    cover
where = <> | < (rear)>
"""


def _chance(seed: int = 0) -> Chance:
    return Chance(np.random.default_rng(seed))


def test_every_derivation_of_a_small_grammar_is_said_and_no_other():
    grammar, chance = Grammar.parse(SMALL), _chance()
    said = {grammar.say("leak", chance, {}) for _ in range(500)}
    weeps = {
        f"{a} weep at {c}{w}"
        for a in ("slight", "light")
        for c in ("rocker cover", "valve cover")
        for w in ("", " (rear)")
    }
    assert said == weeps | {"rocker cover weeping", "valve cover weeping"}
    assert grammar.forms("leak", {}) == len(said)


def test_a_symbol_without_a_rule_is_named():
    with pytest.raises(KeyError, match="manifold"):
        Grammar({"where": ("above {manifold}",)})


@pytest.mark.parametrize(
    "meaning", ["wet_plain", "wet_I", "wet_II", "wet_III", "wet_again", "dry", "cured", "doubt", "damage"]
)
def test_each_meaning_about_a_cover_has_many_hundreds_of_forms(meaning):
    given = {"side": "", "side_after": "", "month": "May", "place": ""}
    assert LEAKS.forms(meaning, given) > 900


def test_every_rule_that_words_are_drawn_from_can_be_said():
    given = {"side": "LH ", "side_after": " LH", "month": "May", "place": "sump", "head_side": "LH "}
    for grammar in (LEAKS, WORK, CHATTER):
        for symbol in grammar.symbols:
            assert "{" not in grammar.say(symbol, _chance(), given)


@pytest.mark.parametrize("leak_class", ["I", "II", "III"])
def test_a_class_is_stated_only_where_the_words_say_it(leak_class):
    words = {"I": ("weep", "seep", "sweat", "damp", "class", "cl 1", "mist"), "II": ("drop", "bead", "class", "cl"),
             "III": ("drip", "drop", "class")}  # fmt: skip
    chance = _chance(3)
    for _ in range(300):
        text, said = say_mention(Mention("cover_gasket", "present", "only", leak_class, "class"), chance)
        if said.leak_class:
            assert any(word in text.lower() for word in words[leak_class]), text


def test_a_side_is_said_where_the_mention_has_one_and_nowhere_else():
    chance = _chance(5)
    for component in ("cover_gasket", "plug_tube_seal"):
        for _ in range(200):
            sided, _ = say_mention(Mention(component, "present", "left"), chance)
            assert any(word in sided for word in ("LH", "left", "L/H", "l/hand")), sided
            unsided, _ = say_mention(Mention(component, "present", ""), chance)
            assert not any(word in unsided for word in ("LH", "left bank", "RH", "right", "R/H")), unsided


def test_another_place_is_named_in_words_of_that_place():
    chance = _chance(7)
    for place, names in PLACES.items():
        text, said = say_mention(Mention("other_oil_leak", "present", "", "", "plain", place), chance)
        assert said.place in names
        assert said.place in text


def test_two_covers_or_a_cover_and_another_place_can_be_said_in_one_breath():
    dry = [Mention("cover_gasket", "absent", side) for side in ("left", "right")]
    text, said = say_together(*dry, _chance(1))
    assert [(each.position, each.polarity) for each in said] == [("left", "absent"), ("right", "absent")]
    assert "dry" in text or "no " in text or "neither" in text
    leak = Mention("other_oil_leak", "present", "", "", "plain", "timing cover")
    text, said = say_together(Mention("cover_gasket", "absent"), leak, _chance(2))
    assert [each.polarity for each in said] == ["absent", "present"]
    assert said[1].place in text


def test_what_differs_is_not_said_in_one_breath():
    left, right = Mention("cover_gasket", "absent", "left"), Mention("cover_gasket", "present", "right")
    assert say_together(left, right, _chance()) is None
    assert say_together(left, Mention("other_fluid", "present", "", "", "plain", "fuel"), _chance()) is None


def test_a_narrow_field_cuts_remarks_off_but_never_a_statement():
    mentions = [Mention("cover_gasket", "present", "left", "II", "class"), Mention("cover_gasket", "absent", "right")]
    cut_off = []
    for seed in range(400):
        narrow, wide = (note_text(Note(0, site, mentions), _chance(seed)).words.lower() for site in (3, 1))
        if narrow != wide and wide.startswith(narrow):
            cut_off.append(wide[len(narrow) :])
    assert len(cut_off) > 20
    assert not any(word in rest for rest in cut_off for word in ("cover", "cvr", "v/c", "gasket"))


def test_swapping_two_letters_keeps_the_rest():
    assert swapped("gasket", 2) == "gakset"
