"""Identities: invented, reserved, and apart from each other."""

import re

from registry.demo.cast import Cast
from registry.demo.story import PatientStory

# Ofcom numbers for drama use, from memory: 020 7946 0000-0999 and 07700 900000-900999.
DRAMA_NUMBER = re.compile(r"020 7946 0\d{3}|07700 900\d{3}")


def test_addresses_and_numbers_are_reserved_ones(stories: list[PatientStory]) -> None:
    for story in stories:
        assert story.identity.email.endswith("@example.org")
        assert DRAMA_NUMBER.fullmatch(story.identity.phone)
        assert story.identity.hospital_number == f"DEMO-{story.number:06d}"


def test_sign_ins_have_reserved_addresses() -> None:
    assert {account.email.rpartition("@")[2] for account in Cast.read().everyone} == {"example.org"}


def test_names_are_no_words_and_no_two_patients_share_theirs(stories: list[PatientStory]) -> None:
    full = {(story.identity.given_names, story.identity.family_name) for story in stories}
    assert len(full) == len(stories)
    for given, family in full:
        assert min(len(given), len(family)) >= 6
        assert re.fullmatch(r"[A-Z][a-z]+", given)
        assert re.fullmatch(r"[A-Z][a-z]+", family)
