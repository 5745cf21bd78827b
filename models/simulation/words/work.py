"""What was done to a cover, as written on the order's work line."""

from models.simulation.chance import Chance
from models.simulation.events import Order
from models.simulation.words.grammar import Grammar
from models.simulation.words.leaks import SIDES

WORK = Grammar.parse(
    """
cover = rocker cover | rocker cover | valve cover | valve cover | cam cover | cam cover | tappet cover | RKR CVR |
    V/C | cam cvr | valve cvr | rkr cover | camshaft cover | rocker box cover
gasket = gasket | gasket | gasket | gskt | GSKT | gkt | gasket (rubber) | cover seal
renewed = renewed | replaced | changed | R&R | fitted new | R+R | installed new | renew | replace
seals = plug tube seals | spark plug tube seals | plug-well seals | plug tube seals x4 | plug well seals | tube
    seals | set of plug tube seals
bolts = bolts | bolt set | bolts and grommets | new bolts + grommets | cover bolts | all cover bolts
and = < and > | < + > | < & > | <, > | < plus >
retightened = nipped up {side}{cover} bolts | re-tightened {side}{cover} bolts | {side}{cover} bolts retorqued |
    retightened {side}{cover} to spec | tightened {side}{cover} bolts in sequence, no parts | re-torqued
    {side}{cover} | nip up {side}{cover} | {side}{cover} bolts found loose, tightened | pulled down {side}{cover}
    bolts | torqued up {side}{cover} bolts, existing {gasket} left in
external_sealant = sealant applied to outside of {side}{cover} joint, cover not removed | RTV run round outside of
    {side}{cover} | silicone sealer round {side}{cover} edge externally | sealed {side}{cover} externally with RTV
    | {side}{cover} joint sealed from outside with sealant | smeared sealant along {side}{cover} edge, not
    stripped | external sealant bead on {side}{cover} | degreased and siliconed outside edge of {side}{cover}
gasket_job = {renewed} {side}{cover} {gasket} | {renewed} {side}{cover} {gasket} | {side}{cover} {gasket}
    {renewed_after} | {side}{cover} off, new {gasket} fitted | fit new {gasket} to {side}{cover} | new
    {side}{cover} {gasket} fitted | removed {side}{cover}, cleaned faces, new {gasket} | stripped {side}{cover}
    and fitted new {gasket} | {side}{cover} re-gasketed | supply and fit {side}{cover} {gasket}
renewed_after = renewed | replaced | changed | R&R | done
gasket_method = {gasket_job} | {gasket_job} | {gasket_job}, torqued to spec | {gasket_job}, faces cleaned
gasket_bolts = {gasket_job}{and}{bolts} | {gasket_job} with new bolts | {gasket_job}{and}{bolts} renewed
gasket_and_seals = {gasket_job}{and}{seals} | {gasket_job}{and}{seals} renewed | {gasket_job}{and}{seals} replaced
    | {renewed} {side}{cover} {gasket}{and}{seals} | {seals}{and}{side}{cover} {gasket} {renewed_after}
gasket_seals_bolts = {gasket_job}{and}{seals}{and}{bolts} | {renewed} {side}{cover} {gasket}, {seals}{and}{bolts}
    | {gasket_job}, {seals} and {bolts} all renewed | {side}{cover} {gasket}, {seals}, {bolts} - all
    {renewed_after} | full kit: {side}{cover} {gasket}, {seals}, {bolts} renewed
cover_replaced = new {side}{cover} fitted complete | {side}{cover} cracked, replaced with new cover{and}gasket |
    {renewed} {side}{cover} assembly | replaced {side}{cover} (warped) complete with gasket | {side}{cover} itself
    replaced, new gasket | fitted new {side}{cover}, old one distorted | complete {side}{cover} replaced
vague = {side}{cover} leak rectified | repaired {side}{cover} leak | {side}{cover} leak attended to | cured leak
    at {side}{cover} | sorted {side}{cover} leak | {side}{cover} oil leak repaired
planned = planned retorque of {side}{cover} after running in | re-torqued {side}{cover} bolts as planned after
    gasket job | {side}{cover} bolts retightened, follow-up to gasket job | scheduled re-tightening of
    {side}{cover}
head_job = cylinder head removed | head gasket renewed | {head_side}head off for valve | camshaft replaced |
    injector seals renewed | timing chain renewed | valve clearances adjusted | valve spring replaced | lifters
    replaced
refitted = {head_job}, {side}{cover} off and refitted with old gasket | {head_job}, {side}{cover} removed,
    existing gasket reused | {side}{cover} removed for access, {head_job}, gasket re-used | {head_job}.
    {side}{cover} refitted, gasket not renewed
other_gasket = {head_job}, {side}{cover} removed, new {cover} gasket fitted | {side}{cover} off for access,
    {head_job}, refitted with new gasket | {head_job}, new {side}{cover} gasket on reassembly
other_seals = {head_job}, {side}{cover} removed, new gasket and {seals} fitted | {side}{cover} off for access,
    {head_job}, refitted with new gasket{and}{seals}
exchange = engine replaced with exchange unit | engine removed, recon unit fitted | replacement engine fitted, old
    engine removed | engine swap, reconditioned engine installed | exchange engine installed
declined = no parts in stock, rebook | not repaired, vehicle needed back | repair declined, monitor | no time,
    topped up, to rebook | deferred to next visit | not done, awaiting gasket
ventilation = breather cleaned | PCV valve replaced | crankcase breather hose renewed | crankcase ventilation
    serviced
machined = cover face skimmed | cover face machined flat | head face dressed flat
found = <found > | <on inspection > | <confirmed > | <>
closing = <> | <> | <> | cleaned engine | degreased and road tested | run up, ok | run to temp | wiped down |
    returned to driver | RT ok
reason_other = head gasket | tappet noise | low compression | cam sensor fault, head off | noisy top end |
    injector leak-off
reason_planned = planned work | planned renewal with belts | preventive renewal | as per planner | mileage renewal
reason_exchange = engine knocking | seized engine | low oil pressure, knocking | engine failure | planned engine
    exchange
reason_none = <> | <> | as advised | see inspection sheet | booked from inspection | booked repair
    """,
    given=("side", "head_side"),
)
"""Work on covers; the rules named after a repair method say that method and no more."""

