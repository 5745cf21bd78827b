"""What fills most records: tyres, lights, brakes, services, and words that only look like a rocker cover's."""

from models.simulation.words.grammar import Grammar

CHATTER = Grammar.parse(
    """
corner = NSF | OSF | NSR | OSR | N/S/F | O/S/R | front left | rear right | LH rear | RH front | nearside rear
side_of_body = N/S | O/S | nearside | offside | LH | RH | driver's side | passenger side
ok = ok | OK | good | fine | within limits | serviceable | satisfactory
bad = worn | u/s | needs replacing soon | near limit | defective | damaged | advise replace
mm = 2 | 2.5 | 3 | 3.5 | 4 | 5 | 6
routine = routine inspection | 8 week inspection | periodic check | safety inspection | walk round | yard check |
    PMI | scheduled inspection | pre-trip check | monthly check
tyres = tyres {ok} | {corner} tyre {mm} mm | {corner} tyre {bad} | tires {ok}, pressures set | {corner} tyre cut |
    tyre pressures adjusted | {corner} tyre valve leaking air | {corner} valve cap missing | wheel nuts {ok} |
    tyre wear even, {mm} mm left | {corner} tire swapped for spare
lights = lights {ok} | {corner} indicator bulb out | stop lamp {bad} | beacon {ok} | {side_of_body} headlamp aim
    low | number plate lamp replaced | work light {bad} | {corner} marker lamp cracked | all lamps checked
brakes = brakes {ok} | front pads {mm} mm | rear pads {bad} | handbrake {ok} | {corner} disc lipped | brake test
    passed | park brake travel high | brake pedal {ok} | pads {mm} mm all round
body = wipers {ok} | {side_of_body} mirror {bad} | windscreen chip | {side_of_body} door stiff | seat belt {ok} |
    rocker panel rusted {side_of_body} | {side_of_body} rocker panel dented | rocker panel corrosion, see photo |
    rocker switch for beacon {bad} | sill (rocker panel) holed {side_of_body} | ladder rack {ok} | load area dirty
    | reversing alarm {bad} | cab clean | horn {ok} | {corner} mudguard loose
chassis = steering {ok} | {corner} wheel bearing noisy | track rod end {bad} | suspension {ok} | {corner} shock
    {bad} | exhaust mount broken | propshaft {ok} | no play in ball joints | exhaust blowing at flexi | leaf
    spring {ok}
engine = oil level {ok} | coolant level {ok} | belts {ok} | battery {ok} | air filter {bad} | battery terminals
    cleaned | levels checked | aux belt {bad} | engine runs {ok} | glow plug light stays on | levels topped |
    valve clearances due | timing belt due at next service | idle {ok}
remark = {tyres} | {tyres} | {lights} | {lights} | {brakes} | {brakes} | {body} | {chassis} | {engine} | no
    defects | no other defects | rest {ok} | see last sheet | next check 8 wks | road test {ok}
opening = {routine} | {routine} done | {routine}, {remark} | {remark} | {remark} | {remark}, {remark}
service_complaint = service due | A service | B service | annual service | service + inspection | interval service
service_work = oil and filter changed, {remark} | serviced, filters renewed, {remark} | oil + filter change,
    levels set | full service carried out, {remark} | drained and refilled engine oil, new filter | lube service,
    {remark} | changed engine oil & filter, reset light | service done. {remark}. {remark}
tyre_complaint = {tyres} | {corner} tyre flat | puncture {corner} | 2 tyres required | slow puncture {corner}
tyre_work = {corner} tyre replaced | puncture repaired | 2 new tyres fitted, balanced | tyre swapped, torqued nuts
    | new valve fitted {corner}, tyre refitted
brake_complaint = brakes squealing | brake pads low | pulls to one side when braking | handbrake weak | brake
    warning light
brake_work = front pads and discs renewed | rear shoes replaced, adjusted | pads replaced {corner} axle |
    handbrake cable adjusted | bled brakes, tested ok | caliper freed off and lubed
light_complaint = {corner} lamp out | headlight out | indicators not working | beacon not working | no reverse
    lights
light_work = bulb replaced | wiring repaired {corner} lamp | new lamp unit fitted | fuse replaced, circuit checked
    | rocker switch replaced, beacon works
battery_complaint = won't start | battery flat | slow cranking | charge light on | non starter
battery_work = battery replaced | alternator renewed | jump started, charge system tested ok | starter motor
    replaced | earth strap cleaned
body_complaint = door won't lock | mirror broken | rust on sill | windscreen cracked | seat torn | rocker panel
    damaged at kerb
body_work = door latch replaced | mirror replaced {side_of_body} | rocker panel section welded {side_of_body} |
    windscreen replaced | rocker panel rust treated and painted | seat cover fitted
lift_complaint = hoist slow | tail lift won't raise | PTO not engaging | crane annual test | lift arm noisy
lift_work = PTO cable adjusted | lift rams greased, tested | control valve block replaced | tail lift switch
    replaced | crane tested and certified | filter changed on lift pump
leak_elsewhere_work = {place} gasket/seal renewed, cleaned down | renewed {place} seal | tightened {place},
    cleaned down | {place} resealed | {place} repaired, topped up
fluid_work = hose replaced, system pressure tested | topped up and clip tightened | leak traced and pipe renewed |
    component replaced, bled | repaired, no further loss
misfire_work = coil replaced, plugs ok | plugs renewed | injector cleaned, runs ok | coil pack and leads replaced
    | plugs and coils checked, cyl 2 coil u/s, replaced
smell_work = clutch hot, no fault, driver advised | plastic bag on exhaust removed | brakes binding, freed off |
    no fault found on road test | undertray rag found on exhaust, removed
booked = booked in for repair | parts ordered | cleaned down, to be booked | topped up, repair to follow | vehicle
    returned, repair booked | advised, job to be raised
in_progress = awaiting parts | in progress | booked in | on ramp 2, not started | waiting for parts
top_up_reason = <> | <> | <> | level low | topped up | weekly check | low oil light | before trip | driver |
    oil light on | {routine} | low on dipstick | below min | using oil | 1/2 way to min, topped | driver asked |
    after long run | oil low again | at fuel stop | between services
no_complaint = <> | <> | see sheet | as per planner | driver request | planned work
    """,
    given=("place",),
)
"""Words for everything that is not an oil leak at a cover."""

TASKS = ("service", "tyre", "brake", "light", "battery", "body", "lift")
"""Unrelated jobs; `<task>_complaint` and `<task>_work` are their rules."""
