"""The code of a sheet: as printed, as typed, and what is none."""

from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.scoring import INSTRUMENTS
from registry.scoring.paper import EXAMPLE, SheetCode
from registry.vocabulary import TimePoint

KNEE = UUID("7f3a91c2-d0ab-4def-8123-456789abcdef")


def test_a_code_as_it_is_printed() -> None:
    assert str(SheetCode.of(KNEE, "koos", "12m")) == "7F3A9-1C2D0-KOOS-12M" == EXAMPLE


@pytest.mark.parametrize(
    "typed",
    ["7F3A9-1C2D0-KOOS-12M", "7f3a91c2d0 koos 12m", "  7f3a9 1c2d0  koos-12m ", "7F3A9-1C2D0 KOOS 12M"],
)
def test_a_code_as_it_is_typed(typed: str) -> None:
    assert SheetCode.read(typed) == SheetCode.of(KNEE, "koos", "12m")


@given(st.uuids(), st.sampled_from(sorted(INSTRUMENTS)), st.sampled_from(TimePoint.values))
def test_every_code_is_read_back_and_holds_its_knee(knee: UUID, instrument: str, point: str) -> None:
    code = SheetCode.read(str(SheetCode.of(knee, instrument, point)))
    assert (code.instrument, code.time_point) == (instrument, point)
    first, last = code.knees
    assert first <= knee <= last
    assert last.int - first.int == 16**22 - 1


@pytest.mark.parametrize(
    "typed", ["", "7F3A9-1C2D0", "7F3A9-1C2D-KOOS-12M", "7F3A9-1C2DX-KOOS-12M", "koos-12m"]
)
def test_what_is_no_code_is_refused_in_words(typed: str) -> None:
    with pytest.raises(
        ValueError, match=f"'{typed}' is no sheet code. Type it as printed, such as {EXAMPLE}."
    ):
        SheetCode.read(typed)
