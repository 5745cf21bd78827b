"""Statements about leaks, in the words of workshops on both sides of the Atlantic.

Each symbol of `LEAKS` that `say_mention` chooses has one meaning, which the rule's comment-free name gives: who adds an
alternative must keep it. `{side}` is '' or a side followed by a space; `{place}` and `{month}` are given.
"""

from dataclasses import replace

from models.simulation.chance import Chance
from models.simulation.events import Mention
from models.simulation.words.grammar import Grammar

LEAKS = Grammar.parse(
    """
cover = rocker cover | rocker cover | rocker cover | valve cover | valve cover | cam cover | cam cover | tappet
    cover | rkr cvr | RKR CVR | V/C | v/cover | valve cvr | cam cvr | rocker cvr | tappet cvr | camshaft cover |
    rocker box cover | R/cover | cam-cover | rockercover
gasket = gasket | gasket | gasket | gskt | GSKT | gkt | gask. | joint | seal
joint = {side}{cover} | {side}{cover} {gasket} | {side}{cover} {gasket} | {cover} {gasket}{side_after}
wells = {side}plug wells | {side}spark plug wells | {side}plug tubes | {side}spark plug tubes | {side}plug well no
    {number} | no {number} {side}plug well | cyl {number} {side}plug tube
seals = {side}plug tube seals | {side}plug-tube seals | {side}plug well seals | {side}plug-well seals |
    {side}spark plug tube seals | {side}spark plug well seals | {side}plug tube seal | {side}spark plug tube seal
    | plug tube seals{side_after}
number = 1 | 2 | 3 | 4
where = at rear edge | at the front corner | along exhaust side | above the manifold | inlet side | by no {number}
    bolt | at the back | near filler cap | at front | rear corner by bulkhead | by the half moon plug | on
    firewall side
where_or_not = <> | <> | <> | < {where}> | < {where}>
slight = slight | light | minor | small | sl. | very slight
ago = last year | in {month} | last {month} | 2 months ago | 6 weeks ago | at last service | last visit | earlier
    this year | back in {month} | a few months ago | two visits ago | in {month} by other depot
done = done | renewed | replaced | changed | R&R | fitted new | sorted | re-gasketed
wet_plain = oil leak from {joint}{where_or_not} | oil leak at {joint}{where_or_not} | {joint}
    leaking{where_or_not} | {joint} leaking oil{where_or_not} | leak from {joint}{where_or_not} | {joint} has an
    oil leak | engine oil leaking from {joint}{where_or_not} | {joint} oil leak noted | found {joint} leaking |
    oil coming out of {joint}{where_or_not} | oil escaping past {joint} | losing oil at {joint} | {joint} leaks
    oil{where_or_not} | fresh oil at {joint}{where_or_not} | {joint} leak{where_or_not} | {joint} - oil leak |
    o/leak {joint} | oil lk {joint} | eng oil leak {joint}{where_or_not} | {joint} is leaking {where} | there is
    an oil leak at the {joint} | leak confirmed at {joint} | leaking {joint} | oil is getting past the
    {joint}{where_or_not} | {joint}: leaking {where} | {joint} letting oil past {where} | oil seen coming from
    {joint} | oil leak, {joint} | {joint} not sealing, oil leaking {where} | oil leaking out of {joint} {where} |
    leak at {joint} when warm | {joint} leaks when hot | engine oil loss at {joint}, leak seen | {joint} passing
    oil{where_or_not} | wet oil trail from {joint} down to manifold, leaking | visible oil leak
    {joint}{where_or_not} | source of oil leak is {joint} | oil leak traced to {joint}
wet_I = {joint} weeping{where_or_not} | {slight} weep at {joint}{where_or_not} | seep at {joint} | {joint}
    seeping{where_or_not} | {joint} sweating oil{where_or_not} | {slight} seepage from {joint} | {joint} damp with
    oil, no drops | class I leak at {joint} | {joint} leak class 1 | {joint} weep, cl 1 | {slight} oil weep
    {joint}{where_or_not} | {joint} has a {slight} weep | {joint} starting to weep | {joint} seeping oil, no drips
    | oil seepage round {joint} | {slight} seep {joint}{where_or_not} | {joint} just weeping | weep noted at
    {joint}{where_or_not} | {joint} oily, {slight} weep only | oil misting at {joint}, weep
wet_II = {joint} leaking, drops forming but not falling | drops hanging at {joint}{where_or_not} | {joint} leak
    class II | oil beads forming under {joint}, none falling | class 2 leak {joint} | {joint} leaking, droplets
    hold at lower edge | {joint} wet with oil, drops forming {where} | class II leak at {joint}{where_or_not} |
    {joint} leaking {where}, drops hanging, not dropping yet | oil drops forming at {joint}{where_or_not} |
    {joint} leak cl. II
wet_III = {joint} dripping oil{where_or_not} | {joint} dripping onto exhaust | oil dripping from {joint} | class
    III leak at {joint} | drips falling from {joint}{where_or_not} | steady drip from {joint} | heavy leak at
    {joint}, dripping on floor | oil running from {joint} and dripping off sump | {joint} leaking badly, drops
    falling on manifold | {joint} leak class 3 | {joint} dripping on to manifold | bad leak {joint},
    dripping{where_or_not} | {joint} leak, oil dripping on ground | drops of oil falling from
    {joint}{where_or_not} | {joint} leaking heavily, drips every few seconds | oil drips off {joint} onto hot
    exhaust
wet_again = {joint} {done} {ago}, leaking again | {joint} leaking again{where_or_not} | same leak at {joint} back
    again | {joint} {done} {ago} but oil leak has returned | repeat oil leak from {joint} | {joint} failed again,
    leaking oil | leak at {joint} is back | {joint} still leaking after repair {ago} | comeback: {joint} leaking |
    {joint} was {done} {ago}, leaks again | {joint} leaking once more, {done} {ago} | {joint} repaired {ago}, now
    leaking | {joint} was only {done} {ago} and is leaking | second time this year, {joint} leaking | {joint} leak
    has come back | {joint} weeping again, {done} {ago} | not holding: {joint} {done} {ago}, leaking
wells_wet = oil in {wells} | {seals} leaking | oil found in {wells} | {wells} full of oil | oil present in {wells}
    | {seals} leaking oil | {seals} letting oil into wells | {wells} flooded with oil | oil standing in {wells} |
    plugs out, oil in {wells} | {seals} leak, oil in wells | oil leaking past {seals} | oil getting into {wells}
wells_wet_again = oil in {wells} again | {seals} leaking again | {seals} {done} {ago}, oil in wells again | oil
    back in {wells} | {seals} {done} {ago} but leaking again
dry = no sign of oil at {joint} | dry around {joint} | {joint} dry | {joint} checked, dry | no leak at {joint} |
    no oil leak from {joint} | {joint} not leaking | {joint} ok, no leaks | {joint} - no weeps | nothing leaking
    at {joint} | no oil found around {joint} | checked {joint} for leaks, none found | {joint} clean and dry |
    {joint} bone dry | no evidence of oil leak at {joint} | no weep or leak at {joint} | {joint} all dry | {joint}
    free of oil | {joint} inspected: no leak | no leaks seen {joint} | {joint} dry on inspection | no oil at
    {joint} | {joint} isn't leaking | could not see any leak at {joint} | {joint} no leaks noted | {joint} looks
    dry | wiped {joint} last week, still dry | no fresh oil at {joint} | no seepage from {joint} | {joint} shows
    no leaks | nil leaks at {joint} | {joint} - dry | ran engine 10 min, {joint} dry | no drips or weeps from
    {joint} | can see no oil at {joint} | {joint} has no leaks | {joint} without leaks | {joint} never leaked, dry
dry_refuted = reported leak at {joint} not found, dry | driver reports leak at {joint}: checked, dry | {joint}
    leak reported, no leak found | checked {joint} as asked, dry, no leak | oil leak at {joint} reported - nothing
    found, all dry | {joint} suspected of leaking, found dry | thought {joint} was leaking but it is dry | no leak
    at {joint} despite report, dry | {joint} said to leak, looked, dry | customer complaint of {joint} leak not
    confirmed, dry
wells_dry = {wells} dry | no oil in {wells} | plugs out, {wells} dry | {seals} dry | {seals} not leaking | {wells}
    checked, no oil | {seals} ok, no oil in wells | no sign of oil in {wells}
cured = {joint} {done} {ago}, dry since | {joint} {done} {ago}, no leak since | {joint} repaired {ago}, still dry
    | leak at {joint} cured {ago}, dry now | {joint} was leaking, {done} {ago}, now dry | no more oil from {joint}
    since it was {done} {ago} | previous {joint} leak fixed {ago}, holding dry | {joint} {done} {ago} and dry |
    {joint} leak fixed {ago}, no further leak | {joint} dry since {done} {ago} | {joint} done {month}, dry since |
    {joint} now dry after it was {done} {ago} | since {joint} was {done} {ago} no leaks | {joint} leak sorted
    {ago}, remains dry | old {joint} leak cured, dry | {joint} repair {ago} holding, no leak
doubt = possible leak at {joint}, please check | ?{joint} leaking | poss oil leak {joint} | suspect {joint} leak |
    suspected {joint} leak | {joint} may be leaking | {joint} could be weeping | pls check {joint} for oil leak |
    please check {joint} for leaks next visit | looks like {joint} might be leaking | unsure if oil is from
    {joint} | {joint} possibly weeping | maybe {joint} leaking, to be checked | driver thinks {joint} is leaking,
    please check | recheck {joint} for leaks | leak from {joint}? | not certain whether {joint} leaks, clean and
    recheck | could {joint} be leaking? please look | {joint} to be checked for oil leak | not sure if {joint}
    leaks | query {joint} leak | {joint} ?leaking, look next time | potential oil leak at {joint} | oil near
    {joint}, may be a spill from filling | investigate possible leak {joint}
doubt_wells = possible oil in {wells}, please check | suspect {seals} leaking | check {wells} for oil | ?oil in
    {wells} | {seals} may be leaking | {seals} possibly leaking
damage = {joint} perished | {joint} hard and cracked | {side}{cover} bolt loose | {joint} squashed out {where} |
    {joint} due | {joint} brittle | {side}{cover} cracked at bolt boss | {side}{cover} bolt missing {where} |
    {joint} swollen | {joint} split {where} | {joint} needs renewing soon | {side}{cover} bolts look rusty
damage_wells = {seals} hard | {seals} perished | {seals} due | {seals} look brittle
wet_lead = found | noted | observed: | advisory: | defect - | NB | also | on lift: | engine warm:
wet_tail = <, monitor> | <, book in> | < - to be repaired> | <, needs new gasket> | <, parts on order> | <, not urgent>
    | <, advise repair> | <, job to be raised> | <, see photo> | <, recheck next visit>
dry_lead = checked: | engine washed, | on lift: | after road test, | engine warm: | underbonnet check, |
    looked with torch,
burning smell = burning smell from engine | smell of burning oil | hot oil smell in cab | burnt oil smell when
    stopped | driver reports burning smell | burning oil smell at idle | smells of hot oil | burning smell under
    load | oily burning smell from under bonnet | burning smell from under hood | hot oil smell after long runs |
    acrid burning smell at lights | smell like burning oil through vents
smoke = smoke from engine bay | light smoke from under bonnet | smoke from under hood | smoking when hot | wisps
    of smoke from engine | blue smoke round engine bay | driver reports smoke from engine | smoke seen from bonnet
    edge | haze of smoke after hills
misfire = misfire under load | engine misfiring | misfire cyl {number} | running rough, misfire | misfire on idle
    | misfires when cold | rough idle and misfire | hesitation and misfire
oil on coils = oil on coils | oil on coil {number} | coil boots oily | oil on ignition coil no {number}
low oil = oil light on | low oil warning | using oil | oil consumption up | oil low again | low oil level message
    | oil level dropping | engine using more oil than usual | took a litre of oil since last check | dipstick on
    minimum again
unplaced = oil leak from engine | engine oil leak | leaking oil | oil on ground under engine | oil leak reported |
    driver reports oil leak | oil dripping under engine | oil spots on floor where parked | engine leaking oil,
    source unknown | oil all over engine | oil leak, please investigate source | oil leak somewhere on engine |
    engine leaks oil, cannot see from where | engine oil on driveway
place_wet = {place} leaking | oil leak from {place} | {place} weeping | oil weep at {place} | {slight} leak
    {place} | drip from {place} | {place} leaking oil | {place} wet with oil | {slight} seep {place} | oil leak
    {place} | oil leaking at {place} | {place} leaks oil | found leak at {place} | {place} damp with oil, weeping
place_dry = no leak at {place} | {place} dry | {place} ok no leak | no oil leak {place} | {place} not leaking | no
    sign of oil at {place} | {place} checked, no leak
both_dry = no leaks at {joint} or {place} | {joint} and {place} dry | {joint}, {place} all dry | no oil at {joint}
    or {place} | neither {joint} nor {place} leaking | {joint} + {place} dry
both_wet = {joint} and {place} both leaking | oil leaks at {joint} and {place} | {joint} and {place} leaking |
    leaks found: {joint}, {place} | {place} leaking, {joint} as well | oil leaking from {joint} and {place}
dry_but = {joint} dry, oil is from {place} | {place} leaking, not {joint} | oil is coming from {place}, not the
    {joint} | thought {joint} but it is {place} leaking | {joint} ok no leak, {place} leaking though | leak traced
    to {place}, {joint} dry | {place} leaking but {joint} dry
both_banks_dry = both {cover}s dry | LH and RH {cover}s dry | {cover}s dry both banks | no leaks at either {cover} |
    left and right {cover} gaskets dry | both {cover} {gasket}s ok, no leaks | no oil at {cover}s LH or RH |
    neither {cover} leaking | L+R {cover}s checked, dry
both_banks_wet = both {cover}s leaking | LH and RH {cover} gaskets leaking | oil leaks at both {cover}s |
    {cover}s leaking left and right | L+R {cover} {gasket}s both leaking | oil leak from left and right {cover}s
coolant_wet = coolant leak at water pump | rad hose weeping coolant | coolant loss, leak at thermostat housing |
    header tank leaking coolant | heater hose leaking | coolant dripping from radiator
fuel_wet = fuel leak at filter | diesel leak at return pipe | fuel line weeping | fuel smell, leak at rail
hydraulic_wet = hydraulic hose weeping on hoist | hyd oil leak at lift ram | hydraulic leak tail lift | ram seal
    leaking hydraulic oil | power steering fluid leak at rack
screenwash_wet = washer bottle leaking | screenwash leak | washer hose leaking at nozzle
brake fluid_wet = brake fluid leak at rear cylinder | caliper weeping brake fluid | clutch slave leaking fluid
coolant_dry = no coolant leaks | coolant hoses dry | no coolant loss
fuel_dry = no fuel leaks | fuel lines dry
hydraulic_dry = no hydraulic leaks | hyd hoses dry | rams dry
screenwash_dry = washers ok no leaks
brake fluid_dry = no brake fluid leaks | brake lines dry
    """,
    given=("side", "side_after", "place", "month"),
)
"""Ways to say that something leaks, does not, did, or may."""

