"""Scores as a resource: the items of any instrument by code; the values worked out from them come back."""

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from registry.api.events import Event, Posted, kept, of_knee
from registry.api.problems import Problem, escaped, invalid
from registry.models import Knee
from registry.pages.forms.events import EventKind, score_kind
from registry.pages.forms.events.scores import VERSION
from registry.scoring import INSTRUMENTS, Instrument

# A form of an instrument is chosen by the body; what all of them have in common is read from any one.
_ANY = "koos"


class Score(Event):
    """A form answered once. Which form it is stays; its items are replaced as a whole."""

    def __init__(self, example: Mapping[str, Any]) -> None:
        super().__init__("scores", "score", score_kind(_ANY), example, words="score")

    def _shown(self) -> dict[str, Any]:
        values = serializers.DictField(
            child=serializers.FloatField(),
            read_only=True,
            help_text="Every scale that could be scored, by code.",
        )
        return {
            **kept(),
            **of_knee(),
            "instrument": _instrument(),
            "instrument_version": serializers.CharField(read_only=True),
            "items": _items(),
            "scale_values": values,
            "way": serializers.CharField(read_only=True),
        }

    def _recorded(self) -> dict[str, Any]:
        return {"knee": serializers.UUIDField(), "instrument": _instrument(), **self._corrected()}

    def _corrected(self) -> dict[str, Any]:
        version = serializers.CharField(
            max_length=20,
            required=False,
            help_text="Version of the scoring rule; else the current one.",
        )
        return {"items": _items(), "instrument_version": version}

    def kind_of(self, said: Mapping[str, Any], row: Any = None) -> EventKind:
        return score_kind(row.instrument if row else said["instrument"])

    def posted(self, kind: EventKind, knee: Knee, said: Mapping[str, Any], posted: Posted) -> Posted:
        instrument = _instrument_of(kind)
        posted = super().posted(kind, knee, said, posted)
        if "items" in said:
            _refuse_unknown(instrument, said["items"])
            posted |= {item.code: said["items"].get(item.code, "") for item in instrument.items}
        if version := said.get("instrument_version"):
            _refuse_version(instrument, version)
            posted[VERSION] = version
        return posted

    def names(self, kind: EventKind) -> Mapping[str, str]:
        items = {item.code: f"items/{item.code}" for item in _instrument_of(kind).items}
        return {**items, VERSION: "instrument_version"}


def _instrument(**options: Any) -> serializers.ChoiceField:
    return serializers.ChoiceField([(code, each.name) for code, each in INSTRUMENTS.items()], **options)


def _items() -> serializers.DictField:
    return serializers.DictField(
        child=serializers.IntegerField(),
        help_text="Answers by code of the item; one not answered is absent.",
    )


def _instrument_of(kind: EventKind) -> Instrument:
    instrument: Instrument = kind.form.INSTRUMENT  # type: ignore[attr-defined]
    return instrument


def _refuse_unknown(instrument: Instrument, items: Mapping[str, int]) -> None:
    known = {item.code for item in instrument.items}
    words = f"{instrument.name} has no such item. Its items: {', '.join(sorted(known))}."
    if unknown := [code for code in items if code not in known]:
        raise invalid(Problem(f"/items/{escaped(code)}", words, items[code]) for code in unknown)


def _refuse_version(instrument: Instrument, version: str) -> None:
    if version not in instrument.rules:
        words = f"{instrument.name} has no such version. Choose: {', '.join(instrument.rules)}."
        raise invalid([Problem("/instrument_version", words, version)])
