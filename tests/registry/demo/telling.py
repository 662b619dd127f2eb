"""What stories tell, gathered: for tests that count over all of them."""

from collections.abc import Iterator

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


def share(answers: list[bool]) -> float:
    return sum(answers) / len(answers)