MONTHS = (
    "January", "Feb", "March", "April", "May", "June", "July", "Aug", "Sept", "October", "Nov", "December", "Jan",
    "February", "Mar", "Apr", "August", "September", "Oct", "November", "Dec",
)  # fmt: skip
SIDES = {"left": ("LH ", "left ", "L/H ", "left bank ", "l/hand "), "right": ("RH ", "right ", "R/H ", "right bank ")}
SIDES_AFTER = {"left": (" LH", " left side", " (left bank)"), "right": (" RH", " right side", " (right bank)")}
PLACES = {
    "sump gasket": ("sump gasket", "sump", "oil pan", "oil pan gasket"),
    "sump plug": ("sump plug", "drain plug", "sump plug washer"),
    "rear main seal": ("rear main seal", "rear crank seal", "RMS", "rear crankshaft seal"),
    "front crank seal": ("front crank seal", "crank pulley seal", "front main seal"),
    "timing cover": ("timing cover", "front timing cover", "timing chest", "timing case"),
    "oil filter housing": ("oil filter housing", "filter housing", "oil filter head"),
    "turbo oil drain": ("turbo drain", "turbo oil return", "turbo oil feed"),
    "gearbox": ("gearbox", "g/box", "gearbox output seal", "transmission"),
    "transfer box": ("transfer box", "transfer case"),
    "rear axle cover": ("rear axle cover", "axle cover", "diff cover", "axle cover gasket"),
    "diff pinion seal": ("diff pinion seal", "pinion seal", "rear diff"),
    "oil cooler": ("oil cooler", "oil cooler pipe"),
    "oil pressure switch": ("oil pressure switch", "oil press. switch"),
    "side tappet cover": ("side tappet cover on block", "tappet side cover on block"),
    "vacuum pump": ("vacuum pump", "vac pump"),
    "oil filter": ("oil filter", "spin-on oil filter"),
}
_ADORNED = 0.15
_TOGETHER = {
    ("absent", "absent"): "both_dry", ("present", "present"): "both_wet", ("absent", "present"): "dry_but",
}  # fmt: skip
_BOTH_BANKS = {"absent": "both_banks_dry", "present": "both_banks_wet"}
_KNOWN_CLASS = {"I": "wet_I", "II": "wet_II", "III": "wet_III"}
_BY_FORM = {
    ("cover_gasket", "refuted"): "dry_refuted", ("cover_gasket", "damage"): "damage",
    ("plug_tube_seal", "damage"): "damage_wells",
}  # fmt: skip
_SYMBOLS = {
    ("cover_gasket", "absent"): "dry", ("plug_tube_seal", "absent"): "wells_dry",
    ("cover_gasket", "resolved"): "cured",
    ("cover_gasket", "uncertain"): "doubt", ("plug_tube_seal", "uncertain"): "doubt_wells",
    ("other_oil_leak", "present"): "place_wet", ("other_oil_leak", "absent"): "place_dry",
}  # fmt: skip


