"""How sure the record is: all its figures, in the order of the page."""

from collections.abc import Mapping, Sequence

from outcomes.certainty import FieldAgreement, LookedAt
from outcomes.charts.beside_look import look_figure
from outcomes.charts.figure import Figure
from outcomes.charts.second_readers import readers_figure

READERS, CLINIC, IMAGING = "readers", "clinic", "imaging"


def certainty_figures(
    readers: Sequence[FieldAgreement],
    clinic: LookedAt,
    imaging: LookedAt,
    csv_urls: Mapping[str, str] | None = None,
) -> list[Figure]:
    """All three figures; `csv_urls` by READERS, CLINIC and IMAGING."""
    urls = csv_urls or {}
    return [
        readers_figure(readers, urls.get(READERS, "")),
        look_figure(clinic, "Clinical healing", urls.get(CLINIC, "")),
        look_figure(imaging, "Imaging", urls.get(IMAGING, "")),
    ]
