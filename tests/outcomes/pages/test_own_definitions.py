"""A unit's own definition of failure: said before it is kept, counted as said, no other unit's business."""

from collections import Counter

import pytest
from django.urls import reverse

from outcomes.counts import count_table
from outcomes.definitions import as_definition
from outcomes.failure import DEFINITIONS, KINDS, SOURCES
from outcomes.models import OwnDefinition
from outcomes.naming import define_failure
from registry.models import Membership, Repair
from registry.recording import record
from tests import factories
from tests.outcomes.oracle import CLOSED_ON, EventSpec, KneeSpec, OnTear, TearSpec, put_into_record

pytestmark = pytest.mark.django_db

LOOKS = {"unit": "northmere", "name": "Looks only", "structure": ["look"]}
SENTENCE = (
    "A repair fails on the first of: not healed at a second look. "
    "A repair stands to its last examination: a call or a letter tells nothing of healing."
)


@pytest.fixture
def page(cast):
    def get(who="audit_lead", **query):
        return cast.client(who).get(reverse("own_definitions"), query)

    return get


@pytest.fixture
def post(cast):
    def send(who="audit_lead", **typed):
        return cast.client(who).post(reverse("own_definitions"), typed)

    return send


def text(response):
    """The page with white space evened out, as a reader sees it."""
    return " ".join(response.content.decode().replace("&#x27;", "'").split())


def retire(cast, who, own):
    return cast.client(who).post(reverse("retire_definition", args=[own.pk]))


# --- what it counts -----------------------------------------------------------------------------


def knee(*events):
    return KneeSpec((0,), 0, (TearSpec(0),), events, None)


def look(day, thickness, action="none"):
    return EventSpec("look", day, on_tears=(OnTear(0, thickness=thickness, action=action),))


def reoperation(day):
    return EventSpec("reoperation", day, on_tears=(OnTear(0, action="partial_removal"),))


def call(day):
    return EventSpec("contact", day)


KNEES = (
    knee(look(300, 40), call(900)),
    knee(reoperation(500)),
    knee(look(350, 90), call(800)),
    knee(reoperation(200), look(400, 40)),
    knee(EventSpec("visit", 410, effusion="marked"), call(1000)),
    knee(call(700)),
    knee(EventSpec("imaging", 365, on_tears=(OnTear(0, imaging="failed"),)), call(600)),
    knee(look(450, 80, "partial_removal"), call(1100)),
)
# Of each knee in that order, by hand: the day its repair failed, else the day to which it is known to stand.
# Where an event ticked is one of examination, a call tells nothing: the knee stands to what was last seen.
FAILS_AND_STANDS = {
    ("look",): ([300, None, None, 400, None, None, None, None], [0, 500, 350, 0, 410, 0, 0, 450]),
    ("reoperated",): ([None, 500, None, 200, None, None, None, None], [900, 0, 800, 0, 1000, 700, 600, 1100]),
    ("reoperated", "look"): ([300, 500, None, 200, None, None, None, None], [0, 0, 350, 0, 410, 0, 0, 450]),
    ("treated_at_look",): (
        [None, None, None, None, None, None, None, 450],
        [900, 500, 800, 400, 1000, 700, 600, 0],
    ),
    ("treated_at_look", "look"): (
        [300, None, None, 400, None, None, None, 450],
        [0, 500, 350, 0, 410, 0, 0, 0],
    ),
    ("signs",): ([None, None, None, None, 410, None, None, None], [300, 500, 350, 400, 0, 0, 0, 450]),
    ("imaging", "signs"): (
        [None, None, None, None, 410, None, 365, None],
        [300, 500, 350, 400, 0, 0, 0, 450],
    ),
}


def test_each_counts_the_events_that_were_ticked_and_no_others(cast):
    elm = factories.a_surgeon(cast.other_unit, "elm")
    record(Membership(user=cast.audit_lead, unit=cast.other_unit, role="audit_lead"))
    for each in KNEES:
        put_into_record(each, cast.other_unit, elm)
    repairs = Repair.objects.filter(tear__procedure__unit=cast.other_unit)
    for ticked, (fails, stands) in FAILS_AND_STANDS.items():
        own = define_failure(cast.audit_lead, cast.other_unit, " and ".join(ticked), ticked)
        table = count_table(repairs, as_definition(own), [], CLOSED_ON)
        counted = Counter({(row.day, row.outcome): row.n for row in table.itertuples()})
        told = zip(fails, stands, strict=True)
        by_hand = Counter((stood, "censored") if day is None else (day, "failed") for day, stood in told)
        assert counted == by_hand, ticked


@pytest.mark.parametrize("source", SOURCES.values(), ids=SOURCES)
def test_a_sign_or_a_finding_makes_it_one_of_examination(cast, source):
    ticked = {"reoperated", source.code}
    definition = as_definition(define_failure(cast.audit_lead, cast.unit, "Own", list(ticked)))
    assert definition.examined == (source.kind != "reoperated")
    assert bool(definition.cautions) == definition.examined
    assert ("stands to its last examination" in definition.sentence) == definition.examined
    assert source.what in definition.sentence


# --- said before it is kept ---------------------------------------------------------------------


def test_the_sentence_is_shown_first_and_nothing_is_kept(post):
    response = post(**LOOKS)
    assert response.status_code == 200
    assert SENTENCE in text(response)
    assert "it happened earlier." in text(response)
    assert "Keep this definition" in text(response)
    assert not OwnDefinition.objects.exists()


