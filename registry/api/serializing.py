"""Rows of the record as JSON: names, labels, codes and limits come from the models."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, ClassVar

from django.db import models
from rest_framework import serializers

NO_SUCH_FIELD = "There is no such field to set here. Correct its name, or leave it out."
NOT_WHOLE = "Send an object of fields."


class Number(serializers.DecimalField):
    """A measured number, as a number of JSON both ways."""

    def __init__(self, max_digits: int, decimal_places: int, **options: Any) -> None:
        for name in {"min_value", "max_value"} & options.keys():
            options[name] = Decimal(str(options[name]))
        super().__init__(max_digits, decimal_places, **options)

    def to_representation(self, value: Any) -> float | None:
        return None if value is None else float(value)


class Strict(serializers.Serializer):
    """Takes the fields that it names and no others."""

    default_error_messages: ClassVar = {"invalid": NOT_WHOLE}

    def to_internal_value(self, data: Any) -> Any:
        taken = super().to_internal_value(data)
        known = {name for name, field in self.fields.items() if not field.read_only}
        if unknown := [name for name in data if name not in known]:
            raise serializers.ValidationError({name: [NO_SUCH_FIELD] for name in unknown})
        return taken


class RowSerializer(Strict, serializers.ModelSerializer):
    """A row of a model. What spans fields or tables is checked where the pages have it checked."""

    serializer_field_mapping: ClassVar[Any] = serializers.ModelSerializer.serializer_field_mapping | {
        models.DecimalField: Number
    }


def fields_of(form: type[Any]) -> list[str]:
    """The fields of a page's form that are columns of its row."""
    return list(form._meta.fields)


def row_serializer(
    name: str,
    model: type[models.Model],
    fields: Sequence[str],
    read_only: Sequence[str] = (),
    **declared: Any,
) -> type[RowSerializer]:
    """The serializer of a model's fields, and `declared` fields of its own after them.

    `name` is what the document calls it.
    """
    meta = type(
        "Meta",
        (),
        {
            "model": model,
            "fields": [*fields, *declared],
            "read_only_fields": list(read_only),
            # Uniqueness is a rule across rows: checked in words when it is saved.
            "validators": [],
        },
    )
    words = (model.__doc__ or "").split("\n")[0]
    return type(f"{name}Serializer", (RowSerializer,), {**declared, "Meta": meta, "__doc__": words})


def body_of(
    serializer: type[serializers.Serializer], data: Any, *, partial: bool = False
) -> Mapping[str, Any]:
    """The body as the serializer reads it; `partial` asks for none of its fields, but for whole parts.

    Raises
    ------
    rest_framework.exceptions.ValidationError
        It is not as the serializer tells.
    """
    sent = serializer(data=data)
    if partial:
        for field in sent.fields.values():
            field.required = False
    sent.is_valid(raise_exception=True)
    said: Mapping[str, Any] = sent.validated_data
    return said
