"""Every command of the terminal: help with an example, JSON, exit codes, and its place in README and Help."""

import argparse
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest

from registry.management.example import CommandWithExample
from registry.pages.help.commands import CommandTold, commands, loaded
from tests.conftest import Cast

pytestmark = pytest.mark.any_engine

ROOT = Path(__file__).parents[2]
ALL = {told.name: told for told in commands()}
# Started by the site itself, never by a person.
OF_THE_SITE = "work"
# What a command or a part of it prints is a file's text as it stands.
PRINTS_A_FILE = {"wording example", "archive schema", "archive key"}


def parsers_of(name: str) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """The parser of a command, or those of its parts."""
    parser = loaded(name).create_parser("manage.py", name)
    groups = [each for each in parser._actions if isinstance(each, argparse._SubParsersAction)]
    if not groups:
        yield name, parser
    for group in groups:
        yield from ((f"{name} {part}", sub) for part, sub in group.choices.items())


PARTS = [
    pytest.param(parser, id=name)
    for command in ALL
    for name, parser in parsers_of(command)
    if name.split()[-1] != OF_THE_SITE
]


def test_every_command_of_both_apps_is_told() -> None:
    folders = [ROOT / "registry", ROOT / "outcomes"]
    files = [path for folder in folders for path in folder.glob("**/management/commands/[a-z]*.py")]
    assert {path.stem for path in files} == set(ALL)


@pytest.mark.parametrize("told", ALL.values(), ids=ALL)
def test_a_command_says_what_it_does_its_example_and_its_exit_codes(told: CommandTold) -> None:
    assert told.told.does
    assert told.example.startswith(f"manage.py {told.name}")
    assert re.fullmatch(r"Exit codes: 0: .+", told.exit_codes)
    assert "Example: manage.py" in loaded(told.name).create_parser("manage.py", told.name).format_help()


@pytest.mark.parametrize("name", ALL)
def test_the_example_of_a_command_is_one_that_it_takes(name: str) -> None:
    command: CommandWithExample = loaded(name)
    lines = command.example.replace("\\\n", " ").splitlines()
    for line in (each.strip().removeprefix("manage.py ") for each in lines):
        typed = shlex.split(re.sub(r"\s+\(.*|\s+>.*", "", line))
        parser = command.create_parser("manage.py", name)
        assert parser.parse_args([_whole(word) for word in typed[1:]])


def _whole(word: str) -> str:
    """A key that the example cuts short."""
    return "6b1e0000-0000-4000-8000-000000000000" if word == "6b1e..." else word


@pytest.mark.parametrize("parser", PARTS)
def test_a_machine_may_read_what_it_prints(
    parser: argparse.ArgumentParser, request: pytest.FixtureRequest
) -> None:
    if request.node.callspec.id not in PRINTS_A_FILE:
        assert "--json" in {name for action in parser._actions for name in action.option_strings}


@pytest.mark.parametrize("parser", PARTS)
def test_every_argument_is_explained(parser: argparse.ArgumentParser) -> None:
    unsaid = [each.dest for each in parser._actions if not each.help]
    assert unsaid == []


def test_the_readme_lists_every_command_and_no_other() -> None:
    listed = re.findall(r"^\| `manage\.py ([\w-]+)", (ROOT / "README.md").read_text(), re.MULTILINE)
    assert set(listed) == set(ALL)


def test_the_page_lists_every_command_with_its_options(cast: Cast) -> None:
    page = cast.client("administrator").get("/help/commands/").content.decode()
    for told in ALL.values():
        assert f'id="{told.name}"' in page
        assert all(part.name in page for part in told.parts)
