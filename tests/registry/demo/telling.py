"""What stories tell, gathered: for tests that count over all of them."""

from collections.abc import Iterator

from registry.demo.review_stories import LinkStory, ReportStory, ScoreStory
from registry.demo.story import KneeStory, PatientStory, ProcedureStory, RepairStory, TearStory

Stories = list[PatientStory]


def knees(told: Stories) -> list[KneeStory]:
    return [knee for story in told for knee in story.knees]


def procedures(told: Stories) -> list[ProcedureStory]:
    return [procedure for knee in knees(told) for procedure in knee.procedures]


def tears(told: Stories) -> list[TearStory]:
    return [tear for procedure in procedures(told) for tear in procedure.tears]


def repairs(told: Stories) -> Iterator[tuple[TearStory, RepairStory]]:
    return ((tear, tear.repair) for tear in tears(told) if tear.repair)


def forms(told: Stories) -> list[ScoreStory]:
    return [each for knee in knees(told) for each in knee.scores]


def reports(told: Stories) -> list[ReportStory]:
    return [each for knee in knees(told) for each in knee.reports]


def links(told: Stories) -> list[LinkStory]:
    return [each for knee in knees(told) for each in knee.links]


def signs(report: ReportStory) -> bool:
    return report.fever or report.calf_pain or report.locked_knee


def is_open(report: ReportStory) -> bool:
    """To be verified still."""
    found = report.reoperation is not None or report.procedure is not None or report.no_reoperation_because
    return report.operated_again != "no" and not found


def by_knee(told: Stories) -> Iterator[tuple[PatientStory, KneeStory]]:
    return ((story, knee) for story in told for knee in story.knees)


def share(answers: list[bool]) -> float:
    return sum(answers) / len(answers)
