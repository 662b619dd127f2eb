"""What the label of an implant may say, as validators in words (GS1)."""

from django.core.exceptions import ValidationError

from registry.gs1 import CHARACTER_SET_82, UnreadableLabel, normal_identifier


def device_identifier(value: str) -> None:
    """Refuse what is not a GTIN of 14 digits with its check digit."""
    try:
        normal = normal_identifier(value)
    except UnreadableLabel as error:
        raise ValidationError(str(error)) from error
    if normal != value:
        raise ValidationError(f"'{value}' is a shorter identifier. Enter its 14 digits: {normal}.")


def label_text(value: str) -> None:
    """Refuse a character that no GS1 label carries."""
    wrong = sorted(set(value) - CHARACTER_SET_82)
    if wrong:
        raise ValidationError(f"'{value}' holds '{wrong[0]}', which no label carries. Correct it.")
