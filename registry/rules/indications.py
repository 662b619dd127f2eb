"""The six prerequisites of repair and the verdict they give. Common practice, no published source.

For audit only: local protocol and the operating surgeon's judgement decide, and nothing here blocks saving.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

# Hip-knee-ankle angle: varus beyond this is usually not accepted; a unit may set its own.
USUAL_VARUS_LIMIT_DEG = 5

PREREQUISITES = {
    "vascular_zone_met": "tear in a vascular zone",
    "unstable_on_probing": "unstable on probing",
    "body_intact": "meniscal body intact",
    "knee_stable": "knee stable or stabilised",
    "alignment_acceptable": "alignment acceptable",
    "cartilage_acceptable": "cartilage acceptable",
}


@dataclass(frozen=True, slots=True)
class IndicationVerdict:
    """Within usual indications, outside (naming which), or not assessable (naming what is missing)."""

    verdict: Literal["within", "outside", "not_assessable"]
    failed: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()

    def __str__(self) -> str:
        names = ", ".join(PREREQUISITES[key] for key in self.failed or self.missing)
        return {
            "within": "Within usual indications",
            "outside": f"Outside usual indications: not met: {names}",
            "not_assessable": f"Not assessable: no answer on {names}",
        }[self.verdict]


def indication_verdict(answers: Mapping[str, str]) -> IndicationVerdict:
    """Verdict from the six answers ("yes", "no", "not_assessed"), keyed as PREREQUISITES.

    One "no" suffices for outside, whatever else is unknown.
    """
    failed = tuple(key for key in PREREQUISITES if answers[key] == "no")
    missing = tuple(key for key in PREREQUISITES if answers[key] not in ("yes", "no"))
    if failed:
        return IndicationVerdict("outside", failed, missing)
    return IndicationVerdict("not_assessable", (), missing) if missing else IndicationVerdict("within")
