"""Implants: reserved identifiers, lots that a recall finds, expiries, and as many devices as passes."""

from collections import defaultdict

from registry.demo.truth import Truth
from registry.gs1 import normal_identifier
from tests.registry.demo.telling import Stories, procedures


def test_devices_are_reserved_ones_with_their_check_digit(truth: Truth) -> None:
    devices = [device for shares in truth.implants.device.values() for device in shares.codes]
    assert len(set(devices)) == len(devices)
    for device in devices:
        # GS1 prefix 952: kept free for demonstrations (from memory).
        assert device.startswith("0952")
        assert normal_identifier(device) == device


def test_a_recall_finds_a_handful_of_lots_in_many_knees(stories: Stories) -> None:
    knees_by_lot = defaultdict(set)
    for story in stories:
        for knee in story.knees:
            for procedure in knee.procedures:
                for implant in procedure.note.implants:
                    knees_by_lot[implant.device_identifier, implant.lot].add(knee.uuid)
    sizes = sorted(map(len, knees_by_lot.values()), reverse=True)
    assert 5 <= sum(10 <= size <= 30 for size in sizes) <= 30
    assert sizes[0] <= 30


def test_a_lot_has_one_expiry_and_few_implants_were_past_theirs(stories: Stories) -> None:
    expiries = defaultdict(set)
    expired = 0
    for procedure in procedures(stories):
        for implant in procedure.note.implants:
            expiries[implant.device_identifier, implant.lot].add(implant.expires_on)
            expired += implant.expires_on < procedure.operated_on
    assert all(len(days) == 1 for days in expiries.values())
    assert 1 <= expired <= 2


def test_each_all_inside_pass_uses_one_device(told: Stories) -> None:
    inside = set(Truth.read().implants.device["all_inside"].codes)
    for procedure in procedures(told):
        passes = sum(
            each.number
            for tear in procedure.tears
            if tear.repair
            for each in tear.repair.passes
            if each.technique == "all_inside"
        )
        used = [each.count for each in procedure.note.implants if each.device_identifier in inside]
        assert sum(used) in (0, passes)
