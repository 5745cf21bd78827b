from collections import Counter

import pytest

from models.simulation.chunks import draw_chunk
from models.simulation.fleet import CHUNK_VEHICLES, calendar, chunks_of, draw_vehicles
from models.simulation.world import FAMILIES, SITES

FLEET = {"vehicles": CHUNK_VEHICLES + 40, "years": 2.0, "seed": 9}


@pytest.fixture(scope="module")
def chunks():
    return [draw_chunk(number, **FLEET) for number in range(chunks_of(FLEET["vehicles"]))]


def test_a_chunk_is_the_same_whichever_is_drawn_first(chunks):
    assert draw_chunk(1, **FLEET) == chunks[1]


def test_another_seed_is_another_fleet(chunks):
    assert draw_chunk(1, **{**FLEET, "seed": 10}).truth["vehicles"] != chunks[1].truth["vehicles"]


def test_the_chunks_hold_every_vehicle_once(chunks):
    vehicles = [row[0] for chunk in chunks for row in chunk.truth["vehicles"]]
    assert vehicles == [f"U-{number:06d}" for number in range(1, FLEET["vehicles"] + 1)]


def test_record_numbers_are_unique_over_chunks(chunks):
    numbers = {}
    for number, chunk in enumerate(chunks):
        for entry in chunk.entries:
            if order_id := entry.record.get("order_id"):
                assert numbers.setdefault(order_id, number) == number
    assert len(numbers) > 500


def test_entries_are_sorted_by_file_and_day(chunks):
    keys = [(entry.layout, entry.stem, entry.day) for entry in chunks[0].entries]
    assert keys == sorted(keys)


def test_distances_never_fall_and_stand_still_before_service():
    days = calendar(2.0)
    for vehicle in draw_vehicles(0, vehicles=100, days=days, seed=4):
        assert (vehicle.km[1:] >= vehicle.km[:-1]).all()
        if vehicle.in_service > 0:
            assert vehicle.km[vehicle.in_service] == vehicle.km[0]
            assert vehicle.km[vehicle.in_service + 30] > vehicle.km[0]


def test_a_vehicle_in_the_workshop_stands_still_and_runs_that_much_less_after():
    [vehicle] = draw_vehicles(0, vehicles=1, days=calendar(2.0), seed=4)
    before = vehicle.km.copy()
    vehicle.stand(400, 402)
    assert vehicle.km_at(400) == vehicle.km_at(402) == before[400]
    assert vehicle.km[600] - vehicle.km[403] == pytest.approx(before[600] - before[403])
    assert (vehicle.km[:401] == before[:401]).all()


def test_the_hard_engines_go_to_the_good_site():
    hard = {family.code for family in FAMILIES.values() if family.hazard > 1.3}
    vehicles = [vehicle for vehicle in draw_vehicles(0, vehicles=200, days=calendar(1.0), seed=1)]
    share = Counter(vehicle.site for vehicle in vehicles if vehicle.family.code in hard)
    everyone = Counter(vehicle.site for vehicle in vehicles)
    best = min(range(len(SITES)), key=lambda site: SITES[site].workmanship)
    shares = {site: share[site] / everyone[site] for site in everyone}
    assert max(shares, key=shares.__getitem__) == best


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda family: family.code)
def test_a_layout_has_every_bolt_once_on_the_edge(family):
    centres = {tuple(map(int, centre.split(","))) for centre in family.layout.split(";")}
    length, width = family.cover_mm
    assert len(centres) == family.bolts
    assert all(x in (0, length) or y in (0, width) for x, y in centres)
