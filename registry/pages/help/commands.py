"""Every command of the terminal, as its own --help tells it."""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from django.core.management import get_commands, load_command_class

from registry.management.example import CommandWithExample

# Options that every command of Django has; they are told once.
_COMMON = {"help", "version", "verbosity", "settings", "pythonpath", "traceback", "no_color", "force_color"}
_COMMON |= {"skip_checks"}
_OURS = ("registry", "outcomes")

if TYPE_CHECKING:
    Parts = argparse._SubParsersAction[argparse.ArgumentParser]


@dataclass(frozen=True, slots=True)
class Option:
    """One argument: how it is written, and what it is for."""

    written: str
    said: str


@dataclass(frozen=True, slots=True)
class Told:
    """One command, or one of those it is made of: what it does and takes."""

    name: str
    does: str
    options: tuple[Option, ...]


@dataclass(frozen=True, slots=True)
class CommandTold:
    """A command with an example, what its exit codes mean, and the commands it is made of."""

    told: Told
    example: str
    exit_codes: str
    parts: tuple[Told, ...]

    @property
    def name(self) -> str:
        return self.told.name


@cache
def commands() -> tuple[CommandTold, ...]:
    """All commands of Rimward by name; loading them takes their modules in, so it is done once."""
    named = sorted(name for name, app in get_commands().items() if str(app).split(".")[0] in _OURS)
    return tuple(_told(name, loaded(name)) for name in named)


def loaded(name: str) -> CommandWithExample:
    """The command of that name; TypeError where it has no example to show."""
    command = load_command_class(get_commands()[name], name)
    if not isinstance(command, CommandWithExample):
        raise TypeError(f"The command {name} shows no example: derive it from CommandWithExample.")
    return command


def _told(name: str, command: CommandWithExample) -> CommandTold:
    parser = command.create_parser("manage.py", name)
    parts = [
        Told(f"{name} {part}", _help_of(group, part), tuple(_options(sub)))
        for group in _groups(parser)
        for part, sub in group.choices.items()
        if _help_of(group, part)
    ]
    told = Told(name, command.help, tuple(_options(parser)))
    return CommandTold(told, _lines(command.example), command.exit_codes_said, tuple(parts))


def _lines(example: str) -> str:
    """An example as it is typed, without the indent that --help needs."""
    return "\n".join(line.strip() for line in f"manage.py {example}".splitlines())


def _groups(
    parser: argparse.ArgumentParser,
) -> "Iterator[Parts]":
    yield from (each for each in parser._actions if isinstance(each, argparse._SubParsersAction))


def _help_of(group: "Parts", part: str) -> str:
    """What a part says of itself; nothing of one that is only for the site's own use."""
    said = {each.dest: each.help or "" for each in group._choices_actions}
    return said.get(part, "")


def _options(parser: argparse.ArgumentParser) -> Iterator[Option]:
    for action in parser._actions:
        if action.dest in _COMMON or isinstance(action, argparse._SubParsersAction):
            continue
        yield Option(_written(action), _said(parser, action))


def _written(action: argparse.Action) -> str:
    names = ", ".join(action.option_strings)
    takes = action.metavar if isinstance(action.metavar, str) else action.dest.upper()
    if action.nargs == 0:
        return names
    return f"{names} {takes}".strip()


def _said(parser: argparse.ArgumentParser, action: argparse.Action) -> str:
    formatter = parser._get_formatter()
    return formatter._expand_help(action) if action.help else ""