_BOTH = ("both ", "LH and RH ", "left and right ", "L+R ", "both banks' ")
_ONE_SIDE = frozenset(word for words in SIDES.values() for word in words)


def side_words(positions: tuple[str, ...], chance: Chance) -> str:
    """Name the covers of an order: nothing for a single one, a side, or both."""
    if len(positions) > 1:
        return chance.pick(_BOTH)
    return chance.pick(SIDES[positions[0]]) if positions and positions[0] in SIDES else ""


def work_symbol(order: Order) -> str:
    """Choose the rule that says what an order on covers did."""
    if order.task in ("planned retightening", "engine exchange", "declined"):
        return {"planned retightening": "planned", "engine exchange": "exchange"}.get(order.task, order.task)
    if order.is_vague:
        return "vague"
    if order.work == "cover_off":
        return {"gasket": "other_gasket", "gasket_and_seals": "other_seals"}.get(order.method, "refitted")
    if order.method == "gasket":
        return "gasket_bolts" if order.has_new_bolts else "gasket_method"
    return order.method


def say_work(order: Order, chance: Chance) -> list[str]:
    """Say what an order on covers did, in clauses."""
    side = side_words(order.positions, chance)
    given = {"side": side, "head_side": side if side in _ONE_SIDE else ""}
    said = [WORK.say(work_symbol(order), chance, given)]
    if order.is_ventilation_serviced:
        said.append(WORK.say("ventilation", chance, given))
    if order.is_faces_machined:
        said.append(WORK.say("machined", chance, given))
    if order.work == "repair" and (closing := WORK.say("closing", chance, given)):
        said.append(closing)
    return said