def say_mention(mention: Mention, chance: Chance) -> tuple[str, Mention]:
    """Say one mention; what comes back beside the words carries the leak class only where the words do."""
    symbol, leak_class = _symbol(mention, chance)
    given = _given(mention.position, mention.place if mention.form == "plain" else "", chance)
    said = replace(mention, leak_class=leak_class, place=given["place"] or mention.place)
    return LEAKS.say(symbol, chance, given), said


def adorned(words: str, mention: Mention, chance: Chance) -> str:
    """Put what inspectors say before or after a finding, now and then."""
    if mention.is_wet_look:
        lead = LEAKS.say("wet_lead", chance, {}) + " " if chance.happens(_ADORNED) else ""
        return lead + words + (LEAKS.say("wet_tail", chance, {}) if chance.happens(_ADORNED) else "")
    if mention.polarity == "absent" and chance.happens(_ADORNED):
        return LEAKS.say("dry_lead", chance, {}) + " " + words
    return words


def say_together(cover: Mention, other: Mention, chance: Chance) -> tuple[str, list[Mention]] | None:
    """Say a cover and another place, or both covers, in one breath; None where no rule does."""
    if {cover.position, other.position} == SIDES.keys():
        return _say_both_banks(cover, other, chance)
    if other.component != "other_oil_leak":
        return None
    symbol = _TOGETHER.get((cover.polarity, other.polarity))
    if symbol is None or cover.component != "cover_gasket" or cover.form not in ("plain", "class"):
        return None
    given = _given(cover.position, other.place, chance)
    said = [replace(cover, leak_class=""), replace(other, place=given["place"])]
    return LEAKS.say(symbol, chance, given), said


