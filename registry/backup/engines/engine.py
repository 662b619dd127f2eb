"""What both engines can do for a backup."""

from abc import ABC, abstractmethod
from contextlib import AbstractContextManager
from pathlib import Path
from typing import ClassVar

from registry.backup.engines.aliases import Config, alias_for
from registry.backup.engines.tables import rows_of_people
from registry.backup.manifest import Facts


class Engine(ABC):
    """A database of one engine, to be copied whole or to be put back."""

    vendor: ClassVar[str]

    def __init__(self, config: Config) -> None:
        self.config = config

    @property
    @abstractmethod
    def name(self) -> str:
        """The database's name, as whoever overwrites it has to type it."""

    @abstractmethod
    def version(self, using: str) -> str:
        """Version of the engine."""

    @abstractmethod
    def snapshot(self) -> AbstractContextManager[str]:
        """An alias that reads one state of the database throughout, and keeps nobody from writing."""

    @abstractmethod
    def dump(self, using: str, into: Path) -> None:
        """Write the state that a snapshot sees to a file."""

    @abstractmethod
    def facts(self, using: str) -> Facts:
        """What the database of an alias holds."""

    @abstractmethod
    def scratch(self, dump: Path) -> AbstractContextManager[str]:
        """An alias of a database restored from a file, which goes afterwards."""

    @abstractmethod
    def problems(self, using: str) -> list[str]:
        """Damage, and references that lead nowhere, in words."""

    @abstractmethod
    def exists(self) -> bool:
        """Whether there is such a database already."""

    def rows(self) -> int:
        """Rows of people's work in it: those that an empty installation would not have."""
        with alias_for(self.config) as alias:
            return rows_of_people(alias)

    @abstractmethod
    def refuse_if_in_use(self) -> None:
        """Refuse while anybody else has the database open."""

    @abstractmethod
    def restore_beside(self, dump: Path) -> "Engine":
        """A new database from a file, under another name beside this one."""

    @abstractmethod
    def take_place_of(self, old: "Engine", aside: str) -> "Engine | None":
        """Give this database the name of another, at once or not at all; the other as it is kept aside."""

    @abstractmethod
    def drop(self) -> None:
        """Remove a database that this work made, or that held nothing."""
