"""Where tables would lie over several machines: every model has a place, and no key is left without one."""

import pytest
from django.apps import apps
from django.db import models

from registry import sharding
from registry.isolation.rules import our_models
from registry.models import Correction, Identity, Knee, Repair, SoftAnswer, Unit, User
from registry.sharding import NoPlaceError, Place, foreign_keys, is_in_a_shard, layout

pytestmark = pytest.mark.any_engine
LAYOUT = layout()


def test_every_model_has_a_place_and_a_reason():
    assert set(LAYOUT) == set(our_models())
    assert all(lies.why for lies in LAYOUT.values())
    assert {lies.place for lies in LAYOUT.values()} == set(Place)


def test_what_is_told_by_name_is_a_model_that_needs_it():
    told = [*sharding._READ_ALONG, *sharding._EACH_ITS_OWN, *sharding._ONE]
    assert len(told) == len(set(told))
    assert set(told) <= {model._meta.label for model in LAYOUT}
    pointed_at = {model._meta.label for model in sharding._pointed_at()}
    assert not set(told) & pointed_at
    across = {(model._meta.label, names) for model, lies in LAYOUT.items() for names in across_of(lies)}
    assert across >= set(sharding.ACROSS)


def across_of(lies):
    return lies.within.across if lies.within else ()


def test_rows_of_a_patient_point_at_nothing_that_is_not_on_their_machine():
    for model, lies in LAYOUT.items():
        if lies.place is Place.SHARD:
            reached = {LAYOUT[key.related_model].place for key in foreign_keys(model)}
            assert reached <= {Place.SHARD, Place.EVERYWHERE}, model


def test_nothing_outside_points_at_rows_of_a_patient():
    """Else each of these would need the shard beside the key."""
    assert not [
        (model._meta.label, key.name)
        for model, lies in LAYOUT.items()
        if lies.place is not Place.SHARD
        for key in foreign_keys(model)
        if is_in_a_shard(key.related_model)
    ]


def test_reference_tables_point_at_reference_tables_alone():
    for model, lies in LAYOUT.items():
        if lies.place is Place.EVERYWHERE:
            assert {LAYOUT[key.related_model].place for key in foreign_keys(model)} <= {Place.EVERYWHERE}


def test_paths_lead_to_the_patient():
    assert LAYOUT[Repair].within.paths == (("tear", "procedure", "knee", "patient"),)
    assert [path[0] for path in LAYOUT[SoftAnswer].within.paths] == ["procedure", "look", "tear"]
    assert LAYOUT[Unit].place is LAYOUT[User].place is Place.EVERYWHERE


def test_a_unique_key_that_names_no_row_of_its_patient_is_told_how_it_is_held():
    assert LAYOUT[Knee].within.unique == (("patient", "side"),)
    assert LAYOUT[Knee].within.across == {("uuid",): sharding.RANDOM}
    assert "directory" in LAYOUT[Identity].within.across["unit", "hospital_number_index"]
    assert LAYOUT[Correction].within.has_column


def test_a_new_model_is_asked_where_it_lies():
    parcel = a_model("Parcel")
    try:
        with pytest.raises(NoPlaceError, match="Parcel has no place"):
            layout()
    finally:
        forget(parcel)
    assert layout() == LAYOUT


def test_a_new_unique_key_is_asked_how_it_is_held():
    bracelet = a_model(
        "Bracelet",
        knee=models.ForeignKey(Knee, models.PROTECT, related_name="+"),
        number=models.CharField(max_length=9, unique=True),
    )
    try:
        with pytest.raises(NoPlaceError, match="no shard can hold number unique"):
            sharding._within(bracelet)
    finally:
        forget(bracelet)


def a_model(name, **fields):
    """A model of the record that is in no database."""
    meta = type("Meta", (), {"app_label": "registry", "managed": False})
    return type(name, (models.Model,), {"__module__": __name__, "Meta": meta, **fields})


def forget(model):
    """Take it out of the apps again."""
    del apps.all_models["registry"][model._meta.model_name]
    apps.clear_cache()