def _say_both_banks(left: Mention, right: Mention, chance: Chance) -> tuple[str, list[Mention]] | None:
    symbol = _BOTH_BANKS.get(left.polarity)
    is_alike = left.polarity == right.polarity and left.component == right.component == "cover_gasket"
    if symbol is None or not is_alike or {left.form, right.form} - {"plain", "class"}:
        return None
    return LEAKS.say(symbol, chance, {}), [replace(left, leak_class=""), replace(right, leak_class="")]


def _given(position: str, place: str, chance: Chance) -> dict[str, str]:
    """Fill the symbols that depend on the cover, the place and the day."""
    given = {"side": "", "side_after": "", "place": "", "month": chance.pick(MONTHS)}
    if position in SIDES:
        given["side"] = chance.pick(SIDES[position])
        given["side_after"] = chance.pick(SIDES_AFTER[position])
    if place in PLACES:
        given["place"] = chance.pick(PLACES[place])
    return given


def _symbol(mention: Mention, chance: Chance) -> tuple[str, str]:
    """Choose the rule that says a mention, and the leak class it will have said."""
    if mention.is_wet_look:
        return _wet_symbol(mention, chance)
    if mention.form in ("symptom", "unplaced"):
        return mention.place or "unplaced", ""
    if mention.component == "other_fluid":
        return f"{mention.place}_{'wet' if mention.polarity == 'present' else 'dry'}", ""
    by_form = _BY_FORM.get((mention.component, mention.form))
    return by_form or _SYMBOLS[mention.component, mention.polarity], ""


def _wet_symbol(mention: Mention, chance: Chance) -> tuple[str, str]:
    is_again = mention.form == "again"
    if mention.component == "plug_tube_seal":
        return "wells_wet_again" if is_again else "wells_wet", ""
    if is_again:
        return "wet_again", ""
    if mention.form == "class" and mention.leak_class and chance.happens(0.65):
        return _KNOWN_CLASS[mention.leak_class], mention.leak_class
    return "wet_plain", ""
