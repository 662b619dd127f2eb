"""The items of three reporting guidelines by number, each with a label of our own, and what may fill it.

Numbers from memory of the papers; labels are ours and short, the guidelines' own words are in the papers. The
third part names what the registry knows (`reporting.known`), empty where only the authors know.
"""

from dataclasses import dataclass

Item = tuple[str, str, str]

STROBE = (
    ("1", "Title and summary", "design"),
    ("2", "Background", ""),
    ("3", "Aims", "purpose"),
    ("4", "Design", "design"),
    ("5", "Where and when", "setting"),
    ("6", "People taken in", "people"),
    ("7", "Variables defined", "variables"),
    ("8", "Sources and measurement", "sources"),
    ("9", "Bias", "bias"),
    ("10", "Size", "size"),
    ("11", "Numbers and bands", "bands"),
    ("12", "Statistics", "statistics"),
    ("13", "Flow of people", "flow"),
    ("14", "Who they are, what is missing, how long followed", "described"),
    ("15", "Outcomes counted", "outcomes"),
    ("16", "Main estimates", "estimates"),
    ("17", "Further analyses", ""),
    ("18", "Summary of results", ""),
    ("19", "Limits", "limits"),
    ("20", "Reading of the results", ""),
    ("21", "To whom they apply", "people"),
    ("22", "Funding", ""),
)

RECORD = (
    ("1.1", "Type of data named", "design"),
    ("1.2", "Region and period named", "setting"),
    ("1.3", "Linkage named", "linkage"),
    ("6.1", "How people were picked by codes", "people"),
    ("6.2", "Whether the picking was validated", ""),
    ("6.3", "Diagram of linkage", "linkage"),
    ("7.1", "Full list of codes", "variables"),
    ("12.1", "Access of the authors to the record", "access"),
    ("12.2", "Cleaning", "cleaning"),
    ("12.3", "Linkage and its quality", "linkage"),
    ("13.1", "Picking of people step by step", "flow"),
    ("19.1", "Limits of data not made for the question", "limits"),
    ("22.1", "Protocol, data and code at hand", "at_hand"),
)

TRIPOD = (
    ("1", "Title", ""),
    ("2", "Summary", ""),
    ("3a", "Why a model", ""),
    ("3b", "Aims", "purpose"),
    ("4a", "Source of data", "design"),
    ("4b", "Dates of the study", "setting"),
    ("5a", "Setting", "setting"),
    ("5b", "Who could be in it", "people"),
    ("5c", "Treatments", "treatments"),
    ("6a", "Outcome", "definition"),
    ("6b", "Outcome judged blindly", "blinding"),
    ("7a", "Predictors", "variables"),
    ("7b", "Predictors judged blindly", "blinding"),
    ("8", "Sample size", "size"),
    ("9", "Missing data", "missing"),
    ("10a", "Predictors in the analysis", "bands"),
    ("10b", "Type and building of the model", ""),
    ("10c", "Predictions for validation", ""),
    ("10d", "Measures of performance", ""),
    ("10e", "Updating", ""),
    ("11", "Risk groups", ""),
    ("12", "Development against validation", ""),
    ("13a", "Flow of people", "flow"),
    ("13b", "Who they are", "described"),
    ("13c", "Validation compared with development", ""),
    ("14a", "Numbers and events", "outcomes"),
    ("14b", "Single associations", ""),
    ("15a", "The whole model", ""),
    ("15b", "How to use it", ""),
    ("16", "Performance", ""),
    ("17", "Updated model", ""),
    ("18", "Limits", "limits"),
    ("19a", "Validation read", ""),
    ("19b", "Reading of the results", ""),
    ("20", "Clinical use", ""),
    ("21", "Further material", "at_hand"),
    ("22", "Funding", ""),
)


@dataclass(frozen=True, slots=True)
class Guideline:
    """A guideline: its name, what it is for, its paper, and its items."""

    name: str
    what_for: str
    paper: str
    items: tuple[Item, ...]


GUIDELINES = (
    Guideline(
        "STROBE",
        "observational studies; for cohorts",
        "von Elm E, Altman DG, Egger M, et al. PLoS Med 2007;4:e296.",
        STROBE,
    ),
    Guideline(
        "RECORD",
        "studies of routinely collected data; beside STROBE",
        "Benchimol EI, Smeeth L, Guttmann A, et al. PLoS Med 2015;12:e1001885.",
        RECORD,
    ),
    Guideline(
        "TRIPOD",
        "models that predict; only where one is made or tested",
        "Collins GS, Reitsma JB, Altman DG, Moons KGM. Ann Intern Med 2015;162:55-63.",
        TRIPOD,
    ),
)