def test_once_read_it_is_kept_and_offered(cast, page, post):
    assert post(**LOOKS, shown=SENTENCE, keep="yes").url == reverse("own_definitions")
    own = OwnDefinition.objects.get()
    assert (own.unit, own.name, own.sources, own.made_by) == (
        cast.unit,
        "Looks only",
        ["look"],
        cast.audit_lead,
    )
    assert SENTENCE in text(page("surgeon"))
    assert own in [line.own for line in page("surgeon").context["in_use"]]


@pytest.mark.parametrize("shown", [{}, {"shown": "A repair fails on the first of: Lysholm below 65."}])
def test_what_was_not_read_is_said_again(post, shown):
    response = post(**LOOKS, **shown, keep="yes")
    assert response.status_code == 422
    assert "Read this, then keep it." in text(response)
    assert SENTENCE in text(response)
    assert not OwnDefinition.objects.exists()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"name": " "}, "Name is missing. Enter it."),
        ({"name": "x" * 61}, "a name has at most 60. Shorten it."),
        ({"structure": []}, "Nothing is ticked."),
        ({"structure": ["death"]}, "Select a valid choice. death is not one of the available choices."),
        ({"unit": "southmere"}, "'southmere' is none of the units whose audit you lead."),
        ({"name": "any failure"}, "A definition called 'Any failure' is in use already."),
        (
            {"structure": [], "reoperated": [code for code in SOURCES if SOURCES[code].kind == "reoperated"]},
            "'Reoperation on the repair' counts exactly these events already.",
        ),
    ],
)
def test_what_cannot_be_says_why_and_keeps_what_was_typed(post, changes, words):
    typed = {**LOOKS, **changes}
    response = post(**typed, shown=SENTENCE, keep="yes")
    assert response.status_code == 422
    assert words in text(response)
    assert response.context["form"]["structure"].value() == typed["structure"]
    assert not OwnDefinition.objects.exists()


def test_the_boxes_are_grouped_and_said_in_words(page):
    said = text(page())
    for source in SOURCES.values():
        assert source.what[1:] in said
    for title in KINDS.values():
        assert f"<legend> {title} </legend>" in said


# --- retired, changed ---------------------------------------------------------------------------


def test_a_changed_one_starts_from_the_old_and_takes_its_place(cast, page, post):
    old = define_failure(cast.audit_lead, cast.unit, "Looks", ["look", "treated_at_look"])
    form = page(replaces=old.pk).context["form"]
    assert (form["name"].value(), form["structure"].value(), form["reoperated"].value()) == (
        "Looks",
        ["look"],
        ["treated_at_look"],
    )
    sentence = post(**LOOKS, replaces=old.pk).context["said"].sentence
    assert post(**LOOKS, replaces=old.pk, shown=sentence, keep="yes").status_code == 302
    old.refresh_from_db()
    assert old.retired_at
    assert [line.own.name for line in page("clinician").context["in_use"]] == ["Looks only"]
    assert [line.own.name for line in page("clinician").context["retired"]] == ["Looks"]


def test_a_retired_one_is_listed_apart_and_cannot_be_replaced(cast, page):
    own = define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    assert retire(cast, "audit_lead", own).url == reverse("own_definitions")
    assert page().context["in_use"] == []
    assert "Retired" in text(page("surgeon"))
    assert page(replaces=own.pk).status_code == 404


@pytest.mark.parametrize("key", ["", "0", "x", "9999999999999999999999"])
def test_what_does_not_exist_cannot_be_replaced(page, key):
    assert page(replaces=key).status_code == (404 if key else 200)


# --- whose it is --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "status"),
    [
        ("surgeon", 403),
        ("clinician", 403),
        ("coordinator", 403),
        ("administrator", 403),
        ("stranger", 404),
        ("nobody", 302),
    ],
)
def test_only_who_leads_the_audit_retires_or_defines(cast, page, post, who, status):
    own = define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    assert retire(cast, who, own).status_code == status
    own.refresh_from_db()
    assert own.retired_at is None
    assert post(who, **LOOKS).status_code == (302 if who == "nobody" else 403)
    if who in ("surgeon", "clinician", "coordinator"):
        assert page(who).context["form"] is None
        assert "Retire" not in text(page(who))


def test_it_is_retired_by_a_button_not_by_a_link(cast):
    own = define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    assert cast.client("audit_lead").get(reverse("retire_definition", args=[own.pk])).status_code == 405


@pytest.mark.parametrize(
    ("who", "status"),
    [
        *((who, 200) for who in ("surgeon", "clinician", "audit_lead", "coordinator", "stranger")),
        ("administrator", 403),
        ("nobody", 302),
    ],
)
def test_readers_see_every_definition_of_their_units(cast, page, who, status):
    define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    response = page(who)
    assert response.status_code == status
    if status == 200:
        assert response["Cache-Control"] == "no-store"
        for known in DEFINITIONS.values():
            assert known.sentence in text(response)
        assert ("Looks only" in text(response)) == (who != "stranger")


@pytest.mark.parametrize("address", ["survival", "survival_compare"])
def test_another_units_definition_is_no_choice(cast, address):
    own = define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    assert cast.client("surgeon").get(reverse(address), {"failure": own.code}).status_code == 200
    response = cast.client("stranger").get(reverse(address), {"failure": own.code})
    assert response.status_code == 400
    assert f"failure: '{own.code}' is not one of reoperation, any." in text(response)


def test_survival_counts_and_says_it_by_its_name(cast):
    own = define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    found = cast.client("surgeon").get(reverse("survival"), {"failure": own.code})
    assert "Looks only" in text(found)
    assert SENTENCE in text(found)
