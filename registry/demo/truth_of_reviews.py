"""What is true of forms, reports, links and reviews waited for: sections of the file of truth. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

from registry.demo.shapes import Days, Shares, Spread

ByCode = Mapping[str, float]
SharesBy = Mapping[str, Shares]


@dataclass(frozen=True, slots=True)
class Forms:
    """Forms besides Lysholm: how their items follow from trouble, and how completely they come back."""

    with_lysholm_before: float
    koos_weight: ByCode
    scale_noise: Spread
    item_noise: Spread
    activity_lost: float
    activity_noise: Spread
    activity_unknown: int
    item_skipped: float
    broken_off: float
    earlier_rule_until_year: int


@dataclass(frozen=True, slots=True)
class Answering:
    """Who answers at a planned review, and how."""

    language: Shares
    reminders: Shares
    asked_when_seen: float
    way_when_seen: Shares
    answers_by_itself: ByCode
    answer_days_off: Days
    links_since_days: int
    link_answered_after_days: Days
    link_left_half: float
    reports_since_days: int
    report_with_form: float


@dataclass(frozen=True, slots=True)
class Reports:
    """What patients tell of other operations and of warning signs, and when it is looked into."""

    unsure_of_operation: float
    tells_of_repair: float
    unsure: float
    mistaken: float
    where: SharesBy
    when: SharesBy
    what: SharesBy
    looked_into_after_days: Days
    set_aside_because: Shares
    sign: Mapping[int, float]
    which_sign: Shares
    sign_seen_to_after_days: Days


@dataclass(frozen=True, slots=True)
class Waiting:
    """Reviews that nobody answered: invited, given up, or booked."""

    invited: float
    invited_after_days: Days
    message_after_days: Mapping[str, int]
    message_refused: float
    refused_words: Mapping[str, str]
    given_up: float
    given_up_after_days: Days
    given_up_reason: Shares
    booked: float
    booked_in_days: Days
    booked_days_ago: Days
